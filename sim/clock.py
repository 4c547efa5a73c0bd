"""The clock of the simulated bench: bench time passes only when something on the bench takes time."""

from __future__ import annotations

import math


class SimClock:
    """Bench time in seconds; fulfils :class:`driver.protocols.Clock`.

    Sleeps, bytes on the line, exposures and the lens handler advance it; the time of the day never does. A
    simulated night therefore takes as long as its computation.

    Parameters
    ----------
    start_s : float
        Reading at power-up.
    """

    __slots__ = ("_now_s",)

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = float(start_s)

    def now_s(self) -> float:
        """Return the bench time; never goes back."""
        return self._now_s

    def sleep_s(self, duration_s: float) -> None:
        """Let ``duration_s`` seconds of bench time pass.

        Raises
        ------
        ValueError
            When the duration is negative or not finite.
        """
        if not 0.0 <= duration_s < math.inf:
            raise ValueError(f"bench time cannot advance by {duration_s} s")
        self._now_s += duration_s

    def advance_to(self, time_s: float) -> None:
        """Let time pass until ``time_s``; nothing happens when that is already over."""
        self._now_s = max(self._now_s, time_s)
