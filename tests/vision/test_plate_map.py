"""Pixels to mm: accuracy over the plate, honesty of the stated uncertainty, reasons where there is no map."""

import dataclasses

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.camera_lens import BoardSpec, CameraLens, LensCalibration, NoLens, calibrate_lens
from vision.fiducials import EdgePoints, find_fiducials
from vision.image import Image, Sensor
from vision.map_fit import fit_edges
from vision.map_model import MapModel
from vision.plate import hole_target, reference_target
from vision.plate_map import MapReason, NoMap, PlateMap, lens_terms, map_plate

HOLE_TARGET = hole_target()
REFERENCE = reference_target()


def field(plate, view, step=15):
    """Points of the plate that the camera sees, out to the outer corners of the fiducials."""
    corners = np.concatenate([plate.corners_mm(number) for number in plate.fiducials])
    axes = [np.linspace(corners[:, i].min(), corners[:, i].max(), step) for i in (0, 1)]
    points = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    px = view.to_px(points)
    return points[((px >= 0) & (px <= np.array(view.size) - 1)).all(axis=1)]


VIEWS = {
    "straight": {"tilt_deg": 0.5, "distortion": (-0.1, 0.05, 0, 0, 0)},
    "oblique, barrel": {"distortion": (-0.3, 0.4, 0, 0, 0), "azimuth_deg": 20},
    "oblique, pincushion and decentred lens": {
        "distortion": (0.2, -0.2, 8e-4, -8e-4, 0),
        "principal_px": (20, -15),
        "roll_deg": 3,
        "tilt_deg": 35,
    },
    "from behind": {"side": "behind", "distortion": (-0.2, 0.1, 3e-4, 0, 0), "azimuth_deg": 90},
}


@pytest.mark.parametrize("case", VIEWS)
def test_map_is_good_to_ten_micrometres_over_the_plate(plate_scene, rng_of, case):
    """64 mm field on 1280 x 1024 pixels; the truth is OpenCV's own projection and distortion."""
    side = VIEWS[case].get("side", "front")
    view = plate_scene.look_at(HOLE_TARGET, field_mm=66, **VIEWS[case])
    paper = plate_scene.drill(plate_scene.paint(HOLE_TARGET), HOLE_TARGET, (0, 0))
    frame = plate_scene.expose(plate_scene.render(paper, HOLE_TARGET, view), rng_of(case))
    plate_map = map_plate(frame, HOLE_TARGET, side)
    assert isinstance(plate_map, PlateMap), plate_map
    points = field(HOLE_TARGET, view)
    assert len(points) > 150
    error_um = 1e3 * (plate_map.to_mm(view.to_px(points)) - points)
    rms_um = np.sqrt((error_um**2).sum(axis=1).mean())
    assert rms_um < 2.0  # asked for: 10
    assert plate_map.rms_um < 2.0
    assert rms_um / np.sqrt(2) < 3 * 1e3 * plate_map.sigma_mm
    # The hole: 15 um at k = 2 asked for, the stated covariance and the error both within.
    assert plate_map.hole is not None
    assert 1e3 * 2 * np.sqrt(np.linalg.eigvalsh(plate_map.hole.covariance_mm2).max()) < 15
    assert 1e3 * np.linalg.norm(plate_map.hole.center_mm) < 5


def test_without_lens_terms_the_same_frame_is_bad(plate_scene, rng_of):
    """The control: distortion matters in these frames, and the terms are what removes it."""
    view = plate_scene.look_at(HOLE_TARGET, field_mm=66, distortion=(-0.3, 0.4, 0, 0, 0))
    frame = plate_scene.expose(
        plate_scene.render(plate_scene.paint(HOLE_TARGET), HOLE_TARGET, view), rng_of("x")
    )
    straight = map_plate(frame, HOLE_TARGET, "front", lens=CameraLens.ideal(*view.size))
    points = field(HOLE_TARGET, view)
    error_um = 1e3 * (straight.to_mm(view.to_px(points)) - points)
    assert np.sqrt((error_um**2).sum(axis=1).mean()) > 20
    assert straight.rms_um > 10


@pytest.mark.parametrize("gap_mm", [0.0, 1.0])
@pytest.mark.parametrize("side", ["front", "behind"])
def test_reference_target_and_its_cross(plate_scene, rng_of, side, gap_mm):
    plate = dataclasses.replace(REFERENCE, cross_gap_mm=gap_mm)
    view = plate_scene.look_at(
        plate, side=side, field_mm=42, azimuth_deg=30, roll_deg=-2, distortion=(-0.2, 0.1, 0, 0, 0)
    )
    image = plate_scene.render(plate_scene.paint(plate), plate, view)
    plate_map = map_plate(plate_scene.expose(image, rng_of(side)), plate, side)
    assert isinstance(plate_map, PlateMap), plate_map
    assert plate_map.mark is not None
    assert 1e3 * np.linalg.norm(plate_map.mark.center_mm) < 3
    assert 1e3 * np.sqrt(np.diag(plate_map.mark.covariance_mm2)).max() < 3
    assert abs(plate_map.mark.turn_mrad) < 2
    points = field(plate, view)
    assert 1e3 * np.abs(plate_map.to_mm(view.to_px(points)) - points).max() < 5


@pytest.mark.parametrize("blur_px", [0.3, 2.5])
def test_sharp_and_blurred_frames_map_alike(plate_scene, rng_of, blur_px):
    """Narrow profiles where the frame is sharp, wide ones where it is out of focus."""
    view = plate_scene.look_at(HOLE_TARGET, field_mm=66, distortion=(-0.1, 0, 0, 0, 0))
    image = plate_scene.render(plate_scene.paint(HOLE_TARGET), HOLE_TARGET, view, blur_px=blur_px)
    plate_map = map_plate(plate_scene.expose(image, rng_of(blur_px)), HOLE_TARGET)
    assert isinstance(plate_map, PlateMap), plate_map
    points = field(HOLE_TARGET, view)
    assert 1e3 * np.abs(plate_map.to_mm(view.to_px(points)) - points).max() < 8


def test_uneven_light_does_not_bend_the_map(plate_scene, rng_of):
    """A lamp from one side, three times as bright there: edges must not follow the slope of the light."""
    view = plate_scene.look_at(HOLE_TARGET, field_mm=66)
    image = plate_scene.render(plate_scene.paint(HOLE_TARGET), HOLE_TARGET, view)
    lamp = np.linspace(0.4, 1.2, image.shape[1], dtype=np.float32)
    plate_map = map_plate(plate_scene.expose(image * lamp, rng_of("lamp")), HOLE_TARGET)
    points = field(HOLE_TARGET, view)
    assert 1e3 * np.abs(plate_map.to_mm(view.to_px(points)) - points).max() < 4


def test_a_cross_that_is_off_its_drawn_place_is_found_there(plate_scene, rng_of):
    moved = dataclasses.replace(REFERENCE, mark_center_mm=(0.15, -0.1), ring_radii_mm=())
    view = plate_scene.look_at(REFERENCE, field_mm=42)
    frame = plate_scene.expose(plate_scene.render(plate_scene.paint(moved), moved, view), rng_of("cross"))
    mark = map_plate(frame, dataclasses.replace(REFERENCE, ring_radii_mm=()), "front").mark
    np.testing.assert_allclose(mark.center_mm, (0.15, -0.1), atol=3e-3)


@pytest.fixture(scope="module")
def plain_frame(plate_scene):
    view = plate_scene.look_at(HOLE_TARGET, field_mm=66, azimuth_deg=10)
    image = plate_scene.render(plate_scene.paint(HOLE_TARGET), HOLE_TARGET, view)
    return view, plate_scene.expose(image, np.random.default_rng(7))


def covered(frame, view, numbers):
    """The frame with white paper over some fiducials."""
    pixels = frame.pixels.copy()
    for number in numbers:
        square = view.to_px(
            HOLE_TARGET.corners_mm(number) * 1.02 - np.array(HOLE_TARGET.fiducials[number]) * 0.02
        )
        cv2.fillConvexPoly(pixels, np.rint(square).astype(np.int32), 2100)
    return dataclasses.replace(frame, pixels=pixels)


def test_covered_fiducials_are_named_and_done_without(plain_frame):
    view, frame = plain_frame
    plate_map = map_plate(covered(frame, view, (1, 4)), HOLE_TARGET)
    assert plate_map.fiducials_missing == (1, 4)
    assert any("1, 4" in note for note in plate_map.notes)
    points = field(HOLE_TARGET, view)
    assert 1e3 * np.abs(plate_map.to_mm(view.to_px(points)) - points).max() < 10


def test_glare_over_a_fiducial_does_not_bend_the_map(plain_frame):
    view, frame = plain_frame
    place = view.to_px(np.array([[28.0, 17.0]]))[0]
    y, x = np.mgrid[0 : frame.pixels.shape[0], 0 : frame.pixels.shape[1]]
    glare = 1500 * np.exp(-((x - place[0]) ** 2 + (y - place[1]) ** 2) / (2 * 45**2))
    spoilt = dataclasses.replace(frame, pixels=np.clip(frame.pixels + glare, 0, 4095).astype(np.uint16))
    plate_map = map_plate(spoilt, HOLE_TARGET)
    points = field(HOLE_TARGET, view)
    assert 1e3 * np.abs(plate_map.to_mm(view.to_px(points)) - points).max() < 15


def test_reasons_for_no_map(plain_frame):
    view, frame = plain_frame
    dark = dataclasses.replace(frame, pixels=np.full_like(frame.pixels, 3))
    blank = dataclasses.replace(frame, pixels=np.tile(np.arange(1280, dtype=np.uint16), (1024, 1)))
    few = covered(frame, view, (0, 1, 2, 3, 4, 5))
    cases = [
        (map_plate(dark, HOLE_TARGET), MapReason.DARK, "expose longer"),
        (map_plate(blank, HOLE_TARGET), MapReason.NO_FIDUCIALS, "focus"),
        (map_plate(few, HOLE_TARGET), MapReason.TOO_FEW_FIDUCIALS, "missing: 0, 1, 2, 3, 4, 5"),
        (map_plate(frame, HOLE_TARGET, "behind"), MapReason.WRONG_SIDE, "from the printed side"),
        (map_plate(frame, REFERENCE), MapReason.OTHER_PLATE, "none of this plate's"),
    ]
    for outcome, reason, words in cases:
        assert isinstance(outcome, NoMap)
        assert outcome.reason is reason
        assert words in outcome.detail


def test_a_bench_file_with_misplaced_fiducials_is_refused(plain_frame):
    _, frame = plain_frame
    places = {**HOLE_TARGET.fiducials, 0: (-25.0, 19.0), 3: (25.0, 1.0), 5: (1.0, -19.0)}
    outcome = map_plate(frame, dataclasses.replace(HOLE_TARGET, fiducials=places))
    assert isinstance(outcome, NoMap)
    assert outcome.reason is MapReason.POOR_FIT
    assert "bench file" in outcome.detail


# --- the model and the fit, without frames ----------------------------------------------------------

MODEL = MapModel(
    np.array([[70.0, 4.0, 0.4], [3.0, -72.0, -0.3], [0.08, -0.05, 1.0]]),
    CameraLens((1280.0, 1280.0), (639.5, 511.5), (-0.03, 0.01, 1e-4, -1e-4, 0.0), "fiducials"),
    np.zeros((12, 12)),
)


@given(x=st.floats(0, 1279), y=st.floats(0, 1023))
def test_there_and_back_again(x, y):
    point = np.array([[x, y]])
    np.testing.assert_allclose(MODEL.to_px(MODEL.to_mm(point)), point, atol=1e-6)
    step = 1e-3
    slope = MODEL.jacobian(point)[0]
    for axis in (0, 1):
        nudge = np.zeros((1, 2))
        nudge[0, axis] = step
        change = (MODEL.to_mm(point + nudge) - MODEL.to_mm(point - nudge))[0] / (2 * step)
        np.testing.assert_allclose(slope[:, axis], change, rtol=1e-4, atol=1e-7)


def test_a_lens_without_distortion_is_a_plain_pinhole():
    """Against OpenCV's projection with all coefficients zero."""
    lens = CameraLens((1200.0, 1100.0), (640.0, 500.0))
    rays = np.array([[0.1, -0.2], [-0.3, 0.25], [0.0, 0.0]])
    matrix = np.array([[1200.0, 0, 640], [0, 1100, 500], [0, 0, 1]])
    solid = np.column_stack([rays, np.ones(3)])
    projected, _ = cv2.projectPoints(solid, np.zeros(3), np.zeros(3), matrix, np.zeros(5))
    np.testing.assert_allclose(lens.bend(rays), projected.reshape(-1, 2), atol=1e-9)
    np.testing.assert_allclose(lens.straighten(lens.bend(rays)), rays, atol=1e-12)


def test_no_points_map_to_no_points():
    assert MODEL.to_mm(np.zeros((0, 2))).shape == (0, 2)
    assert MODEL.to_px(np.zeros((0, 2))).shape == (0, 2)


def drawn_edges(plate, rng, sigma_mm, growth_mm):
    """Edge points as a perfect camera sees a plate whose printer misplaced every side by ``sigma_mm``."""
    places, normals, offsets, numbers = [], [], [], []
    for number in plate.fiducials:
        corners = plate.corners_mm(number)
        for start, end in ((0, 1), (1, 2), (2, 3), (3, 0)):
            normal = (corners[start] + corners[end]) / 2 - corners.mean(axis=0)
            normal /= np.linalg.norm(normal)
            side = rng.normal(0, sigma_mm)
            for along in (0.2, 0.4, 0.6, 0.8):
                places.append(corners[start] + along * (corners[end] - corners[start]))
                normals.append(normal)
                offsets.append(growth_mm + side + rng.normal(0, 0.2 * sigma_mm))
                numbers.append(number)
    place, normal, offset = np.array(places), np.array(normals), np.array(offsets)
    ones = np.ones(len(offset))
    seen = MODEL.to_px(place + offset[:, None] * normal)
    return EdgePoints(place, normal, offset, seen, ones, 1e-3 * ones, 0.05 * ones, np.array(numbers))


def test_stated_covariance_of_the_map_is_honest():
    """95 % ellipses at the hole hold about 95 % of the truths, when printed sides are 8 um off at random."""
    rng = np.random.default_rng(11)
    start = np.concatenate([MODEL.homography.ravel()[:8], np.zeros(5)])
    hole = np.array([[0.3, -0.2]])
    inside, errors, growths = 0, [], []
    for _ in range(120):
        fit = fit_edges(drawn_edges(HOLE_TARGET, rng, 0.008, 0.03), CameraLens.ideal(1280, 1024), start)
        error = (fit.model.to_mm(MODEL.to_px(hole)) - hole)[0]
        covariance = fit.model.covariance_at(hole)[0]
        inside += error @ np.linalg.solve(covariance, error) < 5.99
        errors.append(error)
        growths.append(fit.edge_growth_mm)
    assert 108 <= inside <= 119
    assert np.mean(growths) == pytest.approx(0.03, abs=1e-3)
    assert np.abs(np.mean(errors, axis=0)).max() < 8e-4


def test_lens_terms_grow_with_the_fiducials():
    assert [lens_terms(count) for count in (3, 4, 5, 6, 8)] == [0, 1, 1, 4, 4]


# --- the board ---------------------------------------------------------------------------------------


def board_frames(distortion, count):
    """Frames of a ChArUco board held at different angles before a camera with known distortion."""
    spec = BoardSpec()
    scale = 16
    print_size = (int(spec.columns * spec.square_mm * scale), int(spec.rows * spec.square_mm * scale))
    paper = spec.board().generateImage(print_size)
    matrix = np.array([[4000.0, 0, 639.5], [0, 4000.0, 511.5], [0, 0, 1]])
    grid = np.stack(np.meshgrid(np.arange(1280.0), np.arange(1024.0)), axis=-1).reshape(-1, 1, 2)
    flat = cv2.undistortPointsIter(grid, matrix, np.array(distortion), np.eye(3), matrix, (3, 40, 1e-9))
    frames = []
    for index in range(count):
        turn = cv2.Rodrigues(0.5 * np.array([np.sin(index * 1.3), np.cos(index * 2.1), 0.1 * index]))[0]
        shift = np.array([0, 0, 230.0]) - turn @ [
            spec.columns * spec.square_mm / 2,
            spec.rows * spec.square_mm / 2,
            0,
        ]
        homography = matrix @ np.column_stack([turn[:, 0], turn[:, 1], shift])
        place = cv2.perspectiveTransform(flat, np.linalg.inv(homography)).reshape(1024, 1280, 2) * scale - 0.5
        frame = cv2.remap(paper, place.astype(np.float32), None, cv2.INTER_AREA, borderValue=128)
        frames.append(cv2.GaussianBlur(frame, (0, 0), 0.8))
    return frames, matrix


def test_board_calibration_recovers_the_lens():
    """OpenCV's camera model is the reference: straightened points against the lens that drew the frames."""
    truth = (-0.25, 0.1, 4e-4, -3e-4, 0.0)
    frames, matrix = board_frames(truth, 8)
    calibration = calibrate_lens(frames, BoardSpec())
    assert isinstance(calibration, LensCalibration)
    assert calibration.views == 8
    assert calibration.rms_px < 0.2
    lens = calibration.lens
    assert lens.source == "board"
    points = np.stack(np.meshgrid(np.linspace(50, 1230, 9), np.linspace(50, 970, 9)), axis=-1).reshape(-1, 2)
    straight = lens.straighten(points)
    ideal = cv2.undistortPointsIter(
        points[:, None], matrix, np.array(truth), np.eye(3), np.eye(3), (3, 60, 1e-12)
    )
    # The principal point and the tilt of a view are exchangeable: compare up to a homography.
    same, _ = cv2.findHomography(straight, ideal.reshape(-1, 2))
    left = cv2.perspectiveTransform(straight[:, None], same).reshape(-1, 2) - ideal.reshape(-1, 2)
    bent = points[:, None] - (ideal * 4000 + matrix[:2, 2])
    assert np.abs(bent).max() > 5
    assert 4000 * np.abs(left).max() < 0.3


def test_board_calibration_needs_four_views():
    frames, _ = board_frames((0, 0, 0, 0, 0), 3)
    outcome = calibrate_lens(frames, BoardSpec())
    assert isinstance(outcome, NoLens)
    assert "found in 3 of 3" in outcome.detail


def test_eight_bit_frames_map_too(plain_frame):
    view, frame = plain_frame
    small = Image((frame.pixels // 16).astype(np.uint8), 0.01, Sensor(255, 10_000 / 255, 4.0))
    plate_map = map_plate(small, HOLE_TARGET)
    points = field(HOLE_TARGET, view)
    assert 1e3 * np.abs(plate_map.to_mm(view.to_px(points)) - points).max() < 5


@pytest.mark.parametrize("side_px", [25, 84])
@pytest.mark.parametrize("side", ["front", "behind"])
def test_markers_are_found_whatever_their_size(side_px, side):
    """Small ones do not show at half the size, at which a frame is looked at first."""
    plate = reference_target()
    pixels = np.full((900, 1000), 200, np.uint8)
    drawn = {}
    for k, number in enumerate(plate.fiducials):
        marker = cv2.aruco.generateImageMarker(plate.dictionary(), number, side_px)
        x, y = 40 + 150 * (k % 6), 40 + 150 * (k // 6)
        pixels[y : y + side_px, x : x + side_px] = marker
        drawn[number] = np.array([x, y]) + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * side_px - 0.5
    if side == "behind":
        pixels = np.ascontiguousarray(pixels[:, ::-1])
        drawn = {n: np.column_stack([999 - one[:, 0], one[:, 1]]) for n, one in drawn.items()}
    found = find_fiducials(Image(pixels, 0.01, Sensor(full_scale_dn=255)), plate, side)
    assert set(found) == set(plate.fiducials)
    for number, corners in found.items():
        assert np.abs(corners - drawn[number]).max() < 2.0
