"""Pixels that no renderer of ours made, and frames that went through a lossy codec and the camera driver.

The photographs are files inside scikit-image's wheel; they are read from there, so nothing can be fetched.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage
from skimage.feature import canny
from skimage.measure import label, regionprops
from skimage.transform import hough_circle, hough_circle_peaks

from driver.camera import OpenCvCamera
from vision.camera_lens import CameraLens
from vision.hole import Hole, measure_hole
from vision.image import Image, Sensor
from vision.look import measure_transmitted
from vision.map_model import MapModel
from vision.plate import PlateSpec, hole_target
from vision.plate_map import PlateMap, map_plate
from vision.spots import Expectation, Spot

PIXEL_MM = 0.05
SENSOR = Sensor(full_scale_dn=255, gain_e_per_dn=40.0, read_noise_e=4.0)


def photograph(name):
    path = Path(skimage.__file__).parent / "data" / name
    assert path.is_file(), f"{name} is not in the installed package"
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


def flat_map(width, height, origin):
    """A camera that looks straight at a plate: 50 um a pixel, the origin at a given pixel."""
    lens = CameraLens((width, height), tuple(float(value) for value in origin))
    return MapModel(np.diag([width * PIXEL_MM, -height * PIXEL_MM, 1.0]), lens, np.zeros((8, 8)))


# Round objects of the deep-field photograph: pixel column and row, to a few pixels.
ROUND_LIGHTS = [(728, 474), (420, 403), (978, 490), (482, 553), (281, 605), (387, 497)]


def compare(sky, column, row):
    """Distance of our fit from the reference in px and in radii of the light; ratio of the radii."""
    left, top = max(column - 32, 0), max(row - 32, 0)
    frame = np.ascontiguousarray(sky[top : top + 65, left : left + 65])
    core = frame[16:49, 16:49].astype(float)
    light = core - np.median(core)
    region = max(regionprops(label(light > light.max() / 2), intensity_image=light), key=lambda one: one.area)
    reference = np.array(region.centroid_weighted)[::-1] + 16
    # Half the full width at half maximum is 0.589 of the 1/e^2 radius of a Gaussian.
    radius_mm = np.sqrt(region.area / np.pi) / 0.589 * PIXEL_MM
    plate_map = flat_map(65, 65, (0, 0))
    start = plate_map.to_mm(reference[None] + [2.0, -1.5])[0]
    expected = Expectation(start, np.eye(2) * (3 * PIXEL_MM) ** 2, radius_mm, 0.5, 1.0)
    spot = measure_transmitted(Image(frame, 0.01, SENSOR), None, plate_map, expected)
    assert isinstance(spot, Spot), spot
    apart = np.linalg.norm(plate_map.to_px(spot.center_mm[None])[0] - reference)
    return apart, apart * PIXEL_MM / radius_mm, spot.radius_mm[0] / radius_mm


def test_lights_of_a_deep_field_photograph():
    """Against the weighted centroid above half maximum of scikit-image's region properties.

    The lights are galaxies: bright cores that do not sit in the middle of their wide halos. A Gaussian fitted
    to both and a centroid of the core may differ by a fraction of a pixel, and by some of the radius where
    the halo is one-sided. The start is 2.5 px off.
    """
    sky = photograph("hubble_deep_field.jpg")
    apart, share, ratio = np.array([compare(sky, *place) for place in ROUND_LIGHTS]).T
    assert np.median(apart) < 0.8
    assert share.max() < 0.2
    assert np.all((ratio > 0.5) & (ratio < 2.0))


def test_coins_of_a_photograph_as_dark_discs():
    """Against scikit-image's circular Hough transform, on a negative photograph of old coins.

    The coins are worn, embossed and not round; the two should still agree to about a pixel on most of them.
    """
    negative = 255 - photograph("coins.png")
    height, width = negative.shape
    radii = np.arange(16, 36)
    strength = hough_circle(canny(negative.astype(float), sigma=2.5), radii)
    _, columns, rows, found = hough_circle_peaks(
        strength, radii, min_xdistance=25, min_ydistance=25, total_num_peaks=14
    )
    apart = []
    for column, row, radius in zip(columns, rows, found, strict=True):
        plate = PlateSpec("coin", 100.0, 100.0, "downstream", radius * PIXEL_MM, {})
        disc = measure_hole(
            Image(negative, 0.01, SENSOR), plate, flat_map(width, height, (column, row)), search_mm=0.4
        )
        if isinstance(disc, Hole):
            apart.append(np.linalg.norm(disc.center_mm) / PIXEL_MM)
            assert abs(disc.radius_mm / PIXEL_MM - radius) < 4
    assert len(apart) >= 12
    assert np.median(apart) < 1.2


@pytest.mark.parametrize("name", ["brick.png", "gravel.png", "grass.png"])
def test_rough_surfaces_have_no_hole(name):
    """Photographs of walls, gravel and grass are full of edges, none of them round."""
    surface = photograph(name)
    height, width = surface.shape
    plate = PlateSpec("surface", 200.0, 200.0, "downstream", 1.0, {})
    for place in np.ndindex(4, 4):
        origin = 80 + np.array(place[::-1]) * (width - 160) / 3
        assert not isinstance(
            measure_hole(Image(surface, 0.01, SENSOR), plate, flat_map(width, height, origin)), Hole
        )


def test_a_photograph_without_a_plate_has_no_map():
    for name in ("coins.png", "hubble_deep_field.jpg", "brick.png"):
        assert not isinstance(map_plate(Image(photograph(name), 0.01, SENSOR), hole_target()), PlateMap)


def test_compressed_video_through_the_camera_driver(plate_scene, rng_of, tmp_path):
    """Motion JPEG loses detail and blocks of 8 x 8 pixels: map, hole and spot must survive it."""
    plate = hole_target()
    rng = rng_of("video")
    view = plate_scene.look_at(plate, field_mm=66)
    paper = plate_scene.drill(plate_scene.paint(plate), plate, (0.05, -0.1))
    image = plate_scene.render(paper, plate, view)
    grid = np.stack(np.meshgrid(np.arange(1280.0), np.arange(1024.0)), axis=-1).reshape(-1, 2)
    center, radius_mm = np.array([4.0, 3.0]), 3.0
    square = ((view.to_mm(grid) - center) ** 2).sum(axis=1).reshape(image.shape)
    light = 7000 * np.exp(-2 * square / radius_mm**2) * image / image.max()
    path = tmp_path / "bench.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 10, (1280, 1024), isColor=True)
    assert writer.isOpened()
    for frame in (plate_scene.expose(image, rng), plate_scene.expose(0.02 * image, rng, glow=light)):
        writer.write(cv2.cvtColor((frame.pixels // 16).astype(np.uint8), cv2.COLOR_GRAY2BGR))
    writer.release()

    camera = OpenCvCamera("camera 1", str(path), fixed_exposure_s=0.01)
    lit, beam = (
        Image(frame.pixels, frame.exposure_s, SENSOR) for frame in (camera.grab(0.01), camera.grab(0.01))
    )
    camera.close()
    plate_map = map_plate(lit, plate)
    assert isinstance(plate_map, PlateMap), plate_map
    points = np.stack(np.meshgrid(np.linspace(-28, 28, 9), np.linspace(-21, 21, 9)), axis=-1).reshape(-1, 2)
    error_um = 1e3 * (plate_map.to_mm(view.to_px(points)) - points)
    assert np.sqrt((error_um**2).sum(axis=1).mean()) < 10
    assert plate_map.hole is not None
    assert 1e3 * np.linalg.norm(plate_map.hole.center_mm - (0.05, -0.1)) < 15
    start = center + np.array([0.3, -0.2])
    expected = Expectation(start, np.eye(2) * 0.25, radius_mm, 0.1, 0.04)
    spot = measure_transmitted(beam, None, plate_map, expected, plate, hole=plate_map.hole)
    assert isinstance(spot, Spot), spot
    assert 1e3 * np.linalg.norm(spot.center_mm - center) < 50
    assert spot.radius_mm[0] == pytest.approx(radius_mm, rel=0.05)
