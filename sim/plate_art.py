"""What a plate looks like under even light: print, hole, rim, dust and mottle, pixel by pixel.

Everything is evaluated at the plate coordinates of the pixels, so nothing is rounded to a drawing raster.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sim.drawing import SUBPIXELS, Map, add_speck, cut_outline, near, print_on_paper, stamp, take_out
from sim.scene_nuisances import SceneNuisances
from vision.plate import PlateSpec

_MOTTLE_PITCH_MM = 0.25
_RADIAL_STEP_MM = 0.004
_FEW = 8

Area = tuple[slice, slice]


@dataclass(frozen=True, slots=True)
class TrueHole:
    """The hole as drilled.

    Attributes
    ----------
    center_mm : tuple of float
        In the coordinates of the print.
    radius_mm : float
    glint_azimuth_rad : float
        Where its chamfer shines most.
    """

    center_mm: tuple[float, float]
    radius_mm: float
    glint_azimuth_rad: float = 0.0


def albedo_map(
    plate: PlateSpec,
    hole: TrueHole | None,
    x_mm: Map,
    y_mm: Map,
    pixel_mm: float,
    nuisances: SceneNuisances,
    rng: np.random.Generator,
) -> Map:
    """Return the reflectance of the plate at every pixel.

    Parameters
    ----------
    plate : PlateSpec
    hole : TrueHole or None
    x_mm, y_mm : ndarray of float32, shape (height, width)
        Bench-frame coordinates of the pixels' centres relative to the print (see ``PlateSpec``).
    pixel_mm : float
        Size of a pixel on the plate: edges are averaged over it.
    nuisances : SceneNuisances
    rng : numpy.random.Generator
        Draws mottle and dust; belongs to the plate, not to the camera.

    Returns
    -------
    ndarray of float32, shape (height, width)
    """
    places = _Places.of(x_mm, y_mm)
    albedo = np.zeros_like(x_mm)  # at first how much ink there is
    _draw_cross(albedo, plate, places, pixel_mm)
    for number in plate.fiducials:
        _draw_marker(albedo, plate, number, places)
    numbers = (
        *plate.mark_center_mm,
        1 / _RADIAL_STEP_MM,
        1 / _MOTTLE_PITCH_MM,
        nuisances.paper_albedo,
        nuisances.ink_albedo,
    )
    mottle = _mottle(plate, nuisances.paper_mottle, rng)
    print_on_paper(albedo, x_mm, y_mm, _rings(plate, pixel_mm), mottle, np.array(numbers, np.float32))
    _add_dust(albedo, plate, places, nuisances, rng)
    outline = np.array([plate.width_mm / 2, plate.height_mm / 2, pixel_mm], np.float32)
    cut_outline(albedo, x_mm, y_mm, outline)
    if hole is not None:
        _drill(albedo, hole, places, nuisances)
    return albedo


@dataclass(frozen=True, slots=True)
class _Places:
    """Where the pixels lie on the plate, and every eighth of them, to find regions by."""

    x_mm: Map
    y_mm: Map
    few_x_mm: Map
    few_y_mm: Map
    pitch_mm: float

    @classmethod
    def of(cls, x_mm: Map, y_mm: Map) -> _Places:
        few_x, few_y = (np.ascontiguousarray(values[::_FEW, ::_FEW]) for values in (x_mm, y_mm))
        pitch = max(
            float(np.abs(np.diff(few_x, axis=1)).max()),
            float(np.abs(np.diff(few_y, axis=0)).max()),
        )
        return cls(x_mm, y_mm, few_x, few_y, pitch)

    def region(self, center_mm: tuple[float, float], reach_mm: float) -> Area:
        """Return the rows and columns that hold every pixel within a square on the plate; maybe empty.

        A coarse look with a margin of one step: cheap, and enough for any smooth view.
        """
        reach = reach_mm + 1.5 * self.pitch_mm
        first, last, left, right = near(self.few_x_mm, self.few_y_mm, np.array([*center_mm, reach]))
        if last < first:
            return slice(0, 0), slice(0, 0)
        return (
            slice(max(0, (first - 1) * _FEW), (last + 2) * _FEW),
            slice(max(0, (left - 1) * _FEW), (right + 2) * _FEW),
        )


def _rings(plate: PlateSpec, pixel_mm: float) -> Map:
    """Ink of the rings along the radius, in steps of ``_RADIAL_STEP_MM``, that all pixels look up."""
    outer = max(plate.ring_radii_mm, default=0.0) + plate.line_width_mm + pixel_mm
    at = np.arange(0.0, outer + 2 * _RADIAL_STEP_MM, _RADIAL_STEP_MM)
    profile = np.zeros_like(at)
    for ring in plate.ring_radii_mm:
        profile += _covered(np.abs(at - ring) - plate.line_width_mm / 2, pixel_mm)
    return np.minimum(profile, 1.0).astype(np.float32)


def _covered(outside_mm: NDArray[np.floating], pixel_mm: float) -> NDArray[np.floating]:
    """Part of a pixel that lies inside an edge whose signed distance is given (negative = inside)."""
    covered: NDArray[np.floating] = np.clip(0.5 - outside_mm / pixel_mm, 0.0, 1.0)
    return covered


def _draw_cross(ink: Map, plate: PlateSpec, places: _Places, pixel_mm: float) -> None:
    if plate.cross_arm_mm is None:
        return
    area = places.region(plate.mark_center_mm, plate.cross_arm_mm + plate.line_width_mm)
    dx = np.abs(places.x_mm[area] - plate.mark_center_mm[0])
    dy = np.abs(places.y_mm[area] - plate.mark_center_mm[1])
    half = plate.line_width_mm / 2
    for along, across in ((dx, dy), (dy, dx)):
        arm = _covered(along - plate.cross_arm_mm, pixel_mm) * _covered(across - half, pixel_mm)
        if plate.cross_gap_mm > 0.0:
            arm *= _covered(plate.cross_gap_mm - along, pixel_mm)
        ink[area] = np.maximum(ink[area], arm)


def _draw_marker(ink: Map, plate: PlateSpec, number: int, places: _Places) -> None:
    """Print a marker so that a person who faces the printed face sees it upright."""
    dictionary = plate.dictionary()
    cells = dictionary.markerSize + 2
    black = cv2.aruco.generateImageMarker(dictionary, number, cells) == 0
    (center_x, center_y), side = plate.fiducials[number], plate.fiducial_side_mm
    area = places.region((center_x, center_y), side / 2 * 1.1)
    if places.x_mm[area].size == 0:
        return
    across, down = _footprint(places.x_mm, places.y_mm, area)
    right = 1.0 if plate.faces == "downstream" else -1.0
    sizes = np.array([side / cells, *_sides(across), *_sides(down)])
    origin = np.array([right, side / 2 - right * center_x, side / 2 + center_y])
    stamp(ink, places.x_mm, places.y_mm, bounds(area), black, origin, sizes)


def _footprint(x_mm: Map, y_mm: Map, area: Area) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return by how much x, and by how much y, changes from column to column and from row to row, mm."""
    last_row, last_column = x_mm.shape[0] - 2, x_mm.shape[1] - 2
    row = min((area[0].start + min(area[0].stop, last_row)) // 2, last_row)
    column = min((area[1].start + min(area[1].stop, last_column)) // 2, last_column)
    x, y = (part[row : row + 2, column : column + 2].astype(np.float64) for part in (x_mm, y_mm))
    return (x[0, 1] - x[0, 0], x[1, 0] - x[0, 0]), (y[0, 1] - y[0, 0], y[1, 0] - y[0, 0])


def bounds(area: Area) -> NDArray[np.int64]:
    """Return first and end row, first and end column."""
    return np.array([area[0].start, area[0].stop, area[1].start, area[1].stop], np.int64)


def _sides(steps_mm: tuple[float, float]) -> tuple[float, float]:
    """Return how long the two sides of a pixel are along one direction of the plate, the longer first."""
    wide = max(abs(step) for step in steps_mm)
    return wide, max(min(abs(step) for step in steps_mm), 1e-3 * wide)


def _mottle(plate: PlateSpec, rms: float, rng: np.random.Generator) -> Map:
    """Slow unevenness of the paper, fixed to the plate: factors of mean 1, ``_MOTTLE_PITCH_MM`` apart."""
    rows = int(plate.height_mm / _MOTTLE_PITCH_MM) + 2
    columns = int(plate.width_mm / _MOTTLE_PITCH_MM) + 2
    if rms <= 0:
        return np.ones((rows, columns), np.float32)
    white = rng.standard_normal((rows, columns), dtype=np.float32)
    noise = np.asarray(cv2.GaussianBlur(white, (0, 0), 1.2), np.float32)
    noise *= np.float32(rms / max(float(noise.std()), 1e-12))
    noise += np.float32(1.0)
    return noise


def _add_dust(
    albedo: Map, plate: PlateSpec, places: _Places, nuisances: SceneNuisances, rng: np.random.Generator
) -> None:
    for _ in range(rng.poisson(nuisances.dust_specks)):
        center = rng.uniform(-0.5, 0.5, 2) * [plate.width_mm, plate.height_mm]
        radius_mm = nuisances.dust_size_um * 1e-3 * math.exp(0.5 * rng.standard_normal())
        strength = (-0.7, -0.4, 0.3)[int(rng.integers(3))]
        x_mm, y_mm = center.tolist()
        area = places.region((x_mm, y_mm), 3 * radius_mm)
        add_speck(albedo, places.x_mm, places.y_mm, bounds(area), np.array([x_mm, y_mm, radius_mm, strength]))


def _drill(albedo: Map, hole: TrueHole, places: _Places, nuisances: SceneNuisances) -> None:
    """Take the hole out, with its soft rim and the bright chamfer round it, each pixel over its area."""
    width = max(nuisances.rim_width_um * 1e-3, 1e-3)
    reach = hole.radius_mm + 3 * width + 5 * nuisances.rim_soft_um * 1e-3
    area = places.region(hole.center_mm, reach)
    if places.x_mm[area].size == 0:
        return
    (x_column, x_row), (y_column, y_row) = _footprint(places.x_mm, places.y_mm, area)
    pixel_mm = math.sqrt(abs(x_column * y_row - x_row * y_column))
    soft = math.hypot(nuisances.rim_soft_um * 1e-3, 0.29 * pixel_mm / SUBPIXELS)
    numbers = (
        *hole.center_mm,
        hole.radius_mm,
        math.cos(hole.glint_azimuth_rad),
        math.sin(hole.glint_azimuth_rad),
        soft,
        width,
        nuisances.rim_glint,
        nuisances.hole_albedo,
    )
    steps = np.array([[x_column, x_row], [y_column, y_row]])
    take_out(albedo, places.x_mm, places.y_mm, bounds(area), steps, np.array(numbers))
