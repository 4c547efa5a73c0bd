"""What can go wrong with a device, each with a remedy in words."""

from __future__ import annotations

from enum import Enum


class FaultCode(Enum):
    """One code per cause; the value is the name that records and alarms carry."""

    PORT_NOT_FOUND = "port_not_found"
    LINE_LOST = "line_lost"
    NO_REPLY = "no_reply"
    REPLY_GARBLED = "reply_garbled"
    REPLY_MISMATCH = "reply_mismatch"
    REFUSED_BY_CONTROLLER = "refused_by_controller"
    NOT_HOMED = "not_homed"
    POSITION_LOST = "position_lost"
    OUT_OF_TRAVEL = "out_of_travel"
    LIMIT_SWITCH = "limit_switch"
    STALLED = "stalled"
    MOTION_TIMEOUT = "motion_timeout"
    POSITION_MISMATCH = "position_mismatch"
    INTERLOCK_OPEN = "interlock_open"
    SHUTTER_MISMATCH = "shutter_mismatch"
    CAMERA_NOT_FOUND = "camera_not_found"
    CAMERA_LOST = "camera_lost"
    FRAME_STALE = "frame_stale"
    FRAME_WRONG = "frame_wrong"
    HANDLER_FAILED = "handler_failed"


class DeviceFault(Exception):  # noqa: N818  a fault latches; an error is a mistake in a call
    """A device did not do what was asked of it.

    Parameters
    ----------
    code : FaultCode
        The cause.
    state, asked, came, remedy : str
        The state the device was in, what was asked, what came (with the limit where there is one),
        and what a person can do about it.
    """

    def __init__(self, code: FaultCode, *, state: str, asked: str, came: str, remedy: str) -> None:
        self.code = code
        self.state = state
        self.asked = asked
        self.came = came
        self.remedy = remedy
        super().__init__(f"{code.value}: {asked} while {state}: {came}. Remedy: {remedy}")
