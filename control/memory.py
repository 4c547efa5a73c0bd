"""What one part of a lot leaves for the next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

_AGEING: Final = 1e-3
"""Share of the first variance that a bench forgets from part to part (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Memory:
    """What one part leaves for the next: the bench, without lens and pose.

    Attributes
    ----------
    mean : ndarray
        Deviations of mount, clocking, distances and backlash from the nominal bench, in that order.
    covariance : ndarray
    parts : int
        From how many parts it was learned.
    """

    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]
    parts: int

    def aged(self, first: NDArray[np.float64], parts: int = 1) -> NDArray[np.float64]:
        """Return the covariance after ``parts`` more parts; ``first`` is what it was before the first one."""
        return self.covariance + _AGEING * parts * first
