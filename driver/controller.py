"""One controller on one line: its state, its commands, its latched fault.

Motion, shutter, lamp and interlock of a bench are views of the same controller.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

from driver.axes import AxisSpec
from driver.exchange import Exchange, Timing, Trouble
from driver.faults import DeviceFault, FaultCode
from driver.phrases import Activity, ControllerState, PhraseTable, Refusal, UnreadableError
from driver.port import Port
from driver.protocols import Clock

_PATIENCE = 0.125  # of the time that something has taken may pass unseen after its end
_REFUSED = {
    "check_wrong": FaultCode.REPLY_GARBLED,
    "not_homed": FaultCode.NOT_HOMED,
    "out_of_travel": FaultCode.OUT_OF_TRAVEL,
    "interlock_open": FaultCode.INTERLOCK_OPEN,
    "limit_switch": FaultCode.LIMIT_SWITCH,
    "stalled": FaultCode.STALLED,
}


class Controller:
    """What the driver knows about the controller; see :class:`driver.motion.SerialMotion`.

    Attributes
    ----------
    homed : bool
        All axes were homed over this connection and nothing has gone wrong since.
    in_motion : bool
        A motion was commanded and is not known to have ended.
    beam_blocked : bool
        The shutter was closed, its switch has said so, and nobody has asked to open it since.
    fault : DeviceFault or None
        The first fault since the last homing; nothing moves while there is one.
    activity : str
        What the driver is doing, in words, for faults.
    """

    def __init__(
        self,
        port: Port | Callable[[], Port],
        table: PhraseTable,
        axes: Sequence[AxisSpec],
        clock: Clock,
        timing: Timing,
        second_stop: Callable[[], None] | None,
    ) -> None:
        table.check_axes(axes)
        self.table = table
        self.axes = tuple(axes)
        self.clock = clock
        self.timing = timing
        self.homed = False
        self.in_motion = False
        self.beam_blocked = False
        self.fault: DeviceFault | None = None
        self.activity = "not connected"
        self._second_stop = second_stop
        self._connected_once = False
        self._reopens = callable(port)
        opener: Callable[[], Port] = port if callable(port) else lambda: port
        self.line = Exchange(opener, table, timing, self.describe)

    def describe(self) -> str:
        """Return the state in words, for faults."""
        if self.fault is not None:
            return f"{self.activity}, stopped by {self.fault.code.value}"
        return self.activity

    def error(self, code: FaultCode, asked: str, came: str, remedy: str | None = None) -> DeviceFault:
        """Return a fault that carries the present state."""
        return DeviceFault(code, state=self.describe(), asked=asked, came=came, remedy=remedy)

    @contextmanager
    def latching(self) -> Iterator[None]:
        """Remember the first fault that passes through; nothing moves until the next homing."""
        try:
            yield
        except DeviceFault as fault:
            self.latch(fault)
            raise

    def latch(self, fault: DeviceFault) -> None:
        """Remember the first fault; homing is not valid any more."""
        self.fault = self.fault or fault
        self.homed = False

    # --- connection ----------------------------------------------------------------------------

    def connect(self) -> None:
        """Open the line; what was known about the controller is void."""
        if self._connected_once and not self._reopens and not self.line.is_open:
            raise self.error(
                FaultCode.LINE_LOST,
                "connect again",
                "this port cannot be opened a second time",
                "start again",
            )
        self.homed = False
        with self.latching():
            self.line.open()
        self._connected_once = True
        self.activity = "connected, not homed"

    @property
    def was_connected(self) -> bool:
        """Say whether the line was ever open, so that the controller may have been told something."""
        return self._connected_once or self.line.is_open

    # --- queries and commands ------------------------------------------------------------------

    def look(self, asked: str) -> ControllerState:
        """Ask all state queries.

        A lost home, or a shutter that has opened by itself, is latched but does not stand in the way.
        """
        with self.latching():
            replies = [
                self.line.query(query.request.format(), _fits(query.reply), asked)
                for query in self.table.states
            ]
            try:
                state = self.table.read_state(replies)
            except UnreadableError as problem:
                raise self.error(FaultCode.REPLY_MISMATCH, asked, str(problem)) from None
        if state.homed is False and self.homed:
            self.lost(asked, f"the controller says that it is not homed: {state.words!r}")
        if self._has_opened(state):
            came = f"it was closed and has opened: {state.words!r}"
            self.latch(self.error(FaultCode.SHUTTER_MISMATCH, asked, came))
        return state

    def _has_opened(self, state: ControllerState) -> bool:
        return self.beam_blocked and state.shutter_open is True

    def state(self, asked: str = "query the state") -> ControllerState:
        """Ask all state queries.

        Raises
        ------
        DeviceFault
            POSITION_LOST too, when the controller does not know any more that it is homed, and
            SHUTTER_MISMATCH when the shutter has opened by itself.
        """
        was_homed = self.homed
        state = self.look(asked)
        if self._has_opened(state):
            came = f"it was closed and has opened: {state.words!r}"
            raise self.error(FaultCode.SHUTTER_MISMATCH, asked, came)
        if was_homed and state.homed is False and self.fault is not None:
            raise self.fault
        return state

    def positions(self, asked: str = "query the positions") -> dict[str, float]:
        """Return the positions of all axes (axis units)."""
        table = self.table
        with self.latching():
            return self.line.query(
                table.requests.positions.format(),
                lambda words: table.read_positions(self.axes, words),
                asked,
            )

    def command(self, words: str, asked: str) -> None:
        """Send a command once and wait for its acknowledgement.

        Raises
        ------
        DeviceFault
            Also where no acknowledgement came: it is not known then whether the command was carried out.
        """
        with self.latching():
            if self.table.replies.acknowledge is None:
                self.line.send(words, lambda _: False)
                return
            trouble = Trouble()
            answer = self.line.once(words, self.table.acknowledges, self.timing.reply_s, trouble)
            self.check(answer, asked, trouble, f"{self.timing.reply_s:g} s")

    def check(self, answer: str | None, asked: str, trouble: Trouble, waited: str) -> None:
        """Raise where the answer is missing or a refusal."""
        if answer is None:
            raise trouble.fault(self.describe(), asked, waited)
        if (refusal := self.table.read_refusal(answer)) is not None:
            raise self._refused(refusal, asked)

    def _refused(self, refusal: Refusal, asked: str) -> DeviceFault:
        came = f"the controller answers {refusal.words!r} ({refusal.meaning})"
        if refusal.meaning == "not_homed" and self.homed:
            return self.lost(asked, came)
        return self.error(_REFUSED.get(refusal.meaning, FaultCode.REFUSED_BY_CONTROLLER), asked, came)

    def lost(self, asked: str, came: str) -> DeviceFault:
        """Return (and latch) the fault of a controller that does not know its position any more."""
        fault = self.error(FaultCode.POSITION_LOST, asked, came)
        self.latch(fault)
        return fault

    # --- what must always work -----------------------------------------------------------------

    def urge(self, words: str, asked: str) -> None:
        """Send a command that makes things safer until it is acknowledged.

        Earlier garbage is ignored; a line that was lost is opened once more; bounded by
        ``timing.stop_attempts`` times ``timing.stop_reply_s``.

        Raises
        ------
        DeviceFault
            When there was no acknowledgement in the end.
        """
        # What is left of this is how often the line may still be opened again.
        reopenings = iter([True] if self._reopens else [])
        attempts = self.timing.stop_attempts
        for attempt in range(attempts - 1):
            with suppress(DeviceFault):
                self._urge_once(words, asked, reopenings, again=attempt > 0)
                return
        with self.latching():
            self._urge_once(words, asked, reopenings, again=attempts > 1)

    def _urge_once(self, words: str, asked: str, reopenings: Iterator[bool], *, again: bool) -> None:
        if not self.line.is_open and next(reopenings, False):
            self.line.open()
        if self.table.replies.acknowledge is None:
            self.line.send(words, lambda _: False, again=again)
            return
        trouble = Trouble()
        answer = self.line.once(
            words, self.table.acknowledges, self.timing.stop_reply_s, trouble, again=again
        )
        self.check(answer, asked, trouble, f"{self.timing.stop_reply_s:g} s")

    def halt(self) -> None:
        """Stop motion and see that it has stopped; where that fails, close the port as second path.

        Raises
        ------
        DeviceFault
            When it is not known that motion has stopped.
        """
        asked = "stop"
        try:
            self.urge(self.table.requests.stop.format(), asked)
            if not self.wait(self.timing.constant_s, self._halted):
                raise self.error(FaultCode.MOTION_TIMEOUT, asked, "still moving after an acknowledged stop")
        except DeviceFault as fault:
            self.latch(fault)
            self._give_up_line()
            raise self.error(
                fault.code,
                asked,
                f"{fault.came}; it is not known that motion has stopped; the port was closed",
                "use the emergency stop, then check cable and power of the controller",
            ) from fault
        self.in_motion = False
        if self.fault is not None:
            self.activity = "at rest"

    def _halted(self) -> bool:
        return self.look("look whether motion has stopped").activity not in (
            Activity.MOVING,
            Activity.HOMING,
        )

    def _give_up_line(self) -> None:
        """Send last words that nobody answers, close the port, take the configured second stop."""
        requests = self.table.requests
        for phrase in (requests.stop, requests.shutter_closed):
            if self.line.is_open and phrase is not None:
                self.line.write_blindly(phrase.format())
        self.line.close()
        if self._second_stop is not None:
            self._second_stop()

    # --- waiting -------------------------------------------------------------------------------

    def wait(self, duration_s: float, step: Callable[[], bool], expected_s: float = 0.0) -> bool:
        """Call ``step`` until it returns True; False when bench time or the number of looks runs out.

        What is expected to take ``expected_s``, or has taken long already, is looked at less often. A clock
        that stands still or jumps cannot keep it here.
        """
        poll_s, glance_s = self.timing.poll_s, max(self.timing.poll_s, self.timing.glance_s)
        begun_s = self.clock.now_s()
        deadline_s = begun_s + duration_s
        for _ in range(2 + int(duration_s / poll_s)):
            if step():
                return True
            now_s = self.clock.now_s()
            if now_s >= deadline_s:
                return False
            pause_s = max(poll_s, begun_s + expected_s - now_s, (now_s - begun_s) * _PATIENCE)
            self.clock.sleep_s(min(pause_s, glance_s))
        return False


def _fits(pattern: str) -> Callable[[str], str]:
    def parse(words: str) -> str:
        if re.fullmatch(pattern, words) is None:
            raise UnreadableError(f"{words!r} does not fit {pattern!r}")
        return words

    return parse


def judge_motion(controller: Controller, state: ControllerState, asked: str, *, homing: bool) -> None:
    """Raise where the state forbids a motion or says that it has failed.

    Raises
    ------
    DeviceFault
        INTERLOCK_OPEN, LIMIT_SWITCH or STALLED.
    """
    came = repr(state.words)
    if controller.table.interlock == "reported" and state.interlock_closed is not True:
        raise controller.error(FaultCode.INTERLOCK_OPEN, asked, came)
    if state.activity is Activity.FAULT and not homing:
        code = FaultCode.LIMIT_SWITCH if state.limit_pressed else FaultCode.STALLED
        raise controller.error(code, asked, came)
    if state.limit_pressed and not homing:
        raise controller.error(FaultCode.LIMIT_SWITCH, asked, came)
