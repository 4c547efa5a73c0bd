"""Pictures of how values spread against their tolerance, and of a beam or lens that drifts."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike

from station.quality.capability import Capability, NoCapability, Tolerance
from station.quality.checks import Array, as_series, require_rising
from station.quality.pictures.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    SKY,
    VERMILION,
    Form,
    dot_size,
    picture_bytes,
    sheet,
)
from station.quality.studies.beam_stability import BeamStability, Trend, beam_stability

_SECONDS_AN_HOUR = 3600.0


def histogram_picture(
    values: ArrayLike,
    tolerance: Tolerance,
    *,
    name: str,
    unit: str = "",
    result: Capability | NoCapability | None = None,
    form: Form = "png",
) -> bytes:
    """Return a histogram of one axis with its tolerance and the normal curve of the same mean and spread.

    Parameters
    ----------
    values : array_like, shape (N,)
        N >= 2.
    tolerance : Tolerance
    result : Capability, NoCapability, optional
        Shown in words below the title.
    """
    series = as_series(values, name, least=2)
    with sheet(4.6, 3.1) as figure:
        axes = figure.add_axes((0.11, 0.155, 0.85, 0.655))
        edges = _edges(series, tolerance)
        axes.hist(series, bins=edges.tolist(), color=SKY, edgecolor="white", linewidth=0.5, zorder=2)
        spread = float(series.std(ddof=1))
        if spread > 0.0:
            x = np.linspace(edges[0], edges[-1], 240)
            scale = series.size * (edges[1] - edges[0]) / (spread * math.sqrt(2.0 * math.pi))
            axes.plot(
                x, scale * np.exp(-0.5 * ((x - series.mean()) / spread) ** 2), color=BLUE, lw=1.2, zorder=3
            )
        _tolerance_lines(axes, tolerance)
        axes.axvline(float(series.mean()), color=INK, lw=0.9, zorder=3)
        axes.set_xlim(edges[0], edges[-1])
        axes.set_xlabel(f"{name} / {unit}" if unit else name)
        axes.set_ylabel("parts")
        axes.yaxis.set_major_locator(MaxNLocator(6, integer=True))
        figure.text(0.03, 0.945, f"{name}, {series.size} parts", fontsize=9, weight="bold", va="center")
        figure.text(0.03, 0.875, _result_words(result), fontsize=7, va="center")
        return picture_bytes(figure, form)


def drift_picture(
    time_s: ArrayLike, x_um: ArrayLike, y_um: ArrayLike, *, title: str = "", form: Form = "png"
) -> bytes:
    """Return the drift chart: x and y over time with their trends, and where they lie on the plate.

    Parameters
    ----------
    time_s, x_um, y_um : array_like, shape (N,)
        As for `beam_stability`, N >= 20.
    """
    figures = beam_stability(time_s, x_um, y_um)
    times = as_series(time_s, "time")
    x, y = as_series(x_um, "x"), as_series(y_um, "y")
    require_rising(times, x)
    hours = (times - times[0]) / _SECONDS_AN_HOUR
    with sheet(7.2, 3.6) as figure:
        grid = figure.add_gridspec(
            2,
            2,
            width_ratios=(2.1, 1.0),
            hspace=0.16,
            wspace=0.2,
            left=0.085,
            right=0.985,
            top=0.9,
            bottom=0.125,
        )
        along_x, along_y = figure.add_subplot(grid[0, 0]), figure.add_subplot(grid[1, 0])
        _over_time(along_x, hours, x, "x", figures.drift_x, ORANGE)
        _over_time(along_y, hours, y, "y", figures.drift_y, BLUE)
        along_x.tick_params(labelbottom=False)
        along_x.set_title(title or "Position over time")
        along_y.set_xlabel("time / h")
        figure.align_ylabels([along_x, along_y])
        _on_plate(figure.add_subplot(grid[:, 1]), x, y, figures)
        return picture_bytes(figure, form)


def _edges(series: Array, tolerance: Tolerance) -> Array:
    """Return bin edges (Freedman & Diaconis 1981) that cover values and tolerance."""
    ends = [*(limit for limit in (tolerance.lower, tolerance.upper) if limit is not None)]
    low, high = min(float(series.min()), *ends), max(float(series.max()), *ends)
    quarter, three = np.percentile(series, [25.0, 75.0])
    width = 2.0 * float(three - quarter) / series.size ** (1.0 / 3.0)
    width = min(max(width, (high - low) / 80.0), (high - low) / 8.0)
    air = 0.06 * (high - low)
    count = math.ceil((high - low + 2.0 * air) / width)
    return np.asarray(low - air + width * np.arange(count + 1), dtype=np.float64)


def _tolerance_lines(axes: Axes, tolerance: Tolerance) -> None:
    for limit, side in ((tolerance.lower, "left"), (tolerance.upper, "right")):
        if limit is None:
            continue
        axes.axvline(limit, color=VERMILION, lw=1.3, ls=(0, (5, 3)), zorder=4)
        axes.annotate(
            f"{limit:+.3g}",
            (limit, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3 if side == "left" else -3, -2),
            textcoords="offset points",
            ha=side,
            va="top",
            fontsize=7,
            color=VERMILION,
        )


def _result_words(result: Capability | NoCapability | None) -> str:
    if result is None:
        return "dashed: tolerance"
    if isinstance(result, NoCapability):
        text = f"no capability: {result.reason}"
        return text if len(text) <= 96 else f"{text[:93]}..."
    cp = f"Cp {result.cp}   " if result.cp else ""
    return f"{cp}Cpk {result.cpk}   Ppk {result.ppk}   ({result.confidence:.0%})"


def _over_time(axes: Axes, hours: Array, values: Array, name: str, trend: Trend, colour: str) -> None:
    axes.plot(hours, values, "o", color=colour, ms=dot_size(values.size), mew=0, alpha=0.8, zorder=2)
    width = max(1, values.size // 20)
    if width > 2:
        kernel = np.ones(width) / width
        axes.plot(
            np.convolve(hours, kernel, "valid"), np.convolve(values, kernel, "valid"), color=INK, lw=1.1
        )
    line = values.mean() + trend.um_per_hour * (hours - hours.mean())
    axes.plot(hours, line, color=VERMILION, lw=1.1, ls=(0, (5, 3)), zorder=4)
    words = "drifts" if trend.significant else "no sure drift"
    text = f"{words}: {trend.um_per_hour:+.3g} ± {2.576 * trend.sigma_um_per_hour:.2g} µm/h"
    axes.set_ylabel(f"{name} / µm")
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.18 * (high - low))
    axes.text(0.01, 0.97, text, transform=axes.transAxes, va="top", fontsize=7)


def _on_plate(axes: Axes, x: Array, y: Array, figures: BeamStability) -> None:
    """Draw all positions on the plate, coloured from early to late, with the one-sigma ellipse."""
    axes.scatter(x, y, c=np.arange(x.size), cmap="Greys", vmin=-0.6 * x.size, s=dot_size(x.size) ** 2, lw=0)
    covariance = np.cov(np.stack([x, y]))
    _, directions = np.linalg.eigh(covariance)
    angle = math.degrees(math.atan2(float(directions[1, 1]), float(directions[0, 1])))
    axes.add_patch(
        Ellipse(
            figures.mean_um,
            2.0 * figures.sigma_major_um,
            2.0 * figures.sigma_minor_um,
            angle=angle,
            fill=False,
            color=GREEN,
            lw=1.3,
        )
    )
    axes.plot(*figures.mean_um, "+", color=GREEN, ms=9, mew=1.3)
    axes.set_aspect("equal", adjustable="datalim")
    azimuth = "round" if figures.azimuth_deg is None else f"azimuth {figures.azimuth_deg:.0f}°"
    axes.set_title(
        f"On the plate: σ {figures.sigma_major_um:.3g} and {figures.sigma_minor_um:.3g} µm\n"
        f"{azimuth}; late is dark",
        fontsize=7.5,
        weight="normal",
    )
    axes.set_xlabel("x / µm")
    axes.set_ylabel("y / µm", labelpad=1)
    axes.axhline(0.0, color=GREY, lw=0.4, zorder=0)
    axes.axvline(0.0, color=GREY, lw=0.4, zorder=0)
