"""Is a whole series in control? One answer with one false-alarm probability, however long the series is.

Three-sigma limits and run rules are made for one point after the other: over a night of 400 parts they
raise some false signals by themselves. To decide about a finished series (is capability allowed?) each
check here gets a share of one overall probability (Bonferroni), so that a longer series is not judged more
harshly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import kolmogorov, ndtr

from station.quality.checks import Array, QualityError
from station.quality.control_charts.charts import ControlChart
from station.quality.control_charts.constants import range_exceedance

FALSE_ALARM = 0.01
"""Probability that a series in control is called out of control."""
_CHECKS = 4
_LEAST = 8


@dataclass(frozen=True, slots=True)
class ControlState:
    """Whether a series is in control, and what speaks against it in words."""

    in_control: bool
    reasons: tuple[str, ...]


def control_state(chart: ControlChart, false_alarm: float = FALSE_ALARM) -> ControlState:
    """Return whether the series of a chart is in control.

    Four checks share ``false_alarm``: a single point too far out; a range too large; a level that moves
    (cumulative deviations, Buishand, J. Hydrology 58, 11 (1982), from memory); a run on one side of the
    centre too long for chance. Points left out for a known cause are not judged.
    """
    if not 0.0 < false_alarm < 0.5:
        raise QualityError(
            f"a false-alarm probability of {false_alarm} was asked for; sensible is 0.001 to 0.05"
        )
    keep = np.array([place not in chart.excluded for place in range(chart.points.size)])
    points = chart.points[keep]
    labels = [label for label, stays in zip(chart.labels, keep.tolist(), strict=True) if stays]
    share = false_alarm / _CHECKS
    found = (
        _far_point(chart, points, labels, share),
        _large_range(chart, keep, share),
        _moved_level(chart, points, labels, share),
        _long_run(chart, points, labels, share),
    )
    reasons = tuple(reason for reason in found if reason)
    return ControlState(not reasons, reasons)


def _far_point(chart: ControlChart, points: Array, labels: list[str], share: float) -> str:
    if not points.size:
        return ""
    z = np.abs(points - chart.limits.center) / chart.limits.point_sigma
    worst = int(np.argmax(z))
    if 2.0 * float(ndtr(-z[worst])) * points.size >= share:
        return ""
    return (
        f"{chart.name}: {labels[worst]} lies {z[worst]:.1f} sigma from the centre, "
        f"too far for the worst of {points.size} points"
    )


def _large_range(chart: ControlChart, keep: NDArray[np.bool_], share: float) -> str:
    limits = chart.limits
    lag = chart.points.size - chart.ranges.size
    whole = np.array([bool(keep[k : k + lag + 1].all()) for k in range(chart.ranges.size)], dtype=bool)
    if not whole.any():
        return ""
    ranges = np.where(whole, chart.ranges, 0.0)
    worst = int(np.argmax(ranges))
    if (
        float(range_exceedance(limits.size, ranges[worst : worst + 1] / limits.sigma)[0]) * whole.sum()
        >= share
    ):
        return ""
    what = "step to" if limits.individuals else "range of"
    return (
        f"{chart.name}: the {what} {chart.labels[worst + lag]} ({ranges[worst]:.3g} {chart.unit}) "
        f"is too large for the largest of {int(whole.sum())}"
    )


def _moved_level(chart: ControlChart, points: Array, labels: list[str], share: float) -> str:
    """Compare the sums of deviations from the mean with a Brownian bridge (Kolmogorov's distribution)."""
    n = points.size
    if n < _LEAST:
        return ""
    sums = np.abs(np.cumsum(points - points.mean()))
    if float(kolmogorov(sums.max() / (chart.limits.point_sigma * math.sqrt(n)))) >= share:
        return ""
    change = int(np.argmax(sums)) + 1
    before, after = points[:change].mean(), points[change:].mean()
    return (
        f"{chart.name}: the level has moved or drifts, most clearly after {labels[change - 1]} "
        f"(mean {before:.3g} before, {after:.3g} {chart.unit} after)"
    )


def _long_run(chart: ControlChart, points: Array, labels: list[str], share: float) -> str:
    above = points > chart.limits.center
    best, best_last, length = 0, 0, 0
    for place in range(points.size):
        length = length + 1 if place and above[place] == above[place - 1] else 1
        if length > best:
            best, best_last = length, place
    # Expected number of runs at least this long among fair sides.
    if points.size * 0.5**best >= share or best < _LEAST:
        return ""
    side = "above" if above[best_last] else "below"
    return (
        f"{chart.name}: {best} points in a row {side} the centre "
        f"({labels[best_last - best + 1]} to {labels[best_last]})"
    )
