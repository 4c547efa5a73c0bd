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
_MARKER_CELL_PX = 24
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
        _drill(albedo, hole, x_mm, y_mm, pixel_mm, nuisances)
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
    radius = cv2.magnitude(x_mm - plate.mark_center_mm[0], y_mm - plate.mark_center_mm[1])
    outer = max(plate.ring_radii_mm) + plate.line_width_mm + pixel_mm
    at = np.arange(0.0, outer + 2 * _RADIAL_STEP_MM, _RADIAL_STEP_MM)
    profile = np.zeros_like(at)
    for ring in plate.ring_radii_mm:
        profile += _covered(np.abs(at - ring) - plate.line_width_mm / 2, pixel_mm)
    index = np.minimum(radius * (1 / _RADIAL_STEP_MM) + 0.5, len(at) - 1).astype(np.int32)
    ink: Map = np.minimum(profile, 1.0).astype(np.float32)[index]
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
        ink[area] = np.maximum(ink[area], arm)


def _draw_marker(ink: Map, plate: PlateSpec, number: int, x_mm: Map, y_mm: Map) -> None:
    """Print a marker so that a person who faces the printed face sees it upright."""
    dictionary = plate.dictionary()
    cells = dictionary.markerSize + 2
    bits = cv2.aruco.generateImageMarker(dictionary, number, cells * _MARKER_CELL_PX)
    print_ = cv2.copyMakeBorder(255 - bits, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=0).astype(np.float32) / 255
    center = plate.fiducials[number]
    area = region_of(x_mm, y_mm, center, plate.fiducial_side_mm / 2 * 1.1)
    if x_mm[area].size == 0:
        return
    scale = cells * _MARKER_CELL_PX / plate.fiducial_side_mm
    middle = (print_.shape[0] - 1) / 2
    right = 1.0 if plate.faces == "downstream" else -1.0
    column = ((x_mm[area] - center[0]) * (right * scale) + middle).astype(np.float32)
    row = ((center[1] - y_mm[area]) * scale + middle).astype(np.float32)
    drawn = cv2.remap(print_, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    ink[area] = np.maximum(ink[area], drawn)


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
    outside = np.maximum(np.abs(x_mm) - plate.width_mm / 2, np.abs(y_mm) - plate.height_mm / 2)
    if float(outside.max()) < -pixel_mm:
        return
    inside = _covered(outside, pixel_mm).astype(np.float32)
    albedo *= inside
    albedo += (1 - inside) * np.float32(_BACKGROUND_ALBEDO)


def _drill(
    albedo: Map, hole: TrueHole, x_mm: Map, y_mm: Map, pixel_mm: float, nuisances: SceneNuisances
) -> None:
    """Take the hole out, with its soft rim and the bright chamfer round it."""
    width = max(nuisances.rim_width_um * 1e-3, 1e-3)
    soft = math.hypot(nuisances.rim_soft_um * 1e-3, 0.29 * pixel_mm)
    area = region_of(x_mm, y_mm, hole.center_mm, hole.radius_mm + 3 * width + 5 * soft)
    if x_mm[area].size == 0:
        return
    dx, dy = x_mm[area] - hole.center_mm[0], y_mm[area] - hole.center_mm[1]
    outside = np.hypot(dx, dy) - np.float32(hole.radius_mm)
    # The logistic curve stands in for the error function: same middle, same width to 1 %, no scipy per frame.
    open_ = 1 / (1 + np.exp(np.clip(-outside * (1.702 / soft), -60, 60)))
    toward = 0.5 + 0.5 * np.cos(np.arctan2(dy, dx) - hole.glint_azimuth_rad)
    chamfer = np.exp(-(((outside - width / 2) / (width / 2)) ** 2))
    lit = albedo[area] + nuisances.rim_glint * chamfer * toward
    albedo[area] = nuisances.hole_albedo + (lit - nuisances.hole_albedo) * open_
