"""A sample of `make plate-figures`: maps to 10 um, hole to 15 um (k = 2), knocks noticed, no false alarm."""

from __future__ import annotations

import plate_figures as figures
import pytest


def test_two_benches_meet_every_bar() -> None:
    total = figures.summary([figures.bench(seed) for seed in (1, 2)])
    assert not figures.misses_bar(total), total
    assert total["knocks_noticed"] == [8, 8]
    assert total["false_alarms"] == [0, 16]


@pytest.mark.parametrize(
    "worse",
    [{"map_um": [11.0]}, {"hole_um": 16.0}, {"hole_stated_um": 16.0}, {"noticed": 3}, {"false_alarms": 1}],
)
def test_every_bar_can_be_missed(worse: dict[str, object]) -> None:
    good = {"map_um": [1.0], "hole_um": 2.0, "hole_stated_um": 4.0, "noticed": 4, "false_alarms": 0}
    assert not figures.misses_bar(figures.summary([good]))
    assert figures.misses_bar(figures.summary([good, good | worse]))
