"""Which background serves which exposure, and for how long."""

from __future__ import annotations

import numpy as np
import pytest

from station.backgrounds import ENOUGH_FRAMES, Background, Backgrounds
from vision.image import Image, Sensor


def taken(exposure_s: float, time_s: float = 0.0, frames: int = ENOUGH_FRAMES) -> Background:
    return Background(time_s, frames, Image(np.zeros((4, 4), np.float32), exposure_s, Sensor()))


@pytest.mark.parametrize(
    ("exposure_s", "serves"), [(0.01, True), (0.019, True), (0.021, False), (0.0013, True), (0.0012, False)]
)
def test_a_background_serves_exposures_near_its_own(exposure_s: float, serves: bool) -> None:
    assert taken(0.01).serves(exposure_s) is serves


def test_one_frame_finds_an_exposure_but_measures_nothing() -> None:
    held = Backgrounds()
    held.add(taken(0.01, frames=1))
    assert held.latest.frames == 1
    assert held.serving(0.01) is None


def test_the_frame_that_found_an_exposure_is_one_of_its_background() -> None:
    held = Backgrounds()
    first = taken(0.01, frames=1)
    held.add(first)
    assert held.begun(0.02) == []
    assert [one is first.image for one in held.begun(0.01)] == [True]
    held.add(taken(0.01))
    assert held.begun(0.01) == []
    assert held.serving(0.01) is held.latest


def test_backgrounds_of_several_exposures_are_kept_and_the_newest_serves() -> None:
    held = Backgrounds()
    long, short, newer = taken(0.05, 1.0), taken(0.0005, 2.0), taken(0.04, 3.0)
    for one in (long, short, newer):
        held.add(one)
    assert held.serving(0.03) is newer
    assert held.serving(0.0004) is short
    assert held.serving(0.5) is None


def test_a_background_ages() -> None:
    held = Backgrounds()
    held.add(taken(0.01, time_s=0.0))
    held.add(taken(0.05, time_s=100.0))
    assert held.fresh(130.0)
    assert held.serving(0.005) is None  # the older one, which would have served, is forgotten
    assert not held.fresh(221.0)
