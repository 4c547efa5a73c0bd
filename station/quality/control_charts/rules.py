"""Run rules of control charts: patterns that a process in control hardly ever shows, each with words.

Two published sets: the zone tests of the Western Electric Statistical Quality Control Handbook (1956), and
the eight tests of Nelson, J. Quality Technology 16, 237 (1984). ISO 7870-2 gives such patterns as examples
and warns that each further rule adds false alarms (from memory). Mean number of points to a false alarm:
370 for the 3 sigma limits alone, 92 for the four zone tests together (Champ & Woodall, Technometrics 29,
393 (1987); from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from station.quality.checks import Array

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Rule:
    """One pattern.

    Attributes
    ----------
    name : str
    words : str
        The pattern, to be followed by "above the centre" or "below the centre" where it has a side.
    points : int
        How many points the pattern needs to show.
    hint : str
        What it usually means and where to look.
    find : callable
        Standardised values (value - centre) / sigma, shape (N,), to flags, shape (N,): True where the
        pattern is complete. A rule with a side looks on the upper side.
    has_side : bool
    """

    name: str
    words: str
    points: int
    hint: str
    find: Callable[[Array], Flags]
    has_side: bool = True


@dataclass(frozen=True, slots=True)
class Signal:
    """One stretch of points that shows a pattern.

    Attributes
    ----------
    rule : str
    first, last : int
        Places of the stretch, counted from 0, both included.
    complete : int
        Place at which the pattern was complete: when a person could have known.
    side : int
        +1 above the centre, -1 below, 0 for patterns without a side.
    reason : str
        In words, with labels and the latest value.
    """

    rule: str
    first: int
    last: int
    complete: int
    side: int
    reason: str


def _some_of(count: int, of: int, beyond: float) -> Callable[[Array], Flags]:
    def find(z: Array) -> Flags:
        outside = z > beyond
        window = np.concatenate([np.zeros(of - 1, dtype=bool), outside])
        return np.asarray(outside & (sliding_window_view(window, of).sum(axis=1) >= count))

    return find


def _all_of_last(count: int, test: Callable[[Array], Flags]) -> Callable[[Array], Flags]:
    """Return a finder of ``count`` points (or steps) in a row that all pass ``test``."""

    def find(z: Array) -> Flags:
        passed = test(z)
        window = np.concatenate([np.zeros(count - 1, dtype=bool), passed])
        return np.asarray(sliding_window_view(window, count).all(axis=1))

    return find


def _rises(z: Array) -> Flags:
    return np.concatenate([[False], np.diff(z) > 0]) if z.size else np.zeros(0, dtype=bool)


def _turns(z: Array) -> Flags:
    """Return where the last step went the other way than the step before it."""
    turns = np.zeros(z.size, dtype=bool)
    steps = np.diff(z)
    turns[2:] = steps[1:] * steps[:-1] < 0
    return turns


_LEVEL = "the level has moved: look at bare beam, plates, calibration and what was changed at that time"
_ONE = "something happened to this one: read its record"
_DRIFT = "it drifts: warm-up, wear, a beam or a plate that creeps"
_MIXED = "two sources in turn or mixed: two feeders, two lens batches, two operators"
_STALE = "less scatter than the limits expect: old limits, rounded or mixed data"

BEYOND_LIMITS = Rule("beyond_limits", "beyond 3 sigma", 1, _ONE, _some_of(1, 1, 3.0))
_TWO_OF_THREE = Rule("two_of_three", "2 of 3 points in a row beyond 2 sigma", 3, _LEVEL, _some_of(2, 3, 2.0))
_FOUR_OF_FIVE = Rule("four_of_five", "4 of 5 points in a row beyond 1 sigma", 5, _LEVEL, _some_of(4, 5, 1.0))


def _same_side(count: int) -> Rule:
    find = _all_of_last(count, lambda z: z > 0)
    return Rule(f"{count}_on_one_side", f"{count} points in a row", count, _LEVEL, find)


LIMITS_ONLY: tuple[Rule, ...] = (BEYOND_LIMITS,)
WESTERN_ELECTRIC: tuple[Rule, ...] = (BEYOND_LIMITS, _TWO_OF_THREE, _FOUR_OF_FIVE, _same_side(8))
NELSON: tuple[Rule, ...] = (
    BEYOND_LIMITS,
    _same_side(9),
    # Six points that rise are five steps up; the side is the direction of the trend.
    Rule("trend", "6 points in a row, each further", 6, _DRIFT, _all_of_last(5, _rises)),
    Rule(
        "alternating",
        "14 points in a row up and down in turn",
        14,
        _MIXED,
        _all_of_last(12, _turns),
        has_side=False,
    ),
    _TWO_OF_THREE,
    _FOUR_OF_FIVE,
    Rule(
        "hugging",
        "15 points in a row within 1 sigma",
        15,
        _STALE,
        _all_of_last(15, lambda z: np.abs(z) < 1.0),
        has_side=False,
    ),
    Rule(
        "avoiding",
        "8 points in a row, none within 1 sigma",
        8,
        _MIXED,
        _all_of_last(8, lambda z: np.abs(z) > 1.0),
        has_side=False,
    ),
)


def find_signals(
    z: Array, rules: Sequence[Rule], *, name: str, labels: Sequence[str], shown: Sequence[str]
) -> tuple[Signal, ...]:
    """Return all stretches of a series that show one of the patterns, the earliest complete one first.

    Parameters
    ----------
    z : ndarray, shape (N,)
        Standardised values.
    rules : sequence of Rule
    name : str
        What is charted, for the words.
    labels, shown : sequence of str, length N
        Name of each point (serial number, time) and its value with unit, for the words.
    """
    if not z.size:
        return ()
    signals = []
    for rule in rules:
        for side in (1, -1) if rule.has_side else (0,):
            flags = rule.find(-z if side < 0 else z)
            for begin, last in _stretches(flags, gap=max(1, rule.points - 1)):
                first = max(0, begin - rule.points + 1)
                reason = _reason(rule, side, name, labels[first], labels[last], shown[last])
                signals.append(Signal(rule.name, first, last, begin, side, reason))
    return tuple(sorted(signals, key=lambda signal: (signal.complete, signal.first)))


def _stretches(flags: Flags, gap: int) -> list[tuple[int, int]]:
    """Return (first, last) of flagged stretches; those at most ``gap`` apart are one pattern that goes on."""
    stretches: list[tuple[int, int]] = []
    for index in np.flatnonzero(flags).tolist():
        if stretches and index - stretches[-1][1] <= gap:
            stretches[-1] = (stretches[-1][0], index)
        else:
            stretches.append((index, index))
    return stretches


def _reason(rule: Rule, side: int, name: str, first: str, last: str, shown: str) -> str:
    if rule.name == "trend":
        where = " up" if side > 0 else " down"
    else:
        where = {1: " above the centre", -1: " below the centre", 0: ""}[side]
    when = f"at {last}" if first == last else f"{first} to {last}"
    return f"{name}: {rule.words}{where} ({when}, latest {shown}). {rule.hint[0].upper()}{rule.hint[1:]}."
