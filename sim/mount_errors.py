"""How good a mount is (nuisances with a spread) and how good one particular mount is (drawn from them)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from driver.axes import AxisSpec
from sim.drive import DriveErrors

_DEG_PER_URAD = math.degrees(1e-6)


@dataclass(frozen=True, slots=True)
class MountNuisances:
    """Spread of the errors of simulated mounts. Defaults: common practice for small stages, no source.

    Attributes
    ----------
    scale_sigma : float
        Standard deviation of the relative scale error of an axis.
    squareness_sigma_mrad : float
        Of the angle by which two axes miss 90 degrees.
    clocking_sigma_mrad : float
        Of the rotation of the whole mount about the beam.
    tilt_per_mm_sigma_mrad, shift_per_deg_sigma_um : float
        Cross-talk: parasitic rotation per mm of a linear axis, parasitic shift per degree of a rotary one,
        each per component x, y, z.
    pivot_mm, pivot_sigma_mm : tuple of float
        Mean and standard deviation of the pivot's place relative to the nominal front vertex, x, y, z.
    backlash_um, backlash_urad : float
        Mean full play of linear and rotary axes; a mount's own lies between half and one and a half of it.
    stiction_um, stiction_urad : float
    periodic_um, periodic_pitch_mm, periodic_urad, periodic_pitch_deg : float
        Lead-screw error.
    repeatability_um, repeatability_urad : float
        Standard deviation of where a move ends.
    home_offset_um, home_offset_urad : float
        Standard deviation of the place of the home switch.
    home_repeatability_um, home_repeatability_urad : float
        Standard deviation of how well it is found.
    drift_um, drift_urad, drift_period_s : float
        Slow thermal drift: amplitude per pose component, and period.
    ramp_s : float
        Time that an axis takes to full speed.
    limit_margin : float
        Limit switches stand this fraction of the travel outside either end.
    seat_decenter_mm, seat_tilt_deg : float
        A lens put into the mount lies anywhere within these (radii) of the nominal place.
    power_up_mm, power_up_deg : float
        At power-up an axis stands anywhere within plus or minus this of the middle.
    """

    scale_sigma: float = 0.02
    squareness_sigma_mrad: float = 3.0
    clocking_sigma_mrad: float = 20.0
    tilt_per_mm_sigma_mrad: float = 0.05
    shift_per_deg_sigma_um: float = 5.0
    pivot_mm: tuple[float, float, float] = (0.0, 0.0, 20.0)
    pivot_sigma_mm: tuple[float, float, float] = (1.0, 1.0, 5.0)
    backlash_um: float = 8.0
    backlash_urad: float = 60.0
    stiction_um: float = 0.5
    stiction_urad: float = 5.0
    periodic_um: float = 1.5
    periodic_pitch_mm: float = 0.5
    periodic_urad: float = 10.0
    periodic_pitch_deg: float = 1.0
    repeatability_um: float = 2.0
    repeatability_urad: float = 10.0
    home_offset_um: float = 50.0
    home_offset_urad: float = 500.0
    home_repeatability_um: float = 2.0
    home_repeatability_urad: float = 10.0
    drift_um: float = 3.0
    drift_urad: float = 15.0
    drift_period_s: float = 6 * 3600.0
    ramp_s: float = 0.1
    limit_margin: float = 0.025
    seat_decenter_mm: float = 1.0
    seat_tilt_deg: float = 1.0
    power_up_mm: float = 1.0
    power_up_deg: float = 0.5

    def __post_init__(self) -> None:
        for key in self.__slots__:
            values = np.atleast_1d(getattr(self, key))
            if not np.isfinite(values).all():
                raise ValueError(f"mount nuisance {key} is {getattr(self, key)}; it must be finite")
            if key != "pivot_mm" and (values < 0).any():
                raise ValueError(f"mount nuisance {key} is {getattr(self, key)}; it must not be negative")
        for key in ("periodic_pitch_mm", "periodic_pitch_deg", "drift_period_s"):
            if getattr(self, key) == 0:
                raise ValueError(f"mount nuisance {key} is 0; it must be greater than 0")

    @classmethod
    def none(cls) -> MountNuisances:
        """Return a mount without errors, its pivot at the front vertex; lenses still seat at random."""
        keep = {"periodic_pitch_mm", "periodic_pitch_deg", "drift_period_s", "ramp_s", "limit_margin"}
        keep |= {"seat_decenter_mm", "seat_tilt_deg", "pivot_mm", "pivot_sigma_mm"}
        silenced = {key: 0.0 for key in cls.__slots__ if key not in keep}
        at_vertex = (0.0, 0.0, 0.0)
        return replace(cls(), pivot_mm=at_vertex, pivot_sigma_mm=at_vertex, **silenced)


@dataclass(frozen=True, slots=True)
class MountGeometry:
    """How the axes of one mount stand in the world frame (origin at the nominal front vertex).

    Attributes
    ----------
    directions : ndarray, shape (axes, 3)
        Unit vector along which a linear axis moves, or about which (right-handed) a rotary axis turns, with
        all axes at 0.
    parasitic : ndarray, shape (axes, 3)
        Linear axis: rotation vector in rad per mm. Rotary axis: shift in mm per degree.
    pivot_mm : ndarray, shape (3,)
        Where all rotations turn, with the linear axes at 0; carried along by them.
    """

    directions: NDArray[np.float64]
    parasitic: NDArray[np.float64]
    pivot_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MountErrors:
    """One particular mount.

    Attributes
    ----------
    geometry : MountGeometry
    drives : tuple of DriveErrors
        One per axis.
    power_up : tuple of float
        Where each motor stands at power-up, axis unit.
    drift_amplitude : ndarray, shape (4,)
        Of the pose components (mm, mm, mrad, mrad).
    drift_phase_rad : ndarray, shape (4,)
    drift_period_s, ramp_s : float
    """

    geometry: MountGeometry
    drives: tuple[DriveErrors, ...]
    power_up: tuple[float, ...]
    drift_amplitude: NDArray[np.float64]
    drift_phase_rad: NDArray[np.float64]
    drift_period_s: float
    ramp_s: float
    _waves: list[tuple[float, float, float]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        # Every frame asks for the drift: what never changes is worked out once, in plain numbers.
        amplitudes, phases = self.drift_amplitude.tolist(), self.drift_phase_rad.tolist()
        waves = zip(amplitudes, phases, map(math.sin, phases), strict=True)
        object.__setattr__(self, "_waves", list(waves))

    def drift(self, time_s: float) -> list[float]:
        """Return the pose error by drift since time 0: mm, mm, mrad, mrad."""
        angle_rad = 2 * math.pi * time_s / self.drift_period_s
        return [amplitude * (math.sin(angle_rad + phase) - begin) for amplitude, phase, begin in self._waves]


def draw_mount(axes: Sequence[AxisSpec], nuisances: MountNuisances, rng: np.random.Generator) -> MountErrors:
    """Draw one mount.

    Parameters
    ----------
    axes : sequence of AxisSpec
    nuisances : MountNuisances
    rng : numpy.random.Generator
    """
    geometry = _draw_geometry(axes, nuisances, rng)
    drives = tuple(_draw_drive(axis, nuisances, rng) for axis in axes)
    power_up = tuple(_draw_power_up(axis, nuisances, rng) for axis in axes)
    amplitude = np.repeat([nuisances.drift_um / 1e3, nuisances.drift_urad / 1e3], 2)
    return MountErrors(
        geometry=geometry,
        drives=drives,
        power_up=power_up,
        drift_amplitude=amplitude * rng.uniform(0.5, 1.0, 4),
        drift_phase_rad=rng.uniform(0.0, 2 * math.pi, 4),
        drift_period_s=nuisances.drift_period_s,
        ramp_s=nuisances.ramp_s,
    )


def draw_seat(nuisances: MountNuisances, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw how a lens lies in the mount: pose, shape (4,), uniform over both discs."""
    pose = np.zeros(4)
    for part, radius in (
        (slice(0, 2), nuisances.seat_decenter_mm),
        (slice(2, 4), 1e3 * math.radians(nuisances.seat_tilt_deg)),
    ):
        length, angle_rad = radius * math.sqrt(rng.uniform()), rng.uniform(0.0, 2 * math.pi)
        pose[part] = length * math.cos(angle_rad), length * math.sin(angle_rad)
    return pose


def _draw_geometry(
    axes: Sequence[AxisSpec], nuisances: MountNuisances, rng: np.random.Generator
) -> MountGeometry:
    clocking_rad = 1e-3 * nuisances.clocking_sigma_mrad * rng.standard_normal()
    directions, parasitic = np.zeros((len(axes), 3)), np.zeros((len(axes), 3))
    for index, axis in enumerate(axes):
        off_rad = 1e-3 * nuisances.squareness_sigma_mrad / math.sqrt(2) * rng.standard_normal(2)
        along_y = axis.moves.endswith("_y")
        azimuth_rad = clocking_rad + off_rad[0] + (math.pi / 2 if along_y else 0.0)
        in_plane = math.cos(off_rad[1])
        directions[index] = (
            in_plane * math.cos(azimuth_rad),
            in_plane * math.sin(azimuth_rad),
            math.sin(off_rad[1]),
        )
        linear = axis.unit == "mm"
        sigma = nuisances.tilt_per_mm_sigma_mrad if linear else nuisances.shift_per_deg_sigma_um
        parasitic[index] = 1e-3 * sigma * rng.standard_normal(3)
    pivot_mm = np.asarray(nuisances.pivot_mm) + np.asarray(nuisances.pivot_sigma_mm) * rng.standard_normal(3)
    return MountGeometry(directions, parasitic, pivot_mm)


def _draw_drive(axis: AxisSpec, nuisances: MountNuisances, rng: np.random.Generator) -> DriveErrors:
    linear = axis.unit == "mm"

    def own(um: float, urad: float) -> float:
        return um * 1e-3 if linear else urad * _DEG_PER_URAD

    travel = axis.travel_max - axis.travel_min
    return DriveErrors(
        scale_error=nuisances.scale_sigma * rng.standard_normal(),
        periodic_amplitude=own(nuisances.periodic_um, nuisances.periodic_urad),
        periodic_pitch=nuisances.periodic_pitch_mm if linear else nuisances.periodic_pitch_deg,
        periodic_phase_rad=rng.uniform(0.0, 2 * math.pi),
        backlash=own(nuisances.backlash_um, nuisances.backlash_urad) * rng.uniform(0.5, 1.5),
        stiction=own(nuisances.stiction_um, nuisances.stiction_urad),
        repeatability=own(nuisances.repeatability_um, nuisances.repeatability_urad),
        home_offset=own(nuisances.home_offset_um, nuisances.home_offset_urad) * rng.standard_normal(),
        home_repeatability=own(nuisances.home_repeatability_um, nuisances.home_repeatability_urad),
        limit_margin=nuisances.limit_margin * travel,
    )


def _draw_power_up(axis: AxisSpec, nuisances: MountNuisances, rng: np.random.Generator) -> float:
    reach = nuisances.power_up_mm if axis.unit == "mm" else nuisances.power_up_deg
    middle = (axis.travel_min + axis.travel_max) / 2
    return middle + min(reach, (axis.travel_max - axis.travel_min) / 2) * rng.uniform(-1.0, 1.0)
