"""Mount, shutter and lamp of the simulated bench as devices without a line, for campaigns by the thousand.

The controller does and refuses the same; no words are written, sent and read. Commands take the bench time
that they take on the line, to within some polls of the driver.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final, TypeVar

from driver.axes import AxisSpec
from driver.faults import DeviceFault, FaultCode
from driver.legs import Leg, plan_legs
from driver.phrases import PhraseTable
from driver.protocols import Clock
from sim.firmware import IDENTITY, Refused, SimController, Trouble
from sim.line import BITS_PER_BYTE, LineNuisances

_EXCHANGE_BYTES: Final = 80  # a request for the state with its reply
_POLL_S: Final = 0.05
_LONGER: Final = 2.0  # times what it should take a motion is waited for, and a second
_TO_START: Final = 3  # exchanges: state, positions, the command
_AT_END: Final = 2

_REFUSED: Final = {
    Trouble.NOT_HOMED: FaultCode.NOT_HOMED,
    Trouble.OUT_OF_TRAVEL: FaultCode.OUT_OF_TRAVEL,
    Trouble.INTERLOCK_OPEN: FaultCode.INTERLOCK_OPEN,
    Trouble.LIMIT: FaultCode.LIMIT_SWITCH,
    Trouble.STALLED: FaultCode.STALLED,
}

Answer = TypeVar("Answer")


class _Link:
    """One controller, its faults told as a driver tells them; it takes the time of a line."""

    def __init__(self, controller: SimController, clock: Clock, line: LineNuisances) -> None:
        self.controller, self.clock = controller, clock
        self._exchange_s = line.reply_latency_s + _EXCHANGE_BYTES * BITS_PER_BYTE / line.baud
        self.swing_s = line.shutter_swing_s
        self.activity = "ready"

    def ask(self, count: int = 1) -> None:
        """Let the time of so many exchanges pass."""
        self.clock.sleep_s(count * self._exchange_s)
        self.controller.update()

    def tell(self, command: Callable[[], Answer], asked: str, exchanges: int = 1) -> Answer:
        """Give a command.

        Raises
        ------
        DeviceFault
            Where the controller refuses.
        """
        self.ask(exchanges)
        try:
            return command()
        except Refused as refusal:
            code = _REFUSED.get(refusal.trouble, FaultCode.REFUSED_BY_CONTROLLER)
            raise self.fault(code, asked, refusal.reply) from None

    def fault(self, code: FaultCode, asked: str, came: str) -> DeviceFault:
        """Return a fault."""
        return DeviceFault(code, state=self.activity, asked=asked, came=came)

    def require_interlock(self, asked: str) -> None:
        """Raise where the interlock is open."""
        if not self.controller.interlock_closed:
            raise self.fault(FaultCode.INTERLOCK_OPEN, asked, "refused; the interlock is open")


class DirectMount:
    """Fulfils :class:`driver.protocols.Motion` on a simulated controller.

    Parameters
    ----------
    controller : SimController
    table : PhraseTable
        Whose line it stands for: what numbers it could carry.
    axes : sequence of AxisSpec
    clock : Clock
    line : LineNuisances
        How long things take.

    Attributes
    ----------
    shutter : DirectShutter
    lamp : DirectLamp
    """

    def __init__(
        self,
        controller: SimController,
        table: PhraseTable,
        axes: Sequence[AxisSpec],
        clock: Clock,
        line: LineNuisances,
    ) -> None:
        self._link = _Link(controller, clock, line)
        self._controller, self._table, self._axes = controller, table, tuple(axes)
        self._last_way: dict[str, int] = {}
        self._fault: DeviceFault | None = None
        self._homed = False
        self.shutter = DirectShutter(self._link)
        self.lamp = DirectLamp(self._link)

    @property
    def axis_names(self) -> tuple[str, ...]:
        """Axis words in the order of the bench file."""
        return tuple(axis.name for axis in self._axes)

    def connect(self) -> str:
        """Return the controller's identity; the axes count as not homed afterwards."""
        self._link.ask(2)
        self._homed = False
        return IDENTITY

    def close(self) -> None:
        """Release the controller."""

    def home(self) -> None:
        """Find the home switches of all axes; ends a fault.

        Raises
        ------
        DeviceFault
        """
        asked = "home all axes"
        self._link.require_interlock(asked)
        self._homed, self._fault, self._last_way = False, None, {}
        self._link.tell(self._controller.home, asked, 2)
        self._await_rest(asked, self._controller.mount.duration_s)
        self._homed = True

    def move_to(self, targets: Mapping[str, float]) -> Mapping[str, float]:
        """Move the named axes (axis units, absolute), wait until done, return all positions.

        Raises
        ------
        DeviceFault
            Before anything moves when not homed, after a fault, out of travel or not finite.
        """
        asked = "move"
        self._require_ready(targets, asked)
        here: Mapping[str, float] = self._controller.positions()
        for leg in plan_legs(self._axes, self._table, here, targets, self._last_way):
            here = self._run(leg, here, asked)
        return here

    def _require_no_fault(self, asked: str) -> None:
        if self._fault is not None:
            came = f"refused because of the earlier fault: {self._fault}"
            raise self._link.fault(self._fault.code, asked, came)

    def _require_ready(self, targets: Mapping[str, float], asked: str) -> None:
        self._require_no_fault(asked)
        if not self._homed:
            raise self._link.fault(FaultCode.NOT_HOMED, asked, "refused; the axes are not homed")
        self._link.require_interlock(asked)
        for axis in self._axes:
            value = targets.get(axis.name)
            if value is None:
                continue
            if not (axis.can_end_at(value) and axis.can_end_at(self._table.on_the_line(axis, value))):
                came = f"refused; {axis.name} {value:g} {axis.unit} is outside the travel"
                raise self._link.fault(FaultCode.OUT_OF_TRAVEL, asked, came)

    def _run(self, leg: Leg, here: Mapping[str, float], asked: str) -> Mapping[str, float]:
        feed = self._table.feed_on_the_line(leg.feed_per_s)
        per_min = None if feed is None else 60.0 * feed
        self._link.tell(partial(self._controller.move, leg.targets, per_min), asked, _TO_START)
        self._await_rest(asked, self._controller.mount.duration_s)
        for name, target in leg.targets.items():
            self._last_way[name] = 1 if target > here[name] else -1
        return self._controller.positions()

    def _await_rest(self, asked: str, duration_s: float) -> None:
        link, controller = self._link, self._controller
        link.clock.sleep_s(duration_s + _POLL_S / 2)  # a poll finds the end half a poll late
        link.ask(_AT_END)
        if not controller.at_rest:
            link.clock.sleep_s(_LONGER * (duration_s + 1.0))
            self._fail(FaultCode.MOTION_TIMEOUT, asked)
        if controller.trouble is not None:
            self._fail(_REFUSED.get(controller.trouble, FaultCode.REFUSED_BY_CONTROLLER), asked)
        if not controller.homed:
            self._fail(FaultCode.POSITION_LOST, asked)

    def _fail(self, code: FaultCode, asked: str) -> None:
        self._fault = self._link.fault(code, asked, f"the controller says {self._controller.state}")
        self._homed = False
        self.stop()
        raise self._fault

    def positions(self) -> Mapping[str, float]:
        """Return the positions of all axes as the controller reports them (axis units).

        Raises
        ------
        DeviceFault
            After a fault; POSITION_LOST where the controller has started anew.
        """
        asked = "query the positions"
        self._require_no_fault(asked)
        self._link.ask()
        if self._homed and not self._controller.homed:
            self._fail(FaultCode.POSITION_LOST, asked)
        return self._controller.positions()

    def stop(self) -> None:
        """Stop all motion at once."""
        self._link.tell(self._controller.stop, "stop", 2)


class DirectShutter:
    """Fulfils :class:`driver.protocols.Shutter` and ``WatchedShutter``; it trusts the switch."""

    def __init__(self, link: _Link) -> None:
        self._link = link

    def open(self) -> None:
        """Let the beam through.

        Raises
        ------
        DeviceFault
            INTERLOCK_OPEN, SHUTTER_MISMATCH.
        """
        self._swing(opened=True)

    def close(self) -> None:
        """Block the beam.

        Raises
        ------
        DeviceFault
            SHUTTER_MISMATCH.
        """
        self._swing(opened=False)

    def require_open(self) -> None:
        """See that the shutter is open still, as it was told.

        Raises
        ------
        DeviceFault
        """
        asked = "keep the shutter open"
        self._link.ask()
        self._link.require_interlock(asked)
        self._require(True, asked)

    def _swing(self, *, opened: bool) -> None:
        asked = "open the shutter" if opened else "close the shutter"
        shutter = self._link.controller.shutter
        turns = opened is not shutter.is_open
        self._link.tell(partial(self._link.controller.swing, opened=opened), asked, 2 if opened else 1)
        if turns:
            self._link.clock.sleep_s(max(self._link.swing_s, _POLL_S))
        self._link.ask()
        self._require(opened, asked)

    def _require(self, opened: bool, asked: str) -> None:
        if self._link.controller.shutter.is_open is not opened:
            came = f"the shutter's own switch says {'closed' if opened else 'open'}"
            raise self._link.fault(FaultCode.SHUTTER_MISMATCH, asked, came)


class DirectLamp:
    """Fulfils :class:`driver.protocols.Lamp`."""

    def __init__(self, link: _Link) -> None:
        self._link = link

    def on(self) -> None:
        """Light the plates."""
        self._switch(on=True)

    def off(self) -> None:
        """Darken the plates."""
        self._switch(on=False)

    def _switch(self, *, on: bool) -> None:
        self._link.ask()
        self._link.controller.lamp_on = on
        self._link.ask()
