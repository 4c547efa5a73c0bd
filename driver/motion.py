"""A motorised mount on a serial line: refuses first, moves bounded, reads back, stops always."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from driver.axes import AxisSpec
from driver.controller import Controller, judge_motion
from driver.exchange import Timing, Trouble
from driver.faults import DeviceFault, FaultCode
from driver.legs import Leg, plan_legs
from driver.phrases import Activity, ControllerState, PhraseTable
from driver.port import Port
from driver.protocols import Clock
from driver.shutter import SerialInterlock, SerialLamp, SerialShutter
from driver.wire import WireCounts

HOMING_SPEED_MARGIN = 5.0
"""Homing is slower than moving; how much is the controller's affair, so the bound is generous."""


class SerialMotion:
    """Fulfils :class:`driver.protocols.Motion` over a line that a phrase table describes.

    Parameters
    ----------
    port : Port or callable
        An open port, or what opens it anew; only the latter allows a second :meth:`connect` and lets
        :meth:`stop` open a lost line again.
    table : PhraseTable
        How the line is written.
    axes : sequence of AxisSpec
        The axes in the order of the bench file.
    clock : Clock
        The run's clock; motion deadlines and pauses between polls are bench time.
    timing : Timing, optional
        How long to wait.
    second_stop : callable, optional
        Called when stop was not acknowledged, after the port was closed; for a line that cuts the drives.

    Raises
    ------
    PhraseTableError
        When the table cannot write these axes.

    Notes
    -----
    This is not a safety function. Emergency stop, interlock and shutter act in hardware.
    """

    def __init__(
        self,
        port: Port | Callable[[], Port],
        table: PhraseTable,
        axes: Sequence[AxisSpec],
        clock: Clock,
        *,
        timing: Timing | None = None,
        second_stop: Callable[[], None] | None = None,
    ) -> None:
        self._controller = Controller(port, table, axes, clock, timing or Timing(), second_stop)
        self._axes = {axis.name: axis for axis in axes}
        self._table = table
        self._known: dict[str, float] = {}
        self._last_way: dict[str, int] = {}
        self._stops = 0
        self._closed = False
        self.shutter = SerialShutter(self._controller)
        self.lamp = SerialLamp(self._controller)
        self.interlock = SerialInterlock(self._controller)

    @property
    def axis_names(self) -> tuple[str, ...]:
        """Axis words in the order of the bench file."""
        return tuple(self._axes)

    @property
    def counts(self) -> WireCounts:
        """Requests, answers, retries, late, stray and garbled messages since the start."""
        return self._controller.line.counts

    @property
    def fault(self) -> DeviceFault | None:
        """The first fault since the last homing; nothing moves while there is one."""
        return self._controller.fault

    # --- connection ----------------------------------------------------------------------------

    def connect(self) -> str:
        """Open the line, stop what moves, send the set-up phrases, return the controller's identity.

        The axes count as not homed afterwards, whatever the controller says.
        """
        controller = self._controller
        self._closed = False
        self._forget()
        controller.connect()
        if controller.state("look at the state on connecting").activity in (Activity.MOVING, Activity.HOMING):
            controller.in_motion = True
            self._controller.halt()
        for phrase in self._table.requests.set_up:
            controller.command(phrase.format(), f"set up with {phrase}")
        if self._table.requests.identify is None:
            return self._table.title
        with controller.latching():
            return controller.line.query(
                self._table.requests.identify.format(), self._table.read_identity, "ask for the identity"
            )

    def close(self) -> None:
        """Stop if something may move, and release the line; may be called twice."""
        try:
            # A line that is closed already has told its fault.
            if self._controller.in_motion and self._controller.line.is_open:
                self.stop()
        finally:
            self._closed = True
            self._controller.homed = False
            self._controller.activity = "closed"
            self._controller.line.close()

    # --- homing --------------------------------------------------------------------------------

    def home(self) -> None:
        """Find the home switches of all axes; ends a latched fault.

        Raises
        ------
        DeviceFault
            Also INTERLOCK_OPEN (nothing is sent then), MOTION_TIMEOUT, NOT_HOMED.
        """
        controller, asked = self._controller, "home all axes"
        self._require_open(asked)
        self._forget()
        controller.homed = False
        controller.fault = None
        controller.activity = "connected, not homed"
        judge_motion(controller, controller.state(asked), asked, homing=True)
        with self._moving("homing"):
            stops = self._stops
            self._begin(
                self._table.requests.home.format(),
                asked,
                at_end=self._table.motion.homing_acknowledged_at == "end",
                limit_s=self._homing_limit_s(),
            )
            self._await_rest(asked, self._homing_limit_s(), stops, homing=True)
            self._await_homed(asked, stops)
            controller.homed = True
            self._known = controller.positions(asked)
        controller.activity = "ready"

    def _await_homed(self, asked: str, stops: int) -> None:
        state = self._look(asked, stops, homing=True)
        for _ in range(self._controller.timing.settle_polls):
            if state.homed is not False:
                break
            self._controller.clock.sleep_s(self._controller.timing.poll_s)
            state = self._look(asked, stops, homing=True)
        if state.homed is False:
            raise self._controller.error(
                FaultCode.NOT_HOMED, asked, f"homing ended but the controller says {state.words!r}"
            )
        judge_motion(self._controller, state, asked, homing=False)

    def _homing_limit_s(self) -> float:
        timing = self._controller.timing
        if timing.home_s is not None:
            return timing.home_s
        longest_s = max(
            (axis.travel_max - axis.travel_min) / axis.speed_per_s for axis in self._axes.values()
        )
        return longest_s * HOMING_SPEED_MARGIN * timing.margin + timing.constant_s

    # --- moves ---------------------------------------------------------------------------------

    def move_to(self, targets: Mapping[str, float]) -> Mapping[str, float]:
        """Move the named axes (axis units, absolute), wait until done, return all positions read back.

        Refused before a byte is sent, and without a fault latched, when not homed, after a fault, out of
        travel or not finite.

        Raises
        ------
        DeviceFault
            Every other one is latched: nothing moves until the next :meth:`home`.
        ValueError
            When there is no such axis.
        """
        asked = "move to " + ", ".join(f"{name} {value:g}" for name, value in targets.items())
        self._require_ready(asked)
        for name, value in targets.items():
            self._require_reachable(name, float(value), asked)
        controller = self._controller
        with controller.latching():
            stops = self._stops
            self._require_at_rest(controller.state(asked), asked)
            here = controller.positions(asked)
            self._require_as_left(here, asked)
        legs = plan_legs(controller.axes, self._table, here, targets, self._last_way)
        with self._moving("moving"):
            for leg in legs:
                here = self._run(leg, here, asked, stops)
        controller.activity = "ready"
        return here

    def positions(self) -> Mapping[str, float]:
        """Return the positions of all axes as the controller reports them (axis units).

        Raises
        ------
        DeviceFault
            POSITION_LOST too, latched, where a homed axis is not where the last motion left it; after a
            fault, that fault: what the controller answers then may count from another place.
        """
        controller, asked = self._controller, "query the positions"
        self._require_no_fault(asked)
        here = controller.positions(asked)
        if controller.homed:
            self._require_as_left(here, asked)
        return here

    def state(self) -> ControllerState:
        """Return what the controller says about itself."""
        return self._controller.state()

    def _require_open(self, asked: str) -> None:
        if not self._controller.line.is_open:
            raise self._controller.error(
                FaultCode.LINE_LOST, asked, "the line is closed", "connect, home and verify again"
            )

    def _require_no_fault(self, asked: str) -> None:
        if (fault := self._controller.fault) is not None:
            came = f"refused because of the earlier fault: {fault}"
            raise self._controller.error(fault.code, asked, came, "home and verify again first")

    def _require_ready(self, asked: str) -> None:
        self._require_no_fault(asked)
        self._require_open(asked)
        if not self._controller.homed:
            raise self._controller.error(FaultCode.NOT_HOMED, asked, "refused; the axes are not homed")

    def _require_reachable(self, name: str, value: float, asked: str) -> None:
        axis = self._axes.get(name)
        if axis is None:
            near = difflib.get_close_matches(name, self._axes, n=1)
            hint = f"; nearest: {near[0]}" if near else ""
            raise ValueError(f"no axis {name!r}; there are {', '.join(self._axes)}{hint}")
        if not math.isfinite(value):
            raise self._controller.error(
                FaultCode.OUT_OF_TRAVEL, asked, f"refused; {name} {value} is not finite"
            )
        # Rounding to the line's resolution must not carry the target over the end either.
        if not (axis.can_end_at(value) and axis.can_end_at(self._table.on_the_line(axis, value))):
            came = (
                f"refused; {name} {value:g} {axis.unit} is outside "
                f"{axis.reach_min:g} to {axis.reach_max:g} {axis.unit}"
            )
            raise self._controller.error(FaultCode.OUT_OF_TRAVEL, asked, came)

    def _require_at_rest(self, state: ControllerState, asked: str) -> None:
        judge_motion(self._controller, state, asked, homing=False)
        if not state.activity.at_rest:
            raise self._controller.error(
                FaultCode.REFUSED_BY_CONTROLLER, asked, f"the controller is busy: {state.words!r}"
            )

    def _require_as_left(self, here: Mapping[str, float], asked: str) -> None:
        """Refuse to go on when an axis was moved by hand or the controller has started anew."""
        for name, left in self._known.items():
            axis = self._axes[name]
            if abs(here[name] - left) > 2 * axis.tolerance:
                came = f"{name} was left at {left:g} {axis.unit} and is now at {here[name]:g} {axis.unit}"
                raise self._controller.lost(asked, came)

    def _run(self, leg: Leg, here: Mapping[str, float], asked: str, stops: int) -> dict[str, float]:
        timing = self._controller.timing
        limit_s = leg.duration_s * timing.margin + timing.constant_s
        if timing.move_s is not None:
            limit_s = min(limit_s, timing.move_s)
        words = self._table.write_move(self._controller.axes, leg.targets, here, leg.feed_per_s)
        expected = {**here, **leg.targets}
        # Known only once it is read back: whatever goes wrong from here on, the axes have to be homed.
        self._known = {}
        with self._controller.line.lock:
            self._require_no_stop(asked, stops)
            self._begin(words, asked, at_end=self._table.motion.acknowledged_at == "end", limit_s=limit_s)
        self._await_rest(asked, limit_s, stops, homing=False, expected_s=leg.duration_s)
        there = self._arrive(expected, set(leg.targets), asked, stops)
        for name, target in leg.targets.items():
            self._last_way[name] = 1 if target > here[name] else -1
        self._known = there
        return there

    def _arrive(
        self, expected: Mapping[str, float], moved: set[str], asked: str, stops: int
    ) -> dict[str, float]:
        """Read the positions back until they fit; a mount may still be settling."""
        controller = self._controller
        for look in range(controller.timing.settle_polls):
            if look:
                controller.clock.sleep_s(controller.timing.poll_s)
                self._await_rest(asked, controller.timing.constant_s, stops, homing=False)
            there = controller.positions(asked)
            wrong = [name for name in there if not self._fits(name, there, expected, name in moved)]
            if not wrong:
                return there
        axis = self._axes[wrong[0]]
        came = (
            f"{axis.name} reads {there[axis.name]:g} instead of {expected[axis.name]:g} {axis.unit}, "
            f"off by more than {axis.tolerance:g}"
        )
        raise controller.error(FaultCode.POSITION_MISMATCH, asked, came)

    def _fits(
        self, name: str, there: Mapping[str, float], expected: Mapping[str, float], moved: bool
    ) -> bool:
        axis = self._axes[name]
        # A target is exact; the position of an axis that stays was a reading itself.
        allowed = axis.tolerance if moved else 2 * axis.tolerance
        return abs(there[name] - expected[name]) <= allowed * (1 + 1e-9)

    # --- motion under way ----------------------------------------------------------------------

    @contextmanager
    def _moving(self, activity: str) -> Iterator[None]:
        """Whatever ends a motion early, an interrupt too, stops it and leaves the axes to be homed."""
        controller = self._controller
        controller.activity = activity
        controller.in_motion = True
        try:
            with controller.latching():
                yield
        except BaseException as problem:
            if not isinstance(problem, DeviceFault):
                came = f"interrupted by {type(problem).__name__}"
                controller.latch(controller.error(FaultCode.MOTION_STOPPED, activity, came))
            try:
                self._controller.halt()
            except DeviceFault as second:
                problem.add_note(f"and then: {second}")
            raise
        controller.in_motion = False

    def _begin(self, words: str, asked: str, *, at_end: bool, limit_s: float) -> None:
        controller = self._controller
        if not at_end:
            controller.command(words, asked)
            return
        trouble, answers, stops = Trouble(), list[str](), self._stops

        def answered() -> bool:
            self._require_no_stop(asked, stops)
            answer = controller.line.poll(trouble)
            if answer is not None:
                answers.append(answer)
            return answer is not None

        controller.line.send(words, self._table.acknowledges)
        controller.wait(limit_s, answered)
        controller.check(answers[0] if answers else None, asked, trouble, f"{limit_s:.3g} s of bench time")

    def _await_rest(
        self, asked: str, limit_s: float, stops: int, *, homing: bool, expected_s: float = 0.0
    ) -> None:
        controller = self._controller

        def at_rest() -> bool:
            return self._look(asked, stops, homing=homing).activity.at_rest

        if not controller.wait(limit_s, at_rest, expected_s):
            raise controller.error(
                FaultCode.MOTION_TIMEOUT, asked, f"still under way after {limit_s:.3g} s of bench time"
            )

    def _look(self, asked: str, stops: int, *, homing: bool) -> ControllerState:
        """Look at a motion under way; raises where it must not go on."""
        controller = self._controller
        self._require_no_stop(asked, stops)
        state = controller.state(asked)
        if state.activity is Activity.STOPPED:
            raise controller.error(FaultCode.MOTION_STOPPED, asked, f"the controller says {state.words!r}")
        still_homing = homing and state.activity is not Activity.FAULT
        judge_motion(controller, state, asked, homing=still_homing)
        return state

    def _require_no_stop(self, asked: str, stops: int) -> None:
        if self._stops != stops:
            raise self._controller.error(FaultCode.MOTION_STOPPED, asked, "stop was called meanwhile")

    # --- stop ----------------------------------------------------------------------------------

    def stop(self) -> None:
        """Stop all motion at once; bounded, in every state, any number of times, from any thread.

        A stop that interrupts a motion leaves the axes to be homed. Where the controller does not answer,
        the port is closed and ``second_stop`` called.

        Raises
        ------
        DeviceFault
            When it is not known that motion has stopped: use the emergency stop.
        """
        self._stops += 1
        if not self._controller.was_connected or self._closed:
            return
        if self._controller.in_motion:
            came = "stop was called"
            self._controller.latch(
                self._controller.error(FaultCode.MOTION_STOPPED, self._controller.activity, came)
            )
        self._controller.halt()

    def _forget(self) -> None:
        self._known = {}
        self._last_way = {}
