"""Maps as text, and the picture of their residuals."""

import contextlib
import dataclasses
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.camera_lens import CameraLens
from vision.hole import Hole
from vision.map_file import MapFileError, map_problems, read_map, write_map
from vision.map_model import MapModel
from vision.map_picture import residual_picture
from vision.mark import Mark
from vision.plate import hole_target
from vision.plate_map import PlateMap

PLATE = hole_target()
CORNERS = np.concatenate([PLATE.corners_mm(number) for number in (0, 1, 2)])
RESIDUAL = np.zeros_like(CORNERS)
RESIDUAL[0] = (0.004, 0.003)
PLATE_MAP = PlateMap(
    plate=PLATE.name,
    side="front",
    image_size_px=(1280, 1024),
    model=MapModel(
        np.array([[70.1, 4, 0.3], [3, -72, 0.1], [0.08, -0.05, 1]]),
        CameraLens((1280.0, 1280.0), (639.5, 511.5), (-0.031, 0.01, 1e-4, -1e-4, 0.0), "fiducials"),
        np.diag(np.full(12, 1e-10)),
    ),
    fiducials_used=(0, 1, 2),
    fiducials_missing=(3, 4, 5, 6, 7),
    corners_mm=CORNERS,
    corner_residual_mm=RESIDUAL,
    edge_growth_mm=0.01,
    rms_um=1.4,
    sigma_mm=0.0007,
    hole=Hole(np.array([0.1, -0.2]), np.eye(2) * 1e-6, 1.01, 0.001, "dark", 0.9),
    mark=Mark(np.array([0.0, 0.1]), np.eye(2) * 1e-6, 0.3),
    plate_fingerprint=PLATE.fingerprint(),
    camera="camera 1, serial 17",
    mapped_on="2024-05-06",
    notes=("fiducials not seen: 3, 4, 5, 6, 7",),
)
POINTS = np.array([[0.0, 0.0], [700.0, 300.0], [1279.0, 1023.0]])


@pytest.mark.parametrize("plate_map", [PLATE_MAP, dataclasses.replace(PLATE_MAP, hole=None, mark=None)])
def test_text_gives_the_map_back_to_the_last_digit(plate_map):
    text = write_map(plate_map)
    again = read_map(text)
    assert write_map(again) == text
    assert np.array_equal(again.to_mm(POINTS), plate_map.to_mm(POINTS))
    assert again.mapped_on == "2024-05-06"
    assert (again.hole is None) == (plate_map.hole is None)


KEYS = sorted(json.loads(write_map(PLATE_MAP)))
JUNK = st.none() | st.booleans() | st.integers() | st.text(max_size=5) | st.lists(st.floats(), max_size=3)


@given(key=st.sampled_from(KEYS), junk=JUNK)
def test_damaged_values_are_refused_or_harmless(key, junk):
    content = json.loads(write_map(PLATE_MAP))
    content[key] = junk
    with contextlib.suppress(MapFileError):
        read_map(json.dumps(content))


@given(text=st.text() | st.sampled_from(["", "[]", "{}", "nan", "[" * 5000]))
def test_other_text_is_refused(text):
    with pytest.raises(MapFileError):
        read_map(text)


@pytest.mark.parametrize("key", KEYS)
def test_missing_keys_are_named(key):
    content = json.loads(write_map(PLATE_MAP))
    del content[key]
    with pytest.raises(MapFileError, match=key if key not in {"format", "version"} else "plate map"):
        read_map(json.dumps(content))


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("version", 2, "version 2"),
        ("side", "left", "'left'; allowed: front, behind"),
        ("homography", [[1, 2], [3, 4]], "homography of shape"),
        ("homography", [[float("nan")] * 3] * 3, "NaN"),
        ("covariance", [[0.0] * 7] * 7, "covariance of shape"),
    ],
)
def test_wrong_values_are_named(key, value, words):
    content = json.loads(write_map(PLATE_MAP))
    content[key] = value
    with pytest.raises(MapFileError) as refused:
        read_map(json.dumps(content))
    assert words in str(refused.value)


def test_a_map_is_only_for_its_camera_plate_side_and_size():
    camera = PLATE_MAP.camera
    assert map_problems(PLATE_MAP, PLATE, "front", camera=camera, image_size_px=(1280, 1024)) == ()
    assert "camera" in map_problems(PLATE_MAP, PLATE, "front", camera="camera 2")[0]
    assert "seen from front" in map_problems(PLATE_MAP, PLATE, "behind", camera=camera)[0]
    other = dataclasses.replace(PLATE, hole_radius_mm=1.5)
    assert "has changed" in map_problems(PLATE_MAP, other, "front", camera=camera)[0]
    assert "640" in map_problems(PLATE_MAP, PLATE, "front", camera=camera, image_size_px=(640, 480))[0]


def test_picture_shows_the_residual_where_it_is():
    picture = residual_picture(PLATE_MAP, width_px=600)
    still = residual_picture(dataclasses.replace(PLATE_MAP, corner_residual_mm=RESIDUAL * 0), width_px=600)
    assert picture.shape[1:] == (600, 3)
    assert picture.dtype == np.uint8
    changed = np.argwhere(
        (picture != still).any(axis=2) & (np.arange(picture.shape[0]) < picture.shape[0] - 60)[:, None]
    )
    scale = 600 / (CORNERS[:, 0].max() - CORNERS[:, 0].min() + 14)
    # The first corner is the upper left one; 5 um drawn 500 times as long (2 px thick), right and up.
    reach = changed.max(axis=0) - changed.min(axis=0)
    assert reach[1] / scale == pytest.approx(500 * 0.004, abs=0.6)
    assert reach[0] / scale == pytest.approx(500 * 0.003, abs=0.6)
    assert changed[:, 1].min() / scale == pytest.approx(7, abs=0.4)
