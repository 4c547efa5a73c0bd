"""Whose light a light is, and why there is none: what vision says where it measures no spot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr

from optics.trace import SpotPath
from sim.quick_spots import QuickSpot
from sim.seen_plate import SeenPlate
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot, SpotName

Array = NDArray[np.float64]

_DECIDED: Final = 20.0  # difference of twice the log likelihood from which it is clear which return is which
_IMPLAUSIBLE: Final = 30.0  # squared distance from every expectation above which a light is nobody's
_LOG_RATIO_SIGMA: Final = 0.35
_FRACTION_SEEN: Final = 1e-3


# --- whose light ----------------------------------------------------------------------------------------


def undecided(
    found: Mapping[SpotName, Sighting],
    spots: Mapping[SpotPath, QuickSpot],
    expectations: Mapping[SpotName, Expectation],
) -> bool:
    """Tell whether exchanging the names of the two lights would explain them nearly as well."""
    front, back = found[SpotName.FRONT], found[SpotName.BACK]
    if not (isinstance(front, Spot) and isinstance(back, Spot)):
        return False
    expected = expectations[SpotName.FRONT], expectations[SpotName.BACK]
    true = spots[SpotPath.FRONT], spots[SpotPath.BACK]
    widths = math.log(true[0].radius_mm / true[1].radius_mm) ** 2
    gain = sum(widths / max(one.radius_relative_sigma, 0.02) ** 2 for one in expected)
    awaited = math.log(expected[0].relative_power / expected[1].relative_power)
    gain += (2.0 * awaited / _LOG_RATIO_SIGMA) ** 2
    seen_front, seen_back = _numbers(front), _numbers(back)
    due_front, due_back = _numbers(expected[0]), _numbers(expected[1])
    gain += _square(seen_front, due_back) + _square(seen_back, due_front)
    gain -= _square(seen_front, due_front) + _square(seen_back, due_back)
    return gain < _DECIDED and _square(seen_front, seen_back) > 9.0


def owned(
    found: Mapping[SpotName, Sighting], expectations: Mapping[SpotName, Expectation]
) -> dict[SpotName, Sighting]:
    """Give the only light that is seen to the return that it fits, as vision does; it need not be its own."""
    (seen,) = found.values()
    if not isinstance(seen, Spot):
        return dict(found)
    misfits = {}
    for name in (SpotName.FRONT, SpotName.BACK):
        expected = expectations[name]
        wider = math.log(seen.radius_mm[0] / expected.radius_mm) / max(expected.radius_relative_sigma, 0.01)
        misfits[name] = wider**2 + _square(_numbers(seen), _numbers(expected))
    owner = min(misfits, key=misfits.__getitem__)
    gap = abs(misfits[SpotName.FRONT] - misfits[SpotName.BACK])
    if misfits[owner] > _IMPLAUSIBLE:
        detail = "light is seen, but neither its size nor its place fits a return"
        return dict.fromkeys(misfits, NoSpot(Reason.UNRESOLVED, detail))
    if gap < _DECIDED:
        return dict.fromkeys(
            misfits, NoSpot(Reason.UNDECIDED, "one light is seen, and it may be either return")
        )
    return {owner: seen}


# --- why there is none ----------------------------------------------------------------------------------


def missing(
    seen_by: SeenPlate,
    expected: Expectation,
    other: Sighting | None = None,
    hole: tuple[Array, float] | None = None,
    hides_mm: float = 0.0,
) -> NoSpot:
    """Say why a spot was not seen, as vision does.

    Parameters
    ----------
    seen_by : SeenPlate
    expected : Expectation
    other : Spot or NoSpot, optional
        What was found of the other return.
    hole : (ndarray, float), optional
        Centre and radius (mm) of the hole as it was measured.
    hides_mm : float
        How far from the hole's centre the spot could lie unseen, see :func:`unseen_mm`.
    """
    x_mm, y_mm = expected.center_mm.tolist()
    sigma = largest_sigma(expected.covariance_mm2)
    if hole is not None and hides_mm > 0.0:
        hole_x_mm, hole_y_mm = hole[0].tolist()
        if math.hypot(x_mm - hole_x_mm, y_mm - hole_y_mm) < hides_mm + 2.0 * sigma:
            where = f"the centre lies within {hides_mm:.2f} mm of the hole's centre"
            return NoSpot(Reason.IN_THE_HOLE, f"no light outside the hole; {where}", hides_mm)
    if not seen_by.holds(x_mm, y_mm, 0.0):
        return NoSpot(Reason.OFF_THE_PLATE, "the expected place lies outside what the camera sees")
    if isinstance(other, Spot) and not seen_by.holds(x_mm, y_mm, 2.0 * sigma + expected.radius_mm):
        return NoSpot(Reason.OFF_THE_PLATE, "not on the part of the plate that the camera sees")
    return NoSpot(Reason.NO_LIGHT, "no light found where the spot could be")


def unseen_mm(
    seen_by: SeenPlate,
    expected: Expectation,
    other: Sighting | None,
    other_expected: Expectation,
    hole_mm: float,
    exposure_s: float,
) -> float:
    """Return how far from the centre of a hole of a radius a spot could lie unseen; 0 when nowhere.

    Parameters
    ----------
    seen_by : SeenPlate
    expected : Expectation
    other : Spot or NoSpot or None
        What was found of the other return: it tells how bright this one is.
    other_expected : Expectation
    hole_mm, exposure_s : float
    """
    share = _FRACTION_SEEN
    if isinstance(other, Spot):
        power = other.power_e_per_s * exposure_s * expected.relative_power / other_expected.relative_power
        area_mm2 = 2.0 * math.pi * (hole_mm + expected.radius_mm) * expected.radius_mm
        noise = seen_by.setup.sensor.read_noise_e**2 * area_mm2 / seen_by.pixel_mm2
        share = min(max(10.0 * math.sqrt(noise + 25.0) / max(power, 1.0), 1e-5), 0.2)
    s = expected.radius_mm / 2.0
    distance = np.linspace(0.0, hole_mm, 21)
    # Outside a circle of a Gaussian beside its middle: the noncentral chi-square of two degrees.
    outside = 1.0 - chndtr((hole_mm / s) ** 2, 2.0, (distance / s) ** 2)
    hidden = np.flatnonzero(outside > share)
    count = int(hidden[0]) if hidden.size else len(distance)
    return 0.0 if count == 0 else max(float(distance[count - 1]), 0.05 * hole_mm)


# --- numbers --------------------------------------------------------------------------------------------


def largest_sigma(covariance: Array) -> float:
    """Return the standard deviation along the worst direction of a 2 x 2 covariance."""
    (xx, xy), (_, yy) = covariance.tolist()
    return math.sqrt((xx + yy) / 2.0 + math.hypot((xx - yy) / 2.0, xy))


def _numbers(place: Spot | Expectation) -> Sequence[float]:
    """Return x, y and the covariance xx, xy, yy of a place."""
    (x, y), ((xx, xy), (_, yy)) = place.center_mm.tolist(), place.covariance_mm2.tolist()
    return x, y, xx, xy, yy


def _square(one: Sequence[float], other: Sequence[float]) -> float:
    """Return the squared distance of two places in units of their covariances' sum."""
    x, y, xx, xy, yy = one
    other_x, other_y, other_xx, other_xy, other_yy = other
    x, y, xx, xy, yy = x - other_x, y - other_y, xx + other_xx, xy + other_xy, yy + other_yy
    return (yy * x * x - 2.0 * xy * x * y + xx * y * y) / (xx * yy - xy * xy)
