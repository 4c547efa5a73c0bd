"""What a plate looks like under even light: print, hole, rim, dust and mottle, pixel by pixel.

Everything is evaluated at the plate coordinates of the pixels, so nothing is rounded to a drawing raster.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sim.scene_nuisances import SceneNuisances
from vision.plate import PlateSpec

_BACKGROUND_ALBEDO = 0.02
_SUBPIXELS = 4
_MOTTLE_PITCH_MM = 0.25
_RADIAL_STEP_MM = 0.004

Map = NDArray[np.float32]


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
    ink = _rings(plate, x_mm, y_mm, pixel_mm)
    _draw_cross(ink, plate, x_mm, y_mm, pixel_mm)
    for number in plate.fiducials:
        _draw_marker(ink, plate, number, x_mm, y_mm)
    paper = np.full_like(ink, nuisances.paper_albedo)
    if nuisances.paper_mottle > 0:
        paper *= _mottle(plate, x_mm, y_mm, nuisances.paper_mottle, rng)
    albedo = paper + ink * (nuisances.ink_albedo - paper)
    _add_dust(albedo, plate, x_mm, y_mm, nuisances, rng)
    _cut_outline(albedo, plate, x_mm, y_mm, pixel_mm)
    if hole is not None:
        _drill(albedo, hole, x_mm, y_mm, nuisances)
    return albedo


def region_of(x_mm: Map, y_mm: Map, center_mm: tuple[float, float], reach_mm: float) -> tuple[slice, slice]:
    """Return the rows and columns that hold every pixel within a square on the plate; empty when none does.

    A coarse look at every eighth pixel with a margin of one step: cheap, and enough for any smooth view.
    """
    step = 8
    pitch = max(
        float(np.abs(np.diff(x_mm[::step, ::step], axis=1)).max()),
        float(np.abs(np.diff(y_mm[::step, ::step], axis=0)).max()),
    )
    reach = reach_mm + 1.5 * pitch
    near = (np.abs(x_mm[::step, ::step] - center_mm[0]) < reach) & (
        np.abs(y_mm[::step, ::step] - center_mm[1]) < reach
    )
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if rows.size == 0:
        return slice(0, 0), slice(0, 0)
    return (
        slice(max(0, (rows[0] - 1) * step), (rows[-1] + 2) * step),
        slice(max(0, (columns[0] - 1) * step), (columns[-1] + 2) * step),
    )


def _rings(plate: PlateSpec, x_mm: Map, y_mm: Map, pixel_mm: float) -> Map:
    """Ink of the rings, from one profile along the radius that all pixels look up."""
    if not plate.ring_radii_mm:
        return np.zeros_like(x_mm)
    outer = max(plate.ring_radii_mm) + plate.line_width_mm + pixel_mm
    at = np.arange(0.0, outer + 2 * _RADIAL_STEP_MM, _RADIAL_STEP_MM)
    profile = np.zeros_like(at)
    for ring in plate.ring_radii_mm:
        profile += _covered(np.abs(at - ring) - plate.line_width_mm / 2, pixel_mm)
    ink = np.zeros_like(x_mm)
    area = region_of(x_mm, y_mm, plate.mark_center_mm, outer)
    radius = cv2.magnitude(x_mm[area] - plate.mark_center_mm[0], y_mm[area] - plate.mark_center_mm[1])
    index = np.minimum(radius * (1 / _RADIAL_STEP_MM) + 0.5, len(at) - 1).astype(np.int32)
    ink[area] = np.minimum(profile, 1.0).astype(np.float32)[index]
    return ink


def _covered(outside_mm: NDArray[np.floating], pixel_mm: float) -> NDArray[np.floating]:
    """Part of a pixel that lies inside an edge whose signed distance is given (negative = inside)."""
    covered: NDArray[np.floating] = np.clip(0.5 - outside_mm / pixel_mm, 0.0, 1.0)
    return covered


def _draw_cross(ink: Map, plate: PlateSpec, x_mm: Map, y_mm: Map, pixel_mm: float) -> None:
    if plate.cross_arm_mm is None:
        return
    area = region_of(x_mm, y_mm, plate.mark_center_mm, plate.cross_arm_mm + plate.line_width_mm)
    dx, dy = np.abs(x_mm[area] - plate.mark_center_mm[0]), np.abs(y_mm[area] - plate.mark_center_mm[1])
    half = plate.line_width_mm / 2
    for along, across in ((dx, dy), (dy, dx)):
        arm = _covered(along - plate.cross_arm_mm, pixel_mm) * _covered(across - half, pixel_mm)
        if plate.cross_gap_mm > 0.0:
            arm *= _covered(plate.cross_gap_mm - along, pixel_mm)
        ink[area] = np.maximum(ink[area], arm)


def _draw_marker(ink: Map, plate: PlateSpec, number: int, x_mm: Map, y_mm: Map) -> None:
    """Print a marker so that a person who faces the printed face sees it upright."""
    dictionary = plate.dictionary()
    cells = dictionary.markerSize + 2
    black = cv2.aruco.generateImageMarker(dictionary, number, cells) == 0
    center, side = plate.fiducials[number], plate.fiducial_side_mm
    area = region_of(x_mm, y_mm, center, side / 2 * 1.1)
    if x_mm[area].size == 0:
        return
    across, down = _footprint(x_mm, y_mm, area)
    right = 1.0 if plate.faces == "downstream" else -1.0
    columns = _bands((x_mm[area] - center[0]) * right + side / 2, cells, side, across)
    rows = _bands(side / 2 - (y_mm[area] - center[1]), cells, side, down)
    drawn = np.zeros(x_mm[area].shape, np.float32)
    for row, cells_of_row in zip(rows, black, strict=True):
        drawn += row * np.sum(columns[cells_of_row], axis=0)
    ink[area] = np.maximum(ink[area], drawn)


def _footprint(
    x_mm: Map, y_mm: Map, area: tuple[slice, slice]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return by how much x, and by how much y, changes from column to column and from row to row, mm."""
    last_row, last_column = x_mm.shape[0] - 2, x_mm.shape[1] - 2
    row = min((area[0].start + min(area[0].stop, last_row)) // 2, last_row)
    column = min((area[1].start + min(area[1].stop, last_column)) // 2, last_column)
    x, y = (part[row : row + 2, column : column + 2].astype(np.float64) for part in (x_mm, y_mm))
    return (x[0, 1] - x[0, 0], x[1, 0] - x[0, 0]), (y[0, 1] - y[0, 0], y[1, 0] - y[0, 0])


def _bands(place_mm: Map, cells: int, side_mm: float, steps_mm: tuple[float, float]) -> Map:
    """Part of each pixel that lies in each of a marker's columns (or rows) of cells, shape (cells, ...).

    A pixel is a parallelogram on the plate. Across an edge its cover is that of two boxes folded with each
    other, one for each of the pixel's sides: a slope whose ends are rounded by parabolas.
    """
    wide = max(abs(step) for step in steps_mm)
    narrow = max(min(abs(step) for step in steps_mm), 1e-3 * wide)
    ends, straight = np.float32((wide + narrow) / 2), np.float32((wide - narrow) / 2)
    beyond = np.empty((cells + 1, *place_mm.shape), np.float32)
    for edge in range(cells + 1):
        past = np.clip(place_mm - np.float32(edge * side_mm / cells), -ends, ends)
        rounded = past - np.clip(past, -straight, straight)
        np.multiply(past, np.float32(1 / wide), out=beyond[edge])
        beyond[edge] -= rounded * np.abs(rounded) * np.float32(1 / (2 * wide * narrow))
    return np.asarray(beyond[:-1] - beyond[1:])


def _mottle(plate: PlateSpec, x_mm: Map, y_mm: Map, rms: float, rng: np.random.Generator) -> Map:
    """Slow unevenness of the paper, fixed to the plate."""
    rows = int(plate.height_mm / _MOTTLE_PITCH_MM) + 2
    columns = int(plate.width_mm / _MOTTLE_PITCH_MM) + 2
    white = rng.standard_normal((rows, columns), dtype=np.float32)
    noise = np.asarray(cv2.GaussianBlur(white, (0, 0), 1.2), np.float32)
    noise *= np.float32(rms / max(float(noise.std()), 1e-12))
    across = x_mm * np.float32(1 / _MOTTLE_PITCH_MM) + np.float32((columns - 1) / 2)
    down = y_mm * np.float32(1 / _MOTTLE_PITCH_MM) + np.float32((rows - 1) / 2)
    sampled = cv2.remap(noise, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(sampled + np.float32(1.0), np.float32)


def _add_dust(
    albedo: Map, plate: PlateSpec, x_mm: Map, y_mm: Map, nuisances: SceneNuisances, rng: np.random.Generator
) -> None:
    for _ in range(rng.poisson(nuisances.dust_specks)):
        center = rng.uniform(-0.5, 0.5, 2) * [plate.width_mm, plate.height_mm]
        radius_mm = nuisances.dust_size_um * 1e-3 * math.exp(0.5 * rng.standard_normal())
        strength = (-0.7, -0.4, 0.3)[int(rng.integers(3))]
        area = region_of(x_mm, y_mm, (float(center[0]), float(center[1])), 3 * radius_mm)
        square = (x_mm[area] - center[0]) ** 2 + (y_mm[area] - center[1]) ** 2
        speck = np.exp(-((square / radius_mm**2) ** 2)) * strength + 1
        albedo[area] *= speck.astype(np.float32)


def _cut_outline(albedo: Map, plate: PlateSpec, x_mm: Map, y_mm: Map, pixel_mm: float) -> None:
    """Whatever stands behind the plate is dark."""
    reach = [max(float(values.max()), -float(values.min())) for values in (x_mm, y_mm)]
    if max(reach[0] - plate.width_mm / 2, reach[1] - plate.height_mm / 2) < -pixel_mm:
        return
    outside = np.maximum(np.abs(x_mm) - plate.width_mm / 2, np.abs(y_mm) - plate.height_mm / 2)
    inside = _covered(outside, pixel_mm).astype(np.float32)
    albedo *= inside
    albedo += (1 - inside) * np.float32(_BACKGROUND_ALBEDO)


def _drill(albedo: Map, hole: TrueHole, x_mm: Map, y_mm: Map, nuisances: SceneNuisances) -> None:
    """Take the hole out, with its soft rim and the bright chamfer round it, each pixel over its area."""
    width = max(nuisances.rim_width_um * 1e-3, 1e-3)
    reach = hole.radius_mm + 3 * width + 5 * nuisances.rim_soft_um * 1e-3
    area = region_of(x_mm, y_mm, hole.center_mm, reach)
    if x_mm[area].size == 0:
        return
    (x_column, x_row), (y_column, y_row) = _footprint(x_mm, y_mm, area)
    pixel_mm = math.sqrt(abs(x_column * y_row - x_row * y_column))
    soft = math.hypot(nuisances.rim_soft_um * 1e-3, 0.29 * pixel_mm / _SUBPIXELS)
    dx, dy = x_mm[area] - hole.center_mm[0], y_mm[area] - hole.center_mm[1]
    open_sum, glint_sum = np.zeros_like(dx), np.zeros_like(dx)
    steps = (np.arange(_SUBPIXELS) + 0.5) / _SUBPIXELS - 0.5
    for right in steps:
        for down in steps:
            open_, glint = _rim(
                dx + np.float32(right * x_column + down * x_row),
                dy + np.float32(right * y_column + down * y_row),
                hole,
                soft,
                width,
            )
            open_sum += open_
            glint_sum += open_ * glint
    share = open_sum / np.float32(_SUBPIXELS**2)
    bright = glint_sum * np.float32(nuisances.rim_glint / _SUBPIXELS**2)
    albedo[area] = nuisances.hole_albedo + (albedo[area] - nuisances.hole_albedo) * share + bright


def _rim(dx: Map, dy: Map, hole: TrueHole, soft: float, width: float) -> tuple[Map, Map]:
    """Return what of the plate is there at points about the hole, and how the chamfer shines, 0 to 1."""
    outside = np.hypot(dx, dy) - np.float32(hole.radius_mm)
    # The logistic curve stands in for the error function: same middle, same width to 1 %, no scipy per frame.
    open_ = 1 / (1 + np.exp(np.clip(-outside * (1.702 / soft), -60, 60)))
    toward = 0.5 + 0.5 * np.cos(np.arctan2(dy, dx) - hole.glint_azimuth_rad)
    chamfer = np.exp(-(((outside - width / 2) / (width / 2)) ** 2))
    return np.asarray(open_, np.float32), np.asarray(chamfer * toward, np.float32)
