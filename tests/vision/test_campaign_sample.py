"""A sample of the campaign of 20,000 frames, the frames that it is made of, and what its judge catches."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
import vision_campaign as campaign
from made_frames import MadeFrame, MadeSpot, expose
from quick_frames import Store, quick_expose

from vision.spots import Expectation, Flag, NoSpot, Reason, Spot, SpotName

FRONT, BACK = SpotName.FRONT, SpotName.BACK
SHAPE = (400, 500)


@pytest.fixture(scope="module")
def store() -> Store:
    return Store(9, fields=1)


def test_forty_frames_meet_the_bars_of_the_campaign(capsys: pytest.CaptureFixture[str]) -> None:
    totals = campaign.run(3, range(40), None)
    assert not campaign.misses_bar(totals), capsys.readouterr().out
    assert totals["nothing known"]["right"] > 15
    assert totals["history"]["right"] > 20
    assert totals["identical"]["undecided_even"] >= 6


@pytest.mark.parametrize("grain_px", [0.0, 1.2])
def test_quick_frames_are_like_those_that_are_drawn_pixel_by_pixel(grain_px: float) -> None:
    """Mean to what speckle and noise leave, variance to 10 %, in the light, in the hole and beside both."""
    frame = MadeFrame(
        (MadeSpot(250.0, 200.0, 60.0, 3000.0), MadeSpot(150.0, 150.0, 20.0, 800.0)),
        hole=(240.0, 210.0, 12.0),
        grain_px=grain_px,
        light_e=(60.0, 30.0, -20.0),
        shape=SHAPE,
    )
    rng, small = np.random.default_rng(10), Store(11, SHAPE, fields=2)
    number = 40
    drawn, quick = (
        np.array([make().pixels.astype(float) for _ in range(number)])
        for make in (lambda: expose(frame, rng), lambda: quick_expose(frame, small, rng))
    )
    places = {
        "light": np.s_[:, 190:230, 265:305],
        "beside": np.s_[:, 10:60, 440:490],
        "hole": np.s_[:, 204:216, 234:246],
    }
    for name, part in places.items():
        one, other = drawn[part], quick[part]
        unsure = np.sqrt((one.mean(axis=(1, 2)).var() + other.mean(axis=(1, 2)).var()) / number)
        assert abs(one.mean() - other.mean()) < 4.0 * unsure + 0.01, name
        assert other.var(axis=0).mean() == pytest.approx(one.var(axis=0).mean(), rel=0.1), name


def test_noise_is_not_the_same_from_frame_to_frame(store: Store) -> None:
    rng = np.random.default_rng(12)
    one, other = (store.noise(rng).ravel() for _ in range(2))
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.01
    assert one.mean() == pytest.approx(0.0, abs=0.005)
    assert one.std() == pytest.approx(1.0, abs=0.005)


def case(front: object, back: object, there: tuple[bool, bool] = (True, True)) -> campaign.Case:
    """Two strong returns at (-5, 0) and (5, 0) mm, or less, and what was said of them."""
    places = MadeSpot(540.0, 512.0, 30.0, 2000.0), MadeSpot(740.0, 512.0, 50.0, 1500.0)
    spots = [spot if lit else None for spot, lit in zip(places, there, strict=True)]
    frame = MadeFrame(tuple(spot for spot in spots if spot is not None))
    expected = {
        name: Expectation(np.zeros(2), np.eye(2) * 400.0, radius, 0.02, 0.04)
        for name, radius in ((FRONT, 3.0), (BACK, 5.0))
    }
    return campaign.Case(
        frame,
        spots,
        [3.0, 5.0],
        expected,
        expose(replace(frame, shape=(8, 8)), np.random.default_rng(1)),
        {FRONT: front, BACK: back},
        0.0,
    )


def at(x: float) -> Spot:
    return Spot(np.array([x, 0.0]), np.eye(2) * 1e-4, (3.0, 3.0), 1e6, frozenset({Flag.CUT_BY_HOLE}))


UNDECIDED, NO_LIGHT = NoSpot(Reason.UNDECIDED), NoSpot(Reason.NO_LIGHT)


@pytest.mark.parametrize(
    ("front", "back", "there", "count"),
    [
        (at(-5.0), at(5.0), (True, True), {"right": 2}),
        (at(5.0), at(-5.0), (True, True), {"swapped": 2}),
        (at(-5.0), at(0.0), (True, True), {"right": 1, "false_or_far": 1}),
        (NO_LIGHT, at(5.0), (True, True), {"strong_missed": 1, "right": 1}),
        (UNDECIDED, UNDECIDED, (True, True), {"undecided_though_clear": 2}),
        (at(1.0), NO_LIGHT, (False, False), {"false_in_empty": 1}),
        (NO_LIGHT, NO_LIGHT, (False, False), {}),
    ],
)
def test_the_judge_tells_every_mistake(
    front: object, back: object, there: tuple[bool, bool], count: dict[str, int]
) -> None:
    counts = campaign.judge(case(front, back, there))
    names = (*campaign.BAD, "right")
    assert {name: counts[name] for name in names if counts[name]} == count


def test_the_bars_are_told_and_the_control_must_not_be_decided() -> None:
    def totals(**more: int) -> dict[str, Counter[str]]:
        own = Counter(strong=1000, right=1000) + Counter(
            {k: v for k, v in more.items() if not k.startswith("c_")}
        )
        control = Counter({k[2:]: v for k, v in more.items() if k.startswith("c_")})
        return {"nothing known": own, "history": Counter(), "identical": control}

    assert not campaign.misses_bar(totals(c_undecided_even=200))
    assert not campaign.misses_bar(totals(strong_missed=4, c_right=26, c_swapped=24))
    for bad in (
        {"swapped": 1},
        {"false_in_empty": 1},
        {"false_or_far": 1},
        {"strong_missed": 5},
        {"c_right": 50},
    ):
        assert campaign.misses_bar(totals(**bad)), bad
