"""Limits of control charts from the mean range, and what they rest on (ISO 7870-2)."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from station.quality.checks import Array, as_series, as_subgroups, kept, require_scatter
from station.quality.control_charts.constants import chart_factors

LEAST_FOR_LIMITS = 8
"""Fewer points than this give no limits at all (common practice, no source)."""
SETTLED = 25
"""From this many points or subgroups on limits count as settled (ISO 7870-2, from memory)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a chart and where they come from.

    Attributes
    ----------
    center : float
        Centre of the upper panel: mean of the values, or of the subgroup means.
    sigma : float
        Standard deviation of one single value, from the mean range.
    size : int
        Values in a subgroup; for individuals the number of values in a moving range.
    individuals : bool
    count : int
        Points or subgroups that the limits rest on.
    """

    center: float
    sigma: float
    size: int
    individuals: bool
    count: int

    @property
    def point_sigma(self) -> float:
        """Standard deviation of a point of the upper panel."""
        return self.sigma if self.individuals else self.sigma / self.size**0.5

    @property
    def lower(self) -> float:
        """Lower limit of the upper panel."""
        return self.center - 3.0 * self.point_sigma

    @property
    def upper(self) -> float:
        """Upper limit of the upper panel."""
        return self.center + 3.0 * self.point_sigma

    @property
    def range_center(self) -> float:
        """Mean range."""
        return chart_factors(self.size).d2 * self.sigma

    @property
    def range_lower(self) -> float:
        """Lower limit of the ranges."""
        return chart_factors(self.size).D3 * self.range_center

    @property
    def range_upper(self) -> float:
        """Upper limit of the ranges."""
        return chart_factors(self.size).D4 * self.range_center

    @property
    def provisional(self) -> bool:
        """True while the limits rest on so few points that they will still move."""
        return self.count < SETTLED


def individuals_limits(
    values: ArrayLike, *, name: str = "value", span: int = 2, excluded: Collection[int] = ()
) -> Limits:
    """Return limits of single values from their mean moving range.

    Parameters
    ----------
    values : array_like, shape (N,)
        In time order, N >= 8.
    span : int
        Values in a moving range.
    excluded : collection of int
        Places (from 0) left out because a cause is known; moving ranges that touch them are left out, too.

    Raises
    ------
    QualityError
        For too few values, values that are not finite, or values without scatter.
    """
    series = as_series(values, name, least=LEAST_FOR_LIMITS)
    keep = kept(series.size, excluded, name)
    as_series(series[keep], f"{name}, without those left out", least=LEAST_FOR_LIMITS)
    factors = chart_factors(span)
    whole = sliding_window_view(keep, span).all(axis=1)
    ranges = as_series(moving_ranges(series, span)[whole], f"{name}, moving ranges", least=1)
    mean_range = float(ranges.mean())
    require_scatter(mean_range, series, name)
    return Limits(float(series[keep].mean()), mean_range / factors.d2, span, True, int(keep.sum()))


def xbar_r_limits(
    subgroups: Iterable[ArrayLike], *, name: str = "value", excluded: Collection[int] = ()
) -> Limits:
    """Return limits of subgroup means and ranges from the mean range of the subgroups.

    Parameters
    ----------
    subgroups : iterable of array_like
        At least 8 subgroups of the same size, 2 to 25.
    excluded : collection of int
        Places (from 0) of subgroups left out because a cause is known.

    Raises
    ------
    QualityError
        For too few or unequal subgroups, values that are not finite, or values without scatter.
    """
    groups = as_subgroups(subgroups, name, least=LEAST_FOR_LIMITS)
    keep = kept(len(groups), excluded, name)
    used = as_subgroups(groups[keep], f"{name}, without those left out", least=LEAST_FOR_LIMITS)
    size = used.shape[1]
    mean_range = float(np.ptp(used, axis=1).mean())
    require_scatter(mean_range, used.ravel(), name)
    return Limits(float(used.mean()), mean_range / chart_factors(size).d2, size, False, len(used))


def moving_ranges(series: Array, span: int) -> Array:
    """Return the range of each ``span`` values in a row, shape (N - span + 1,); may be empty."""
    if series.size < span:
        return np.zeros(0)
    return np.asarray(np.ptp(sliding_window_view(series, span), axis=1), dtype=np.float64)
