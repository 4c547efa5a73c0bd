"""Study of the measurement system: how much of the scatter comes from measuring, how much from the lenses.

The same lenses are taken out and put in again (trials) by several operators or on several stations; every
lens is measured by everybody equally often. Two methods, both after the Measurement Systems Analysis
reference manual of the Automotive Industry Action Group (4th edition, 2010; from memory): average and
range, and analysis of variance. ISO 22514-7 and ISO 5725-2 use the same components. One axis at a time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from station.quality.checks import Array, QualityError, require
from station.quality.control_charts.constants import mean_range_factor
from station.quality.studies.remount import share_of_tolerance

POOLING = 0.25
"""An interaction less significant than this is pooled with repeatability (common practice, no source)."""
_GOOD, _POOR = 0.10, 0.30
_ENOUGH_CATEGORIES = 5


class Line(NamedTuple):
    """One line of an analysis of variance; ``f`` and ``p`` None where there is no test."""

    source: str
    squares: float
    freedom: int
    mean_square: float
    f: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Components of scatter, as standard deviations in the unit of the data.

    Attributes
    ----------
    method : str
        ``"average and range"`` or ``"analysis of variance"``.
    operators, parts, trials : int
    repeatability : float
        Same lens, same operator, put in again.
    reproducibility : float or None
        Between operators (or stations), interaction included; None with a single one: it was not studied.
    interaction : float or None
        Operators differ on some lenses only; None where it was not estimated or was pooled.
    gauge : float
        Repeatability and reproducibility together.
    part : float
        Between lenses.
    total : float
    categories : int
        Number of distinct categories, 1.41 part / gauge, rounded down, at least 1.
    share_of_total : float
        gauge / total.
    share_of_tolerance : float or None
        6 gauge / tolerance width.
    table : tuple of Line
        Analysis of variance; empty for average and range.
    words : tuple of str
        Verdict and what to look at.
    """

    method: str
    operators: int
    parts: int
    trials: int
    repeatability: float
    reproducibility: float | None
    interaction: float | None
    gauge: float
    part: float
    total: float
    categories: int
    share_of_total: float
    share_of_tolerance: float | None
    table: tuple[Line, ...]
    words: tuple[str, ...]


def average_and_range(
    data: ArrayLike, *, tolerance_width: float | None = None, name: str = "study"
) -> GaugeStudy:
    """Return the components of scatter by averages and ranges.

    Parameters
    ----------
    data : array_like, shape (operators, parts, trials)
        At least 2 parts and 2 trials; one operator leaves reproducibility unknown.
    tolerance_width : float, optional
        Upper minus lower limit, same unit.

    Raises
    ------
    QualityError
        If the study is not balanced or too small, or the repeats do not differ.
    """
    values = _study(data, name)
    operators, parts, trials = values.shape
    # Within one operator and part; g = operators x parts ranges, so that d2* is all but d2.
    mean_range = float(np.ptp(values, axis=2).mean())
    require(mean_range > 0.0, f"{name}: repeated values never differ; look for a stuck reading")
    repeatability = mean_range / _range_factor(trials, operators * parts)
    reproducibility = None
    if operators > 1:
        between = float(np.ptp(values.mean(axis=(1, 2)))) / mean_range_factor(operators, 1)
        reproducibility = math.sqrt(max(0.0, between**2 - repeatability**2 / (parts * trials)))
    part = float(np.ptp(values.mean(axis=(0, 2)))) / mean_range_factor(parts, 1)
    return _finish(
        "average and range", values, repeatability, reproducibility, None, part, (), tolerance_width
    )


def analysis_of_variance(
    data: ArrayLike, *, tolerance_width: float | None = None, pooling: float = POOLING, name: str = "study"
) -> GaugeStudy:
    """Return the components of scatter by analysis of variance (crossed, both factors random).

    Parameters and errors as for `average_and_range`. An interaction with a p-value above ``pooling`` is
    pooled with repeatability; a component that comes out negative is zero.
    """
    values = _study(data, name)
    if not 0.0 <= pooling <= 1.0:
        raise QualityError(f"{name}: a pooling level of {pooling} was asked for; it lies between 0 and 1")
    operators, parts, trials = values.shape
    table = _variance_table(values)
    lines = {line.source: line for line in table}
    repeats = lines["repeats"]
    require(repeats.squares > 0.0, f"{name}: repeated values never differ; look for a stuck reading")
    noise, error, interaction = repeats.mean_square, repeats.mean_square, None
    cross = lines.get("operator x part")
    if cross is not None:
        if cross.p is not None and cross.p > pooling:
            noise = (repeats.squares + cross.squares) / (repeats.freedom + cross.freedom)
            error = noise
        else:
            interaction = math.sqrt(max(0.0, (cross.mean_square - noise) / trials))
            error = cross.mean_square
    part = math.sqrt(max(0.0, (lines["part"].mean_square - error) / (operators * trials)))
    reproducibility = None
    if operators > 1:
        between = max(0.0, (lines["operator"].mean_square - error) / (parts * trials))
        reproducibility = math.sqrt(between + (interaction or 0.0) ** 2)
    return _finish(
        "analysis of variance",
        values,
        math.sqrt(noise),
        reproducibility,
        interaction,
        part,
        table,
        tolerance_width,
    )


def _study(data: ArrayLike, name: str) -> Array:
    try:
        values = np.asarray(data, dtype=np.float64)
    except (TypeError, ValueError):
        raise QualityError(
            f"{name}: not a full block of numbers; every operator has to measure every lens equally often"
        ) from None
    require(
        values.ndim == 3,
        f"{name}: an array (operators, parts, trials) was expected, not one of shape {values.shape}",
    )
    operators, parts, trials = values.shape
    require(
        operators >= 1 and parts >= 2 and trials >= 2,
        f"{name}: {operators} operators, {parts} parts, {trials} trials; at least 1, 2 and 2 are needed "
        "(usual: 3, 10 and 3)",
    )
    require(
        max(operators, parts, trials) <= 25,
        f"{name}: {operators} operators, {parts} parts, {trials} trials; at most 25 of each",
    )
    missing = int(np.sum(~np.isfinite(values)))
    require(missing == 0, f"{name}: {missing} values are missing or not finite; measure these again")
    return values


def _range_factor(trials: int, ranges: int) -> float:
    """Return d2*, for more than 15 ranges its limit d2, as the manual's tables do."""
    return mean_range_factor(trials, ranges if ranges <= 15 else 10**9)


def _variance_table(values: Array) -> tuple[Line, ...]:
    operators, parts, trials = values.shape
    grand = values.mean()
    by_operator, by_part, cells = values.mean(axis=(1, 2)), values.mean(axis=(0, 2)), values.mean(axis=2)
    ss_part = operators * trials * float(np.sum((by_part - grand) ** 2))
    ss_repeats = float(np.sum((values - cells[:, :, None]) ** 2))
    df_part, df_repeats = parts - 1, operators * parts * (trials - 1)
    ms_repeats = ss_repeats / df_repeats
    lines = []
    error, df_error = ms_repeats, df_repeats
    if operators > 1:
        ss_operator = parts * trials * float(np.sum((by_operator - grand) ** 2))
        ss_cross = trials * float(np.sum((cells - by_operator[:, None] - by_part + grand) ** 2))
        df_operator, df_cross = operators - 1, (operators - 1) * (parts - 1)
        error, df_error = ss_cross / df_cross, df_cross
        lines.append(_line("operator", ss_operator, df_operator, error, df_error))
    lines.append(_line("part", ss_part, df_part, error, df_error))
    if operators > 1:
        lines.append(_line("operator x part", ss_cross, df_cross, ms_repeats, df_repeats))
    return (*lines, Line("repeats", ss_repeats, df_repeats, ms_repeats, None, None))


def _line(source: str, squares: float, freedom: int, error: float, df_error: int) -> Line:
    mean_square = squares / freedom
    if error <= 0.0:
        return Line(source, squares, freedom, mean_square, None, None)
    f = mean_square / error
    return Line(source, squares, freedom, mean_square, f, float(fdtrc(freedom, df_error, f)))


def _finish(
    method: str,
    values: Array,
    repeatability: float,
    reproducibility: float | None,
    interaction: float | None,
    part: float,
    table: tuple[Line, ...],
    tolerance_width: float | None,
) -> GaugeStudy:
    gauge = math.hypot(repeatability, reproducibility or 0.0)
    total = math.hypot(gauge, part)
    categories = max(1, math.floor(1.41 * part / gauge))
    of_tolerance = share_of_tolerance(gauge, tolerance_width)
    words = _words(gauge / total, of_tolerance, categories, repeatability, reproducibility)
    return GaugeStudy(
        method=method,
        operators=values.shape[0],
        parts=values.shape[1],
        trials=values.shape[2],
        repeatability=repeatability,
        reproducibility=reproducibility,
        interaction=interaction,
        gauge=gauge,
        part=part,
        total=total,
        categories=categories,
        share_of_total=gauge / total,
        share_of_tolerance=of_tolerance,
        table=table,
        words=words,
    )


def _words(
    share_of_total: float,
    share_of_tolerance: float | None,
    categories: int,
    repeatability: float,
    reproducibility: float | None,
) -> tuple[str, ...]:
    """Return the verdict; borders of 10 % and 30 % and 5 categories as in the manual (from memory)."""
    # Aligned lenses differ little by design, so the tolerance says more than the spread of the lenses does.
    share, of = (share_of_total, "total scatter")
    if share_of_tolerance is not None:
        share, of = share_of_tolerance, "tolerance"
    verdict = "good" if share < _GOOD else "usable with care" if share <= _POOR else "not good enough"
    words = [
        f"Measuring takes {share:.0%} of the {of}: {verdict} (below {_GOOD:.0%} good, above {_POOR:.0%} not)."
    ]
    if categories < _ENOUGH_CATEGORIES:
        words.append(f"It tells {categories} groups of lenses apart; {_ENOUGH_CATEGORIES} are wanted.")
    if reproducibility is None:
        words.append("One operator or station only: differences between them were not studied.")
    elif reproducibility > repeatability:
        words.append("Operators or stations differ more than repeats: compare mounting and references.")
    else:
        words.append("Repeats scatter more than operators or stations differ: look at seat and clamping.")
    return tuple(words)
