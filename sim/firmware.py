"""The motion controller at the far end of the line: words of docs/line.md in; motion, shutter, lamp out."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Literal

from driver.axes import AxisSpec
from sim.clock import SimClock
from sim.mount import Ending, SimMount
from sim.requests import Request, RequestParser, Unreadable, check_word
from sim.shutter import SimShutter

IDENTITY = "COINCIDE SIMULATED CONTROLLER 1"
_STOP_WITHIN_S = 0.04  # docs/line.md: motion ends within 50 ms
_BOOT_S = 0.5
_STALL_STEPS = 40.0
_MODAL = {"G21", "G90"}
_ACTIONS = {"G0", "G1", "G28", "M0", "M21", "M22", "M23", "M24", "Q1", "Q2", "Q3"}
_MOST_REPLIES_WAITING = 64


class Trouble(Enum):
    """Error numbers of docs/line.md and the words that go with them."""

    CHECK = (1, "CHECK WORD")
    NOT_UNDERSTOOD = (2, "NOT UNDERSTOOD")
    NOT_HOMED = (3, "NOT HOMED")
    OUT_OF_TRAVEL = (4, "OUT OF TRAVEL")
    BUSY = (5, "BUSY")
    INTERLOCK_OPEN = (6, "INTERLOCK OPEN")
    LIMIT = (7, "LIMIT SWITCH")
    STALLED = (8, "STALLED")


class Refused(Exception):  # noqa: N818  a refusal is an answer of the line, not a mistake in a call
    """The controller does not do what it was told.

    Attributes
    ----------
    trouble : Trouble
    reply : str
        As it stands on the line.
    """

    def __init__(self, trouble: Trouble, words: str = "") -> None:
        self.trouble = trouble
        self.reply = f"ERR{trouble.value[0]:02d} {words or trouble.value[1]}"
        super().__init__(self.reply)


@dataclass(frozen=True, slots=True)
class Reply:
    """Bytes that are complete at the far end of the line at ``due_s`` (bench time)."""

    due_s: float
    data: bytes


class SimController:
    """Parses requests byte by byte, moves a :class:`sim.mount.SimMount`, answers; powers up not homed.

    Its hooks for faults are the methods after ``# --- faults``: each is one thing that happens to a real
    controller, acts at the present bench time, and needs no knowledge of the line.

    Parameters
    ----------
    mount : SimMount
    clock : SimClock
    reply_latency_s : float
        Time from the last byte of a request to the first of the reply.
    shutter_swing_s : float

    Raises
    ------
    ValueError
        When an axis is not named by one letter that the line leaves free.
    """

    def __init__(
        self,
        mount: SimMount,
        clock: SimClock,
        *,
        reply_latency_s: float = 0.002,
        shutter_swing_s: float = 0.03,
    ) -> None:
        self.mount, self._clock = mount, clock
        self._axes: Mapping[str, AxisSpec] = {axis.name: axis for axis in mount.axes}
        _check_letters(mount.axes)
        self._carried = [(axis.name, axis.step, _decimals(axis.step)) for axis in mount.axes]
        self._latency_s = reply_latency_s
        self.shutter = SimShutter(clock, shutter_swing_s)
        self._parser = RequestParser(tuple(self._axes))
        self._replies: deque[Reply] = deque()
        self._lock_closed = True
        self._power_up()

    def _power_up(self) -> None:
        self._homed = False
        self._stopped = False
        self._fault: Trouble | None = None
        self._limit_forced = False
        self._stall_next = self._limit_next = False
        self._never_done = False
        self._hung = False
        self._feed_per_min: float | None = None
        self.lamp_on = False
        self._boots_until_s = 0.0

    # --- the line ----------------------------------------------------------------------------------

    def receive(self, data: bytes) -> None:
        """Take bytes from the line at the present bench time; replies queue up for :meth:`take_reply`."""
        self.update()
        if self._clock.now_s() < self._boots_until_s:
            return
        for message in self._parser.feed_all(data):
            self._reply(message)

    def take_reply(self) -> Reply | None:
        """Return the oldest reply that was not taken yet."""
        return self._replies.popleft() if self._replies else None

    def update(self) -> None:
        """Bring motion and its consequences up to the present bench time."""
        if not self.mount.moving:
            return
        ended = self.mount.settle(self._clock.now_s())
        if ended is None:
            return
        ending = ended[0]
        if ending is Ending.HOMED:
            self._homed, self._stopped = True, False
        elif ending is Ending.BRAKED:
            self._stopped = True
        elif ending is Ending.LIMIT:
            self._fault = Trouble.LIMIT
        self._hung = self._never_done and ending is Ending.ARRIVED

    def _reply(self, message: Request | Unreadable) -> None:
        if isinstance(message, Unreadable):
            text = f"ERR{message.error:02d} {message.why}"
        else:
            try:
                text = self._execute(message)
            except Refused as refusal:
                text = refusal.reply
        body = f"N{message.number} {text}".encode()
        data = body + f" K{check_word(body)}\n".encode()
        if len(self._replies) < _MOST_REPLIES_WAITING:
            self._replies.append(Reply(self._clock.now_s() + self._latency_s, data))

    # --- requests ----------------------------------------------------------------------------------

    def _execute(self, request: Request) -> str:
        actions = [code for code in request.codes if code not in _MODAL]
        if len(actions) > 1 or not _ACTIONS.issuperset(actions):
            raise Refused(Trouble.NOT_UNDERSTOOD, "WORDS " + " ".join(request.codes)[:40])
        action = actions[0] if actions else None
        if request.values and action not in {"G0", "G1"}:
            raise Refused(Trouble.NOT_UNDERSTOOD, "WORDS WITHOUT A MOVE")
        if action in {"G0", "G1"}:
            self._move_words(request.values, at_feed=action == "G1")
        elif action == "G28":
            self.home()
        elif action == "M0":
            self.stop()
        elif action in {"M21", "M22"}:
            self.swing(opened=action == "M21")
        elif action in {"M23", "M24"}:
            self.lamp_on = action == "M23"
        elif action is not None:
            answers = {"Q1": self._position_words, "Q2": self._state_words, "Q3": _identity}
            return answers[action]()
        return "DONE"

    def _move_words(self, values: Mapping[str, float], *, at_feed: bool) -> None:
        feed = values.get("F", self._feed_per_min)
        targets = {name: value for name, value in values.items() if name != "F"}
        if not targets:
            raise Refused(Trouble.NOT_UNDERSTOOD, "NO AXIS")
        if at_feed and (feed is None or feed <= 0):
            raise Refused(Trouble.NOT_UNDERSTOOD, "FEED")
        self.move(targets, feed if at_feed else None)
        self._feed_per_min = feed if at_feed else self._feed_per_min

    # --- commands ----------------------------------------------------------------------------------

    def move(self, targets: Mapping[str, float], feed_per_min: float | None) -> None:
        """Begin a straight move of the named axes (axis units, absolute); without a feed at full speed.

        Raises
        ------
        Refused
        """
        self._refuse_motion()
        if not self._homed:
            raise Refused(Trouble.NOT_HOMED)
        for name, value in targets.items():
            if not self._axes[name].reaches(value):
                raise Refused(Trouble.OUT_OF_TRAVEL, f"OUT OF TRAVEL {name}")
        now_s = self._clock.now_s()
        here = self.mount.counter_steps(now_s)
        steps = here.copy()
        for index, axis in enumerate(self.mount.axes):
            if axis.name in targets:
                steps[index] = float(round(targets[axis.name] / axis.step))
        self._stopped = False
        ways = [there - at for there, at in zip(steps, here, strict=True)]
        self.mount.begin_move(now_s, steps, self._cruise_s(ways, feed_per_min))
        self._spoil_move()

    def _cruise_s(self, ways_steps: Iterable[float], feed: float | None) -> float:
        slowest_s = linear = rotary = 0.0
        for axis, way in zip(self.mount.axes, ways_steps, strict=True):
            distance = abs(way) * axis.step
            slowest_s = max(slowest_s, distance / axis.speed_per_s)
            if axis.unit == "mm":
                linear = math.hypot(linear, distance)
            else:
                rotary = math.hypot(rotary, distance)
        return slowest_s if feed is None else max(slowest_s, (linear or rotary) / feed * 60)

    def _spoil_move(self) -> None:
        if self._stall_next:
            self._stall_next = False
            self.stall()
        if self._limit_next:
            self._limit_next = False
            self.trip_limit()

    def home(self) -> None:
        """Begin to look for the home switches; ends a fault.

        Raises
        ------
        Refused
            While something moves.
        """
        if self.mount.moving or self._hung:
            raise Refused(Trouble.BUSY)
        self._homed = self._stopped = self._limit_forced = False
        self._fault = None
        self.mount.begin_homing(self._clock.now_s())

    def stop(self) -> None:
        """Slow down to standstill."""
        self._stopped = self._stopped or self._hung
        self._hung = self._never_done = False
        self.mount.brake(self._clock.now_s(), _STOP_WITHIN_S)
        self.update()

    def swing(self, *, opened: bool) -> None:
        """Swing the shutter open or closed.

        Raises
        ------
        Refused
            To open it while the interlock is open.
        """
        if opened and not self._lock_closed:
            raise Refused(Trouble.INTERLOCK_OPEN)
        self.shutter.command(opened)

    def _refuse_motion(self) -> None:
        if self._fault is not None:
            raise Refused(self._fault)
        if self.mount.moving or self._hung:
            raise Refused(Trouble.BUSY)

    def positions(self) -> dict[str, float]:
        """Return where the axes are by their counters (axis units), as the line carries the numbers."""
        counter = self.mount.counter_steps(self._clock.now_s())
        axes = zip(self._carried, counter, strict=True)
        return {name: round(steps * step, decimals) + 0.0 for (name, step, decimals), steps in axes}

    def _position_words(self) -> str:
        counter = self.mount.counter_steps(self._clock.now_s())
        words = (_position_word(axis, steps) for axis, steps in zip(self.mount.axes, counter, strict=True))
        return "AT " + " ".join(words)

    def _state_words(self) -> str:
        limit = self._limit_forced or self.mount.limit_pressed()
        return (
            f"STATE {self.state} HOMED {self._homed:d} LIMIT {limit:d} LOCK {self._lock_closed:d} "
            f"SHUTTER {self.shutter.is_open:d} LAMP {self.lamp_on:d}"
        )

    @property
    def state(self) -> str:
        """The word that ``Q2`` answers with."""
        if self._fault is not None:
            return "FAULT"
        if self.mount.homing:
            return "HOMING"
        if self.mount.moving or self._hung:
            return "MOVING"
        return "STOPPED" if self._stopped else "IDLE"

    @property
    def trouble(self) -> Trouble | None:
        """The fault that motion ended with; nothing moves until homing."""
        return self._fault

    @property
    def at_rest(self) -> bool:
        """Tell whether nothing moves."""
        return not (self.mount.moving or self._hung)

    @property
    def homed(self) -> bool:
        """Tell whether the axes were homed since the controller came up."""
        return self._homed

    @property
    def interlock_closed(self) -> bool:
        """Tell whether the interlock circuit is closed."""
        return self._lock_closed

    # --- inputs ------------------------------------------------------------------------------------

    def set_interlock(self, *, closed: bool) -> None:
        """Close or open the interlock circuit; open, the shutter closes by itself."""
        self._lock_closed = closed
        if not closed:
            self.shutter.command(False)

    # --- faults ------------------------------------------------------------------------------------

    def reset(self) -> None:
        """Restart as after a dip of the supply: position lost, shutter closed, silent while it boots."""
        self.update()
        now_s = self._clock.now_s()
        self.mount.forget_counter(now_s)
        self.shutter.command(False)
        self._parser.clear()
        self._replies.clear()
        self._power_up()
        self._boots_until_s = now_s + _BOOT_S

    def stall(self) -> None:
        """Stall the motors that run; when none runs, those of the next move, at its start."""
        self.update()
        if not self.mount.moving:
            self._stall_next = True
            return
        self.mount.freeze(self._clock.now_s(), _STALL_STEPS)
        self._fault = Trouble.STALLED

    def trip_limit(self) -> None:
        """Press a limit switch while the motors run; when none runs, on the next move, at its start."""
        self.update()
        if not self.mount.moving:
            self._limit_next = True
            return
        self.mount.freeze(self._clock.now_s())
        self._fault, self._limit_forced = Trouble.LIMIT, True

    def never_arrive(self) -> None:
        """Report MOVING for ever after this or the next move, until stopped or reset."""
        self._never_done = True

    def stick_shutter(self, where: Literal["open", "closed"] | None) -> None:
        """Hold the shutter's blade open or closed whatever is commanded; None frees it."""
        self.shutter.stuck = where


def _identity() -> str:
    return f"ID {IDENTITY}"


@lru_cache(maxsize=16)
def _decimals(step: float) -> int:
    return max(4, math.ceil(-math.log10(step)))


def _position_word(axis: AxisSpec, steps: float) -> str:
    text = f"{steps * axis.step:.{_decimals(axis.step)}f}"
    return axis.name + (text if float(text) else text.removeprefix("-"))


def _check_letters(axes: Sequence[AxisSpec]) -> None:
    taken = set("FGKMNQ")
    for axis in axes:
        if len(axis.name) != 1 or not axis.name.isupper() or axis.name in taken:
            raise ValueError(
                f"axis {axis.name!r} has no word on the simulated line: one capital letter other than "
                f"{', '.join(sorted(taken))}"
            )
