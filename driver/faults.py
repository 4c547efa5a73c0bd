"""What can go wrong with a device, each with a remedy in words."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType


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
    MOTION_STOPPED = "motion_stopped"
    POSITION_MISMATCH = "position_mismatch"
    INTERLOCK_OPEN = "interlock_open"
    SHUTTER_MISMATCH = "shutter_mismatch"
    LAMP_MISMATCH = "lamp_mismatch"
    CAMERA_NOT_FOUND = "camera_not_found"
    CAMERA_LOST = "camera_lost"
    FRAME_STALE = "frame_stale"
    FRAME_WRONG = "frame_wrong"
    HANDLER_FAILED = "handler_failed"


REMEDIES: Mapping[FaultCode, str] = MappingProxyType(
    {
        FaultCode.PORT_NOT_FOUND: "correct the port in the bench file, plug the cable in, or end the program "
        "that holds the port",
        FaultCode.LINE_LOST: "check cable and power of the controller, then connect, home and verify again",
        FaultCode.NO_REPLY: "check that the controller is on and that port, speed and phrase table fit it",
        FaultCode.REPLY_GARBLED: "check cable, shielding and speed of the line, then home again",
        FaultCode.REPLY_MISMATCH: "check that nobody else uses the line and that the phrase table fits, then "
        "home again",
        FaultCode.REFUSED_BY_CONTROLLER: "look up the controller's words, then home again",
        FaultCode.NOT_HOMED: "home all axes first",
        FaultCode.POSITION_LOST: "find out why the controller lost its position (power, reset, hand), then "
        "home and verify again",
        FaultCode.OUT_OF_TRAVEL: "choose a target inside the travel, or bring the lens nearer by hand",
        FaultCode.LIMIT_SWITCH: "free the axis from its limit switch, then home again",
        FaultCode.STALLED: "look for what blocks the axis, then home again",
        FaultCode.MOTION_TIMEOUT: "look for what slows the axis, check its speed in the bench file, "
        "then home again",
        FaultCode.MOTION_STOPPED: "find out who stopped the motion and why, then home again",
        FaultCode.POSITION_MISMATCH: "check the axis for slip, its step and repeatability in the bench file, "
        "then home again",
        FaultCode.INTERLOCK_OPEN: "close the interlock circuit by the site's procedure, then start again",
        FaultCode.SHUTTER_MISMATCH: "switch the laser off at its own key, then check shutter and cable",
        FaultCode.LAMP_MISMATCH: "check lamp and cable",
        FaultCode.CAMERA_NOT_FOUND: "correct the camera's source in the bench file, or plug it in",
        FaultCode.CAMERA_LOST: "check cable and power of the camera, then start again",
        FaultCode.FRAME_STALE: "check the camera's frame rate and its stated latency",
        FaultCode.FRAME_WRONG: "check the camera's format and what the bench file says about it",
        FaultCode.HANDLER_FAILED: "put the lens in or out as asked, then start again",
    }
)
"""What a person can do about each cause, where the fault does not say it better."""


class DeviceFault(Exception):  # noqa: N818  a fault latches; an error is a mistake in a call
    """A device did not do what was asked of it.

    Parameters
    ----------
    code : FaultCode
        The cause.
    state, asked, came : str
        The state the device was in, what was asked, what came (with the limit where there is one).
    remedy : str, optional
        What a person can do about it; by default the one of ``REMEDIES``.
    """

    def __init__(
        self, code: FaultCode, *, state: str, asked: str, came: str, remedy: str | None = None
    ) -> None:
        self.code = code
        self.state = state
        self.asked = asked
        self.came = came
        self.remedy = REMEDIES[code] if remedy is None else remedy
        super().__init__(f"{code.value}: {asked} while {state}: {came}. Remedy: {self.remedy}")
