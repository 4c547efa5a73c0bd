"""The scene as a whole: truth, states, repeatability, and what each nuisance does."""

from __future__ import annotations

import dataclasses
import math

import cv2
import numpy as np
import pytest

from optics.lens import Lens
from optics.trace import SpotPath
from sim.camera_geometry import CameraSetup
from sim.scene import Scene
from sim.scene_example import (
    example_beam,
    example_cameras,
    example_layout,
    example_lens,
    example_plates,
    example_scene,
)
from sim.scene_nuisances import SceneNuisances
from sim.scene_spots import Pose
from sim.scene_state import SceneState

QUIET = SceneNuisances.none()
START: Pose = (0.7, -0.4, math.radians(-0.3) * 1e3, math.radians(0.5) * 1e3)
NULL: Pose = (0.0, 0.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return example_scene(seed=11)


def with_(**changes: object) -> SceneNuisances:
    return dataclasses.replace(QUIET, **changes)


# --- truth ------------------------------------------------------------------------------------------


def test_truth_without_nuisances_is_the_frozen_reference_case() -> None:
    # Landing points on which three general-purpose ray tracers agree; powers by Fresnel, radii by the q law.
    spots = example_scene(QUIET).truth(SceneState(START)).spots
    expected = {
        SpotPath.FRONT: (-9.341054310688, -0.798139511160),
        SpotPath.BACK: (3.236258174775, -7.717220308819),
        SpotPath.TRANSMITTED: (1.097084485597, -0.592439126123),
        SpotPath.GHOST_REFERENCE: (7.304104765354, -3.801620461530),
        SpotPath.GHOST_HOLE: (14.257524357700, -12.893160859530),
    }
    assert set(spots) == set(expected)
    for path, place in expected.items():
        assert spots[path].center_mm == pytest.approx(place, abs=1e-9)
    null = example_scene(QUIET).truth(SceneState(NULL)).spots
    for path, radius, power in (
        (SpotPath.FRONT, 3.165645932, 0.0425),
        (SpotPath.BACK, 4.822629728, 0.0390),
        (SpotPath.TRANSMITTED, 0.215311362, 0.917),
    ):
        assert null[path].radii_mm == pytest.approx((radius, radius), rel=1e-8)
        assert null[path].power == pytest.approx(power, rel=2e-3)


@pytest.mark.parametrize("seed", range(6))
def test_aligned_lens_sends_everything_back_along_the_true_beam(seed: int) -> None:
    scene = example_scene(seed=seed)
    pose = scene.aligned_pose()
    truth = scene.truth(SceneState(pose))
    assert truth.pose_against_beam == pytest.approx(NULL, abs=1e-12)
    for path in (SpotPath.FRONT, SpotPath.BACK):
        assert truth.spots[path].bench_mm == pytest.approx(truth.axis.offset_mm, abs=2e-6)
    bare = scene.truth(SceneState(None)).spots[SpotPath.TRANSMITTED]
    assert truth.spots[SpotPath.TRANSMITTED].bench_mm == pytest.approx(bare.bench_mm, abs=2e-6)
    assert truth.hole is not None
    assert np.hypot(*np.subtract(truth.axis.offset_mm, truth.hole.center_mm)) < 5 * 0.008


def test_beam_stands_in_the_hole_as_stated() -> None:
    apart = [
        np.subtract(scene.true_axis().offset_mm, hole.center_mm)
        for seed in range(300)
        if (scene := example_scene(seed=seed)) and (hole := scene.true_hole("hole_target"))
    ]
    assert np.std(apart) == pytest.approx(0.008, rel=0.12)


def test_bare_beam_follows_the_q_law() -> None:
    # Kogelnik & Li, Appl. Opt. 5, 1550 (1966): w = w0 sqrt(1 + (z / zR)^2).
    bare = example_scene(QUIET).truth(SceneState(None)).spots
    rayleigh_mm = math.pi * 0.4**2 / 532e-6
    assert set(bare) == {SpotPath.TRANSMITTED}
    assert bare[SpotPath.TRANSMITTED].radii_mm[0] == pytest.approx(0.4 * math.hypot(1, 654 / rayleigh_mm))
    assert bare[SpotPath.TRANSMITTED].power == 1.0


def test_each_nuisance_has_its_own_stream() -> None:
    one = example_scene(seed=5)
    other = example_scene(dataclasses.replace(SceneNuisances(), hole_center_sigma_mm=0.0), seed=5)
    assert one.true_lens == other.true_lens
    assert one.true_layout == other.true_layout
    assert one.true_axis().slope_mrad == other.true_axis().slope_mrad


# --- frames -----------------------------------------------------------------------------------------


def test_frames_are_repeatable_bit_for_bit(scene: Scene) -> None:
    state = SceneState(START, time_s=3.25, frame_number=7)
    again = example_scene(seed=11)
    for camera in scene.camera_names:
        frame = scene.render(camera, state, 0.005)
        assert frame.dtype == np.uint16
        assert frame.shape == (1024, 1280)
        scene.render(camera, SceneState(NULL, frame_number=8), 0.02)
        assert np.array_equal(frame, scene.render(camera, state, 0.005))
        assert np.array_equal(frame, again.render(camera, state, 0.005))


@pytest.mark.parametrize(
    "other",
    [{"frame_number": 8}, {"time_s": 3.5}, {"lamp_on": True}, {"shutter_open": False}, {"pose": NULL}],
)
def test_every_part_of_the_state_counts(scene: Scene, other: dict[str, object]) -> None:
    state = SceneState(START, time_s=3.25, frame_number=7)
    changed = dataclasses.replace(state, **other)
    before, after = (scene.render("hole_camera", which, 0.005) for which in (state, changed))
    assert not np.array_equal(before, after)


def test_still_speckle_repeats_and_moved_speckle_does_not(scene: Scene) -> None:
    frozen = SceneState(START, time_s=1.0)
    moved = dataclasses.replace(frozen, pose=(START[0] + 0.05, *START[1:]))
    one, repeat, other = (
        scene.mean_electrons("hole_camera", state, 0.02).astype(float)
        for state in (frozen, dataclasses.replace(frozen, frame_number=9), moved)
    )
    assert np.array_equal(one, repeat)
    column, row = scene.camera("hole_camera").view().to_px(np.array([[-7.8, -0.8]]))[0].astype(int)
    area = (slice(row - 22, row + 22), slice(column - 22, column + 22))
    grains = [light[area] / cv2.GaussianBlur(light, (0, 0), 8.0)[area] - 1 for light in (one, other)]
    assert grains[0].std() > 0.3
    assert abs(np.corrcoef(grains[0].ravel(), grains[1].ravel())[0, 1]) < 0.1


def test_shutter_closed_and_lens_out_leave_the_hole_target_dark() -> None:
    scene = example_scene(QUIET)
    for state in (SceneState(START, shutter_open=False), SceneState(None)):
        assert scene.mean_electrons("hole_camera", state, 0.02).max() == 0
    assert scene.mean_electrons("reference_camera", SceneState(None), 0.001).max() > 1000
    assert scene.mean_electrons("reference_camera", SceneState(None, shutter_open=False), 0.02).max() == 0


def test_lens_far_off_blocks_the_beam() -> None:
    truth = example_scene(QUIET).truth(SceneState((20.0, 0.0, 0.0, 0.0)))
    assert not any(spot.lit for spot in truth.spots.values())
    assert example_scene(QUIET).mean_electrons("hole_camera", SceneState((20.0, 0, 0, 0)), 0.02).max() == 0


def test_exposure_scales_the_light(scene: Scene) -> None:
    one, two = (scene.mean_electrons("hole_camera", SceneState(START), t).astype(float) for t in (0.01, 0.02))
    bright = two > 500
    # 10 and 20 ms are whole periods of the room light's flicker, so it averages out.
    assert two[bright] == pytest.approx(2 * one[bright], rel=1e-3)


@pytest.mark.parametrize("exposure_s", [0.0, -1.0, math.nan, math.inf])
def test_impossible_exposure_is_refused(scene: Scene, exposure_s: float) -> None:
    with pytest.raises(ValueError, match="exposure_s"):
        scene.render("hole_camera", SceneState(NULL), exposure_s)


# --- single nuisances -------------------------------------------------------------------------------


def bright_place(scene: Scene, camera: str, state: SceneState, exposure_s: float = 0.002) -> np.ndarray:
    """Centroid in px of all light of a picture."""
    light = scene.mean_electrons(camera, state, exposure_s).astype(float)
    rows, columns = np.indices(light.shape)
    return np.array([(light * columns).sum(), (light * rows).sum()]) / light.sum()


def test_beam_step_moves_the_bare_beam() -> None:
    scene = example_scene(with_(beam_step_time_s=10.0, beam_step_mm=(0.2, -0.1), ink_albedo=0.85))
    before, after = (bright_place(scene, "reference_camera", SceneState(None, time_s=t)) for t in (9.9, 10.1))
    view = scene.camera("reference_camera").view()
    assert view.to_mm(after[None])[0] - view.to_mm(before[None])[0] == pytest.approx([0.2, -0.1], abs=2e-3)


def test_knocked_camera_shifts_the_picture_and_not_the_truth() -> None:
    scene = example_scene(
        with_(camera_knock_time_s=5.0, camera_knock_mm=(0.5, 0.0, 0.0), knocked_camera="hole_camera")
    )
    lit = SceneState(None, shutter_open=False, lamp_on=True)
    late = dataclasses.replace(lit, time_s=6.0)
    before, after = (scene.mean_electrons("hole_camera", state, 0.002) for state in (lit, late))
    # The camera goes right by 0.5 mm, the picture left by 10 px of 50 um.
    misfit = [np.abs(before[:, 300:900] - after[:, 300 - k : 900 - k]).mean() for k in range(6, 15)]
    assert range(6, 15)[int(np.argmin(misfit))] == 10
    still = [scene.mean_electrons("reference_camera", state, 0.002) for state in (lit, late)]
    assert np.array_equal(*still)
    assert scene.truth(SceneState(START)).spots[SpotPath.FRONT].center_mm == pytest.approx(
        scene.truth(SceneState(START, time_s=6.0)).spots[SpotPath.FRONT].center_mm
    )


def test_knocked_plate_moves_print_against_light() -> None:
    scene = example_scene(
        with_(plate_knock_time_s=5.0, plate_knock_mm=(0.1, 0.0), knocked_plate="hole_target")
    )
    early, late = (scene.truth(SceneState(START, time_s=t)).spots[SpotPath.FRONT] for t in (0.0, 6.0))
    assert late.bench_mm == pytest.approx(early.bench_mm)
    assert late.center_mm - early.center_mm == pytest.approx([-0.1, 0.0])
    camera = scene.camera("hole_camera")
    moved = camera.print_to_px(np.zeros((1, 2)), 6.0) - camera.print_to_px(np.zeros((1, 2)), 0.0)
    assert moved[0] == pytest.approx([0.1 * 1280 / 64, 0.0], abs=0.01)


def test_mode_hop_changes_power_and_moves_the_rings() -> None:
    hop = {"mode_hop_time_s": 5.0, "mode_hop_power": 0.8}
    for visibility in (0.0, 1.0):
        scene = example_scene(with_(fringe_visibility=visibility, **hop))
        early, late = (
            scene.mean_electrons("hole_camera", SceneState(NULL, time_s=t), 0.02).astype(float)
            for t in (0, 6)
        )
        changed = np.abs(late / 0.8 - early).max() / early.max()
        assert changed < 1e-3 if visibility == 0 else changed > 0.2


def test_blocked_beam_is_dark() -> None:
    scene = example_scene(with_(blocked_time_s=9.0))
    for camera in scene.camera_names:
        assert scene.mean_electrons(camera, SceneState(NULL, time_s=8.9), 0.02).max() > 1000
        assert scene.mean_electrons(camera, SceneState(NULL, time_s=9.1), 0.02).max() == 0


def test_room_light_flickers_with_the_mains_and_has_a_gradient() -> None:
    scene = example_scene(with_(room_level=0.1, room_gradient=0.4, flicker=0.3, ink_albedo=0.85))
    dark = SceneState(None, shutter_open=False)
    levels = [
        scene.mean_electrons("hole_camera", dataclasses.replace(dark, time_s=t), 0.001).mean()
        for t in np.arange(0, 0.01, 0.001)
    ]
    # Twice the mains frequency, hardly averaged by 1 ms: peak to peak 2 x 0.3 x sinc(0.1).
    swing = (max(levels) - min(levels)) / np.mean(levels)
    assert swing == pytest.approx(2 * 0.3 * np.sinc(0.1), rel=0.06)
    # A whole period of it averages out, whenever it begins.
    early, late = (
        scene.mean_electrons("hole_camera", dataclasses.replace(dark, time_s=t), 0.01).mean()
        for t in (0.0, 0.0031)
    )
    assert late == pytest.approx(early, rel=1e-4)
    steady = scene.mean_electrons("hole_camera", dark, 0.01)
    assert steady[:, -200:].mean() > 1.3 * steady[:, :200].mean()


def test_drift_is_slow_zero_at_first_and_of_the_stated_size() -> None:
    drifting = with_(pointing_drift_um=5.0, pointing_period_s=100.0)
    starts, later = [], []
    for seed in range(80):
        scene = example_scene(drifting, seed=seed)
        offset = np.array(scene.true_axis(0.0).offset_mm)
        starts.append(np.array(scene.true_axis(0.5).offset_mm) - offset)
        later.append(np.array(scene.true_axis(3333.0).offset_mm) - offset)
    assert np.abs(starts).max() < 0.002
    # Difference of two independent moments of a wander with 5 um RMS.
    assert np.std(later) == pytest.approx(0.005 * math.sqrt(2), rel=0.15)


def test_ghosts_are_faint_and_can_be_left_out() -> None:
    state = SceneState(START)
    pictures = [
        example_scene(with_(ghosts=ghosts)).mean_electrons("hole_camera", state, 2.0).astype(float)
        for ghosts in (True, False)
    ]
    extra = pictures[0] - pictures[1]
    ghost = example_scene(QUIET).truth(state).spots[SpotPath.GHOST_HOLE]
    assert ghost.power == pytest.approx(7e-5, rel=0.05)  # three Fresnel reflections of 4.25 %, less losses
    column, row = example_scene(QUIET).camera("hole_camera").view().to_px(ghost.bench_mm[None])[0].astype(int)
    assert extra[row - 40 : row + 40, column - 40 : column + 40].mean() > 10


def test_other_lens_on_the_same_bench() -> None:
    scene = example_scene(QUIET)
    before = scene.truth(SceneState(START)).spots[SpotPath.FRONT].center_mm
    other = Lens.singlet("other", 50.9, -50.9, 6.0, "N-BK7", 25.4)
    scene.become(dataclasses.replace(scene.true, lens=other))
    after = scene.truth(SceneState(START)).spots[SpotPath.FRONT].center_mm
    assert not np.allclose(before, after, atol=0.1)


# --- bad input --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("fringe_visibility", 1.5),
        ("speckle_grain_um", 0.0),
        ("room_level", -1.0),
        ("halo_fraction", math.nan),
    ],
)
def test_impossible_nuisance_is_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        dataclasses.replace(SceneNuisances(), **{name: value})


def test_camera_on_a_missing_plate_and_misnamed_plate_are_refused() -> None:
    given = (example_lens(), example_layout(), example_beam())
    with pytest.raises(ValueError, match="nowhere"):
        Scene(*given, example_plates(), {"eye": CameraSetup(plate="nowhere")}, QUIET, 1)
    plate = example_plates()["hole_target"]
    with pytest.raises(ValueError, match="agree"):
        Scene(*given, {"wrong": plate}, {"eye": CameraSetup(plate="wrong")}, QUIET, 1)
    with pytest.raises(KeyError):
        Scene(*given, example_plates(), example_cameras(), QUIET, 1).render("third", SceneState(NULL), 0.01)
