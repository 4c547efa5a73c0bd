"""Expanded uncertainty: the few formulas of JCGM 100:2008 (GUM) that a verdict needs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f, t

Vector = NDArray[np.float64]


def coverage_factor(coverage: float, degrees_of_freedom: float = math.inf) -> float:
    """Return k of one coordinate: Student's t, two-sided (JCGM 100:2008, table G.2)."""
    return float(t.ppf((1.0 + coverage) / 2.0, degrees_of_freedom))


def radial_coverage_factor(coverage: float, degrees_of_freedom: float = math.inf) -> float:
    """Return k of a two-dimensional distance.

    A normal error in the plane lies within k sigma with probability 1 - exp(-k^2 / 2), so k = 2.4477 at 95 %;
    with sigma estimated from few degrees of freedom k^2 = 2 F(2, nu) (Hotelling; JCGM 102:2011, 6.5.2).
    """
    if math.isinf(degrees_of_freedom):
        return math.sqrt(-2.0 * math.log1p(-coverage))
    return math.sqrt(2.0 * float(f.ppf(coverage, 2.0, degrees_of_freedom)))


def largest_sigma(covariance: Vector) -> float:
    """Return the standard uncertainty along the worst direction of a 2 x 2 covariance."""
    (xx, _), (xy, yy) = covariance.tolist()
    return math.sqrt(max((xx + yy) / 2.0 + math.hypot((xx - yy) / 2.0, xy), 0.0))


def propagate(sensitivities: Vector, covariance: Vector) -> Vector:
    """Return the covariance of a linear function of correlated inputs (JCGM 100:2008, 5.2)."""
    carried: Vector = sensitivities @ covariance @ sensitivities.T
    return carried


def mean_with_covariance(samples: Vector) -> tuple[Vector, Vector, int]:
    """Return mean (m,), covariance of the mean (m, m) and degrees of freedom of samples (n, m), n >= 2.

    Type A evaluation, JCGM 100:2008, 4.2.3 and 5.2.3 (equation 17).

    Raises
    ------
    ValueError
        With fewer than two samples.
    """
    count = len(samples)
    if count < 2:
        raise ValueError(f"{count} samples have no scatter; two or more are needed")
    mean = np.mean(samples, axis=0)
    off = samples - mean
    return mean, off.T @ off / (count * (count - 1)), count - 1


def effective_degrees_of_freedom(sigmas: Sequence[float], degrees_of_freedom: Sequence[float]) -> float:
    """Return the Welch-Satterthwaite value (JCGM 100:2008, G.4.1, equation G.2b)."""
    total = sum(sigma**2 for sigma in sigmas) ** 2
    parts = sum(
        sigma**4 / nu for sigma, nu in zip(sigmas, degrees_of_freedom, strict=True) if not math.isinf(nu)
    )
    return math.inf if parts == 0.0 else total / parts
