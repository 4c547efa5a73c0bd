"""Input checks of the quality figures: what is no usable series is refused with a reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


class QualityError(ValueError):
    """The data cannot give the figure that was asked for; the message says why and what helps."""


def as_series(values: ArrayLike, name: str, *, least: int = 1) -> Array:
    """Return a series as a float array after checking it.

    Parameters
    ----------
    values : array_like, shape (N,)
        In time order, any one unit.
    name : str
        What it is, for the message.
    least : int
        Smallest number of values that makes sense.

    Raises
    ------
    QualityError
        If the series is not one-dimensional, too short, or holds values that are not finite numbers.
    """
    array = _numbers(values, name)
    if array.ndim != 1:
        raise QualityError(f"{name}: a plain series was expected, not an array of shape {array.shape}")
    if array.size == 0:
        raise QualityError(f"{name}: the series is empty; there is nothing to judge yet")
    if array.size < least:
        raise QualityError(f"{name}: {array.size} values, at least {least} are needed; measure more first")
    _require_finite(array, name)
    return array


def as_points(x: ArrayLike, y: ArrayLike, name: str, *, least: int = 2) -> Array:
    """Return two series of the same length as an array of shape (N, 2) after checking both."""
    first, second = as_series(x, f"{name} x", least=least), as_series(y, f"{name} y", least=least)
    if first.size != second.size:
        raise QualityError(
            f"{name}: {first.size} values of x but {second.size} of y; they belong together in pairs"
        )
    return np.stack([first, second], axis=1)


def as_subgroups(subgroups: Iterable[ArrayLike], name: str, *, least: int = 2) -> Array:
    """Return subgroups of equal size as an array of shape (groups, size) after checking them.

    Raises
    ------
    QualityError
        If there are too few, if their sizes differ, or if a size is outside 2 to 25.
    """
    groups = [
        np.atleast_1d(_numbers(group, f"{name}, subgroup {k}")) for k, group in enumerate(subgroups, start=1)
    ]
    if not groups:
        raise QualityError(f"{name}: there are no subgroups; there is nothing to judge yet")
    size = groups[0].size
    for number, group in enumerate(groups, start=1):
        if group.ndim != 1 or group.size != size:
            raise QualityError(
                f"{name}: subgroup {number} has {group.size} values, subgroup 1 has {size}; the chart needs "
                "equal subgroups: leave out the incomplete one, or chart single values"
            )
    if not 2 <= size <= 25:
        raise QualityError(f"{name}: subgroups of {size}; a range chart takes 2 to 25 values a subgroup")
    if len(groups) < least:
        raise QualityError(
            f"{name}: {len(groups)} subgroups, at least {least} are needed; measure more first"
        )
    array = np.stack(groups)
    _require_finite(array, name)
    return array


def kept(count: int, excluded: Iterable[int], name: str) -> NDArray[np.bool_]:
    """Return which of ``count`` places are not ``excluded`` (counted from 0), shape (count,)."""
    keep = np.ones(count, dtype=bool)
    for index in excluded:
        if not 0 <= index < count:
            raise QualityError(
                f"{name}: place {index} is to be left out, but places run from 0 to {count - 1}"
            )
        keep[index] = False
    return keep


def require_scatter(spread: float, values: Array, name: str) -> None:
    """Refuse data without scatter: limits of no width call every later value a signal."""
    scale = float(np.max(np.abs(values)))
    if spread <= 1e-12 * scale or spread == 0.0:
        raise QualityError(
            f"{name}: neighbouring values do not differ (all about {values[0]:g}); limits would have no "
            "width. Look for a stuck reading or for rounding that hides the scatter"
        )


def require(fine: bool, message: str) -> None:
    """Raise `QualityError` with a message unless ``fine``."""
    if not fine:
        raise QualityError(message)


def require_rising(time_s: Array, values: Array) -> None:
    """Refuse times that do not rise or do not belong to ``values`` one by one."""
    require(time_s.size == values.size, f"{time_s.size} times for {values.size} positions; they go in pairs")
    back = np.flatnonzero(np.diff(time_s) <= 0.0)
    if back.size:
        place = int(back[0])
        raise QualityError(
            f"time does not rise at look {place + 2} ({time_s[place]:g} s, then {time_s[place + 1]:g} s); "
            "take times from the run's own clock"
        )


def as_labels(labels: Sequence[str] | None, count: int, name: str) -> tuple[str, ...]:
    """Return one label for each place; numbers from 1 where none are given."""
    if labels is None:
        return tuple(str(number) for number in range(1, count + 1))
    if len(labels) != count:
        raise QualityError(f"{name}: {len(labels)} labels for {count} values")
    return tuple(labels)


def _numbers(values: ArrayLike, name: str) -> Array:
    try:
        return np.array(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise QualityError(
            f"{name}: not numbers ({error}); a part without a measurement has to be left out"
        ) from None


def _require_finite(array: Array, name: str) -> None:
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        raise QualityError(
            f"{name}: {bad.size} of {array.size} values are not finite numbers (first: place {bad[0] + 1}); "
            "a part without a measurement has to be left out, not filled in"
        )
