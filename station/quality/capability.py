"""Capability and performance of a process against a tolerance (ISO 22514-2), with confidence intervals.

Cp and Cpk use the scatter within the process (from the control chart), Pp and Ppk the scatter of all
values. Both are refused while the process is out of control or too few parts were measured: an index of a
process that moves predicts nothing. All of it is for one axis and normal values; for the radial error see
``radial_share_outside``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv, ndtr, ndtri
from scipy.stats import shapiro

from station.quality.checks import Array, QualityError, as_points, as_series
from station.quality.control_charts.charts import ControlChart
from station.quality.control_charts.constants import (
    mean_range_degrees_of_freedom,
    moving_range_degrees_of_freedom,
)
from station.quality.control_charts.state import control_state

LEAST_PARTS = 50
"""Fewer parts give no index (common practice, no source)."""
ADVISED_PARTS = 125
"""From this many on an index is settled (25 subgroups of 5; ISO 22514-2, from memory)."""
_NOT_NORMAL = 1e-3


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Limits that a single axis has to keep; one of them may be missing (None)."""

    lower: float | None
    upper: float | None

    def __post_init__(self) -> None:
        limits = [limit for limit in (self.lower, self.upper) if limit is not None]
        if not limits or not all(math.isfinite(limit) for limit in limits):
            raise QualityError(f"tolerance {self.lower} to {self.upper}: at least one finite limit is needed")
        if len(limits) == 2 and limits[0] >= limits[1]:
            raise QualityError(
                f"tolerance {self.lower} to {self.upper}: the lower limit is not below the upper"
            )


def axis_tolerance(radial: float) -> Tolerance:
    """Return limits for each axis that together keep the radial error within ``radial``."""
    if not (math.isfinite(radial) and radial > 0.0):
        raise QualityError(f"a radial tolerance of {radial} was asked for; it has to be a positive number")
    half = radial / math.sqrt(2.0)
    return Tolerance(-half, half)


@dataclass(frozen=True, slots=True)
class Index:
    """An index with its two-sided confidence interval."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.2f} ({self.low:.2f} to {self.high:.2f})"


@dataclass(frozen=True, slots=True)
class Capability:
    """Indices of one axis.

    Attributes
    ----------
    name : str
    count : int
    mean, sigma_within, sigma_overall : float
    cp, pp : Index or None
        None for a tolerance with one limit only.
    cpk, ppk : Index
    confidence : float
    notes : tuple of str
        What a reader has to know, in words.
    """

    name: str
    count: int
    mean: float
    sigma_within: float
    sigma_overall: float
    cp: Index | None
    cpk: Index
    pp: Index | None
    ppk: Index
    confidence: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NoCapability:
    """There is no index, and why."""

    name: str
    reason: str


def capability(
    chart: ControlChart,
    values: ArrayLike,
    tolerance: Tolerance,
    *,
    confidence: float = 0.95,
    least: int = LEAST_PARTS,
) -> Capability | NoCapability:
    """Return the indices of one axis, or why there are none.

    Parameters
    ----------
    chart : ControlChart
        The chart of the same values; gives the scatter within, and whether the process is in control.
    values : array_like, shape (N,) or (groups, size)
        The single values behind the chart, same unit as the tolerance.
    tolerance : Tolerance
    confidence : float
        Of the two-sided intervals.
    least : int
        Smallest number of values for which an index is given.

    Notes
    -----
    Interval of Cp and Pp: chi-square (exact for Pp of normal values; for Cp with the degrees of freedom
    that the mean range is worth). Interval of Cpk and Ppk: Bissell, Applied Statistics 39, 331 (1990),
    index -/+ z sqrt(1 / (9 N) + index^2 / (2 nu)) (from memory).
    """
    if not 0.0 < confidence < 1.0:
        raise QualityError(
            f"a confidence of {confidence} was asked for; it lies between 0 and 1, such as 0.95"
        )
    series = as_series(np.ravel(np.asarray(values, dtype=np.float64)), chart.name)
    expected = chart.points.size * (1 if chart.limits.individuals else chart.limits.size)
    if series.size != expected:
        raise QualityError(
            f"{chart.name}: {series.size} values for a chart of {expected}; hand in those charted"
        )
    if series.size < least:
        return NoCapability(chart.name, f"only {series.size} parts; no index from fewer than {least}")
    state = control_state(chart)
    if not state.in_control:
        return NoCapability(chart.name, f"out of control: {state.reasons[0]}")
    mean, overall, within = float(series.mean()), float(series.std(ddof=1)), chart.limits.sigma
    worth = _within_degrees_of_freedom(chart)

    def pair(sigma: float, freedom: float) -> tuple[Index | None, Index]:
        return _indices(mean, sigma, freedom, series.size, tolerance, confidence)

    cp, cpk = pair(within, worth)
    pp, ppk = pair(overall, series.size - 1.0)
    notes = _notes(chart.name, series)
    return Capability(
        chart.name, series.size, mean, within, overall, cp, cpk, pp, ppk, confidence, (*chart.notes, *notes)
    )


def spread_index_interval(index: float, freedom: float, confidence: float) -> Index:
    """Return Cp or Pp with its chi-square interval; ``freedom`` are the degrees of freedom of its sigma."""
    tail = 0.5 * (1.0 - confidence)
    low, high = (2.0 * float(gammaincinv(0.5 * freedom, p)) for p in (tail, 1.0 - tail))
    return Index(index, index * math.sqrt(low / freedom), index * math.sqrt(high / freedom))


def nearest_index_interval(index: float, count: int, freedom: float, confidence: float) -> Index:
    """Return Cpk or Ppk with Bissell's interval; ``freedom`` are the degrees of freedom of its sigma."""
    half = float(ndtri(0.5 * (1.0 + confidence))) * math.sqrt(
        1.0 / (9.0 * count) + index**2 / (2.0 * freedom)
    )
    return Index(index, index - half, index + half)


def _indices(
    mean: float, sigma: float, freedom: float, count: int, tolerance: Tolerance, confidence: float
) -> tuple[Index | None, Index]:
    if sigma <= 0.0:
        raise QualityError("values without scatter have no capability; look for a stuck reading")
    sides = []
    if tolerance.upper is not None:
        sides.append((tolerance.upper - mean) / (3.0 * sigma))
    if tolerance.lower is not None:
        sides.append((mean - tolerance.lower) / (3.0 * sigma))
    spread = None
    if tolerance.lower is not None and tolerance.upper is not None:
        spread = spread_index_interval(
            (tolerance.upper - tolerance.lower) / (6.0 * sigma), freedom, confidence
        )
    return spread, nearest_index_interval(min(sides), count, freedom, confidence)


def _within_degrees_of_freedom(chart: ControlChart) -> float:
    limits = chart.limits
    if not limits.individuals:
        return mean_range_degrees_of_freedom(limits.size, limits.count)
    if limits.size == 2:
        return moving_range_degrees_of_freedom(limits.count)
    # Longer moving ranges overlap more; those that do not overlap are a safe lower count.
    return mean_range_degrees_of_freedom(limits.size, limits.count // limits.size)


def _notes(name: str, series: Array) -> tuple[str, ...]:
    notes = []
    if series.size < ADVISED_PARTS:
        notes.append(f"{name}: {series.size} parts; an index is settled from about {ADVISED_PARTS}.")
    # Shapiro & Wilk, Biometrika 52, 591 (1965); its p-value is trusted up to 5000 values.
    p = float(shapiro(series[-5000:]).pvalue)
    if p < _NOT_NORMAL:
        notes.append(
            f"{name}: the values are not normal (Shapiro-Wilk p = {p:.1g}); "
            "six sigma does not describe their spread."
        )
    return tuple(notes)


def radial_share_outside(x: ArrayLike, y: ArrayLike, radius: float, *, least: int = LEAST_PARTS) -> float:
    """Return the share of parts expected outside a radial tolerance, from mean and covariance of both axes.

    For two jointly normal axes (the case that ISO 22514-6 treats); 0 to 1. With equal, centred axes it is
    Rayleigh's exp(-radius^2 / (2 sigma^2)).
    """
    points = as_points(x, y, "radial error", least=least)
    axis_tolerance(radius)
    variances, directions = np.linalg.eigh(np.cov(points.T))
    if variances[0] <= 0.0:
        raise QualityError("radial error: an axis without scatter has no spread to predict from")
    center = directions.T @ points.mean(axis=0)
    return _outside_circle(center, np.sqrt(variances), radius)


def _outside_circle(center: Array, sigma: Array, radius: float) -> float:
    """Return 1 minus the integral of an axis-parallel normal density over a circle about the origin."""
    # Only where the density counts; x = radius sin(a) takes the square-root edge out of the chord.
    reach = np.clip((center[0] + np.array([-9.0, 9.0]) * sigma[0]) / radius, -1.0, 1.0)
    begin, end = np.arcsin(reach)
    nodes, weights = np.polynomial.legendre.leggauss(200)
    angle = begin + 0.5 * (end - begin) * (nodes + 1.0)
    u, chord = radius * np.sin(angle), radius * np.cos(angle)
    density = np.exp(-0.5 * ((u - center[0]) / sigma[0]) ** 2) / (sigma[0] * math.sqrt(2.0 * math.pi))
    across = ndtr((chord - center[1]) / sigma[1]) - ndtr((-chord - center[1]) / sigma[1])
    share = 0.5 * (end - begin) * float(np.sum(weights * chord * density * across))
    return float(min(1.0, max(0.0, 1.0 - share)))
