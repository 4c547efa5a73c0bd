"""Repeatability of measuring one lens that is taken out and put in again (ISO 22514-7, ISO 5725-2)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from numpy.typing import ArrayLike
from scipy.special import gammaincinv

from station.quality.checks import QualityError, as_series, require


@dataclass(frozen=True, slots=True)
class RemountStudy:
    """Repeatability of one lens, taken out and put in ``count`` times.

    Attributes
    ----------
    count : int
    mean : float
    repeatability : float
        Standard deviation.
    low, high : float
        Its confidence interval (chi-square).
    confidence : float
    share_of_tolerance : float or None
        6 repeatability / tolerance width.
    """

    count: int
    mean: float
    repeatability: float
    low: float
    high: float
    confidence: float
    share_of_tolerance: float | None


def remount_study(
    values: ArrayLike,
    *,
    tolerance_width: float | None = None,
    confidence: float = 0.95,
    name: str = "remounted lens",
) -> RemountStudy:
    """Return the repeatability of one lens remounted N times, N >= 10; ``values`` has shape (N,)."""
    series = as_series(values, name, least=10)
    if not 0.0 < confidence < 1.0:
        raise QualityError(f"{name}: a confidence of {confidence} was asked for; it lies between 0 and 1")
    freedom = series.size - 1
    spread = float(series.std(ddof=1))
    require(spread > 0.0, f"{name}: all {series.size} values are the same; look for a stuck reading")
    tail = 0.5 * (1.0 - confidence)
    low, high = (
        spread * math.sqrt(freedom / (2.0 * float(gammaincinv(0.5 * freedom, p)))) for p in (1.0 - tail, tail)
    )
    share = share_of_tolerance(spread, tolerance_width)
    return RemountStudy(series.size, float(series.mean()), spread, low, high, confidence, share)


def share_of_tolerance(sigma: float, width: float | None) -> float | None:
    """Return 6 sigma / tolerance width; None without a width."""
    if width is None:
        return None
    require(
        math.isfinite(width) and width > 0.0, f"a tolerance width of {width} was given; it has to be positive"
    )
    return 6.0 * sigma / width
