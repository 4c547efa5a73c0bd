"""Short- and long-term scatter of a position: within and between stretches of time, and over their length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from station.quality.checks import Array, as_series, require, require_rising


@dataclass(frozen=True, slots=True)
class ShortLong:
    """Scatter within stretches of ``split_s``, and between their means without what the first adds to it."""

    split_s: float
    stretches: int
    short_um: float
    long_um: float


def short_and_long(time_s: ArrayLike, value_um: ArrayLike, split_s: float) -> ShortLong:
    """Split the scatter of one axis into what happens faster and slower than ``split_s``.

    Components of a one-way analysis of variance over stretches of time; stretches with one look are left out.

    Raises
    ------
    QualityError
        If fewer than three stretches hold two looks each.
    """
    times, values = as_series(time_s, "time", least=2), as_series(value_um, "position", least=2)
    require_rising(times, values)
    require(
        split_s > 0.0 and math.isfinite(split_s),
        f"a split at {split_s} s was asked for; it has to be positive",
    )
    number = np.floor((times - times[0]) / split_s).astype(np.int64)
    groups = [group for k in np.unique(number) if (group := values[number == k]).size >= 2]
    require(
        len(groups) >= 3,
        f"a split at {split_s:g} s leaves {len(groups)} stretches of two or more looks, 3 are needed "
        f"(the series lasts {times[-1] - times[0]:g} s)",
    )
    sizes = np.array([group.size for group in groups], dtype=np.float64)
    means = np.array([group.mean() for group in groups])
    total = float(sizes.sum())
    within = float(sum(np.sum((g - g.mean()) ** 2) for g in groups)) / (total - len(groups))
    between = float(sizes @ (means - sizes @ means / total) ** 2) / (len(groups) - 1)
    # Mean size of unequal groups in the expected mean square between them.
    size = (total - float(sizes @ sizes) / total) / (len(groups) - 1)
    long = math.sqrt(max(0.0, (between - within) / size))
    return ShortLong(split_s, len(groups), math.sqrt(within), long)


def allan_deviation(values: ArrayLike, stretch: int, *, overlapping: bool = True) -> float:
    """Return the two-sample (Allan) deviation of means over ``stretch`` equally spaced looks.

    Root of half the mean square difference of neighbouring means; falls with the length of the stretch while
    the scatter is random and rises where drift takes over: the lowest point says how long averaging helps.
    Source: Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008).

    Parameters
    ----------
    values : array_like, shape (N,)
        Equally spaced in time, N >= 2 ``stretch``.
    stretch : int
    overlapping : bool
        Use every start, not every ``stretch``-th.
    """
    require(stretch >= 1, f"means over {stretch} looks were asked for; at least 1")
    series = as_series(values, "position", least=2 * stretch)
    sums = np.concatenate([[0.0], np.cumsum(series - series.mean())])
    means = (sums[stretch:] - sums[:-stretch]) / stretch
    differences = means[stretch:] - means[:-stretch]
    if not overlapping:
        differences = differences[::stretch]
    return math.sqrt(0.5 * float(np.mean(differences**2)))


@dataclass(frozen=True, slots=True, eq=False)
class AllanCurve:
    """Allan deviation over stretch lengths.

    Attributes
    ----------
    stretch_s, deviation_um : ndarray, shape (K,)
    best_s : float
        Stretch with the least deviation: averaging longer than this does not help.
    """

    stretch_s: Array
    deviation_um: Array
    best_s: float


def allan_curve(time_s: ArrayLike, value_um: ArrayLike) -> AllanCurve:
    """Return the Allan deviation for stretches of 1, 2, 4, ... looks, up to a third of the series.

    Raises
    ------
    QualityError
        If the looks are not equally spaced within 10 %, or fewer than 12.
    """
    times, values = as_series(time_s, "time", least=12), as_series(value_um, "position", least=12)
    require_rising(times, values)
    steps = np.diff(times)
    step = float(np.median(steps))
    worst = float(np.max(np.abs(steps - step)))
    require(
        worst <= 0.1 * step,
        f"looks every {step:g} s with gaps up to {worst:g} s off; this curve needs equal intervals",
    )
    lengths = [2**k for k in range(values.size.bit_length()) if 3 * 2**k <= values.size]
    deviations = np.array([allan_deviation(values, length) for length in lengths])
    stretches = step * np.array(lengths, dtype=np.float64)
    return AllanCurve(stretches, deviations, float(stretches[int(np.argmin(deviations))]))
