"""Maps of the simulated bench's own frames: paper, dust, chamfer, lamp and sensor as it draws them."""

import numpy as np
import pytest

from optics.trace import SpotPath
from sim.scene_example import EXPOSURE_LAMP_S, EXPOSURE_RETURNS_S, EXPOSURE_TRANSMITTED_S, example_scene
from sim.scene_state import SceneState
from vision.image import Image
from vision.look import measure_transmitted
from vision.map_check import MapState, check_map
from vision.plate_map import PlateMap, map_plate
from vision.spots import Expectation, Spot

CAMERA = "hole_camera"


@pytest.mark.parametrize("seed", [1, 2])
def test_hole_and_map_of_the_simulated_bench(seed):
    """Hole centre to 15 um, stated at k = 2, map to 10 um RMS; the beam's frames leave the map valid."""
    scene = example_scene(seed=seed)
    camera = scene.camera(CAMERA)
    exposure_s = EXPOSURE_LAMP_S[CAMERA]
    frames = [
        scene.render(CAMERA, SceneState(None, False, True, frame_number=number), exposure_s).astype(
            np.float32
        )
        for number in range(4)
    ]
    image = Image(np.mean(frames, axis=0), exposure_s, camera.setup.sensor, frames=4)
    plate_map = map_plate(image, camera.plate, camera.setup.side)
    assert isinstance(plate_map, PlateMap), plate_map
    points = np.stack(np.meshgrid(np.linspace(-26, 26, 9), np.linspace(-19, 19, 9)), axis=-1).reshape(-1, 2)
    error_um = 1e3 * (plate_map.to_mm(camera.view(0.0).to_px(points)) - points)
    assert np.sqrt((error_um**2).sum(axis=1).mean()) < 1.5
    hole, truth = plate_map.hole, scene.true_hole(camera.plate.name)
    assert hole is not None
    assert truth is not None
    assert 1e3 * np.linalg.norm(hole.center_mm - truth.center_mm) < 15
    assert 1e3 * 2 * np.sqrt(np.linalg.eigvalsh(hole.covariance_mm2).max()) < 15
    lit = SceneState((0.3, -0.2, -2.0, 3.0), True, False, frame_number=9)
    returns = Image(scene.render(CAMERA, lit, EXPOSURE_RETURNS_S), EXPOSURE_RETURNS_S, camera.setup.sensor)
    assert check_map(returns, camera.plate, plate_map).state is not MapState.KNOCKED


def test_the_transmitted_spot_in_the_open_centre_of_the_cross():
    """Right in the middle of the reference target; printed lines through it cost a factor of two (7 um)."""
    camera_name = "reference_camera"
    errors = []
    for seed in (1, 2, 3):
        scene = example_scene(seed=seed)
        camera, exposure_s = scene.camera(camera_name), EXPOSURE_LAMP_S[camera_name]
        lamp = scene.render(camera_name, SceneState(None, False, True), exposure_s)
        plate_map = map_plate(Image(lamp, exposure_s, camera.setup.sensor), camera.plate, camera.setup.side)
        for number in range(8):
            turn = 0.8 * number
            pose = tuple(np.array(scene.aligned_pose()) + 0.05 * np.array([np.cos(turn), np.sin(turn), 9, 9]))
            open_, closed = (
                Image(
                    scene.render(
                        camera_name, SceneState(pose, lit, False, 0.0, number), EXPOSURE_TRANSMITTED_S
                    ),
                    EXPOSURE_TRANSMITTED_S,
                    camera.setup.sensor,
                )
                for lit in (True, False)
            )
            truth = scene.truth(SceneState(pose)).spots[SpotPath.TRANSMITTED].center_mm
            expected = Expectation(np.asarray(truth) + 0.02, np.eye(2) * 0.05**2, 0.2153, 0.02, 0.917)
            spot = measure_transmitted(open_, closed, plate_map, expected, camera.plate)
            assert isinstance(spot, Spot), spot
            errors.append(1e3 * (spot.center_mm - truth))
    assert np.sqrt(np.mean(np.square(errors))) < 5.5
