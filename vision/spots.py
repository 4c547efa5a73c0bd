"""What vision says about a spot: a centre with its covariance, or a reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray


class SpotName(Enum):
    """The three spots that the alignment works with."""

    FRONT = "front"
    BACK = "back"
    TRANSMITTED = "transmitted"

    __hash__ = object.__hash__  # members are single objects; Enum's own hash is a call in Python


class Flag(Enum):
    """Circumstances under which a spot was measured; none of them makes it invalid."""

    CLIPPED_PIXELS = "clipped_pixels"
    CUT_BY_HOLE = "cut_by_hole"
    CUT_BY_FRAME = "cut_by_frame"
    OVERLAPS = "overlaps"
    FRINGES = "fringes"
    SPECKLE_LIMITED = "speckle_limited"
    ELLIPTICAL = "elliptical"


class Reason(Enum):
    """Why there is no measurement of a spot."""

    NO_LIGHT = "no_light"
    IN_THE_HOLE = "in_the_hole"
    OFF_THE_PLATE = "off_the_plate"
    SATURATED = "saturated"
    UNRESOLVED = "unresolved"
    UNDECIDED = "undecided"
    FIT_FAILED = "fit_failed"
    TOO_UNCERTAIN = "too_uncertain"
    NOT_LOOKED = "not_looked"


@dataclass(frozen=True, slots=True)
class Spot:
    """A measured spot on a plate.

    Attributes
    ----------
    center_mm : ndarray, shape (2,)
        Bench frame x, y on the plate.
    covariance_mm2 : ndarray, shape (2, 2)
        Standard covariance of the centre (k = 1), symmetric positive definite.
    radius_mm : tuple of float
        1/e^2 intensity radii (w = 2 sigma, ISO 11146-1), major then minor.
    power_e_per_s : float
        Total detected rate of the fitted spot in photo-electrons per second of exposure, the part in the
        hole included.
    flags : frozenset of Flag
    with_other_mm2 : ndarray, shape (2, 2), or None
        Covariance of this centre (rows) with the other return's centre (columns), where both were fitted at
        once: what is taken from one of two overlapping spots is given to the other. None where there is none.
    """

    center_mm: NDArray[np.float64]
    covariance_mm2: NDArray[np.float64]
    radius_mm: tuple[float, float]
    power_e_per_s: float
    flags: frozenset[Flag] = frozenset()
    with_other_mm2: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True)
class NoSpot:
    """Why a spot was not measured.

    Attributes
    ----------
    reason : Reason
    detail : str
        One sentence for a person.
    bound_mm : float or None
        For ``IN_THE_HOLE``: the centre is within this distance of the hole's centre.
    """

    reason: Reason
    detail: str = ""
    bound_mm: float | None = None


Sighting = Spot | NoSpot


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is expected of one spot before looking; from the optical model or from tracking.

    Attributes
    ----------
    center_mm : ndarray, shape (2,)
    covariance_mm2 : ndarray, shape (2, 2)
        How sure the expected centre is (k = 1); wide where nothing is known.
    radius_mm : float
        Expected 1/e^2 radius on the plate.
    radius_relative_sigma : float
        Relative standard uncertainty of the radius (0.02 where the prescription is trusted).
    relative_power : float
        Expected power as a fraction of the incoming beam's.
    stretch_sigma : float
        How round the spot is: standard uncertainty of ln of its axes over their mean. It counts where the
        frame's edge cuts the spot.
    """

    center_mm: NDArray[np.float64]
    covariance_mm2: NDArray[np.float64]
    radius_mm: float
    radius_relative_sigma: float
    relative_power: float
    stretch_sigma: float = 0.0
