"""A return smaller than the hole lies in it: told with a bound, on rendered frames of two kinds of lenses."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from optics.lens import Lens
from optics.trace import SpotPath
from sim.scene import Scene
from sim.scene_example import example_beam, example_cameras, example_layout, example_plates
from sim.scene_nuisances import SceneNuisances
from sim.scene_state import SceneState
from vision.image import Image
from vision.look import measure_returns
from vision.plate_map import map_plate
from vision.spots import Expectation, NoSpot, Reason, Spot, SpotName

CAMERA, LAMP_S = "hole_camera", 0.003
LENSES = {
    # Radii on the plate (ABCD law): back 0.57 mm beside a front of 1.05; front 0.52 beside a back of 7.5.
    "f500": (Lens.singlet("f500", 519.0, -519.0, 3.0, "N-BK7", 25.4), SpotName.BACK),
    "plano first": (Lens.singlet("plano", math.inf, -51.9, 4.0, "N-BK7", 25.4), SpotName.FRONT),
}
NEAR = ((0.0, 0.0, 0.0, 0.0), (0.03, -0.02, 0.1, 0.1), (0.05, 0.02, 0.2, -0.3))
EXPOSURE_S = {"f500": 0.009, "plano first": 0.05}


@cache
def bench(lens: str) -> tuple[Scene, Any]:
    scene = Scene(
        LENSES[lens][0],
        example_layout(),
        example_beam(),
        example_plates(),
        example_cameras(),
        SceneNuisances(),
        seed=1,
    )
    camera = scene.camera(CAMERA)
    lamp = Image(scene.render(CAMERA, SceneState(None, False, True), LAMP_S), LAMP_S, camera.setup.sensor)
    return scene, map_plate(lamp, camera.plate, camera.setup.side)


def look(
    lens: str,
    offset: tuple[float, ...],
    *,
    believed_mm: tuple[float, float] = (0.0, 0.0),
    sigma_mm: float = 0.5,
) -> tuple[Any, Any, float]:
    """The small and the large return's sighting, and the small one's true distance from the hole's centre."""
    scene, plate_map = bench(lens)
    camera = scene.camera(CAMERA)
    state = SceneState(tuple(np.add(scene.aligned_pose(), offset)), True, False, frame_number=5)
    spots = scene.truth(state).spots
    open_, closed = (
        Image(scene.render(CAMERA, one, EXPOSURE_S[lens]), EXPOSURE_S[lens], camera.setup.sensor)
        for one in (state, replace(state, shutter_open=False, frame_number=6))
    )
    small = LENSES[lens][1]
    paths = {SpotName.FRONT: SpotPath.FRONT, SpotName.BACK: SpotPath.BACK}
    expected = {}
    for name, path in paths.items():
        true = spots[path]
        center = np.asarray(true.center_mm) + 0.1
        if name is small and believed_mm != (0.0, 0.0):
            center = np.asarray(believed_mm)
        power = {SpotName.FRONT: 0.0425, SpotName.BACK: 0.039}[name]
        expected[name] = Expectation(
            center, np.eye(2) * sigma_mm**2, float(np.mean(true.radii_mm)), 0.05, power
        )
    found = measure_returns(open_, closed, plate_map, plate_map.hole, expected, camera.plate)
    large = next(name for name in paths if name is not small)
    away = math.dist(spots[paths[small]].center_mm, plate_map.hole.center_mm)
    return found[small], found[large], away


@pytest.mark.parametrize("offset", NEAR)
@pytest.mark.parametrize("lens", LENSES)
def test_a_return_that_the_hole_eats_is_in_the_hole_with_a_bound_that_holds(lens: str, offset: Any) -> None:
    small, large, away_mm = look(lens, offset)
    assert isinstance(large, Spot)
    assert isinstance(small, NoSpot)
    assert small.reason is Reason.IN_THE_HOLE
    assert small.bound_mm is not None
    assert away_mm < small.bound_mm < 0.9  # of a hole of 1.0 mm


@pytest.mark.parametrize("lens", LENSES)
def test_a_return_that_leaves_the_hole_is_measured_or_not_called_hidden(lens: str) -> None:
    small, _, away_mm = look(lens, (0.3, -0.2, 2.0, 1.0))
    assert away_mm > 0.7
    assert isinstance(small, Spot) or small.reason is not Reason.IN_THE_HOLE


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7, 0.8, 0.9])
@pytest.mark.parametrize("lens", LENSES)
def test_on_its_way_over_the_rim_a_return_is_bounded_or_measured_and_both_hold(
    lens: str, share: float
) -> None:
    """On the knife's edge between both answers either may come; neither may exclude where the return is."""
    small, _, away_mm = look(lens, tuple(share * np.array([0.3, -0.2, 2.0, 1.0])))
    if isinstance(small, Spot):
        sigma_mm = float(np.sqrt(np.max(np.linalg.eigvalsh(small.covariance_mm2))))
        seen_mm = math.dist(small.center_mm, bench(lens)[1].hole.center_mm)
        assert abs(seen_mm - away_mm) < 4.0 * sigma_mm
        assert sigma_mm < 0.1
    else:
        assert small.reason is Reason.IN_THE_HOLE
        assert small.bound_mm is not None
        assert away_mm < small.bound_mm


@pytest.mark.parametrize("lens", LENSES)
def test_light_that_is_missing_far_from_the_hole_is_not_said_to_be_in_it(lens: str) -> None:
    """The same frame; but the small return is believed 6 mm off, to half a millimetre."""
    small, _, _ = look(lens, NEAR[0], believed_mm=(6.0, 0.0))
    assert isinstance(small, NoSpot)
    assert small.reason is Reason.NO_LIGHT
