"""What the model of vision answers: values, reasons, and errors as large as it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optics.families import REF_BEAM, REF_LAYOUT, REF_LENS
from optics.trace import SpotPath
from sim.quick_spots import QuickSpot
from sim.scene_draws import draw_bench
from sim.scene_example import example_cameras, example_plates
from sim.scene_nuisances import SceneNuisances
from sim.sighting_model import Errors, SightingModel
from vision.spots import Expectation, Flag, NoSpot, Reason, Sighting, Spot, SpotName

FRONT, BACK, TRANSMITTED = SpotName
EXACT = Errors(inflation=1.0, told=(1.0, 1.0), map_sigma_mm=(0.0, 0.0), map_bend_per_mm=0.0)
POWERS = {FRONT: 0.0425, BACK: 0.039, TRANSMITTED: 0.917}
RADII = {FRONT: 3.17, BACK: 4.82, TRANSMITTED: 0.215}
PATHS = {FRONT: SpotPath.FRONT, BACK: SpotPath.BACK, TRANSMITTED: SpotPath.TRANSMITTED}


def model(seed: int = 0, errors: Errors = EXACT, **more: float) -> SightingModel:
    plates, cameras, nuisances = example_plates(), example_cameras(), SceneNuisances()
    true = draw_bench(REF_LENS, REF_LAYOUT, REF_BEAM, plates, list(cameras), nuisances, seed)
    return SightingModel(true, plates, cameras, nuisances, seed, errors=errors, **more)


def expected(name: SpotName, center=(0.0, 0.0), sigma_mm=0.3, **changes: float) -> Expectation:
    known = Expectation(np.array(center), np.eye(2) * sigma_mm**2, RADII[name], 0.02, POWERS[name])
    return replace(known, **changes)


def returns(
    of: SightingModel, front, back, radii=RADII, expect=None, powers=POWERS
) -> dict[SpotName, Sighting]:
    spots = {PATHS[n]: QuickSpot(at, radii[n], powers[n]) for n, at in ((FRONT, front), (BACK, back))}
    expect = expect or {
        n: expected(n, at, radius_mm=radii[n], relative_power=powers[n])
        for n, at in ((FRONT, front), (BACK, back))
    }
    center, _, radius_mm = of.hole("hole_camera")
    return of.returns("hole_camera", spots, expect, (center, radius_mm), 0.01, 2)


def test_errors_are_as_large_as_they_say() -> None:
    pulls = []
    for seed in range(150):
        front, back = (3.0, 2.0), (-4.0, 1.0)
        for name, at in ((FRONT, front), (BACK, back)):
            seen = returns(model(seed), front, back)[name]
            assert isinstance(seen, Spot)
            root = np.linalg.cholesky(seen.covariance_mm2)
            pulls += np.linalg.solve(root, seen.center_mm - at).tolist()
    # 600 standard normal numbers: their variance is 1 within 0.12 (two standard deviations).
    assert np.mean(pulls) == pytest.approx(0.0, abs=0.12)
    assert np.var(pulls) == pytest.approx(1.0, abs=0.17)


def test_overlapping_returns_tell_what_their_errors_have_in_common() -> None:
    squares = []
    for seed in range(200):
        seen = returns(model(seed), (1.2, 0.4), (-0.8, 0.3))
        front, back = seen[FRONT], seen[BACK]
        assert isinstance(front, Spot)
        assert isinstance(back, Spot)
        cross = front.with_other_mm2
        assert np.array_equal(cross, back.with_other_mm2.T)
        joint = np.block([[front.covariance_mm2, cross], [cross.T, back.covariance_mm2]])
        off = np.concatenate([front.center_mm - (1.2, 0.4), back.center_mm - (-0.8, 0.3)])
        squares.append(off @ np.linalg.solve(joint, off))
    # Chi-square with four degrees of freedom: mean 4, standard deviation sqrt(8).
    assert np.mean(squares) == pytest.approx(4.0, abs=3.0 * np.sqrt(8.0 / 200))
    assert np.all(np.abs(np.diag(cross)) > 0.1 * np.diag(front.covariance_mm2))


def test_inflation_makes_errors_larger_than_they_say() -> None:
    seen = [
        returns(model(1, replace(EXACT, inflation=k)), (3.0, 2.0), (-4.0, 1.0))[FRONT] for k in (1.0, 2.0)
    ]
    offsets = [spot.center_mm - (3.0, 2.0) for spot in seen]
    assert offsets[1] == pytest.approx(2.0 * offsets[0])
    assert seen[0].covariance_mm2 == pytest.approx(seen[1].covariance_mm2)


def test_speckle_stays_while_the_spot_does_and_is_new_elsewhere() -> None:
    of = model(2)

    def error(number: int, shift_mm: float) -> float:
        row, column = divmod(number, 50)
        at = (2 * column * 0.06 + shift_mm, 2 * row * 0.06)
        spot = of.single("reference_camera", QuickSpot(at, 0.215, 0.917), None, 4e-4, 2)
        return float(spot.center_mm[0]) - at[0]

    here = np.array([[error(n, shift_mm) for n in range(250)] for shift_mm in (0.0, 0.002, 0.03)])
    assert np.corrcoef(here[0], here[1])[0, 1] > 0.9  # moved by far less than a grain
    far = np.corrcoef(here[0, :-1], here[0, 1:])[0, 1]
    assert abs(far) < 0.2  # two grains on
    assert far < np.corrcoef(here[0], here[2])[0, 1] < np.corrcoef(here[0], here[1])[0, 1]


def test_plain_noise_instead() -> None:
    of = model(sigma_mm=0.02)
    seen = [returns(of, (3.0, 2.0), (-4.0, 1.0)) for _ in range(200)]
    assert seen[0][FRONT].covariance_mm2 == pytest.approx(np.eye(2) * 4e-4)
    errors = np.array([one[FRONT].center_mm - (3.0, 2.0) for one in seen])
    assert errors.std() == pytest.approx(0.02, rel=0.1)  # new in every look, although nothing moved


def test_a_narrow_spot_vanishes_in_the_hole() -> None:
    of = model()
    center, _, radius_mm = of.hole("hole_camera")
    at = tuple(map(float, center))
    seen = returns(of, at, at, {FRONT: 0.45, BACK: 7.5})
    assert isinstance(seen[FRONT], NoSpot)
    assert seen[FRONT].reason is Reason.IN_THE_HOLE
    assert 0.0 < seen[FRONT].bound_mm <= radius_mm
    assert isinstance(seen[BACK], Spot)
    assert Flag.CUT_BY_HOLE in seen[BACK].flags


def test_a_spot_outside_the_view_is_off_the_plate() -> None:
    seen = returns(model(), (60.0, 0.0), (1.0, 0.0))
    assert seen[FRONT].reason is Reason.OFF_THE_PLATE
    assert isinstance(seen[BACK], Spot)


def test_no_light() -> None:
    of = model()
    expect = {FRONT: expected(FRONT, (6.0, 0.0)), BACK: expected(BACK, (-6.0, 0.0))}
    seen = of.returns("hole_camera", {}, expect, (np.zeros(2), 1.0), 0.01, 2)
    assert {one.reason for one in seen.values()} == {Reason.NO_LIGHT}
    dark = of.single("reference_camera", None, None, 1e-3, 1)
    assert isinstance(dark, NoSpot)
    assert dark.reason is Reason.NO_LIGHT


def test_nobody_guesses_which_is_which() -> None:
    same = {FRONT: 3.0, BACK: 3.0}
    powers = {FRONT: 0.04, BACK: 0.04}
    front, back = (2.0, 0.0), (-2.0, 0.0)
    wide = {
        n: expected(n, at, sigma_mm=5.0, radius_mm=3.0, relative_power=0.04)
        for n, at in ((FRONT, front), (BACK, back))
    }
    seen = returns(model(), front, back, same, wide, powers)
    assert {one.reason for one in seen.values()} == {Reason.UNDECIDED}
    narrow = {n: replace(one, covariance_mm2=np.eye(2) * 0.01) for n, one in wide.items()}
    assert all(isinstance(one, Spot) for one in returns(model(), front, back, same, narrow, powers).values())


def test_twins_on_one_place_are_not_resolved() -> None:
    twins = {FRONT: 0.9, BACK: 0.9}
    seen = returns(model(), (5.0, 5.0), (5.0001, 5.0), twins)
    assert all(isinstance(one, NoSpot) for one in seen.values())


def test_brightness_follows_the_exposure() -> None:
    of, spot = model(), QuickSpot((0.0, 0.0), 3.17, 0.0425)
    assert of.fill("hole_camera", [spot], 0.02) == pytest.approx(2 * of.fill("hole_camera", [spot], 0.01))
    assert of.fill("hole_camera", [], 0.01) == 0.0
