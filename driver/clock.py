"""The one clock of a run on a real bench."""

from __future__ import annotations

import math
import time


class SystemClock:
    """Fulfils :class:`driver.protocols.Clock` with the machine's monotonic clock."""

    def now_s(self) -> float:
        """Return seconds since an arbitrary origin; never goes back."""
        return time.monotonic()

    def sleep_s(self, duration_s: float) -> None:
        """Wait.

        Raises
        ------
        ValueError
            When the duration is negative or not finite.
        """
        if not (math.isfinite(duration_s) and duration_s >= 0):
            raise ValueError(f"cannot wait for {duration_s} s")
        time.sleep(duration_s)
