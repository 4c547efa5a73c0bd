"""Pictures of control charts: single values with moving ranges, and means with ranges."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from station.quality.checks import Array
from station.quality.control_charts import ControlChart, Signal
from station.quality.pictures.style import (
    BLUE,
    GREY,
    INK,
    VERMILION,
    Form,
    at_right,
    dot_size,
    label_places,
    picture_bytes,
    sheet,
)

_BEYOND = "beyond_limits"


def control_chart_picture(chart: ControlChart, *, title: str = "", form: Form = "png") -> bytes:
    """Return a control chart as a picture: points over ranges, one file.

    Works for `individuals_chart` (single values and moving ranges) and `xbar_r_chart` (means and ranges).
    Points that complete a pattern are ringed, points beyond a limit are diamonds, points left out are
    crosses.
    """
    with sheet(7.2, 3.9) as figure:
        upper, lower = figure.subplots(
            2, 1, sharex=True, height_ratios=(1.7, 1.0), gridspec_kw={"hspace": 0.14}
        )
        figure.subplots_adjust(left=0.085, right=0.865, top=0.91, bottom=0.115)
        limits = chart.limits
        draw_points(upper, chart)
        lag = chart.points.size - chart.ranges.size
        places = np.arange(lag, chart.points.size)
        _panel(lower, places, chart.ranges, chart.range_signals, np.array([], dtype=np.int64))
        _levels(lower, limits.range_lower, limits.range_center, limits.range_upper)
        lower.set_ylim(bottom=0.0)
        unit = f" / {chart.unit}" if chart.unit else ""
        upper.set_ylabel(f"{'value' if limits.individuals else 'mean'}{unit}")
        lower.set_ylabel(f"{'moving range' if limits.individuals else 'range'}{unit}")
        upper.set_title(
            title or f"{chart.name}: {'single values' if limits.individuals else 'subgroup means'}"
        )
        upper.tick_params(labelbottom=False)
        label_places(lower, chart.labels)
        upper.set_title(_legend(chart), loc="right", fontsize=7, weight="normal")
        figure.align_ylabels()
        return picture_bytes(figure, form)


def _legend(chart: ControlChart) -> str:
    found = {signal.rule == _BEYOND for signal in (*chart.signals, *chart.range_signals)}
    words = []
    if True in found:
        words.append("diamond: beyond a limit")
    if False in found:
        words.append("ring: pattern of run rules")
    if chart.excluded:
        words.append("cross: left out, cause known")
    return ", ".join(words)


def draw_points(axes: Axes, chart: ControlChart, *, name_levels: bool = True) -> None:
    """Draw the upper panel of a chart with its limits onto axes of a larger picture."""
    left_out = np.array(sorted(chart.excluded), dtype=np.int64)
    _panel(axes, np.arange(chart.points.size), chart.points, chart.signals, left_out)
    _levels(axes, chart.limits.lower, chart.limits.center, chart.limits.upper, name_levels=name_levels)


def _panel(
    axes: Axes,
    places: NDArray[np.int64],
    values: Array,
    signals: Sequence[Signal],
    left_out: NDArray[np.int64],
) -> None:
    size = dot_size(values.size)
    axes.plot(
        places, values, "-o", color=BLUE, ms=size, mew=0, lw=0.5 if values.size > 250 else 0.8, zorder=3
    )
    first = int(places[0]) if values.size else 0
    beyond = sorted({k for s in signals if s.rule == _BEYOND for k in range(s.first, s.last + 1)})
    pattern = sorted({k for s in signals if s.rule != _BEYOND for k in range(s.first, s.last + 1)})
    axes.plot(
        [first + k for k in pattern],
        values[pattern],
        "o",
        mfc="none",
        mec=VERMILION,
        mew=0.9,
        ms=size + 3,
        zorder=4,
    )
    axes.plot(
        [first + k for k in beyond], values[beyond], "D", color=VERMILION, ms=size + 2.5, mew=0, zorder=5
    )
    axes.plot(left_out, values[left_out], "x", color=GREY, ms=size + 5, mew=1.4, zorder=5)


def _levels(axes: Axes, lower: float, center: float, upper: float, *, name_levels: bool = True) -> None:
    axes.axhline(center, color=INK, lw=0.9, zorder=2)
    for level in {lower, upper}:
        axes.axhline(level, color=VERMILION, lw=0.9, ls=(0, (5, 3)), zorder=2)
    if name_levels:
        at_right(axes, upper, f"limit {upper:.3g}", VERMILION)
        at_right(axes, center, f"mean {center:.3g}")
        if lower != 0.0:
            at_right(axes, lower, f"limit {lower:.3g}", VERMILION)
