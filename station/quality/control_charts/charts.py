"""Control charts: individuals with moving range, and means with ranges (ISO 7870-2).

Phase I sets limits from the data themselves (leave out ``limits``); phase II judges new data by limits that
were set before (hand ``limits`` in). Chart each axis by itself: a radial error is never negative and not
normal (two equal normal axes make it Rayleigh distributed), so three-sigma limits and run rules do not fit
it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from station.quality.checks import (
    Array,
    QualityError,
    as_labels,
    as_series,
    as_subgroups,
    kept,
)
from station.quality.control_charts.limits import (
    LEAST_FOR_LIMITS,
    SETTLED,
    Limits,
    individuals_limits,
    moving_ranges,
    xbar_r_limits,
)
from station.quality.control_charts.rules import LIMITS_ONLY, WESTERN_ELECTRIC, Rule, Signal, find_signals


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """A chart with its signals.

    Attributes
    ----------
    name, unit : str
    labels : tuple of str
        One for each point.
    points, ranges : ndarray, shape (N,) and (M,)
        Values or subgroup means; moving ranges (M = N - size + 1) or subgroup ranges (M = N).
    limits : Limits
    excluded : frozenset of int
        Places that the limits leave out.
    signals : tuple of Signal
        On the points; a place left out for a known cause is not reported again as a single point.
    range_signals : tuple of Signal
        On the ranges.
    notes : tuple of str
        What a reader has to know, in words.
    """

    name: str
    unit: str
    labels: tuple[str, ...]
    points: Array
    ranges: Array
    limits: Limits
    excluded: frozenset[int]
    signals: tuple[Signal, ...]
    range_signals: tuple[Signal, ...]
    notes: tuple[str, ...]

    @property
    def in_control(self) -> bool:
        """True when neither panel shows a signal."""
        return not self.signals and not self.range_signals

    @property
    def reasons(self) -> tuple[str, ...]:
        """All signals in words."""
        return tuple(signal.reason for signal in (*self.signals, *self.range_signals))


def individuals_chart(
    values: ArrayLike,
    limits: Limits | None = None,
    *,
    name: str = "value",
    unit: str = "",
    labels: Sequence[str] | None = None,
    rules: Sequence[Rule] = WESTERN_ELECTRIC,
    excluded: Collection[int] = (),
) -> ControlChart:
    """Return the chart of single values with moving ranges.

    Without ``limits`` they are set from ``values`` (phase I), otherwise they judge ``values`` (phase II).
    On moving ranges only the limit itself is a rule: they overlap, so runs of them mean nothing.
    """
    if limits is None:
        limits = individuals_limits(values, name=name, excluded=excluded)
    series = as_series(values, name)
    keep = kept(series.size, excluded, name)
    names = as_labels(labels, series.size, name)
    ranges = moving_ranges(series, limits.size)
    whole = np.array([keep[k : k + limits.size].all() for k in range(ranges.size)], dtype=bool)
    return _chart(
        name,
        unit,
        names,
        _Panel(series, keep, rules),
        _Panel(ranges, whole, LIMITS_ONLY),
        limits,
        excluded,
    )


def xbar_r_chart(
    subgroups: Iterable[ArrayLike],
    limits: Limits | None = None,
    *,
    name: str = "value",
    unit: str = "",
    labels: Sequence[str] | None = None,
    rules: Sequence[Rule] = WESTERN_ELECTRIC,
    excluded: Collection[int] = (),
) -> ControlChart:
    """Return the chart of subgroup means with ranges; phase I without ``limits``, phase II with them.

    On ranges only the limits themselves are a rule: their distribution is skewed, zone tests do not fit it.
    """
    groups = as_subgroups(list(subgroups), name, least=1)
    if limits is None:
        limits = xbar_r_limits(groups, name=name, excluded=excluded)
    if groups.shape[1] != limits.size:
        raise QualityError(
            f"{name}: subgroups of {groups.shape[1]}, but the limits are for subgroups of {limits.size}; "
            "set limits anew"
        )
    keep = kept(len(groups), excluded, name)
    names = as_labels(labels, len(groups), name)
    means, ranges = groups.mean(axis=1), np.ptp(groups, axis=1)
    return _chart(
        name, unit, names, _Panel(means, keep, rules), _Panel(ranges, keep, LIMITS_ONLY), limits, excluded
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Panel:
    points: Array
    keep: NDArray[np.bool_]
    rules: Sequence[Rule]


def _chart(
    name: str,
    unit: str,
    labels: tuple[str, ...],
    upper: _Panel,
    lower: _Panel,
    limits: Limits,
    excluded: Collection[int],
) -> ControlChart:
    z = (upper.points - limits.center) / limits.point_sigma
    # Ranges beyond a limit become 4 (above) or -4 (below); their scale is not symmetric.
    beyond = 4.0 * (lower.points > limits.range_upper) - 4.0 * (lower.points < limits.range_lower)
    what = "moving range" if limits.individuals else "range"
    return ControlChart(
        name=name,
        unit=unit,
        labels=labels,
        points=upper.points,
        ranges=lower.points,
        limits=limits,
        excluded=frozenset(excluded),
        signals=_signals(z, upper, name, unit, labels),
        range_signals=_signals(beyond, lower, f"{name}, {what}", unit, labels[len(labels) - len(beyond) :]),
        notes=_notes(name, upper.points, limits),
    )


def _signals(z: Array, panel: _Panel, name: str, unit: str, labels: Sequence[str]) -> tuple[Signal, ...]:
    """Return the signals of one panel; points left out for a known cause neither signal nor break a run."""
    places = np.flatnonzero(panel.keep).tolist()
    shown = [f"{value:.4g} {unit}".strip() for value in panel.points[places]]
    found = find_signals(
        z[places], panel.rules, name=name, labels=[labels[place] for place in places], shown=shown
    )
    return tuple(
        Signal(s.rule, places[s.first], places[s.last], places[s.complete], s.side, s.reason) for s in found
    )


def _notes(name: str, points: Array, limits: Limits) -> tuple[str, ...]:
    notes = []
    if limits.provisional:
        notes.append(
            f"{name}: limits rest on {limits.count} points only (settled from {SETTLED}); they will move."
        )
    if points.min() >= 0.0 and limits.lower < 0.0 and points.size >= LEAST_FOR_LIMITS:
        notes.append(
            f"{name}: no value is negative though the limits reach below zero. A radial error is not normal; "
            "chart its x and y instead."
        )
    return tuple(notes)
