"""A small return beside a large one, as a plano first surface makes them: each on blocks that suit it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import vision_campaign as campaign
from made_frames import PITCH_MM, AffineMap, MadeFrame, MadeHole, MadeSpot, expose
from quick_frames import Store

from vision.look import measure_returns
from vision.spots import Expectation, NoSpot, Reason, Spot, SpotName

MAP = AffineMap()
HOLE = MadeHole(np.zeros(2), 1.0)
FRONT, BACK = SpotName.FRONT, SpotName.BACK
CHI2_99 = 9.21  # 99 % point of chi squared with two degrees of freedom


@cache
def store(seed: int) -> Store:
    """Return the fields of noise and speckle of a campaign; drawing them costs more than the frames."""
    return Store(seed)


def look(
    spots: dict[SpotName, MadeSpot],
    radii_mm: tuple[float, float],
    rng: np.random.Generator,
    sigma_mm: float,
    **more: float,
) -> dict[SpotName, object]:
    frame = MadeFrame(tuple(spots.values()), hole=(640.0, 512.0, 20.0), light_e=(60.0, 10.0, 5.0), **more)
    expected = {}
    for name, radius in zip((FRONT, BACK), radii_mm, strict=True):
        center = np.zeros(2)
        if sigma_mm < 1.0 and name in spots:
            center = MAP.to_mm(np.array([[spots[name].x, spots[name].y]]))[0] + rng.normal(0.0, sigma_mm, 2)
        expected[name] = Expectation(center, np.eye(2) * sigma_mm**2, radius, 0.02, 0.04)
    background = expose(frame, rng, shutter_open=False)
    return dict(measure_returns(expose(frame, rng), background, MAP, HOLE, expected))


def test_the_small_one_states_an_uncertainty_that_holds() -> None:
    """Sigma 5 px and 75 px under speckle: blocks that suit the large one hold the small one whole."""
    rng = np.random.default_rng(1)
    pulls = []
    for _ in range(12):
        x, y = 640.0 + rng.uniform(60.0, 120.0), 512.0 + rng.uniform(-120.0, -60.0)
        spots = {FRONT: MadeSpot(x, y, 5.2, 5000.0), BACK: MadeSpot(600.0, 540.0, 75.0, 80.0)}
        found = look(spots, (10.4 * PITCH_MM, 150.0 * PITCH_MM), rng, 0.1, grain_px=1.2)
        for name, spot in spots.items():
            seen = found[name]
            assert isinstance(seen, Spot), seen
            off = seen.center_mm - MAP.to_mm(np.array([[spot.x, spot.y]]))[0]
            pulls.append((name, float(off @ np.linalg.solve(seen.covariance_mm2, off))))
            assert np.hypot(*off) < (0.03 if name is FRONT else 0.15)
            assert seen.with_other_mm2 is not None
    for name in (FRONT, BACK):
        assert sum(pull < CHI2_99 for own, pull in pulls if own is name) >= 11


def test_one_small_light_under_speckle_is_not_split() -> None:
    """Frames of the campaign: grains of a spot as small as a block of the search look like two spots."""
    for seed in range(3):
        spots = {BACK: MadeSpot(613.9, 506.0, 16.63, 1295.8)}
        found = look(spots, (1.302, 1.689), np.random.default_rng(seed), 20.0, grain_px=1.2)
        back = found[BACK]
        assert isinstance(back, Spot) or (isinstance(back, NoSpot) and back.reason is Reason.UNDECIDED)
        assert not isinstance(found[FRONT], Spot)


def test_a_saturated_pair_that_size_tells_apart_is_told_apart() -> None:
    """A frame of the campaign: searches not settled to the last micrometre passed for several answers."""
    spots = {FRONT: MadeSpot(637.4, 356.1, 58.79, 2467.7), BACK: MadeSpot(423.3, 443.7, 12.10, 58204.0)}
    found = look(spots, (5.85, 1.178), np.random.default_rng(4), 20.0)
    for name, spot in spots.items():
        seen = found[name]
        assert isinstance(seen, Spot), seen
        assert np.hypot(*(seen.center_mm - MAP.to_mm(np.array([[spot.x, spot.y]]))[0])) < 0.05


def test_a_faint_ghost_on_a_return_does_not_make_it_two() -> None:
    """A frame of the campaign: millions of electrons show a ghost of 0.3 %, as wide as a return."""
    frame = MadeFrame(
        (MadeSpot(173.5, 638.4, 45.98, 3996.5),),
        hole=(640.0, 512.0, 20.0),
        light_e=(51.3, 28.4, -24.6),
        extra=(MadeSpot(178.3, 707.9, 55.23, 12.0),),
    )
    rng = np.random.default_rng(1164)
    expected = {
        name: Expectation(np.zeros(2), np.eye(2) * 400.0, radius, 0.02, 0.04)
        for name, radius in ((FRONT, 4.652), (BACK, 4.389))
    }
    found = measure_returns(expose(frame, rng), expose(frame, rng, shutter_open=False), MAP, HOLE, expected)
    assert sum(isinstance(one, Spot) for one in found.values()) <= 1


@pytest.mark.parametrize(
    ("number", "seed", "count"),
    [
        # Saturation, speckle and the hole in one spot: a bad minimum under the right names.
        pytest.param(3056, 2, {"right": 2}, id="bad minimum"),
        # Ghosts as wide as the return that they lie on, which a halo does not stand for.
        pytest.param(6451, 1, {"right": 2}, id="wide ghost"),
        pytest.param(3018, 2, {"right": 2}, id="faint wide ghost"),
        # One bright return and its ghost: a bad fit of the other's size takes the misfit for speckle.
        pytest.param(7262, 1, {"right": 1}, id="one light, misfit as speckle"),
        pytest.param(271, 3, {"right": 1}, id="one light, saturated"),
        pytest.param(2048, 1, {"right": 1}, id="one light, saturated eight times"),
        # Two faint ones 0.4 sigma apart, whose sum has the size of neither.
        pytest.param(7724, 1, {"undecided_even": 2}, id="two as one"),
    ],
)
def test_frames_of_the_campaign_that_once_went_wrong(number: int, seed: int, count: dict[str, int]) -> None:
    history = number % 2 == 1
    case = campaign.measure(store(seed), np.random.default_rng([seed, number, 0]), False, history)
    counts = campaign.judge(case)
    assert not any(counts[name] for name in campaign.BAD)
    assert {name: counts[name] for name in count} == count
