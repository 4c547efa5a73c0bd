"""The two pictures of the lot report: the night hour by hour, and the four axes part by part."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

from control.messages import Outcome
from station.quality.lot_report.process import AxisOfRecipe
from station.quality.lot_report.summary import AXES, LotSummary
from station.quality.pictures.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    PALE,
    PURPLE,
    VERMILION,
    Form,
    dot_size,
    label_places,
    picture_bytes,
    sheet,
)

OUTCOME_LOOKS: Mapping[Outcome, tuple[str, str, str]] = {
    Outcome.ALIGNED: ("aligned", GREEN, ""),
    Outcome.REJECTED: ("rejected", VERMILION, "////"),
    Outcome.TIMED_OUT: ("timed out", PURPLE, "...."),
    Outcome.STOPPED: ("stopped", GREY, "xxxx"),
}
_BIN_MINUTES = (5, 10, 15, 30, 60, 120, 240, 480, 1440)
_MOST_BARS = 36
_MOST_NAMED = 5


def course_picture(summary: LotSummary, form: Form = "png") -> bytes:
    """Return how many parts ended how in each stretch of time, with the times in which the station stood."""
    begin, end = summary.begin_utc, summary.end_utc
    minutes = max((end - begin).total_seconds() / 60.0, 1.0)
    width = next((w for w in _BIN_MINUTES if minutes / w <= _MOST_BARS), _BIN_MINUTES[-1])
    edges = np.arange(0.0, math.ceil(minutes / width) * width + width, width)
    with sheet(7.2, 1.75) as figure:
        axes = figure.add_axes((0.065, 0.19, 0.925, 0.63))
        bottom = np.zeros(edges.size - 1)
        for outcome, (name, colour, hatch) in OUTCOME_LOOKS.items():
            ended = [_minutes(begin, p.ended_utc) for p in summary.products if p.outcome is outcome]
            if not ended:
                continue
            counts, _ = np.histogram(ended, edges)
            axes.bar(
                edges[:-1],
                counts,
                width=0.9 * width,
                bottom=bottom,
                align="edge",
                color=colour,
                hatch=hatch,
                edgecolor="white",
                linewidth=0.4,
                label=f"{name} {len(ended)}",
                zorder=2,
            )
            bottom += counts
        _draw_stops(axes, begin, minutes, summary.standing())
        axes.set_xlim(0.0, max(minutes, edges[-1] if minutes > 0.9 * edges[-1] else minutes))
        axes.set_ylim(0.0, max(1.0, 1.08 * float(bottom.max(initial=1.0))))
        axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes.set_ylabel(f"parts in {_duration(width)}")
        _clock_ticks(axes, summary, minutes)
        if axes.get_legend_handles_labels()[1]:
            axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=5, borderaxespad=0.2)
        return picture_bytes(figure, form)


def process_picture(judged: Sequence[AxisOfRecipe], form: Form = "png") -> bytes:
    """Return the residuals of all measured products, a panel for each axis, each recipe with its limits."""
    with sheet(7.2, 4.7) as figure:
        for place, axis in enumerate(AXES):
            column, row = divmod(place, 2)
            axes = figure.add_axes((0.07 + 0.49 * column, 0.53 - 0.475 * row, 0.43, 0.365))
            _draw_axis(axes, [one for one in judged if one.axis == axis])
        names = tuple(dict.fromkeys(one.recipe for one in judged))
        if len(names) > 1:
            numbered = [f"{number}  {name}" for number, name in enumerate(names[:_MOST_NAMED], 1)]
            figure.text(0.07, 0.985, "      ".join(numbered), fontsize=7, va="top", color=INK)
        return picture_bytes(figure, form)


def _draw_axis(axes: Axes, recipes: Sequence[AxisOfRecipe]) -> None:
    labels: list[str] = []
    levels: list[float] = []
    for number, one in enumerate(recipes):
        first = len(labels)
        values = np.array([part.residual(one.axis) for part in one.parts])
        aligned = np.array([part.outcome is Outcome.ALIGNED for part in one.parts], dtype=bool)
        places = first + np.arange(values.size)
        labels += [part.serial for part in one.parts]
        size = dot_size(4 * len(recipes) * values.size)
        axes.plot(places[aligned], values[aligned], "o", color=BLUE, ms=size + 0.6, mew=0, zorder=3)
        axes.plot(places[~aligned], values[~aligned], "x", color=VERMILION, ms=4.5, mew=1.0, zorder=4)
        levels += values[aligned].tolist()
        if one.chart is not None:
            limits = one.chart.limits
            span = (first - 0.5, first + values.size - 0.5)
            axes.hlines(
                [limits.lower, limits.upper], *span, color=VERMILION, lw=0.9, ls=(0, (5, 3)), zorder=2
            )
            axes.hlines(limits.center, *span, color=INK, lw=0.9, zorder=2)
            levels += [limits.lower, limits.upper]
        if number:
            axes.axvline(first - 0.5, color=GREY, lw=0.5)
        if len(recipes) > 1:
            # Names would overlap; they stand above the panels by number.
            axes.annotate(
                str(number + 1),
                (first + 0.5 * values.size - 0.5, 0.012),
                xycoords=("data", "axes fraction"),
                ha="center",
                va="bottom",
                fontsize=7,
                weight="bold",
                color=GREY,
            )
    axes.set_title(recipes[0].label if recipes else "", fontsize=8)
    reach = 1.3 * max((abs(level) for level in levels), default=1.0)
    axes.set_ylim(-reach, reach)
    _mark_beyond(axes, recipes, reach)
    axes.axhline(0.0, color=PALE, lw=0.8, zorder=0)
    label_places(axes, labels, ticks=4)
    axes.tick_params(axis="x", labelsize=6)


def _mark_beyond(axes: Axes, recipes: Sequence[AxisOfRecipe], reach: float) -> None:
    """Show values that would squeeze the panel as arrows at its edge, never leave them out."""
    first = 0
    for one in recipes:
        for place, part in enumerate(one.parts, start=first):
            value = part.residual(one.axis)
            if abs(value) > reach:
                edge = math.copysign(0.84 * reach, value)
                axes.plot(place, edge, "^" if value > 0 else "v", color=VERMILION, ms=4.5, mew=0, zorder=5)
        first += len(one.parts)


def _draw_stops(
    axes: Axes, begin: datetime, minutes: float, standing: Sequence[tuple[datetime, datetime]]
) -> None:
    for number, (first, last) in enumerate(standing):
        start = _minutes(begin, first)
        # A short stop stays visible.
        end = max(_minutes(begin, last), start + 0.004 * minutes)
        axes.axvspan(
            start, end, color=INK, alpha=0.22, lw=0, zorder=3, label="" if number else "station stood"
        )


def _clock_ticks(axes: Axes, summary: LotSummary, minutes: float) -> None:
    """Name full hours (or parts and multiples of them) of the shown time zone along x."""
    begin = summary.begin_utc.astimezone(summary.zone)
    step = next((s for s in (15, 30, 60, 120, 240, 480, 1440, 7 * 1440) if minutes / s <= 12), 30 * 1440)
    past = (begin.hour * 60 + begin.minute) % step + begin.second / 60.0
    ticks = np.arange(-past, minutes + 1e-9, step)
    axes.xaxis.set_major_locator(FixedLocator(ticks[ticks >= 0.0].tolist()))

    def name(place: float, _: int | None = None) -> str:
        minute = round(begin.hour * 60 + begin.minute + place) % 1440
        return f"{minute // 60:02d}:{minute % 60:02d}"

    axes.xaxis.set_major_formatter(FuncFormatter(name))


def _minutes(begin: datetime, time: datetime) -> float:
    return (time - begin).total_seconds() / 60.0


def _duration(minutes: int) -> str:
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h"
