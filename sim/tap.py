"""The one place where every byte of the line passes and is numbered, and where faults of the line come from.

Each write and each read of the line is a *call* with its own index, from 0. A :class:`LineFault` names the
call at which it strikes. A sweep runs once without faults, looks at :attr:`LineTap.journal`, and repeats the
run once per call and fitting kind of fault.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from driver.faults import DeviceFault, FaultCode
from sim.clock import SimClock
from sim.firmware import SimController


class LineFaultKind(Enum):
    """What can be made to go wrong; ``value`` of the fault means what is said here.

    Bytes of a call (a write: towards the controller; a read: from it; nothing happens when none pass):
    BYTE_LOST and BYTE_FLIPPED (value: which byte, counted round), REPLY_LATE (reads; value: seconds),
    REPLY_DOUBLED and REPLY_OF_PREVIOUS (reads).
    The line: SILENT (bytes vanish both ways for value seconds from this call on; 0: this call only) and CUT
    (calls raise LINE_LOST for value seconds; 0: this call only). ``math.inf`` is for ever.
    The controller, just before the bytes pass: RESET, STALL, LIMIT, NEVER_ARRIVES, STEPS_LOST (value: steps,
    on the next move of ``axis``), SCREW_SLIPS (value: steps, now), INTERLOCK_OPEN (value: seconds until it
    closes again; 0: never), SHUTTER_STUCK_OPEN, SHUTTER_STUCK_CLOSED.
    """

    BYTE_LOST = "byte_lost"
    BYTE_FLIPPED = "byte_flipped"
    REPLY_LATE = "reply_late"
    REPLY_DOUBLED = "reply_doubled"
    REPLY_OF_PREVIOUS = "reply_of_previous"
    SILENT = "silent"
    CUT = "cut"
    RESET = "reset"
    STALL = "stall"
    LIMIT = "limit"
    NEVER_ARRIVES = "never_arrives"
    STEPS_LOST = "steps_lost"
    SCREW_SLIPS = "screw_slips"
    INTERLOCK_OPEN = "interlock_open"
    SHUTTER_STUCK_OPEN = "shutter_stuck_open"
    SHUTTER_STUCK_CLOSED = "shutter_stuck_closed"


@dataclass(frozen=True, slots=True)
class LineFault:
    """One fault.

    Attributes
    ----------
    kind : LineFaultKind
    at : int
        Index of the call at which it strikes.
    count : int
        It strikes at this many calls in a row.
    value : float
        See :class:`LineFaultKind`.
    axis : str
        Axis for STEPS_LOST and SCREW_SLIPS.
    """

    kind: LineFaultKind
    at: int
    count: int = 1
    value: float = 0.0
    axis: str = ""

    def strikes(self, index: int) -> bool:
        """Tell whether it strikes at the call with this index."""
        return self.at <= index < self.at + self.count


@dataclass(frozen=True, slots=True)
class LineCall:
    """One write or read as it happened: its index, bench time at its start, and how many bytes passed."""

    index: int
    way: Literal["write", "read"]
    time_s: float
    byte_count: int


class LineTap:
    """Numbers the calls of the line, applies faults.

    Parameters
    ----------
    controller : SimController
    clock : SimClock
    faults : sequence of LineFault
        May be set at any time through the attribute of the same name.
    on_call : callable or None
        Attribute; told index and way of every call before anything strikes.
    journal : bool
        Keep a :class:`LineCall` of every call in :attr:`journal`; off by default, since nights are long.
    """

    def __init__(
        self,
        controller: SimController,
        clock: SimClock,
        faults: Sequence[LineFault] = (),
        *,
        journal: bool = False,
    ) -> None:
        self.faults = tuple(faults)
        self.journal: list[LineCall] = []
        self.calls = 0
        self.on_call: Callable[[int, Literal["write", "read"]], None] | None = None
        self._keep_journal = journal
        self._controller, self._clock = controller, clock
        self._way: Literal["write", "read"] = "write"
        self._silent_until_s = self._cut_until_s = self._interlock_until_s = -math.inf
        self._last_reply = b""

    # --- what the line calls -----------------------------------------------------------------------

    def begin(self, way: Literal["write", "read"]) -> None:
        """Start a call: count it, let faults of controller and line strike.

        Raises
        ------
        DeviceFault
            LINE_LOST while the line is cut.
        """
        index, now_s = self.calls, self._clock.now_s()
        self.calls += 1
        self._way = way
        if self.on_call is not None:
            self.on_call(index, way)
        if self._keep_journal:
            self.journal.append(LineCall(index, way, now_s, 0))
        if -math.inf < self._interlock_until_s <= now_s:
            self._interlock_until_s = -math.inf
            self._controller.set_interlock(closed=True)
        if not self.faults and now_s >= self._cut_until_s:
            return
        for fault in self._striking():
            self._strike(fault, now_s)
        if now_s < self._cut_until_s or self._struck_by(LineFaultKind.CUT):
            raise DeviceFault(
                FaultCode.LINE_LOST,
                state="connected",
                asked=f"{way} on the line",
                came="the line is cut",
                remedy="Check plug and power of the motion controller.",
            )

    def pass_request(self, data: bytes) -> bytes:
        """Return what reaches the controller of ``data`` written in this call."""
        self._count(len(data))
        if not self.faults and self._clock.now_s() >= self._silent_until_s:
            return data
        return b"" if self._silent else self._spoil(data)

    def pass_reply(self, data: bytes) -> tuple[bytes, float]:
        """Return what arrives of one reply in this call, and by how many seconds it is late."""
        self._count(len(data))
        if not self.faults and self._clock.now_s() >= self._silent_until_s:
            self._last_reply = data
            return data, 0.0
        if self._silent:
            return b"", 0.0
        late_s = sum(f.value for f in self._striking() if f.kind is LineFaultKind.REPLY_LATE)
        if late_s:
            return data, late_s
        kinds = {fault.kind for fault in self._striking()}
        arriving = self._last_reply if LineFaultKind.REPLY_OF_PREVIOUS in kinds and self._last_reply else data
        self._last_reply = data
        arriving = self._spoil(arriving)
        return (arriving * 2 if LineFaultKind.REPLY_DOUBLED in kinds else arriving), 0.0

    # --- inside ------------------------------------------------------------------------------------

    def _striking(self) -> list[LineFault]:
        return [fault for fault in self.faults if fault.strikes(self.calls - 1)]

    @property
    def _silent(self) -> bool:
        return self._clock.now_s() < self._silent_until_s or self._struck_by(LineFaultKind.SILENT)

    def _struck_by(self, kind: LineFaultKind) -> bool:
        return any(fault.kind is kind for fault in self._striking())

    def _count(self, byte_count: int) -> None:
        if self._keep_journal and byte_count:
            last = self.journal[-1]
            self.journal[-1] = LineCall(last.index, last.way, last.time_s, last.byte_count + byte_count)

    def _spoil(self, data: bytes) -> bytes:
        for fault in self._striking():
            if not data:
                break
            place = int(fault.value) % len(data)
            if fault.kind is LineFaultKind.BYTE_LOST:
                data = data[:place] + data[place + 1 :]
            elif fault.kind is LineFaultKind.BYTE_FLIPPED:
                data = data[:place] + bytes([data[place] ^ 0x04]) + data[place + 1 :]
        return data

    def _strike(self, fault: LineFault, now_s: float) -> None:
        if fault.kind is LineFaultKind.SILENT and fault.value > 0:
            self._silent_until_s = max(self._silent_until_s, now_s + fault.value)
        elif fault.kind is LineFaultKind.CUT:
            self._cut_until_s = max(self._cut_until_s, now_s + fault.value)
        elif fault.kind is LineFaultKind.INTERLOCK_OPEN:
            self._controller.set_interlock(closed=False)
            self._interlock_until_s = now_s + fault.value if fault.value else -math.inf
        elif fault.kind is LineFaultKind.STEPS_LOST:
            self._controller.mount.lose_steps(fault.axis, fault.value)
        elif fault.kind is LineFaultKind.SCREW_SLIPS:
            self._controller.mount.slip(fault.axis, fault.value)
        else:
            action = self._controller_actions().get(fault.kind)
            if action is not None:
                action()

    def _controller_actions(self) -> dict[LineFaultKind, Callable[[], None]]:
        controller = self._controller
        return {
            LineFaultKind.RESET: controller.reset,
            LineFaultKind.STALL: controller.stall,
            LineFaultKind.LIMIT: controller.trip_limit,
            LineFaultKind.NEVER_ARRIVES: controller.never_arrive,
            LineFaultKind.SHUTTER_STUCK_OPEN: lambda: controller.stick_shutter("open"),
            LineFaultKind.SHUTTER_STUCK_CLOSED: lambda: controller.stick_shutter("closed"),
        }
