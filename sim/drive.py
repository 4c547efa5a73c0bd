"""One motorised axis from step counter to carriage, and how a move proceeds in time.

Step counter -> motor (lost steps) -> screw (scale, periodic error) -> nut (backlash) -> carriage (stiction,
repeatability noise). Every stage is evaluated lazily: within a leg each axis moves one way only, so the
hysteresis of nut and carriage depends on where the leg began and where the motor is now, not on how often
somebody looked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True, slots=True)
class TravelProfile:
    """Speed up, cruise, slow down: progress 0 to 1 over time.

    Parameters
    ----------
    cruise_s : float
        Time that the whole distance takes at cruising speed (distance / speed).
    ramp_s : float
        Time from standstill to cruising speed. The move lasts ``cruise_s + ramp_s``, or
        ``2 sqrt(cruise_s ramp_s)`` when it is too short to reach cruising speed (uniform acceleration).
    """

    cruise_s: float
    ramp_s: float

    @property
    def duration_s(self) -> float:
        """How long the move lasts."""
        if self.cruise_s >= self.ramp_s:
            return self.cruise_s + self.ramp_s
        return 2 * math.sqrt(self.cruise_s * self.ramp_s)

    def progress(self, elapsed_s: float) -> float:
        """Return the fraction of the distance covered after ``elapsed_s``."""
        left_s = self.duration_s - elapsed_s
        if elapsed_s <= 0:
            return 0.0
        if left_s <= 0:
            return 1.0
        ramp_s = min(self.ramp_s, self.duration_s / 2)
        if elapsed_s <= ramp_s:
            return elapsed_s / self.cruise_s * (elapsed_s / self.ramp_s) / 2
        if left_s < ramp_s:
            return 1 - left_s / self.cruise_s * (left_s / self.ramp_s) / 2
        return (elapsed_s - self.ramp_s / 2) / self.cruise_s

    def rate_per_s(self, elapsed_s: float) -> float:
        """Return the momentary speed, fraction of the distance per second."""
        if not 0 < elapsed_s < self.duration_s:
            return 0.0
        ramped_s = min(elapsed_s, self.duration_s - elapsed_s)
        return 1 / self.cruise_s if ramped_s >= self.ramp_s else ramped_s / self.ramp_s / self.cruise_s


@dataclass(frozen=True, slots=True)
class BrakeProfile:
    """Uniform slowing down from the momentary speed to standstill within ``duration_s``."""

    duration_s: float

    def progress(self, elapsed_s: float) -> float:
        """Return the fraction of the braking distance covered after ``elapsed_s``."""
        if self.duration_s <= 0:
            return 1.0
        part = min(max(elapsed_s / self.duration_s, 0.0), 1.0)
        return part * (2 - part)

    def rate_per_s(self, elapsed_s: float) -> float:
        """Return the momentary speed, fraction of the braking distance per second."""
        if not 0 <= elapsed_s < self.duration_s:
            return 0.0
        return 2 / self.duration_s * (1 - elapsed_s / self.duration_s)


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch of motion of all axes in a straight line.

    Attributes
    ----------
    start_s : float
        Bench time at which it begins.
    profile : TravelProfile or BrakeProfile
    counter_start, counter_end : sequence of float
        Step counter of the controller, steps of each axis.
    lost_steps : sequence of float
        Steps that the motors fail to make on this leg, signed like the counter.
    seeks_home : bool
        True for the legs of homing, which are exempt from the limit switches.
    distance_steps : list of float
        Signed distance of every axis on the counter, steps.
    """

    start_s: float
    profile: TravelProfile | BrakeProfile
    counter_start: Sequence[float]
    counter_end: Sequence[float]
    lost_steps: Sequence[float]
    seeks_home: bool = False
    distance_steps: list[float] = field(init=False)

    def __post_init__(self) -> None:
        ways = [end - start for start, end in zip(self.counter_start, self.counter_end, strict=True)]
        object.__setattr__(self, "distance_steps", ways)

    @property
    def end_s(self) -> float:
        """Bench time at which the leg ends."""
        return self.start_s + self.profile.duration_s

    def counter_at(self, progress: float) -> list[float]:
        """Return the counter of each axis a fraction into the leg, steps."""
        ways = zip(self.counter_start, self.distance_steps, strict=True)
        return [start + progress * way for start, way in ways]

    def progress(self, time_s: float) -> float:
        """Return the fraction covered at bench time ``time_s``."""
        return self.profile.progress(time_s - self.start_s)

    def time_of_s(self, fraction: float) -> float:
        """Return the bench time at which ``fraction`` of the leg is covered (bisection)."""
        low_s, high_s = 0.0, self.profile.duration_s
        for _ in range(60):
            middle_s = (low_s + high_s) / 2
            if self.profile.progress(middle_s) < fraction:
                low_s = middle_s
            else:
                high_s = middle_s
        return self.start_s + high_s


@dataclass(frozen=True, slots=True)
class DriveErrors:
    """What is wrong with one axis; lengths in the axis's own unit (mm or deg).

    Attributes
    ----------
    scale_error : float
        Relative; 0.02 moves 2 % too far.
    periodic_amplitude, periodic_pitch, periodic_phase_rad : float
        Lead-screw error ``amplitude * sin(2 pi x / pitch + phase)``.
    backlash : float
        Full width of the play of the nut.
    stiction : float
        The carriage stays where it stands until the nut has moved farther than this.
    repeatability : float
        Standard deviation of where a move ends, drawn afresh with every move of this axis.
    home_offset : float
        True place of the home switch (motor, before screw errors).
    home_repeatability : float
        Standard deviation with which the switch is found.
    limit_margin : float
        Limit switches stand this far outside the travel.
    """

    scale_error: float = 0.0
    periodic_amplitude: float = 0.0
    periodic_pitch: float = 1.0
    periodic_phase_rad: float = 0.0
    backlash: float = 0.0
    stiction: float = 0.0
    repeatability: float = 0.0
    home_offset: float = 0.0
    home_repeatability: float = 0.0
    limit_margin: float = 0.3


@dataclass(slots=True)
class StepDrive:
    """One axis after the motor: screw, nut and carriage, all in the axis's unit.

    Parameters
    ----------
    errors : DriveErrors
    motor : float
        Where the motor stands at power-up; nut and carriage start in the middle of their play there.
    """

    errors: DriveErrors
    motor: float = 0.0
    _nut: float = field(init=False)
    _carriage: float = field(init=False)
    _noise: float = field(init=False, default=0.0)
    _next_noise: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self._nut = self._carriage = self.screw(self.motor)

    def screw(self, motor: float) -> float:
        """Return where the screw would carry an ideal nut."""
        errors = self.errors
        angle_rad = 2 * math.pi * motor / errors.periodic_pitch + errors.periodic_phase_rad
        return motor * (1 + errors.scale_error) + errors.periodic_amplitude * math.sin(angle_rad)

    def begin(self, rng: np.random.Generator) -> None:
        """Start a move of this axis: draw where it will end."""
        self._next_noise = self.errors.repeatability * rng.standard_normal()

    def carriage(self, motor: float, fraction: float = 1.0) -> float:
        """Return where the carriage is with the motor at ``motor``, a ``fraction`` into the move."""
        nut = self._nut_at(motor)
        rest = nut if abs(nut - self._carriage) > self.errors.stiction else self._carriage
        return rest + self._noise + fraction * (self._next_noise - self._noise)

    def settle(self, motor: float, fraction: float = 1.0) -> None:
        """Come to rest with the motor at ``motor``; the next move starts from here."""
        nut = self._nut_at(motor)
        if abs(nut - self._carriage) > self.errors.stiction:
            self._carriage = nut
        self._nut = nut
        self._noise += fraction * (self._next_noise - self._noise)
        self._next_noise = self._noise
        self.motor = motor

    def _nut_at(self, motor: float) -> float:
        screw, half = self.screw(motor), self.errors.backlash / 2
        return min(max(self._nut, screw - half), screw + half)
