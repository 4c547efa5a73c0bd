"""The mount: what the controller believes (step counter) against where the lens truly is.

How its axes stand and what they do to a lens is :mod:`sim.mount_geometry`. One number for each axis is a list
here: with four of them, arrays cost more in calls than in arithmetic.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from driver.axes import AxisSpec
from sim.drive import BrakeProfile, Leg, StepDrive, TravelProfile
from sim.mount_errors import MountErrors
from sim.mount_geometry import LensState, Pose, place_lens

_HOME_BACK_OFF = 0.02  # of the travel: homing always finds the switch from below
_HOME_SPEED = 0.5  # of full speed
_HOME_CREEP = 0.05
_SWITCH_PLAY = 1e-6  # axis unit; a switch that stopped the motion stays pressed whatever the rounding

Steps = Sequence[float]
"""One number of steps for each axis."""


class Ending(Enum):
    """How motion came to its end."""

    ARRIVED = "arrived"
    HOMED = "homed"
    BRAKED = "braked"
    LIMIT = "limit"


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
        self._step = [axis.step for axis in axes]
        self._drives = tuple(StepDrive(d, m) for d, m in zip(errors.drives, errors.power_up, strict=True))
        self._counter: Steps = [0.0] * len(axes)
        # The motor stands at (counter + slip) steps; only homing makes slip what it should be.
        self._slip = [at / step for at, step in zip(errors.power_up, self._step, strict=True)]
        self._lost = [0.0] * len(axes)
        self._legs: deque[Leg] = deque()
        # Where a lens lies while nothing moves: asked for every frame, and the same until the next move.
        self._resting: tuple[NDArray[np.float64], tuple[Pose, float]] | None = None
        margins = [drive.limit_margin for drive in errors.drives]
        self._switches = [
            (axis.travel_min - m, axis.travel_max + m) for axis, m in zip(axes, margins, strict=True)
        ]

    # --- motion ------------------------------------------------------------------------------------

    def begin_move(self, time_s: float, targets_steps: Steps, cruise_s: float) -> None:
        """Start a straight move to ``targets_steps`` (step counter) that cruises for ``cruise_s``."""
        ways = [target - at for target, at in zip(targets_steps, self._counter, strict=True)]
        if not any(ways):
            return
        lost = [
            math.copysign(min(missed, abs(way)), way) if way else 0.0
            for missed, way in zip(self._lost, ways, strict=True)
        ]
        self._lost = [0.0 if way else missed for missed, way in zip(self._lost, ways, strict=True)]
        profile = TravelProfile(cruise_s, self._errors.ramp_s)
        self._start(Leg(time_s, profile, self._counter, targets_steps, lost))

    def begin_homing(self, time_s: float) -> None:
        """Start to look for the home switches: past them, then slowly up to them from below."""
        fast_s = creep_s = 0.0
        home, below = [], []
        for axis, drive, at, slip in zip(
            self.axes, self._errors.drives, self._counter, self._slip, strict=True
        ):
            found = drive.home_offset + drive.home_repeatability * self._rng.standard_normal()
            back_off = _HOME_BACK_OFF * (axis.travel_max - axis.travel_min)
            home.append(found / axis.step - slip)
            below.append(home[-1] - back_off / axis.step)
            fast_s = max(fast_s, abs(below[-1] - at) * axis.step / (_HOME_SPEED * axis.speed_per_s))
            creep_s = max(creep_s, back_off / (_HOME_CREEP * axis.speed_per_s))
        ramp_s, nothing = self._errors.ramp_s, [0.0] * len(home)
        first = Leg(time_s, TravelProfile(fast_s, ramp_s), self._counter, below, nothing, True)
        self._start(first)
        self._legs.append(Leg(first.end_s, TravelProfile(creep_s, ramp_s), below, home, nothing, True))

    def brake(self, time_s: float, within_s: float) -> None:
        """Slow down to standstill within ``within_s``; the counter keeps the position."""
        if not self._legs:
            return
        leg, elapsed_s = self._legs[0], time_s - self._legs[0].start_s
        progress, rate = leg.profile.progress(elapsed_s), leg.profile.rate_per_s(elapsed_s)
        # Never past the target: from a uniform ramp down, that takes the time that is left.
        brake_s = min(within_s, 2 * (1 - progress) / rate) if rate > 0 else 0.0
        self._rest(progress)
        end = [
            float(round(at + way * rate * brake_s / 2))
            for at, way in zip(self._counter, leg.distance_steps, strict=True)
        ]
        self._begin(Leg(time_s, BrakeProfile(brake_s), self._counter, end, [0.0] * len(end)))

    def freeze(self, time_s: float, lost_steps: float = 0.0) -> None:
        """Stand still at once where the axes are; moving motors fall back by ``lost_steps`` (a stall)."""
        if not self._legs:
            return
        leg = self._legs[0]
        self._slip = [
            slip - math.copysign(lost_steps, way) if way else slip
            for slip, way in zip(self._slip, leg.distance_steps, strict=True)
        ]
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
            self._drives[index].settle(self._motor(self._counter)[index])

    def forget_counter(self, time_s: float) -> None:
        """Lose the counter as at power-up: it reads 0, the axes stand where they stand."""
        self.freeze(time_s)
        self._forget_counter()

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

    def counter_steps(self, time_s: float) -> list[float]:
        """Return the controller's step counter, one number for each axis."""
        if not self._legs:
            return [float(round(at)) for at in self._counter]
        leg = self._legs[0]
        return [float(round(at)) for at in leg.counter_at(leg.progress(time_s))]

    def motor_positions(self) -> list[float]:
        """Return where the motors stand, axis units (as of the last :meth:`settle`).

        What the controller counts from does not matter here; what the screws lose behind the motors either.
        """
        return self._motor(self._counter)

    def true_positions(self, time_s: float) -> list[float]:
        """Return where the carriages truly are, axis units."""
        if not self._legs:
            motors, progress = self._motor(self._counter), 1.0
        else:
            leg = self._legs[0]
            progress = leg.progress(time_s)
            motors = self._motor(leg.counter_at(progress), leg, progress)
        return [drive.carriage(motor, progress) for drive, motor in zip(self._drives, motors, strict=True)]

    def lens(self, time_s: float, seat_pose: NDArray[np.float64]) -> LensState:
        """Return where a lens is that lies in the mount as ``seat_pose`` says (pose with all axes at 0)."""
        return LensState.at(self.pose(time_s, seat_pose), self._placed(time_s, seat_pose)[1])

    def pose(self, time_s: float, seat_pose: NDArray[np.float64]) -> Pose:
        """Return the pose of :meth:`lens` alone."""
        x_mm, y_mm, tilt_x_mrad, tilt_y_mrad = self._placed(time_s, seat_pose)[0]
        drift_x, drift_y, turn_x, turn_y = self._errors.drift(time_s)
        return x_mm + drift_x, y_mm + drift_y, tilt_x_mrad + turn_x, tilt_y_mrad + turn_y

    def limit_pressed(self) -> bool:
        """Tell whether a limit switch is pressed (as of the last :meth:`settle`)."""
        motors = self._motor(self._counter)
        return any(
            not low + _SWITCH_PLAY < motor < high - _SWITCH_PLAY
            for motor, (low, high) in zip(motors, self._switches, strict=True)
        )

    def meets_switch(self) -> bool:
        """Tell whether the motion under way ends on a limit switch; homing means to find its own."""
        return any(self._limit_hit_s(leg) is not None for leg in self._legs)

    # --- inside ------------------------------------------------------------------------------------

    def _placed(self, time_s: float, seat_pose: NDArray[np.float64]) -> tuple[Pose, float]:
        """Return pose and z of the vertex without the drift."""
        if self._resting is not None and self._resting[0] is seat_pose:
            return self._resting[1]
        placed = place_lens(self._errors.geometry, self.axes, self.true_positions(time_s), seat_pose)
        if not self._legs:
            self._resting = (seat_pose, placed)
        return placed

    def _index(self, axis_name: str) -> int:
        return [axis.name for axis in self.axes].index(axis_name)

    def _motor(self, counter: Steps, leg: Leg | None = None, progress: float = 0.0) -> list[float]:
        """Return where the motors stand; on a leg they lag behind their counters by what they lose."""
        counted = [(at + slip) * step for at, slip, step in zip(counter, self._slip, self._step, strict=True)]
        if leg is None or not any(leg.lost_steps):
            return counted
        lost = zip(counted, leg.lost_steps, self._step, strict=True)
        return [at - progress * missed * step for at, missed, step in lost]

    def _start(self, leg: Leg) -> None:
        self._resting = None
        self._begin(leg)

    def _begin(self, leg: Leg) -> None:
        self._legs.append(leg)
        for drive, way in zip(self._drives, leg.distance_steps, strict=True):
            if way:
                drive.begin(self._rng)

    def _rest(self, progress: float) -> None:
        """Stand still ``progress`` into the present leg and drop all legs."""
        leg = self._legs[0]
        self._slip = [slip - progress * lost for slip, lost in zip(self._slip, leg.lost_steps, strict=True)]
        self._counter = leg.counter_at(progress)
        for drive, motor in zip(self._drives, self._motor(self._counter), strict=True):
            drive.settle(motor, progress)
        self._legs.clear()

    def _forget_counter(self) -> None:
        self._slip = [slip + at for slip, at in zip(self._slip, self._counter, strict=True)]
        self._counter = [0.0] * len(self.axes)

    def _ended(self, leg: Leg) -> Ending:
        if isinstance(leg.profile, BrakeProfile):
            return Ending.BRAKED
        if not leg.seeks_home:
            return Ending.ARRIVED
        self._forget_counter()
        self._lost = [0.0] * len(self.axes)
        return Ending.HOMED

    def _limit_hit_s(self, leg: Leg) -> float | None:
        if leg.seeks_home:
            return None
        starts, ends = self._motor(leg.counter_start), self._motor(leg.counter_end, leg, 1.0)
        hits = []
        for start, end, (low, high) in zip(starts, ends, self._switches, strict=True):
            edge = high if end > start else low
            if end != start and (end - edge) * (end - start) >= 0:
                hits.append(max((edge - start) / (end - start), 0.0))
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
