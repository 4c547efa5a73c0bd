"""Looks in a row: a crossing, a temporary loss, a jump of the light, and a ghost on a return's way.

What is expected of each look is what a run would know: the place that the last move should have led to.
"""

from __future__ import annotations

import numpy as np
import pytest
from made_frames import PITCH_MM, AffineMap, MadeFrame, MadeHole, MadeSpot
from quick_frames import Store, quick_expose

from vision.look import measure_returns
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot, SpotName

MAP = AffineMap()
HOLE = MadeHole(np.zeros(2), 1.0)
FRONT, BACK = SpotName.FRONT, SpotName.BACK
Places = dict[SpotName, tuple[float, float]]
PEAK_E, SIGMA_MM = 2500.0, 0.15


@pytest.fixture(scope="module")
def store() -> Store:
    return Store(21, fields=2)


def made(center_mm: tuple[float, float], radius_mm: float, peak_e: float) -> MadeSpot:
    x, y = MAP.to_px(np.array([center_mm]))[0]
    return MadeSpot(x, y, radius_mm / 2.0 / PITCH_MM, peak_e)


def look(
    store: Store,
    rng: np.random.Generator,
    there: Places,
    believed: Places,
    radii_mm: tuple[float, float],
    ghost: MadeSpot | None = None,
    sigma_mm: float = SIGMA_MM,
) -> dict[SpotName, Sighting]:
    """Measure a frame with the returns ``there``, expected where they are ``believed``."""
    radii = dict(zip((FRONT, BACK), radii_mm, strict=True))
    spots = tuple(
        made(center, radii[name], PEAK_E * (radii_mm[0] / radii[name]) ** 2) for name, center in there.items()
    )
    frame = MadeFrame(
        spots,
        hole=(640.0, 512.0, 20.0),
        grain_px=1.2,
        light_e=(60.0, 10.0, 5.0),
        extra=() if ghost is None else (ghost,),
    )
    expected = {
        name: Expectation(np.array(believed[name]), np.eye(2) * sigma_mm**2, radii[name], 0.02, 0.04)
        for name in (FRONT, BACK)
    }
    background = quick_expose(frame, store, rng, shutter_open=False)
    return dict(measure_returns(quick_expose(frame, store, rng), background, MAP, HOLE, expected))


def at(sighting: Sighting, center_mm: tuple[float, float]) -> bool:
    """Whether a spot was measured there: to 0.15 mm, or to what it says itself where it says more."""
    if not isinstance(sighting, Spot):
        return False
    sigma_mm = float(np.sqrt(np.linalg.eigvalsh(sighting.covariance_mm2).max()))
    return bool(np.hypot(*(sighting.center_mm - center_mm)) < max(0.15, 4.0 * sigma_mm))


def crossing(step: int, steps: int = 9) -> Places:
    """Two returns that a sweep of decentre leads through each other, front backwards at half the speed."""
    t = 2.0 * step / (steps - 1) - 1.0
    return {FRONT: (-4.0 * t + 3.0, 0.4 * t + 3.0), BACK: (8.0 * t + 3.0, 3.0 + 0.3 * t)}


@pytest.mark.parametrize("radii_mm", [(3.166, 4.823), (3.0, 3.0)], ids=["unequal", "identical"])
def test_through_a_crossing_the_names_stay(store: Store, radii_mm: tuple[float, float]) -> None:
    """By place, where sizes do not tell; alike ones on each other may be undecided, never exchanged."""
    rng = np.random.default_rng(1)
    told = 0
    for step in range(9):
        there = crossing(step)
        believed = {
            name: tuple(np.add(place, rng.normal(0.0, SIGMA_MM / 2.0, 2))) for name, place in there.items()
        }
        found = look(store, rng, there, believed, radii_mm)
        apart = float(np.hypot(*np.subtract(there[FRONT], there[BACK])))
        for name in (FRONT, BACK):
            if at(found[name], there[name]):
                told += 1
                continue
            seen = found[name]
            assert not isinstance(seen, Spot), (step, seen)
            assert apart < 1.0, (step, seen)
    assert told >= 16


def test_a_return_that_is_gone_for_two_looks_is_missed_and_found_again(store: Store) -> None:
    rng = np.random.default_rng(2)
    there: Places = {FRONT: (5.0, 3.0), BACK: (-4.0, 2.0)}
    for lit in (True, False, False, True):
        now = there if lit else {FRONT: there[FRONT]}
        found = look(store, rng, now, there, (3.166, 4.823))
        assert at(found[FRONT], there[FRONT])
        if lit:
            assert at(found[BACK], there[BACK])
        else:
            gone = found[BACK]
            assert isinstance(gone, NoSpot)
            assert gone.reason is Reason.NO_LIGHT


def test_where_a_tracked_light_collapses_the_whole_frame_is_searched_anew(store: Store) -> None:
    """A knock moved both by 10 mm and more; the old places are trusted to 0.15 mm and hold no light.

    They must not vote on the names either: the exchanged ones would lie nearer.
    """
    rng = np.random.default_rng(3)
    believed: Places = {FRONT: (5.0, 3.0), BACK: (-4.0, 2.0)}
    there: Places = {FRONT: (-4.0, -6.0), BACK: (5.0, -7.0)}
    found = look(store, rng, there, believed, (3.166, 4.823))
    assert at(found[FRONT], there[FRONT])
    assert at(found[BACK], there[BACK])


def test_returns_that_have_changed_places_are_noticed_by_their_size(store: Store) -> None:
    """Expected in each other's place: sizes that are sure outweigh places that are not."""
    rng = np.random.default_rng(4)
    there: Places = {FRONT: (5.0, 3.0), BACK: (-4.0, 2.0)}
    found = look(store, rng, there, {FRONT: there[BACK], BACK: there[FRONT]}, (3.166, 4.823), sigma_mm=3.0)
    assert at(found[FRONT], there[FRONT])
    assert at(found[BACK], there[BACK])


def test_a_ghost_on_a_returns_way_is_never_taken_for_it(store: Store) -> None:
    """Size and place of the missing back return, a hundredth of its power; then on top of the front one."""
    rng = np.random.default_rng(5)
    there: Places = {FRONT: (5.0, 3.0)}
    believed: Places = {FRONT: (5.0, 3.0), BACK: (-4.0, 2.0)}
    for center in ((-4.0, 2.0), (-1.0, 2.5), (3.0, 3.0), (5.5, 3.2)):
        ghost = made(center, 4.823, 0.01 * PEAK_E * (3.166 / 4.823) ** 2)
        for sigma_mm in (SIGMA_MM, 10.0):
            found = look(store, rng, there, believed, (3.166, 4.823), ghost, sigma_mm)
            assert not isinstance(found[BACK], Spot), (center, found[BACK])
            front = found[FRONT]
            assert at(front, there[FRONT]) or (isinstance(front, NoSpot) and front.reason is Reason.UNDECIDED)
