"""Which spots the light makes on the plates: place, shape, power and phase of each, from the exact trace."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optics.gaussian import beam_on_plate
from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.trace import SpotPath, trace

Pose = tuple[float, float, float, float]

ON_HOLE_TARGET = (SpotPath.FRONT, SpotPath.BACK, SpotPath.GHOST_HOLE)
ON_REFERENCE_TARGET = (SpotPath.TRANSMITTED, SpotPath.GHOST_REFERENCE)


@dataclass(frozen=True, slots=True)
class TrueSpot:
    """One spot as it truly is.

    Attributes
    ----------
    path : SpotPath
    lit : bool
        False when no light comes this way: vignetted, missed, blocked; the rest is then meaningless.
    bench_mm : ndarray, shape (2,)
        Centre in the bench frame.
    center_mm : ndarray, shape (2,)
        Centre in the coordinates of the plate's print: what a measurement on the picture should find.
    radius_matrix_mm2 : ndarray, shape (2, 2)
        M in ``exp(-2 r^T M^-1 r)``, bench frame.
    power : float
        Relative to the nominal beam, the part that falls into the hole included.
    phase_rad, direction_xy, curvature_per_mm : float, ndarray (2,), ndarray (2, 2)
        Phase at the centre, transverse direction and wavefront curvature on the plate.
    """

    path: SpotPath
    lit: bool
    bench_mm: NDArray[np.float64]
    center_mm: NDArray[np.float64]
    radius_matrix_mm2: NDArray[np.float64]
    power: float
    phase_rad: float
    direction_xy: NDArray[np.float64]
    curvature_per_mm: NDArray[np.float64]

    @property
    def radii_mm(self) -> tuple[float, float]:
        """1/e^2 intensity radii, major then minor (w = 2 sigma, ISO 11146-1)."""
        minor, major = np.sqrt(np.linalg.eigvalsh(self.radius_matrix_mm2))
        return float(major), float(minor)

    @property
    def peak_per_mm2(self) -> float:
        """Irradiance at the centre, in beam powers per mm2."""
        return 2 * self.power / (math.pi * math.sqrt(float(np.linalg.det(self.radius_matrix_mm2))))


def lens_spots(
    lens: Lens, layout: Layout, beam: Beam, power: float, pose: Pose, paths: Sequence[SpotPath]
) -> tuple[TrueSpot, ...]:
    """Trace the spots of a lens at a pose; plates unturned (``center_mm`` equals ``bench_mm``)."""
    landings = trace(lens, layout, beam, np.array([pose]), paths)
    wave_number = 2 * math.pi / (beam.wavelength_nm * 1e-6)
    spots = []
    for path in paths:
        landing, shape = landings[path], beam_on_plate(lens, layout, beam, np.array([pose]), path)
        # Reflection at the denser medium turns the phase by half a wave; of the two returns only the front's.
        turned = math.pi if path is SpotPath.FRONT else 0.0
        spots.append(
            TrueSpot(
                path=path,
                lit=bool(landing.lit[0]) and power > 0,
                bench_mm=landing.landing_mm[0],
                center_mm=landing.landing_mm[0],
                radius_matrix_mm2=shape.radius_matrix[0],
                power=float(landing.power_fraction[0]) * power,
                phase_rad=wave_number * float(landing.path_length_mm[0]) - float(shape.gouy_rad[0]) + turned,
                direction_xy=landing.direction[0, :2],
                curvature_per_mm=shape.curvature_per_mm[0],
            )
        )
    return tuple(spots)


def bare_spot(lens: Lens, layout: Layout, beam: Beam, power: float) -> TrueSpot:
    """Return the bare beam on the reference target, which stays where it is when the lens is out.

    Radius and curvature by the q law (Kogelnik & Li, Appl. Opt. 5, 1550 (1966)).
    """
    plate_z_mm = layout.l1_mm + lens.thickness_mm + layout.l2_mm
    slope = np.asarray(beam.slope_mrad) * 1e-3
    center = np.asarray(beam.offset_mm) + slope * plate_z_mm
    way_mm, rayleigh_mm = plate_z_mm - beam.waist_z_mm, beam.rayleigh_range_mm
    radius_mm = beam.waist_radius_mm * math.hypot(1.0, way_mm / rayleigh_mm)
    return TrueSpot(
        path=SpotPath.TRANSMITTED,
        lit=power > 0,
        bench_mm=center,
        center_mm=center,
        radius_matrix_mm2=np.eye(2) * radius_mm**2,
        power=power,
        phase_rad=0.0,
        direction_xy=slope,
        curvature_per_mm=np.eye(2) * way_mm / (way_mm**2 + rayleigh_mm**2),
    )
