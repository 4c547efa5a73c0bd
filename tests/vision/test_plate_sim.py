"""Maps of the simulated bench's own frames: paper, dust, chamfer, lamp and sensor as it draws them."""

import numpy as np
import pytest

from sim.scene import SceneState
from sim.scene_example import EXPOSURE_LAMP_S, EXPOSURE_RETURNS_S, example_scene
from vision.image import Image
from vision.map_check import MapState, check_map
from vision.plate_map import PlateMap, map_plate

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
    assert np.sqrt((error_um**2).sum(axis=1).mean()) < 10
    hole, truth = plate_map.hole, scene.true_hole(camera.plate.name)
    assert hole is not None
    assert truth is not None
    assert 1e3 * np.linalg.norm(hole.center_mm - truth.center_mm) < 15
    assert 1e3 * 2 * np.sqrt(np.linalg.eigvalsh(hole.covariance_mm2).max()) < 15
    lit = SceneState((0.3, -0.2, -2.0, 3.0), True, False, frame_number=9)
    returns = Image(scene.render(CAMERA, lit, EXPOSURE_RETURNS_S), EXPOSURE_RETURNS_S, camera.setup.sensor)
    assert check_map(returns, camera.plate, plate_map).state is not MapState.KNOCKED
