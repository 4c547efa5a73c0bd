"""The recipe's lens as control uses it: spots and sensitivities at any pose, from the exact trace."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled
from optics.errors import RayLostError
from optics.gaussian import beam_on_plate
from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.rays import RayModel
from optics.sensitivity import paraxial_sensitivities
from optics.spots import number_spot_coordinates
from optics.trace import SpotPath, trace
from vision.spots import SpotName

SPOTS: Final = (SpotName.FRONT, SpotName.BACK, SpotName.TRANSMITTED)
"""Order of the spots in every vector of six coordinates: front x, y, back x, y, transmitted x, y."""

PATHS: Final = (SpotPath.FRONT, SpotPath.BACK, SpotPath.TRANSMITTED)
_STEPS: Final = (1e-3, 1e-3, 1e-2, 1e-2)
_NEAR_AXIS_MM: Final = 4.0
_REACH: Final = (4.0, 4.0, 80.0, 80.0)
_BEND_PER_MM: Final = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class LensModel:
    """The lens on its nominal bench, with a beam along the axis through the hole's centre.

    Attributes
    ----------
    lens, layout, beam : Lens, Layout, Beam
    rays : RayModel
    numbers : ndarray
        The three as the numbers that are traced.
    at_null : ndarray, shape (6, 4)
        Sensitivities of the spots at the null, mm per (mm, mm, mrad, mrad).
    per_shape : ndarray, shape (2 + surfaces, 6, 4)
        Change of the sensitivities per mm of L1 and of L2, and per 1 / mm of each surface's curvature.
    per_power : ndarray, shape (6, 4)
        Change of the sensitivities per relative change of all curvatures.
    radius_mm, power_fraction : tuple of float
        Radius (1/e^2) and power of each spot at the null.
    """

    lens: Lens
    layout: Layout
    beam: Beam
    rays: RayModel
    numbers: NDArray[np.float64]
    at_null: NDArray[np.float64]
    per_shape: NDArray[np.float64]
    per_power: NDArray[np.float64]
    radius_mm: tuple[float, ...]
    power_fraction: tuple[float, ...]

    @property
    def per_curvature(self) -> NDArray[np.float64]:
        """Change of the sensitivities per 1 / mm of each surface's curvature, shape (surfaces, 6, 4)."""
        return self.per_shape[2:]

    @property
    def curvatures_per_mm(self) -> NDArray[np.float64]:
        """1/R of each surface, shape (surfaces,)."""
        return np.array(self.rays.curvatures_per_mm)

    def linearise(self, poses: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return spots (N, 6) and sensitivities (N, 6, 4) at poses (N, 4), by one batch of the exact trace.

        Poses beyond what any mount reaches are drawn in first, and where a strongly bent lens still loses a
        ray the sensitivities at the null stand in: a wild estimate must not end the estimation.
        """
        try:
            places = number_spot_coordinates(self.numbers, _round_about(poses))
        except RayLostError:
            return poses @ self.at_null.T, np.broadcast_to(self.at_null, (len(poses), 6, 4)).copy()
        return _central_differences(poses, places)


@compiled()
def _drawn_in(value: float, part: int) -> float:
    return min(max(value, -_REACH[part]), _REACH[part])


@compiled()
def _round_about(poses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return each pose (N, 4), drawn in, and a step up and down from it in each of its parts, (9 N, 4)."""
    around = np.empty((9 * len(poses), 4))
    for number in range(len(poses)):
        for row in range(9):
            for part in range(4):
                around[9 * number + row, part] = _drawn_in(poses[number, part], part)
        for part in range(4):
            around[9 * number + 1 + part, part] += _STEPS[part]
            around[9 * number + 5 + part, part] -= _STEPS[part]
    return around


@compiled()
def _central_differences(
    poses: NDArray[np.float64], places: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return spots (N, 6) and slopes (N, 6, 4) from the places (9 N, 6) round about poses (N, 4)."""
    spots, slopes = np.empty((len(poses), 6)), np.empty((len(poses), 6, 4))
    for number in range(len(poses)):
        first = 9 * number
        for spot in range(6):
            spots[number, spot] = places[first, spot]
            for part in range(4):
                up, down = places[first + 1 + part, spot], places[first + 5 + part, spot]
                slopes[number, spot, part] = (up - down) / (2.0 * _STEPS[part])
                off = poses[number, part] - _drawn_in(poses[number, part], part)
                spots[number, spot] += slopes[number, spot, part] * off
    return spots, slopes


@lru_cache(maxsize=64)
def lens_model(lens: Lens, layout: Layout, beam: Beam) -> LensModel:
    """Return the model of a lens on a bench; kept, because a lot uses the same one again and again."""
    beam = replace(beam, offset_mm=(0.0, 0.0), slope_mrad=(0.0, 0.0))
    # A hair's change of a radius must not fail on the edge thickness of a lens without a rim.
    small = replace(lens, clear_aperture_mm=lens.clear_aperture_mm / 10.0)
    base = paraxial_sensitivities(small, layout, beam)
    farther = replace(layout, l1_mm=layout.l1_mm + 0.1), replace(layout, l2_mm=layout.l2_mm + 0.1)
    per_l1, per_l2 = (10.0 * (paraxial_sensitivities(small, place, beam) - base) for place in farther)
    per_curvature = [
        (paraxial_sensitivities(_bent(small, number, _BEND_PER_MM), layout, beam) - base) / _BEND_PER_MM
        for number in range(len(lens.surfaces))
    ]
    null = np.zeros((1, 4))
    shapes = [beam_on_plate(lens, layout, beam, null, path) for path in PATHS]
    radii = tuple(float(math.sqrt(np.trace(shape.radius_matrix[0]) / 2.0)) for shape in shapes)
    landings = trace(lens, layout, beam, null, PATHS)
    powers = tuple(float(landings[path].power_fraction[0]) for path in PATHS)
    rays = RayModel.of(lens, layout, beam)
    per_shape = np.stack([per_l1, per_l2, *per_curvature])
    per_power = np.tensordot(rays.curvatures_per_mm, per_shape[2:], 1)
    numbers = np.array(rays.numbers)
    bare = LensModel(lens, layout, beam, rays, numbers, base, per_shape, per_power, radii, powers)
    return replace(bare, at_null=bare.linearise(null)[1][0])


def bent(model: LensModel, change_per_mm: NDArray[np.float64]) -> LensModel:
    """Return the model of a lens with its curvatures changed (1 / mm); its rim is not looked at."""
    near_axis = replace(model.lens, clear_aperture_mm=min(model.lens.clear_aperture_mm, _NEAR_AXIS_MM))
    for number, change in enumerate(change_per_mm):
        near_axis = _bent(near_axis, number, float(change))
    return lens_model(near_axis, model.layout, model.beam)


def _bent(lens: Lens, number: int, change_per_mm: float) -> Lens:
    """Return the lens with one curvature changed."""
    surface = lens.surfaces[number]
    curvature = surface.curvature_per_mm + change_per_mm
    surfaces = list(lens.surfaces)
    surfaces[number] = replace(surface, radius_mm=1.0 / curvature if curvature else math.inf)
    return replace(lens, surfaces=tuple(surfaces))
