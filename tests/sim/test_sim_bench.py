"""The bench as a whole: one seed repeats it, time passes as described, the witness measures what it says."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from driver.faults import DeviceFault, FaultCode
from driver.port import Port
from driver.protocols import Camera, Clock, LensHandler, Witness
from optics.layout import Beam
from sim.clock import SimClock
from sim.mount_geometry import LensState, tilt_of
from sim.nuisances import Nuisances
from sim.truth import residual

ARCSEC = math.radians(1 / 3600)


def run(bench, at_line):
    """A short session; return every byte and every pixel that left the bench."""
    person = at_line(bench.line)
    heard, seen = [person.ask("G28")], []
    bench.clock.sleep_s(60.0)
    bench.lens_handler.lens_in()
    for words in ("G00 X1 Y-1 A0.2 B-0.3", "M21", "Q1", "Q2"):
        heard.append(person.ask(words))
        bench.clock.sleep_s(3.0)
        for name in bench.camera_names:
            frame = bench.camera(name).grab(0.01)
            seen.append((frame.time_s, frame.sequence, frame.pixels.tobytes()))
    return heard, seen, bench.witness.pose(), bench.clock.now_s()


def test_devices_fulfil_the_protocols(bench):
    assert isinstance(bench.line, Port)
    assert isinstance(bench.clock, Clock)
    assert isinstance(bench.camera("hole_camera"), Camera)
    assert isinstance(bench.lens_handler, LensHandler)
    assert isinstance(bench.witness, Witness)


def test_same_seed_gives_the_same_bytes_and_the_same_pixels(build, at_line):
    first, again, other = (run(build(nuisances=Nuisances(), seed=seed), at_line) for seed in (5, 5, 6))
    assert first == again
    assert first[1] != other[1]
    assert first[2] != other[2]


def brightest_px(frame) -> tuple[float, float]:
    row, column = np.unravel_index(np.argmax(cv2.GaussianBlur(frame.pixels, (0, 0), 2.0)), frame.pixels.shape)
    return float(column), float(row)


def difference(one, other) -> float:
    return float(np.mean(np.abs(one.pixels.astype(float) - other.pixels.astype(float))))


@pytest.mark.parametrize("after_a_frame", [True, False])
def test_a_beam_that_is_altered_is_seen_from_the_next_frame_on(build, at_line, after_a_frame):
    bench = build(nuisances=Nuisances.none(), seed=3)
    at_line(bench.line).ask("M21")
    bench.clock.sleep_s(1.0)
    camera = bench.camera("reference_camera")
    if after_a_frame:
        assert brightest_px(camera.grab(0.2)) == pytest.approx((159.5, 127.5), abs=2.0)
    bench.alter(beam=replace(bench.true.beam, offset_mm=(4.0, 0.0)))
    # 36 mm lie across 320 pixels.
    column, row = brightest_px(camera.grab(0.2))
    assert abs(column - 159.5) == pytest.approx(4.0 * 320 / 36, abs=2.0)
    assert row == pytest.approx(127.5, abs=2.0)


def test_a_camera_that_is_knocked_sees_its_plate_elsewhere(build, at_line):
    bench = build(nuisances=Nuisances.none(), seed=3)
    at_line(bench.line).ask("M23")
    camera = bench.camera("hole_camera")
    first, still = camera.grab(0.001), camera.grab(0.001)
    errors = bench.true.camera_errors
    knocked = replace(errors["hole_camera"], shift_mm=(2.0, 0.0, 0.0))
    bench.alter(camera_errors={**errors, "hole_camera": knocked})
    assert difference(first, camera.grab(0.001)) > 1.5 * difference(first, still)


def test_clock_advances_only_by_what_takes_time(bench, person):
    assert bench.clock.now_s() == 0.0
    bench.truth()
    assert bench.clock.now_s() == 0.0
    person.ask("Q2")
    after_line_s = bench.clock.now_s()
    assert 0.002 < after_line_s < 0.02
    frame = bench.camera("hole_camera").grab(0.05)
    assert frame.time_s == pytest.approx(after_line_s + 0.025)
    assert bench.clock.now_s() == pytest.approx(after_line_s + 0.05 + bench.nuisances.readout_s)
    before_s = bench.clock.now_s()
    bench.lens_handler.lens_in()
    bench.lens_handler.lens_in()
    assert bench.clock.now_s() == pytest.approx(before_s + bench.nuisances.handling_s)


@pytest.mark.parametrize("duration_s", [-1.0, math.nan, math.inf])
def test_clock_refuses_to_go_back_or_to_nowhere(duration_s):
    with pytest.raises(ValueError, match="cannot advance"):
        SimClock().sleep_s(duration_s)


def test_frames_are_stamped_and_numbered(bench):
    frames = [bench.camera(name).grab(0.01) for name in ("hole_camera", "reference_camera", "hole_camera")]
    assert [frame.camera for frame in frames] == ["hole_camera", "reference_camera", "hole_camera"]
    numbers, times = [f.sequence for f in frames], [f.time_s for f in frames]
    assert numbers == sorted(set(numbers))
    assert times == sorted(set(times))
    assert all(frame.pixels.shape == (256, 320) and frame.pixels.dtype == np.uint16 for frame in frames)
    assert not frames[0].pixels.flags.writeable
    assert frames[0].exposure_s == 0.01


@pytest.mark.parametrize("exposure_s", [0.0, -0.1, math.nan, math.inf, 61.0])
def test_impossible_exposure_is_refused_and_takes_no_time(bench, exposure_s):
    with pytest.raises(ValueError, match="exposure_s"):
        bench.camera("hole_camera").grab(exposure_s)
    assert bench.clock.now_s() == 0.0


def test_unknown_camera_names_those_that_are_there(bench):
    with pytest.raises(DeviceFault, match="hole_camera, reference_camera") as caught:
        bench.camera("hole_camra")
    assert caught.value.code is FaultCode.CAMERA_NOT_FOUND


def test_light_follows_shutter_and_lamp(bench, person):
    camera = bench.camera("reference_camera")

    def light() -> tuple[float, float]:
        pixels = camera.grab(0.01).pixels
        return float(pixels.max()), float(np.mean(pixels))

    dark, dark_mean = light()
    person.ask("M21")
    bench.clock.sleep_s(1.0)
    assert light()[0] > dark + 200, "the bare beam is on the plate"
    bench.controller.set_interlock(closed=False)
    bench.clock.sleep_s(1.0)
    assert light()[0] < dark + 20
    person.ask("M23")
    assert light()[1] > dark_mean + 0.5
    assert bench.truth().lamp_on


def test_frame_hook_sees_every_frame(bench):
    camera = bench.camera("hole_camera")
    kept = camera.grab(0.01)
    camera.frame_hook = lambda _: kept
    assert camera.grab(0.01) is kept


def test_what_a_frame_cannot_show_is_not_in_the_truth_that_it_shows(build, at_line):
    bench = build(nuisances=Nuisances(), seed=3)
    person, camera = at_line(bench.line), bench.camera("reference_camera")
    person.ask("M21")
    bench.clock.sleep_s(1.0)
    bench.keep_shown()
    camera.grab(0.01)
    assert bench.shown is None, "the beam was bare"
    bench.lens_handler.lens_in()

    def slips(frame):
        bench._seat_pose = bench._seat_pose + np.array([0.1, 0.0, 0.0, 0.0])
        camera.frame_hook = None
        return frame

    camera.frame_hook = slips  # after the exposure
    frame = camera.grab(0.01)
    shown, after = bench.shown, bench.truth()
    assert shown.time_s == frame.time_s
    assert shown.pose == pytest.approx(bench.scene_state("reference_camera")[1].pose)
    assert after.decenter_um[0] - shown.decenter_um[0] == pytest.approx(100.0, abs=1.0)
    # Frames without the beam show nothing of the lens.
    person.ask("M22")
    person.ask("M23")
    bench.clock.sleep_s(1.0)
    camera.grab(0.01)
    assert bench.shown is shown
    person.ask("M21")
    bench.clock.sleep_s(1.0)
    bench.camera("hole_camera").grab(0.01)
    assert bench.shown.decenter_um == pytest.approx(after.decenter_um, abs=0.5)
    bench.keep_shown()
    assert bench.shown is None


def test_lens_seats_anew_every_time_within_its_discs(bench, person):
    person.ask("G28")
    bench.clock.sleep_s(60.0)
    poses = []
    for _ in range(20):
        bench.lens_handler.lens_in()
        poses.append(bench.truth().pose)
        bench.lens_handler.lens_out()
        assert bench.truth().pose is None
    poses = np.array(poses)
    assert len({tuple(pose) for pose in poses}) == 20
    assert np.hypot(*poses[:, :2].T).max() <= 1.0 + 1e-9
    assert np.hypot(*poses[:, 2:].T).max() <= 1e3 * math.radians(1.0) + 1e-9


def test_witness_needs_a_lens(bench):
    with pytest.raises(DeviceFault) as caught:
        bench.witness.pose()
    assert caught.value.code is FaultCode.HANDLER_FAILED


def test_witness_follows_the_axes_one_to_one_on_a_perfect_bench(bench, homed):
    bench.lens_handler.lens_in()
    before = bench.witness.pose()
    homed.ask("G00 X0.25 Y-0.5 A0.1 B-0.2")
    bench.clock.sleep_s(10.0)
    after = bench.witness.pose()
    moved_um = np.subtract(after["decenter_um"], before["decenter_um"])
    moved_arcsec = np.subtract(after["tilt_arcsec"], before["tilt_arcsec"])
    # The vertex is off the pivot by its seat (<= 1 mm), so tilts move it by up to 1 mm x (1 - cos).
    assert moved_um == pytest.approx([250.0, -500.0], abs=0.05)
    # Tilts of 1 deg do not quite add: the second order is 1 deg x 0.2 deg / 2.
    assert moved_arcsec == pytest.approx([360.0, -720.0], abs=2.0)


@given(
    st.tuples(*[st.floats(-0.5, 0.5)] * 2),
    st.tuples(*[st.floats(-20.0, 20.0)] * 2),
    st.tuples(*[st.floats(-1.0, 1.0)] * 2),
    st.tuples(*[st.floats(-8000.0, 8000.0)] * 2),
)
def test_residual_is_what_was_put_in_on_a_slanted_beam(offset_mm, slope_mrad, off_mm, tilt_arcsec):
    """Place a lens by hand relative to a slanted beam, in the beam's own frame; get back what was put in."""
    beam = Beam(532.0, 0.4, -200.0, offset_mm, slope_mrad)
    along = np.array([slope_mrad[0] * 1e-3, slope_mrad[1] * 1e-3, 1.0])
    along /= np.linalg.norm(along)
    # Smallest rotation from z to the beam, by scipy.
    axis = np.cross([0.0, 0.0, 1.0], along)
    sine = np.linalg.norm(axis)
    to_beam = Rotation.from_rotvec(axis / sine * math.asin(sine)) if sine > 0 else Rotation.identity()
    tilted = Rotation.from_euler("xy", np.array(tilt_arcsec) * ARCSEC).apply([0.0, 0.0, 1.0])
    lens_axis = to_beam.apply(tilted)
    vertex_mm = np.append(np.array(offset_mm) + np.array(slope_mrad) * 0.3 + off_mm, 0.0)
    state = LensState(vertex_mm, lens_axis, np.concatenate([vertex_mm[:2], tilt_of(tuple(lens_axis))]))
    decenter_um, tilt = residual(state, beam, 300.0)
    assert decenter_um == pytest.approx(1e3 * np.array(off_mm), abs=1e-9)
    assert tilt == pytest.approx(tilt_arcsec, abs=1e-6)


def test_residual_agrees_with_the_scene_to_first_order(build):
    bench = build(nuisances=Nuisances(), seed=11)
    bench.lens_handler.lens_in()
    truth, pose = bench.truth(), bench.witness.pose()
    seen = bench._scene.pose_against_beam(tuple(truth.pose), truth.time_s)
    assert pose["decenter_um"] == pytest.approx(1e3 * np.array(seen[:2]), abs=0.1)
    assert np.array(pose["tilt_arcsec"]) * ARCSEC * 1e3 == pytest.approx(seen[2:], abs=0.01)


def test_lens_on_the_true_beam_sends_both_returns_back_along_it(build):
    """The null of the witness is the null of the physics, with every error of the bench switched on."""
    from optics.spots import spot_coordinates

    truth = build(nuisances=Nuisances(), seed=12).truth()
    beam, l1_mm = truth.beam, truth.layout.l1_mm
    crossing = np.array(beam.offset_mm) + np.array(beam.slope_mrad) * 1e-3 * l1_mm
    along = np.array([beam.slope_mrad[0] * 1e-3, beam.slope_mrad[1] * 1e-3, 1.0])
    pose = np.concatenate([crossing, tilt_of(tuple(along / np.linalg.norm(along)))])
    state = LensState(np.append(crossing, 0.0), along / np.linalg.norm(along), pose)
    decenter_um, tilt_arcsec = residual(state, beam, l1_mm)
    assert (*decenter_um, *tilt_arcsec) == pytest.approx((0.0, 0.0, 0.0, 0.0), abs=1e-6)
    front, back = spot_coordinates(truth.lens, truth.layout, beam, pose[None])[0][:4].reshape(2, 2)
    assert front == pytest.approx(beam.offset_mm, abs=1e-9)
    assert back == pytest.approx(beam.offset_mm, abs=1e-9)


@pytest.mark.parametrize("words", [{"readout_s": -1.0}, {"handling_s": math.nan}])
def test_impossible_times_are_refused(words):
    with pytest.raises(ValueError, match=next(iter(words))):
        Nuisances(**words)
