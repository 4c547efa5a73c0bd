"""Camera geometry: handedness, obliquity, distortion, and markers that OpenCV's detector reads."""

from __future__ import annotations

import dataclasses
import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.camera_geometry import CameraSetup, PlateView, PoseError
from sim.scene_example import EXPOSURE_LAMP_S, example_cameras, example_scene
from sim.scene_nuisances import SceneNuisances
from sim.scene_state import SceneState
from vision.plate import PlateSpec, hole_target, reference_target

PLATES = {plate.name: plate for plate in (hole_target(), reference_target())}
MIRROR_SYMMETRIC = {17}  # in DICT_4X4_50 this one looks the same in a mirror
LIT = SceneState(None, shutter_open=False, lamp_on=True)

angles = st.floats(0.0, 60.0)
setups = st.builds(
    CameraSetup,
    plate=st.just("hole_target"),
    side=st.sampled_from(["front", "behind"]),
    view_angle_deg=angles,
    azimuth_deg=st.floats(0.0, 360.0),
    roll_deg=st.floats(-180.0, 180.0),
    aim_mm=st.tuples(st.floats(-5, 5), st.floats(-5, 5)),
    focal_px=st.floats(2500.0, 20_000.0),
    distortion=st.tuples(st.floats(-0.1, 0.1), st.floats(-0.02, 0.02), *[st.floats(-0.001, 0.001)] * 3),
)
errors = st.builds(
    PoseError,
    turn_mrad=st.tuples(*[st.floats(-20, 20)] * 3),
    shift_mm=st.tuples(*[st.floats(-3, 3)] * 3),
    distortion=st.floats(-0.02, 0.02),
)
points = st.lists(st.tuples(st.floats(-20, 20), st.floats(-16, 16)), min_size=1, max_size=6)


@settings(max_examples=60)
@given(setup=setups, error=errors, points_mm=points, plate=st.sampled_from(sorted(PLATES)))
def test_to_px_and_to_mm_are_inverse(
    setup: CameraSetup, error: PoseError, points_mm: list[tuple[float, float]], plate: str
) -> None:
    view = PlateView(setup, PLATES[plate], error)
    there = np.array(points_mm)
    assert view.to_mm(view.to_px(there)) == pytest.approx(there, abs=1e-6)


@settings(max_examples=12)
@given(setup=setups)
def test_maps_agree_with_the_exact_mapping(setup: CameraSetup) -> None:
    small = dataclasses.replace(setup, width_px=160, height_px=125, focal_px=setup.focal_px / 8)
    view = PlateView(small, PLATES["hole_target"])
    maps = view.maps_mm()
    columns, rows = np.meshgrid(np.arange(-8.0, 177.0), np.arange(-8.0, 142.0))
    exact = view.to_mm(np.column_stack([columns.ravel(), rows.ravel()])).reshape(*columns.shape, 2)
    for axis, seen in enumerate(maps):
        true = exact[..., axis]
        # Bilinear interpolation in cells of 8: error at most h^2 / 8 (|f_xx| + |f_yy|).
        bend = sum(np.abs(np.diff(true, n=2, axis=direction)).max() for direction in (0, 1))
        assert np.abs(seen - true[8:133, 8:168]).max() < 8**2 / 8 * bend + 1e-5


def test_maps_of_the_example_cameras_are_exact_to_a_fifth_of_a_micrometre() -> None:
    for setup in example_cameras().values():
        view = PlateView(setup, PLATES[setup.plate])
        x, y = view.maps_mm()
        columns, rows = np.meshgrid(np.arange(3, 1280, 37), np.arange(4, 1024, 41))
        exact = view.to_mm(np.column_stack([columns.ravel(), rows.ravel()]).astype(float))
        assert np.abs(x[rows, columns].ravel() - exact[:, 0]).max() < 2e-4
        assert np.abs(y[rows, columns].ravel() - exact[:, 1]).max() < 2e-4


@pytest.mark.parametrize(
    ("plate", "side", "x_looks"),
    [("hole_target", "front", 1), ("hole_target", "behind", -1), ("reference_target", "front", -1),
     ("reference_target", "behind", 1)],
)  # fmt: skip
@pytest.mark.parametrize("azimuth_deg", [0.0, 90.0, 200.0])
def test_bench_x_looks_right_or_left_and_y_always_up(
    plate: str, side: str, x_looks: int, azimuth_deg: float
) -> None:
    setup = CameraSetup(plate=plate, side=side, azimuth_deg=azimuth_deg)
    view = PlateView(setup, PLATES[plate])
    middle, along_x, along_y = view.to_px(np.array([[0, 0], [5, 0], [0, 5.0]]))
    assert middle == pytest.approx([639.5, 511.5])
    assert np.sign(along_x[0] - middle[0]) == x_looks
    assert along_y[1] < middle[1]


def test_field_and_foreshortening() -> None:
    # A length across the line of sight keeps its scale; one in the plane of the tilt shrinks by its cosine.
    straight = dataclasses.replace(example_cameras()["hole_camera"], focal_px=4e5, distortion=(0.0,) * 5)
    view = PlateView(straight, PLATES["hole_target"])
    left, right, low, high = view.to_px(np.array([[-1, 0], [1, 0], [0, -1], [0, 1.0]]))
    assert right[0] - left[0] == pytest.approx(2 * 1280 / 64, rel=1e-6)
    assert low[1] - high[1] == pytest.approx(2 * 1280 / 64 * math.cos(math.radians(30)), rel=1e-4)


def test_a_knock_shifts_the_picture_the_other_way() -> None:
    setup = example_cameras()["hole_camera"]
    still = PlateView(setup, PLATES["hole_target"])
    knocked = PlateView(setup, PLATES["hole_target"], PoseError(shift_mm=(0.5, 0.0, 0.0)))
    moved = knocked.to_px(np.zeros((1, 2))) - still.to_px(np.zeros((1, 2)))
    assert moved[0] == pytest.approx([-0.5 * 1280 / 64, 0.0], abs=0.01)


@pytest.mark.parametrize("name", ["hole_camera", "reference_camera"])
@pytest.mark.parametrize("side", ["front", "behind"])
@pytest.mark.parametrize("azimuth_deg", [90.0, 20.0])
def test_opencv_reads_the_markers_where_they_are(name: str, side: str, azimuth_deg: float) -> None:
    setup = dataclasses.replace(example_cameras()[name], side=side, azimuth_deg=azimuth_deg)
    scene = example_scene(SceneNuisances(), seed=4, cameras={name: setup})
    frame = scene.render(name, LIT, EXPOSURE_LAMP_S[name])
    picture = np.clip(frame / 8.0, 0, 255).astype(np.uint8)
    if side == "behind":  # mirrored print: no reader knows it until it is turned back
        assert set(detected(picture, scene.plates[setup.plate])[0]) <= MIRROR_SYMMETRIC
        picture = np.ascontiguousarray(picture[:, ::-1])
    found, plate = detected(picture, scene.plates[setup.plate])
    assert len(found) >= len(plate.fiducials) - 2  # an oblique view may cut one corner off
    for number, corners in found.items():
        expected = scene.camera(name).print_to_px(plate.corners_mm(number))
        if side == "behind":
            expected = [1279, 0] + expected * [-1, 1]
        # The detector's own corners scatter by half a pixel; print-through rounds them further.
        assert np.abs(corners - expected).max() < (1.2 if side == "behind" else 0.7)
        assert np.abs((corners - expected).mean(axis=0)).max() < 0.35


def detected(picture: np.ndarray, plate: PlateSpec) -> tuple[dict[int, np.ndarray], PlateSpec]:
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, numbers, _ = cv2.aruco.ArucoDetector(plate.dictionary(), options).detectMarkers(picture)
    if numbers is None:
        return {}, plate
    read = {int(n): c.reshape(4, 2) for n, c in zip(numbers.ravel(), corners, strict=True)}
    return {number: place for number, place in read.items() if number in plate.fiducials}, plate


@pytest.mark.parametrize(
    "wrong", [{"view_angle_deg": 85.0}, {"field_mm": 0.0}, {"side": "above"}, {"filter_transmission": 0.0}]
)
def test_impossible_camera_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        dataclasses.replace(example_cameras()["hole_camera"], **wrong)
