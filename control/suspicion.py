"""Faults that spots can show, and how believable one is in view of the looks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from scipy.special import chdtrc, chdtri

SURE: Final = 3e-7
"""Chance below which a misfit is not put down to bad luck; a run makes some hundred such tests."""

SWAPPED_WORDS: Final = "returns swapped: front and back return are taken for each other"

_APART: Final = 8.0


class Fault(Enum):
    """What can be wrong with a run in a way that its spots show."""

    WRONG_LENS = "wrong lens"
    LENS_REVERSED = "lens reversed"
    RETURNS_SWAPPED = "returns swapped"
    LOST_STEPS = "lost steps"
    LENS_SLIPPED = "lens slipped"
    BEAM_DRIFTED = "beam drifted"
    MOUNT_UNSTEADY = "mount unsteady"


_SURE_OF: Final = {Fault.WRONG_LENS: 1e-4}
"""One test a look, and the looks share what makes it err: it may be less sure than the hundreds of others."""

LEAST_GAIN: Final = float(chdtri(1, max(SURE, *_SURE_OF.values())))
"""No suspicion with a smaller gain is sure."""

LEAST_SUDDEN_GAIN: Final = float(chdtri(1, SURE))
"""The same for all faults but a wrong lens."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A fault that would explain the looks better.

    Attributes
    ----------
    fault : Fault
    gain : float
        By how much it lowers the weighted squares.
    unknowns : int
        How many numbers it has to fit for that.
    words : str
        What happened, with the estimated size.
    part, since, amounts
        Of a sudden fault: which of the twelve columns, before which look (from 0), and how much.
    exact : bool
        Whether the gain comes from a fit that knows of the fault, not from slopes.
    scatter : float
        By how much the looks scatter more with this fault than with the one that explains most.
    """

    fault: Fault
    gain: float
    unknowns: int
    words: str
    part: slice | None = None
    since: int = 0
    amounts: tuple[float, ...] = ()
    exact: bool = False
    scatter: float = 1.0

    @property
    def chance(self) -> float:
        """Chance of such a gain when nothing is wrong."""
        return _chance(self.unknowns, self.gain / self.scatter)

    @property
    def sure(self) -> bool:
        """Whether chance is ruled out."""
        return is_sure(self.fault, self.unknowns, self.gain / self.scatter)

    @property
    def weight(self) -> float:
        """Gain less what so many unknowns gain by chance or by bending to what is not linear."""
        bending = 0.0 if self.exact else 0.03
        return self.gain * (1.0 - bending * self.unknowns) - 6.0 * self.unknowns


def _chance(unknowns: int, gain: float) -> float:
    return float(chdtrc(unknowns, max(gain, 0.0)))


def is_sure(fault: Fault, unknowns: int, gain: float) -> bool:
    """Say whether chance is ruled out as the reason of such a gain."""
    return _chance(unknowns, gain) < _SURE_OF.get(fault, SURE)


def certain(found: list[Suspicion]) -> Suspicion | None:
    """Return the first suspicion when nothing else explains the looks nearly as well."""
    if not found:
        return None
    rivals = [other.weight for other in found if other.fault is not found[0].fault]
    apart = not rivals or found[0].weight - max(rivals) > _APART
    return found[0] if found[0].sure and apart else None
