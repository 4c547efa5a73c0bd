"""The bench as it really is: everything that a seed draws once, and how the light drifts with time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from optics.glass import Glass, glass
from optics.layout import Beam, Layout
from optics.lens import Lens
from sim.camera_geometry import PoseError
from sim.plate_art import TrueHole
from sim.scene_nuisances import SceneNuisances
from sim.streams import stream
from vision.plate import PlateSpec

_WAVES = 5

Two = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Drift:
    """A smooth wander: a few slow waves, zero at time 0.

    Attributes
    ----------
    rms : float
        Root-mean-square of the waves about their own mean.
    rates_per_s, phases, weights : tuple of float
    """

    rms: float
    rates_per_s: tuple[float, ...]
    phases: tuple[float, ...]
    weights: tuple[float, ...]
    _waves: tuple[tuple[float, float, float, float], ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        # What every frame would work out anew.
        begins = map(math.sin, self.phases)
        waves = zip(self.weights, self.rates_per_s, self.phases, begins, strict=True)
        object.__setattr__(self, "_waves", tuple(waves))

    @classmethod
    def draw(cls, rms: float, period_s: float, rng: np.random.Generator) -> Drift:
        """Draw waves with periods from a third to three times ``period_s``."""
        periods = period_s * np.exp(rng.uniform(-math.log(3), math.log(3), _WAVES))
        weights = rng.uniform(0.5, 1.0, _WAVES)
        weights *= math.sqrt(2.0 / float(np.sum(weights**2)))
        phases = rng.uniform(0, 2 * math.pi, _WAVES)
        return cls(rms, *(tuple(values.tolist()) for values in (2 * math.pi / periods, phases, weights)))

    def at(self, time_s: float) -> float:
        """Return the deviation from the value at time 0."""
        moved = 0.0
        for weight, rate, phase, begin in self._waves:
            moved += weight * (math.sin(rate * time_s + phase) - begin)
        return self.rms * moved


@dataclass(frozen=True, slots=True)
class Placement:
    """How a plate's print stands in the bench frame: turned about the origin, then shifted."""

    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_mrad: float = 0.0

    def rotation(self) -> NDArray[np.float64]:
        """Return the matrix that turns print coordinates into bench directions."""
        cosine, sine = math.cos(self.turn_mrad * 1e-3), math.sin(self.turn_mrad * 1e-3)
        return np.array([[cosine, -sine], [sine, cosine]])

    def to_print(self, bench_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert bench x, y, shape (..., 2), to the coordinates of the print."""
        moved: NDArray[np.float64] = (np.asarray(bench_mm, float) - self.shift_mm) @ self.rotation()
        return moved

    def point_to_print(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Convert one place, as :meth:`to_print` does."""
        cosine, sine = math.cos(self.turn_mrad * 1e-3), math.sin(self.turn_mrad * 1e-3)
        dx, dy = x_mm - self.shift_mm[0], y_mm - self.shift_mm[1]
        return dx * cosine + dy * sine, dy * cosine - dx * sine

    def then(self, shift_mm: tuple[float, float], turn_mrad: float) -> Placement:
        """Return the placement after a knock."""
        return Placement(
            (self.shift_mm[0] + shift_mm[0], self.shift_mm[1] + shift_mm[1]), self.turn_mrad + turn_mrad
        )


@dataclass(frozen=True, slots=True)
class TrueBench:
    """What the seed drew.

    Attributes
    ----------
    lens : Lens
        The lens as made.
    layout : Layout
        The distances as they are.
    beam : Beam
        The beam at time 0.
    holes : mapping of plate name to TrueHole or None
        In the coordinates of the print.
    placements : mapping of plate name to Placement
    camera_errors : mapping of camera name to PoseError
    offset_drift, slope_drift : tuple of Drift
        x and y, in mm and mrad.
    power_drift : Drift
    """

    lens: Lens
    layout: Layout
    beam: Beam
    holes: Mapping[str, TrueHole | None]
    placements: Mapping[str, Placement]
    camera_errors: Mapping[str, PoseError]
    offset_drift: tuple[Drift, Drift]
    slope_drift: tuple[Drift, Drift]
    power_drift: Drift

    def beam_at(self, time_s: float, nuisances: SceneNuisances, drifted_s: float | None = None) -> Beam:
        """Return the beam at a time: knocked, hopped, and drifted as at ``drifted_s`` where that is given."""
        offset_mm, slope_mrad = self.aim_at(time_s, nuisances, drifted_s)
        wavelength_nm = self.wavelength_nm_at(time_s, nuisances)
        return replace(self.beam, wavelength_nm=wavelength_nm, offset_mm=offset_mm, slope_mrad=slope_mrad)

    def aim_at(
        self, time_s: float, nuisances: SceneNuisances, drifted_s: float | None = None
    ) -> tuple[Two, Two]:
        """Return where the beam crosses z = 0 (mm) and its slopes (mrad), as :meth:`beam_at` has them."""
        drifted_s = time_s if drifted_s is None else drifted_s
        step = nuisances.beam_step_mm if time_s >= nuisances.beam_step_time_s else (0.0, 0.0)
        (x, y), (slope_x, slope_y) = self.beam.offset_mm, self.beam.slope_mrad
        drift_x, drift_y = self.offset_drift
        turn_x, turn_y = self.slope_drift
        return (
            (x + step[0] + drift_x.at(drifted_s), y + step[1] + drift_y.at(drifted_s)),
            (slope_x + turn_x.at(drifted_s), slope_y + turn_y.at(drifted_s)),
        )

    def wavelength_nm_at(self, time_s: float, nuisances: SceneNuisances) -> float:
        """Return the wavelength at a time."""
        hop = nuisances.mode_hop_nm if time_s >= nuisances.mode_hop_time_s else 0.0
        return self.beam.wavelength_nm + hop

    def power_at(self, time_s: float, nuisances: SceneNuisances) -> float:
        """Return the beam's power relative to its nominal one."""
        if time_s >= nuisances.blocked_time_s:
            return 0.0
        hopped = nuisances.mode_hop_power if time_s >= nuisances.mode_hop_time_s else 1.0
        return max(0.0, hopped * (1.0 + self.power_drift.at(time_s)))

    def placement_at(self, plate: str, time_s: float, nuisances: SceneNuisances) -> Placement:
        """Return how a plate stands at a time."""
        here = self.placements[plate]
        if time_s >= nuisances.plate_knock_time_s and nuisances.knocked_plate in ("", plate):
            return here.then(nuisances.plate_knock_mm, nuisances.plate_knock_mrad)
        return here

    def camera_error_at(self, camera: str, time_s: float, nuisances: SceneNuisances) -> PoseError:
        """Return how a camera deviates from its set-up at a time."""
        here = self.camera_errors[camera]
        if time_s < nuisances.camera_knock_time_s or nuisances.knocked_camera not in ("", camera):
            return here
        turn = np.add(here.turn_mrad, nuisances.camera_knock_mrad)
        shift = np.add(here.shift_mm, nuisances.camera_knock_mm)
        return PoseError(_three(turn), _three(shift), here.distortion)


def draw_bench(
    lens: Lens,
    layout: Layout,
    beam: Beam,
    plates: Mapping[str, PlateSpec],
    cameras: list[str],
    nuisances: SceneNuisances,
    seed: int,
) -> TrueBench:
    """Draw the true bench. Each part has its own stream, so one nuisance does not reshuffle the others."""
    hole_rng, beam_rng, lens_rng, camera_rng, drift_rng, plate_rng = (
        stream(seed, number) for number in range(6)
    )
    holes = {name: _drilled(plates[name], nuisances, hole_rng) for name in sorted(plates)}
    drilled = next((hole for hole in holes.values() if hole is not None), None)
    placements = {name: _placed(plates[name], nuisances, plate_rng) for name in sorted(plates)}
    period = nuisances.pointing_period_s
    offset_mm, slope_mrad = nuisances.pointing_drift_um * 1e-3, nuisances.pointing_drift_urad * 1e-3
    return TrueBench(
        lens=made_lens(lens, nuisances, lens_rng),
        layout=Layout(
            layout.l1_mm + nuisances.l1_sigma_mm * lens_rng.standard_normal(),
            layout.l2_mm + nuisances.l2_sigma_mm * lens_rng.standard_normal(),
        ),
        beam=_aimed(beam, drilled, nuisances, beam_rng),
        holes=holes,
        placements=placements,
        camera_errors={name: _stood(nuisances, camera_rng) for name in sorted(cameras)},
        offset_drift=(Drift.draw(offset_mm, period, drift_rng), Drift.draw(offset_mm, period, drift_rng)),
        slope_drift=(Drift.draw(slope_mrad, period, drift_rng), Drift.draw(slope_mrad, period, drift_rng)),
        power_drift=Drift.draw(nuisances.power_drift, period, drift_rng),
    )


def _drilled(plate: PlateSpec, nuisances: SceneNuisances, rng: np.random.Generator) -> TrueHole | None:
    shift, grow = rng.standard_normal(2) * nuisances.hole_center_sigma_mm, rng.standard_normal()
    azimuth = rng.uniform(0, 2 * math.pi)
    if plate.hole_radius_mm is None:
        return None
    x, y = plate.hole_center_mm + shift
    radius = plate.hole_radius_mm + nuisances.hole_radius_sigma_mm * grow
    return TrueHole((float(x), float(y)), max(0.01, float(radius)), float(azimuth))


def _placed(plate: PlateSpec, nuisances: SceneNuisances, rng: np.random.Generator) -> Placement:
    """Place a plate; the plate with the hole is the bench frame itself."""
    x, y = rng.standard_normal(2) * nuisances.plate_shift_sigma_mm
    turn = rng.standard_normal() * nuisances.plate_turn_sigma_mrad
    if plate.hole_radius_mm is not None:
        return Placement()
    return Placement((float(x), float(y)), float(turn))


def _aimed(beam: Beam, hole: TrueHole | None, nuisances: SceneNuisances, rng: np.random.Generator) -> Beam:
    """Put the beam through the true hole, as well as a person sets a target to a beam."""
    x, y = np.asarray(beam.offset_mm) + rng.standard_normal(2) * nuisances.beam_offset_sigma_um * 1e-3
    if hole is not None:
        x, y = x + hole.center_mm[0], y + hole.center_mm[1]
    slope = np.asarray(beam.slope_mrad) + rng.standard_normal(2) * nuisances.beam_slope_sigma_mrad
    waist = beam.waist_radius_mm * (1 + nuisances.waist_sigma * rng.standard_normal())
    return replace(
        beam,
        offset_mm=(float(x), float(y)),
        slope_mrad=(float(slope[0]), float(slope[1])),
        waist_radius_mm=float(waist),
    )


def made_lens(lens: Lens, nuisances: SceneNuisances, rng: np.random.Generator) -> Lens:
    """Return a lens as it comes out of the workshop, with its tolerances; plano stays plano."""
    surfaces = tuple(
        replace(surface, radius_mm=surface.radius_mm * (1 + nuisances.radius_sigma * rng.standard_normal()))
        for surface in lens.surfaces
    )
    thicknesses = tuple(
        max(0.1, thickness + nuisances.thickness_sigma_mm * rng.standard_normal())
        for thickness in lens.thicknesses_mm
    )
    glasses = tuple(_melted(name, nuisances.index_sigma * rng.standard_normal()) for name in lens.glasses)
    return replace(lens, surfaces=surfaces, thicknesses_mm=thicknesses, glasses=glasses)


def _melted(name: str | Glass, added_index: float) -> str | Glass:
    """Return the glass of one melt: the whole dispersion curve shifted, through its constant term."""
    made = glass(name)
    # n^2 gains 2 n dn; n is taken as 1.5, for the size of a melt's deviation is what counts.
    return replace(made, b=(*made.b, 3.0 * added_index), c_um2=(*made.c_um2, 0.0))


def _stood(nuisances: SceneNuisances, rng: np.random.Generator) -> PoseError:
    turn = rng.standard_normal(3) * nuisances.camera_turn_sigma_mrad
    shift = rng.standard_normal(3) * nuisances.camera_shift_sigma_mm
    return PoseError(_three(turn), _three(shift), float(rng.standard_normal() * nuisances.distortion_sigma))


def _three(values: NDArray[np.float64]) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
