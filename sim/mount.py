"""The mount: what the controller believes (step counter) against where the lens truly is.

Frames. The world frame has its z along the bench axis; here its origin is the nominal front vertex of the
lens. The linear axes carry a pivot; about it the tilt stage turns the lens, the ``tilt_x`` axis being the one
next to the lens and the ``tilt_y`` axis the one that carries it (so a perfect mount realises Ry Rx). The lens
lies in the innermost stage as it was seated. Rotations are exact; the small cross-talk rotations of the
linear axes turn everything about the pivot. A pose is that of the front vertex, as everywhere in the
project; the vertex also moves along z by some um, which the pose leaves out and :class:`LensState` tells.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from driver.axes import AxisSpec
from sim.drive import BrakeProfile, Leg, StepDrive, TravelProfile
from sim.mount_errors import MountErrors, MountGeometry

_HOME_BACK_OFF = 0.02  # of the travel: homing always finds the switch from below
_HOME_SPEED = 0.5  # of full speed
_HOME_CREEP = 0.05
_SWITCH_PLAY = 1e-6  # axis unit; a switch that stopped the motion stays pressed whatever the rounding


class Ending(Enum):
    """How motion came to its end."""

    ARRIVED = "arrived"
    HOMED = "homed"
    BRAKED = "braked"
    LIMIT = "limit"


@dataclass(frozen=True, slots=True)
class LensState:
    """Where the lens is.

    Attributes
    ----------
    vertex_mm : ndarray, shape (3,)
        Front vertex; origin at its nominal place.
    axis : ndarray, shape (3,)
        Unit vector of the optical axis, downstream.
    pose : ndarray, shape (4,)
        decenter x, y (mm), tilt x, y (mrad).
    """

    vertex_mm: NDArray[np.float64]
    axis: NDArray[np.float64]
    pose: NDArray[np.float64]


def rotation(vector_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the matrix that turns, right-handed, by ``|vector|`` about its direction (Rodrigues' formula).

    Parameters
    ----------
    vector_rad : ndarray, shape (3,)
    """
    angle = math.sqrt(float(vector_rad @ vector_rad))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = (vector_rad / angle).tolist()
    s, c = math.sin(angle), math.cos(angle)
    v = 1.0 - c
    return np.array(
        [
            [c + v * x * x, v * x * y - s * z, v * x * z + s * y],
            [v * x * y + s * z, c + v * y * y, v * y * z - s * x],
            [v * x * z - s * y, v * y * z + s * x, c + v * z * z],
        ]
    )


def tilted_axis(tilt_mrad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the axis of a lens tilted by (x, y) in mrad: Ry Rx z, shape (3,)."""
    rx, ry = 1e-3 * tilt_mrad
    return np.array([math.cos(rx) * math.sin(ry), -math.sin(rx), math.cos(rx) * math.cos(ry)])


def tilt_of(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the tilt (x, y) in mrad of a unit vector, shape (3,); the inverse of :func:`tilted_axis`."""
    return 1e3 * np.array([-math.asin(axis[1]), math.atan2(axis[0], axis[2])])


def place_lens(
    geometry: MountGeometry,
    axes: Sequence[AxisSpec],
    positions: NDArray[np.float64],
    seat_pose: NDArray[np.float64],
) -> LensState:
    """Carry a lens from its seat to where the axes put it.

    Parameters
    ----------
    geometry : MountGeometry
    axes : sequence of AxisSpec
    positions : ndarray, shape (axes,)
        True positions of the carriages, axis units.
    seat_pose : ndarray, shape (4,)
        Pose that the lens would have with all axes at 0.
    """
    linear = np.array([axis.unit == "mm" for axis in axes])
    shift_mm = positions @ np.where(linear[:, None], geometry.directions, geometry.parasitic)
    turns = {
        axis.moves: [math.radians(position) * part for part in direction]
        for axis, position, direction in zip(
            axes, positions.tolist(), geometry.directions.tolist(), strict=True
        )
        if axis.unit == "deg"
    }
    wobble_rad = ((positions * linear) @ geometry.parasitic).tolist()
    order = (turns.get("tilt_x", _NO_TURN), turns.get("tilt_y", _NO_TURN), wobble_rad)
    arm_mm = np.array([seat_pose[0], seat_pose[1], 0.0]) - geometry.pivot_mm
    vertex_mm = geometry.pivot_mm + shift_mm + np.array(_turned(arm_mm.tolist(), order))
    axis_vector = np.array(_turned(tilted_axis(seat_pose[2:]).tolist(), order))
    return LensState(vertex_mm, axis_vector, np.concatenate([vertex_mm[:2], tilt_of(axis_vector)]))


_NO_TURN = (0.0, 0.0, 0.0)


def _turned(vector: Sequence[float], turns: Sequence[Sequence[float]]) -> Sequence[float]:
    """Turn a vector as :func:`rotation` does, by one rotation vector (rad) after the other."""
    for along in turns:
        angle = math.hypot(*along)
        if angle == 0.0:
            continue
        (x, y, z), (vx, vy, vz) = (part / angle for part in along), vector
        s, c = math.sin(angle), math.cos(angle)
        kept = (1.0 - c) * (x * vx + y * vy + z * vz)
        vector = (
            c * vx + s * (y * vz - z * vy) + kept * x,
            c * vy + s * (z * vx - x * vz) + kept * y,
            c * vz + s * (x * vy - y * vx) + kept * z,
        )
    return vector


class SimMount:
    """Motors, screws and stages; asked at a bench time, never earlier than the last one.

    Parameters
    ----------
    axes : sequence of AxisSpec
        Linear axes that decenter, rotary axes that tilt; at most one of each kind.
    errors : MountErrors
        This mount's own.
    rng : numpy.random.Generator
        For the noise of every move and every homing.

    Raises
    ------
    ValueError
        For axes that no such mount has.
    """

    def __init__(self, axes: Sequence[AxisSpec], errors: MountErrors, rng: np.random.Generator) -> None:
        _check_axes(axes)
        self.axes = tuple(axes)
        self._errors, self._rng = errors, rng
        self._step = np.array([axis.step for axis in axes])
        self._drives = tuple(StepDrive(d, m) for d, m in zip(errors.drives, errors.power_up, strict=True))
        self._counter = np.zeros(len(axes))
        # The motor stands at (counter + slip) steps; only homing makes slip what it should be.
        self._slip = np.array(errors.power_up) / self._step
        self._lost = np.zeros(len(axes))
        self._legs: deque[Leg] = deque()
        # Where a lens lies while nothing moves: asked for every frame, and the same until the next move.
        self._resting: tuple[NDArray[np.float64], LensState] | None = None
        margins = [drive.limit_margin for drive in errors.drives]
        self._switches = [
            (axis.travel_min - m, axis.travel_max + m) for axis, m in zip(axes, margins, strict=True)
        ]

    # --- motion ------------------------------------------------------------------------------------

    def begin_move(self, time_s: float, targets_steps: NDArray[np.float64], cruise_s: float) -> None:
        """Start a straight move to ``targets_steps`` (step counter) that cruises for ``cruise_s``."""
        distance = targets_steps - self._counter
        if not distance.any():
            return
        lost = np.zeros(len(distance))
        if self._lost.any():
            moving, way = distance != 0, abs(distance)
            lost = np.where(moving, np.clip(np.copysign(self._lost, distance), -way, way), 0)
            self._lost = np.where(moving, 0.0, self._lost)
        profile = TravelProfile(cruise_s, self._errors.ramp_s)
        self._start(Leg(time_s, profile, self._counter.copy(), np.array(targets_steps, float), lost))

    def begin_homing(self, time_s: float) -> None:
        """Start to look for the home switches: past them, then slowly up to them from below."""
        travel = np.array([axis.travel_max - axis.travel_min for axis in self.axes])
        speed = np.array([axis.speed_per_s for axis in self.axes])
        found = [
            d.home_offset + d.home_repeatability * self._rng.standard_normal() for d in self._errors.drives
        ]
        home = np.array(found) / self._step - self._slip
        back_off = _HOME_BACK_OFF * travel
        below = home - back_off / self._step
        nothing = np.zeros(len(self.axes))
        fast_s = float(np.max(abs(below - self._counter) * self._step / (_HOME_SPEED * speed)))
        creep_s = float(np.max(back_off / (_HOME_CREEP * speed)))
        ramp_s = self._errors.ramp_s
        first = Leg(time_s, TravelProfile(fast_s, ramp_s), self._counter.copy(), below, nothing, True)
        creep = TravelProfile(creep_s, ramp_s)
        self._start(first)
        self._legs.append(Leg(first.end_s, creep, below, home, nothing, True))

    def brake(self, time_s: float, within_s: float) -> None:
        """Slow down to standstill within ``within_s``; the counter keeps the position."""
        if not self._legs:
            return
        leg, elapsed_s = self._legs[0], time_s - self._legs[0].start_s
        progress, rate = leg.profile.progress(elapsed_s), leg.profile.rate_per_s(elapsed_s)
        # Never past the target: from a uniform ramp down, that takes the time that is left.
        brake_s = min(within_s, 2 * (1 - progress) / rate) if rate > 0 else 0.0
        self._rest(progress)
        travelled = leg.distance_steps * rate * brake_s / 2
        end = np.rint(self._counter + travelled)
        profile = BrakeProfile(brake_s)
        self._legs.append(Leg(time_s, profile, self._counter.copy(), end, np.zeros(len(end)), False))
        for drive, distance in zip(self._drives, end - self._counter, strict=True):
            if distance:
                drive.begin(self._rng)

    def freeze(self, time_s: float, lost_steps: float = 0.0) -> None:
        """Stand still at once where the axes are; moving motors fall back by ``lost_steps`` (a stall)."""
        if not self._legs:
            return
        leg = self._legs[0]
        self._slip -= lost_steps * np.sign(leg.distance_steps)
        self._rest(leg.progress(time_s))

    def settle(self, time_s: float) -> tuple[Ending, float] | None:
        """Bring motion up to ``time_s``; return how and when it ended if it ended since the last call."""
        while self._legs:
            leg = self._legs[0]
            hit_s = self._limit_hit_s(leg)
            if hit_s is not None and hit_s <= time_s:
                self.freeze(hit_s)
                return Ending.LIMIT, hit_s
            if leg.end_s > time_s:
                return None
            rest = list(self._legs)[1:]
            self._rest(1.0)
            self._legs.extend(rest)
            if not rest:
                return self._ended(leg), leg.end_s
        return None

    def lose_steps(self, axis_name: str, steps: float) -> None:
        """Let the motor of an axis miss ``steps`` on its next move (at most that move's own steps)."""
        self._lost[self._index(axis_name)] += abs(steps)

    def slip(self, axis_name: str, steps: float) -> None:
        """Let the screw of an axis jump by ``steps`` now, which its counter does not know."""
        index = self._index(axis_name)
        self._resting = None
        self._slip[index] += steps
        if not self._legs:
            self._drives[index].settle(float(self._motor(self._counter)[index]))

    def forget_counter(self, time_s: float) -> None:
        """Lose the counter as at power-up: it reads 0, the axes stand where they stand."""
        self.freeze(time_s)
        self._slip += self._counter
        self._counter = np.zeros(len(self.axes))

    # --- what is asked -----------------------------------------------------------------------------

    @property
    def moving(self) -> bool:
        """Tell whether motion has not ended yet (as of the last :meth:`settle`)."""
        return bool(self._legs)

    @property
    def homing(self) -> bool:
        """Tell whether the axes look for their home switches."""
        return bool(self._legs) and self._legs[0].seeks_home

    @property
    def duration_s(self) -> float:
        """How long the motion takes that has begun; 0 when none has."""
        return self._legs[-1].end_s - self._legs[0].start_s if self._legs else 0.0

    def counter_steps(self, time_s: float) -> NDArray[np.float64]:
        """Return the controller's step counter, shape (axes,)."""
        if not self._legs:
            return np.rint(self._counter)
        leg = self._legs[0]
        return np.rint(leg.counter_start + leg.progress(time_s) * leg.distance_steps)

    def motor_positions(self) -> NDArray[np.float64]:
        """Return where the motors stand, shape (axes,), axis units (as of the last :meth:`settle`).

        What the controller counts from does not matter here; what the screws lose behind the motors either.
        """
        return self._motor(self._counter)

    def true_positions(self, time_s: float) -> NDArray[np.float64]:
        """Return where the carriages truly are, shape (axes,), axis units."""
        if not self._legs:
            motor, progress = self._motor(self._counter), 1.0
        else:
            leg = self._legs[0]
            progress = leg.progress(time_s)
            motor = self._motor(leg.counter_start + progress * (leg.distance_steps - leg.lost_steps))
        return np.array([d.carriage(float(m), progress) for d, m in zip(self._drives, motor, strict=True)])

    def lens(self, time_s: float, seat_pose: NDArray[np.float64]) -> LensState:
        """Return where a lens is that lies in the mount as ``seat_pose`` says (pose with all axes at 0)."""
        state = self._placed(time_s, seat_pose)
        pose = self.pose(time_s, seat_pose)
        vertex_mm = np.array([pose[0], pose[1], state.vertex_mm[2]])
        return LensState(vertex_mm, tilted_axis(pose[2:]), pose)

    def pose(self, time_s: float, seat_pose: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the pose of :meth:`lens` alone, shape (4,)."""
        pose: NDArray[np.float64] = self._placed(time_s, seat_pose).pose + self._errors.drift(time_s)
        return pose

    def limit_pressed(self) -> bool:
        """Tell whether a limit switch is pressed (as of the last :meth:`settle`)."""
        motors = self._motor(self._counter).tolist()
        return any(
            not low + _SWITCH_PLAY < motor < high - _SWITCH_PLAY
            for motor, (low, high) in zip(motors, self._switches, strict=True)
        )

    def meets_switch(self) -> bool:
        """Tell whether the motion under way ends on a limit switch; homing means to find its own."""
        return any(self._limit_hit_s(leg) is not None for leg in self._legs)

    # --- inside ------------------------------------------------------------------------------------

    def _placed(self, time_s: float, seat_pose: NDArray[np.float64]) -> LensState:
        if self._resting is not None and self._resting[0] is seat_pose:
            return self._resting[1]
        state = place_lens(self._errors.geometry, self.axes, self.true_positions(time_s), seat_pose)
        if not self._legs:
            self._resting = (seat_pose, state)
        return state

    def _index(self, axis_name: str) -> int:
        return [axis.name for axis in self.axes].index(axis_name)

    def _motor(self, counter: NDArray[np.float64]) -> NDArray[np.float64]:
        motor: NDArray[np.float64] = (counter + self._slip) * self._step
        return motor

    def _start(self, leg: Leg) -> None:
        self._resting = None
        self._legs.append(leg)
        for drive, distance in zip(self._drives, leg.distance_steps, strict=True):
            if distance:
                drive.begin(self._rng)

    def _rest(self, progress: float) -> None:
        """Stand still ``progress`` into the present leg and drop all legs."""
        leg = self._legs[0]
        self._slip -= progress * leg.lost_steps
        self._counter = leg.counter_start + progress * leg.distance_steps
        for drive, motor in zip(self._drives, self._motor(self._counter), strict=True):
            drive.settle(float(motor), progress)
        self._legs.clear()

    def _ended(self, leg: Leg) -> Ending:
        if isinstance(leg.profile, BrakeProfile):
            return Ending.BRAKED
        if not leg.seeks_home:
            return Ending.ARRIVED
        self._slip += self._counter
        self._counter = np.zeros(len(self.axes))
        self._lost = np.zeros(len(self.axes))
        return Ending.HOMED

    def _limit_hit_s(self, leg: Leg) -> float | None:
        if leg.seeks_home:
            return None
        start = self._motor(leg.counter_start).tolist()
        distance = ((leg.distance_steps - leg.lost_steps) * self._step).tolist()
        hits = []
        for begin, way, (low, high) in zip(start, distance, self._switches, strict=True):
            edge = high if way > 0 else low
            if way and (begin + way - edge) * way >= 0:
                hits.append(max((edge - begin) / way, 0.0))
        return leg.time_of_s(min(hits)) if hits else None


def _check_axes(axes: Sequence[AxisSpec]) -> None:
    if not axes:
        raise ValueError("the simulated mount needs at least one axis")
    for axis in axes:
        wanted = "mm" if axis.moves.startswith("decenter") else "deg"
        if axis.unit != wanted:
            raise ValueError(f"simulated axis {axis.name} moves {axis.moves}: its unit must be {wanted}")
    kinds = [axis.moves for axis in axes]
    doubled = sorted({kind for kind in kinds if kinds.count(kind) > 1})
    if doubled:
        raise ValueError(f"the simulated mount has one axis for each of {doubled}, not several")
