"""The quick spots of campaigns against the scene that renders frames."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT
from optics.trace import SpotPath
from sim.quick_spots import QuickSpots
from sim.scene import Scene
from sim.scene_draws import draw_bench
from sim.scene_example import example_cameras, example_plates
from sim.scene_nuisances import SceneNuisances
from sim.scene_state import SceneState

REGULAR = [name for name in FAMILIES if name not in ("near-concentric", "ball-like")]


def both(family: str, nuisances: SceneNuisances, seed: int = 4) -> tuple[QuickSpots, Scene]:
    plates, cameras = example_plates(), example_cameras()
    given = FAMILIES[family], REF_LAYOUT, REF_BEAM, plates
    true = draw_bench(*given, list(cameras), nuisances, seed)
    return QuickSpots(true, plates, nuisances), Scene(*given, cameras, nuisances, seed)


@pytest.mark.parametrize("family", REGULAR)
def test_places_are_exact_and_shapes_nearly(family: str) -> None:
    quick, scene = both(family, SceneNuisances(radius_sigma=0.01, l1_sigma_mm=3.0))
    rng = np.random.default_rng(8)
    for _ in range(4):
        pose = (*rng.uniform(-1.0, 1.0, 2), *rng.uniform(-17.0, 17.0, 2))
        state = SceneState(tuple(map(float, pose)), time_s=float(rng.uniform(0.0, 100.0)))
        true = scene.truth(state).spots
        for path, spot in quick.at(state).items():
            assert spot.center_mm == pytest.approx(tuple(true[path].center_mm), abs=1e-9)
            assert spot.radius_mm == pytest.approx(math.sqrt(math.prod(true[path].radii_mm)), rel=0.03)
            assert spot.power == pytest.approx(true[path].power, rel=0.01)


def test_the_bare_beam() -> None:
    quick, scene = both("biconvex f100", SceneNuisances())
    state = SceneState(None, time_s=20.0)
    true = scene.truth(state).spots[SpotPath.TRANSMITTED]
    (spot,) = quick.at(state).values()
    assert spot.center_mm == pytest.approx(tuple(true.center_mm), abs=1e-9)
    assert spot.radius_mm == pytest.approx(true.radii_mm[0])


def test_what_makes_the_bench_dark_makes_the_spots_dark() -> None:
    quick, _ = both("biconvex f100", SceneNuisances(blocked_time_s=10.0))
    here = SceneState((0.0, 0.0, 0.0, 0.0))
    assert all(spot.power > 0 for spot in quick.at(here).values())
    assert all(spot.power == 0 for spot in quick.at(replace(here, shutter_open=False)).values())
    assert all(spot.power == 0 for spot in quick.at(replace(here, time_s=11.0)).values())


@pytest.mark.parametrize("decenter_mm", [9.0, 12.0, 60.0])
def test_a_beam_outside_the_aperture_makes_no_spots(decenter_mm: float) -> None:
    quick, scene = both("biconvex f100", SceneNuisances.none())
    state = SceneState((decenter_mm, 0.0, 0.0, 0.0))
    true = scene.truth(state).spots
    for path, spot in quick.at(state).items():
        assert (spot.power > 0) == true[path].lit
