"""The mount against closed forms, and its geometry against scipy's rotations as an outside reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from driver.axes import AxisSpec
from sim.drive import BrakeProfile, DriveErrors, StepDrive, TravelProfile
from sim.mount import Ending, SimMount
from sim.mount_errors import MountErrors, MountGeometry, MountNuisances, draw_mount, draw_seat
from sim.mount_geometry import LensState, place_lens, tilt_of, tilted_axis, turned

ON_AXIS = np.zeros(4)
small = st.floats(-100.0, 100.0)
positions = st.tuples(*[st.floats(-6.0, 6.0)] * 2, *[st.floats(-3.0, 3.0)] * 2)


def mount_with(axes, *, drives=None, geometry=None, nuisances=None, power_up=(0.0,) * 4, seed=0) -> SimMount:
    drawn = draw_mount(axes, nuisances or MountNuisances.none(), np.random.default_rng(seed))
    errors = MountErrors(
        geometry or drawn.geometry,
        drives or drawn.drives,
        power_up,
        drawn.drift_amplitude,
        drawn.drift_phase_rad,
        drawn.drift_period_s,
        drawn.ramp_s,
    )
    return SimMount(axes, errors, np.random.default_rng(seed))


def homed_mount(axes, **words) -> tuple[SimMount, float]:
    mount = mount_with(axes, **words)
    mount.begin_homing(0.0)
    assert mount.settle(100.0)[0] is Ending.HOMED
    return mount, 100.0


def go(mount: SimMount, time_s: float, targets, cruise_s: float = 1.0) -> float:
    """Move to targets in axis units; return the bench time of the end."""
    steps = np.array([target / axis.step for target, axis in zip(targets, mount.axes, strict=True)])
    mount.begin_move(time_s, np.rint(steps), cruise_s)
    ended = mount.settle(time_s + 1000.0)
    return time_s + 1000.0 if ended is None else ended[1]


# --- rotations and geometry ------------------------------------------------------------------------


@given(st.tuples(small, small, small), st.tuples(small, small, small))
@example((0.0, 0.0, 0.0), (1.0, 2.0, 3.0))
def test_vectors_are_turned_as_by_scipy(along, vector):
    along_rad = tuple(part / 100.0 for part in along)
    expected = Rotation.from_rotvec(along_rad).apply(vector)
    assert turned(vector, along_rad) == pytest.approx(expected, abs=1e-10)


@given(small, small)
def test_tilt_turns_about_fixed_axes_x_first(rx_mrad, ry_mrad):
    turned = Rotation.from_euler("xy", [rx_mrad * 1e-3, ry_mrad * 1e-3]).apply([0.0, 0.0, 1.0])
    axis = tilted_axis(rx_mrad, ry_mrad)
    assert axis == pytest.approx(turned, abs=1e-14)
    assert tilt_of(axis) == pytest.approx([rx_mrad, ry_mrad], abs=1e-9)


@given(positions, st.tuples(*[st.floats(-1.0, 1.0)] * 2, *[st.floats(-17.0, 17.0)] * 2), st.integers(0, 50))
def test_lens_goes_where_rotation_matrices_say(where, seat, seed):
    axes = EXAMPLE_AXES
    geometry = draw_mount(axes, MountNuisances(), np.random.default_rng(seed)).geometry
    pose, z_mm = place_lens(geometry, axes, where, np.array(seat))
    state = LensState.at(pose, z_mm)
    # The same chain by hand: lens on the tilt_x stage, that on the tilt_y stage, that on the linear axes.
    x, y, a, b = where
    inner = Rotation.from_rotvec(math.radians(a) * geometry.directions[2])
    outer = Rotation.from_rotvec(math.radians(b) * geometry.directions[3])
    wobble = Rotation.from_rotvec(x * geometry.parasitic[0] + y * geometry.parasitic[1])
    turn = wobble * outer * inner
    shift = x * geometry.directions[0] + y * geometry.directions[1]
    shift = shift + a * geometry.parasitic[2] + b * geometry.parasitic[3]
    seat_point = np.array([seat[0], seat[1], 0.0])
    vertex = geometry.pivot_mm + shift + turn.apply(seat_point - geometry.pivot_mm)
    axis = turn.apply(Rotation.from_euler("xy", np.array(seat[2:]) * 1e-3).apply([0.0, 0.0, 1.0]))
    assert state.vertex_mm == pytest.approx(vertex, abs=1e-12)
    assert state.axis == pytest.approx(axis, abs=1e-13)
    assert state.pose[:2] == pytest.approx(vertex[:2], abs=1e-12)


@given(st.floats(-3.0, 3.0), st.floats(-3.0, 3.0), st.floats(-60.0, 60.0))
def test_tilt_about_a_distant_pivot_shifts_the_vertex(a_deg, b_deg, pivot_z_mm):
    axes = EXAMPLE_AXES
    perfect = draw_mount(axes, MountNuisances.none(), np.random.default_rng(0)).geometry
    geometry = MountGeometry(perfect.directions, perfect.parasitic, np.array([0.0, 0.0, pivot_z_mm]))
    pose = place_lens(geometry, axes, [0.0, 0.0, a_deg, b_deg], ON_AXIS)[0]
    a, b = math.radians(a_deg), math.radians(b_deg)
    # Ry Rx applied to (0, 0, -pivot): the textbook product of the two matrices.
    assert pose[0] == pytest.approx(-pivot_z_mm * math.cos(a) * math.sin(b), abs=1e-12)
    assert pose[1] == pytest.approx(pivot_z_mm * math.sin(a), abs=1e-12)
    assert pose[2:] == pytest.approx([1e3 * a, 1e3 * b], abs=1e-9)


def test_clocked_mount_moves_obliquely(axes):
    nuisances = MountNuisances.none()
    turned = draw_mount(
        axes,
        MountNuisances(**{**as_dict(nuisances), "clocking_sigma_mrad": 50.0}),
        np.random.default_rng(4),
    ).geometry
    clocking = math.atan2(turned.directions[0, 1], turned.directions[0, 0])
    assert abs(clocking) > 1e-3
    pose = place_lens(turned, axes, [2.0, 0.0, 0.0, 0.0], ON_AXIS)[0]
    assert pose[:2] == pytest.approx([2.0 * math.cos(clocking), 2.0 * math.sin(clocking)], abs=1e-12)


def test_seat_stays_within_its_discs():
    nuisances, rng = MountNuisances(), np.random.default_rng(1)
    seats = np.array([draw_seat(nuisances, rng) for _ in range(4000)])
    decenter, tilt = np.hypot(*seats[:, :2].T), np.hypot(*seats[:, 2:].T)
    assert decenter.max() <= 1.0
    assert tilt.max() <= 1e3 * math.radians(1.0)
    # Uniform over the disc: half of all lie within radius / sqrt(2).
    assert np.mean(decenter < math.sqrt(0.5)) == pytest.approx(0.5, abs=0.03)
    assert np.mean(tilt < 1e3 * math.radians(1.0) * math.sqrt(0.5)) == pytest.approx(0.5, abs=0.03)


# --- one axis --------------------------------------------------------------------------------------


def sweep(drive: StepDrive, motors) -> list[float]:
    found = []
    for motor in motors:
        drive.settle(float(motor))
        found.append(drive.carriage(float(motor)))
    return found


def test_backlash_loop_has_parallel_flanks_one_backlash_apart():
    drive = StepDrive(DriveErrors(backlash=0.02))
    up, down = np.linspace(-1.0, 1.0, 401), np.linspace(1.0, -1.0, 401)
    sweep(drive, up)
    falling, rising = sweep(drive, down), sweep(drive, up)
    assert falling[0] == pytest.approx(1.0 - 0.01)
    held = [value for value in falling if value == pytest.approx(0.99, abs=1e-12)]
    assert len(held) == 5, "the carriage waits while the nut crosses 0.02 in steps of 0.005"
    inside = slice(10, -10)
    loop = np.array(falling[::-1])[inside] - np.array(rising)[inside]
    assert loop == pytest.approx(np.full(loop.shape, 0.02), abs=1e-12)


@given(st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=30), st.floats(0.0, 0.5))
def test_backlash_never_exceeds_half_its_width_and_forgets_how_often_it_was_looked_at(motors, backlash):
    looked, silent = StepDrive(DriveErrors(backlash=backlash)), StepDrive(DriveErrors(backlash=backlash))
    for motor in motors:
        before = looked.motor
        for part in (0.3, 0.6):  # looking on the way must not change where it ends
            looked.settle(before + part * (motor - before))
        looked.settle(motor)
        silent.settle(motor)
        assert abs(looked.carriage(motor) - motor) <= backlash / 2 + 1e-12
    assert looked.carriage(motors[-1]) == pytest.approx(silent.carriage(motors[-1]), abs=1e-12)


def test_stiction_swallows_small_moves_until_they_add_up():
    drive = StepDrive(DriveErrors(stiction=0.003))
    found = sweep(drive, [0.001, 0.002, 0.003, 0.004, 0.005])
    assert found == pytest.approx([0.0, 0.0, 0.0, 0.004, 0.004])


def test_scale_and_periodic_error_of_the_screw():
    drive = StepDrive(DriveErrors(scale_error=0.02, periodic_amplitude=0.002, periodic_pitch=0.5))
    assert drive.screw(2.0) == pytest.approx(2.04, abs=1e-12)
    assert drive.screw(2.125) == pytest.approx(2.125 * 1.02 + 0.002, abs=1e-12)


def test_repeatability_is_drawn_afresh_with_every_move():
    drive, rng = StepDrive(DriveErrors(repeatability=0.01)), np.random.default_rng(0)
    ends = []
    for move in range(2000):
        drive.begin(rng)
        drive.settle(float(move % 2))
        ends.append(drive.carriage(float(move % 2)) - move % 2)
    assert np.std(ends) == pytest.approx(0.01, rel=0.06)
    assert abs(np.mean(ends)) < 0.001
    assert abs(np.corrcoef(ends[:-1], ends[1:])[0, 1]) < 0.1


# --- motion in time --------------------------------------------------------------------------------


@given(st.floats(0.001, 20.0), st.floats(0.0, 2.0))
def test_travel_profile_covers_the_distance_smoothly(cruise_s, ramp_s):
    profile = TravelProfile(cruise_s, ramp_s)
    times = np.linspace(0.0, profile.duration_s, 401)
    rates = np.array([profile.rate_per_s(t) for t in times])
    covered = np.array([profile.progress(t) for t in times])
    assert (np.diff(covered) >= 0).all()
    assert covered[-1] == 1.0
    assert profile.progress(profile.duration_s * (1 - 1e-9)) == pytest.approx(1.0, abs=1e-6)
    assert rates.max() <= 1 / cruise_s * (1 + 1e-9), "never faster than full speed"
    integral = np.sum((rates[1:] + rates[:-1]) / 2 * np.diff(times))
    assert integral == pytest.approx(1.0, rel=0.02), "speed is the derivative of progress"


def test_move_takes_distance_over_speed_and_one_ramp(axes):
    # Uniform acceleration (any textbook of mechanics): t = d / v + v / a, and 2 sqrt(d / a) when short.
    mount, time_s = homed_mount(axes)
    distance, speed, ramp_s = 4.0, 2.0, 0.1
    end_s = go(mount, time_s, [distance, 0, 0, 0], cruise_s=distance / speed)
    assert end_s - time_s == pytest.approx(distance / speed + ramp_s)
    short = 0.01
    later_s = go(mount, end_s, [distance + short, 0, 0, 0], cruise_s=short / speed)
    assert later_s - end_s == pytest.approx(2 * math.sqrt(short / (speed / ramp_s)))


def test_axes_move_in_a_straight_line(axes):
    mount, time_s = homed_mount(axes)
    mount.begin_move(time_s, np.array([2000.0, -1000.0, 400.0, 0.0]), 1.0)
    for elapsed_s in (0.05, 0.3, 0.7, 1.05):
        mount.settle(time_s + elapsed_s)
        x, y, a, b = mount.true_positions(time_s + elapsed_s)
        assert 0 < x < 2
        assert mount.counter_steps(time_s + elapsed_s)[0] == round(1000 * x), "the counter counts along"
        assert (y, a, b) == pytest.approx((-x / 2, x / 10, 0.0), abs=1e-9)


@given(st.floats(0.0, 1.2), st.floats(0.005, 0.05))
@example(1.08, 0.05)  # already slowing down
def test_brake_stands_still_in_time_and_never_passes_the_target(brake_at_s, within_s):
    mount, time_s = homed_mount(EXAMPLE_AXES)
    mount.begin_move(time_s, np.array([2000.0, 0.0, 0.0, 0.0]), 1.0)
    now_s = time_s + brake_at_s
    mount.settle(now_s)
    before = mount.true_positions(now_s)[0]
    mount.brake(now_s, within_s)
    mount.settle(now_s + within_s + 1e-9)
    assert not mount.moving
    after = mount.true_positions(now_s + within_s)[0]
    assert before - 0.0006 <= after <= 2.0 + 1e-9
    assert after == pytest.approx(mount.counter_steps(now_s)[0] * 0.001, abs=1e-9), "position is kept"


def test_brake_profile_slows_down_uniformly():
    profile = BrakeProfile(0.04)
    assert profile.rate_per_s(0.0) * 0.04 / 2 == pytest.approx(1.0)
    # Half-way in time three quarters are covered and the speed is half (any textbook of mechanics).
    assert profile.progress(0.02) == pytest.approx(0.75)
    assert profile.rate_per_s(0.02) == pytest.approx(profile.rate_per_s(0.0) / 2)
    assert (profile.progress(0.05), profile.rate_per_s(0.05)) == (1.0, 0.0)


def test_homing_repeats_from_anywhere_and_zeroes_the_counter(axes):
    found = []
    for start in ((0.9, -0.4, 0.2, 0.1), (-1.0, 1.0, -0.5, 0.5)):
        mount, time_s = homed_mount(axes, power_up=start, nuisances=MountNuisances(home_repeatability_um=0))
        assert mount.counter_steps(time_s) == pytest.approx(np.zeros(4))
        found.append(mount.true_positions(time_s)[0])
    # What is left is the repeatability noise of the last move, drawn from the same seed.
    assert found[0] == pytest.approx(found[1], abs=1e-9)
    nuisances = MountNuisances(home_repeatability_um=20.0)
    spread = [
        homed_mount(axes, nuisances=nuisances, seed=1)[0].true_positions(100.0)[0],
        homed_mount(axes, nuisances=MountNuisances(home_repeatability_um=0.0), seed=1)[0].true_positions(
            100.0
        )[0],
    ]
    assert abs(spread[0] - spread[1]) > 1e-3


def test_homing_always_arrives_from_below_so_backlash_is_taken_up(axes):
    drives = tuple(DriveErrors(backlash=0.1) for _ in axes)
    for start in (-2.0, 2.0):
        mount, time_s = homed_mount(axes, drives=drives, power_up=(start, start, start, start))
        assert mount.true_positions(time_s) == pytest.approx(np.full(4, -0.05), abs=1e-9)


def test_limit_switch_stops_where_it_stands_even_when_the_counter_is_wrong(axes):
    mount, time_s = homed_mount(axes)
    mount.slip("X", 1000.0)  # 1 mm ahead of what the counter says
    mount.begin_move(time_s, np.array([6000.0, 0.0, 0.0, 0.0]), 3.0)
    ending, hit_s = mount.settle(time_s + 100.0)
    assert ending is Ending.LIMIT
    assert mount.limit_pressed()
    switch = 6.0 + 0.025 * 12.0
    assert mount.true_positions(hit_s)[0] == pytest.approx(switch, abs=1e-6)
    assert mount.counter_steps(hit_s)[0] == pytest.approx(1000 * (switch - 1.0), abs=1.0)
    mount.begin_homing(hit_s)
    assert mount.settle(hit_s + 100.0)[0] is Ending.HOMED
    assert not mount.limit_pressed()
    assert mount.true_positions(hit_s + 100.0)[0] == pytest.approx(0.0, abs=1e-9)


def test_a_move_inside_the_travel_of_a_good_mount_never_trips(axes):
    mount, time_s = homed_mount(axes)
    for target in (6.0, -6.0):
        time_s = go(mount, time_s, [target, target, target / 2, target / 2], cruise_s=6.0)
        assert not mount.limit_pressed()
        assert mount.true_positions(time_s)[0] == pytest.approx(target)


def test_lost_steps_shift_the_axis_and_the_counter_does_not_know(axes):
    mount, time_s = homed_mount(axes)
    mount.lose_steps("X", 100.0)
    assert mount.true_positions(time_s)[0] == pytest.approx(0.0), "nothing is lost while it stands"
    time_s = go(mount, time_s, [2.0, 0, 0, 0])
    assert mount.counter_steps(time_s)[0] == 2000
    assert mount.true_positions(time_s)[0] == pytest.approx(1.9)
    time_s = go(mount, time_s, [0.0, 0, 0, 0])
    assert mount.true_positions(time_s)[0] == pytest.approx(-0.1), "the offset stays until it is homed"
    mount.begin_homing(time_s)
    mount.settle(time_s + 100.0)
    assert mount.true_positions(time_s + 100.0)[0] == pytest.approx(0.0, abs=1e-9)


def test_drift_is_slow_and_starts_at_zero(axes):
    mount, time_s = homed_mount(axes, nuisances=MountNuisances())
    assert mount._errors.drift(0.0) == pytest.approx(np.zeros(4))
    here, soon = mount.lens(time_s, ON_AXIS).pose, mount.lens(time_s + 10.0, ON_AXIS).pose
    assert np.abs(soon - here)[:2].max() < 5e-5
    hours = np.array([mount.lens(time_s + 600.0 * k, ON_AXIS).pose - here for k in range(36)])
    assert 1e-3 < np.abs(hours[:, :2]).max() < 7e-3


def test_axes_that_no_mount_has_are_refused():
    with pytest.raises(ValueError, match="unit must be deg"):
        mount_with((AxisSpec("A", "mm", -1.0, 1.0, 0.001, "tilt_x", 1.0, 0.0),), power_up=(0.0,))
    twice = tuple(AxisSpec(name, "mm", -1.0, 1.0, 0.001, "decenter_x", 1.0, 0.0) for name in "XU")
    with pytest.raises(ValueError, match="one axis for each"):
        mount_with(twice, power_up=(0.0, 0.0))


@pytest.mark.parametrize("words", [{"scale_sigma": -0.1}, {"drift_um": math.nan}, {"periodic_pitch_mm": 0.0}])
def test_nuisances_that_cannot_be_are_refused(words):
    with pytest.raises(ValueError, match=next(iter(words))):
        MountNuisances(**words)


def as_dict(nuisances: MountNuisances) -> dict[str, object]:
    return {key: getattr(nuisances, key) for key in nuisances.__slots__}


EXAMPLE_AXES = (
    AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002),
    AxisSpec("Y", "mm", -6.0, 6.0, 0.001, "decenter_y", 2.0, 0.002),
    AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 1.0, 0.001),
    AxisSpec("B", "deg", -3.0, 3.0, 0.0005, "tilt_y", 1.0, 0.001),
)
