"""The shutter of the simulated bench."""

from __future__ import annotations

from typing import Literal

from sim.clock import SimClock


class SimShutter:
    """The beam's shutter: a blade that takes time to swing, and a switch that sees where it is.

    Parameters
    ----------
    clock : SimClock
    swing_s : float
        Time from command to arrival.
    """

    __slots__ = ("_clock", "_commanded_open", "_due_s", "_was_open", "stuck", "swing_s")

    def __init__(self, clock: SimClock, swing_s: float) -> None:
        self._clock, self.swing_s = clock, swing_s
        self._commanded_open = self._was_open = False
        self._due_s = clock.now_s()
        self.stuck: Literal["open", "closed"] | None = None

    def command(self, opened: bool) -> None:
        """Swing open or closed."""
        if opened != self._commanded_open:
            self._was_open = self._blade_open()
            self._commanded_open = opened
            self._due_s = self._clock.now_s() + self.swing_s

    @property
    def is_open(self) -> bool:
        """Tell where the blade is, as its switch sees it."""
        return self._blade_open() if self.stuck is None else self.stuck == "open"

    def _blade_open(self) -> bool:
        return self._commanded_open if self._clock.now_s() >= self._due_s else self._was_open
