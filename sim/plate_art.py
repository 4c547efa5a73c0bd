"""What a plate looks like under even light: print, hole, rim, dust and mottle, pixel by pixel.

Everything is evaluated at the plate coordinates of the pixels, so nothing is rounded to a drawing raster.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled
from sim.scene_nuisances import SceneNuisances
from vision.plate import PlateSpec

_BACKGROUND_ALBEDO = 0.02
_SUBPIXELS = 4
_MOTTLE_PITCH_MM = 0.25
_RADIAL_STEP_MM = 0.004
_FEW = 8

Map = NDArray[np.float32]
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
    _print(albedo, x_mm, y_mm, _rings(plate, pixel_mm), mottle, np.array(numbers, np.float32))
    _add_dust(albedo, plate, places, nuisances, rng)
    outline = np.array([plate.width_mm / 2, plate.height_mm / 2, pixel_mm], np.float32)
    _cut_outline(albedo, x_mm, y_mm, outline)
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
        near = (np.abs(self.few_x_mm - center_mm[0]) < reach) & (np.abs(self.few_y_mm - center_mm[1]) < reach)
        rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
        if rows.size == 0:
            return slice(0, 0), slice(0, 0)
        return (
            slice(max(0, (rows[0] - 1) * _FEW), (rows[-1] + 2) * _FEW),
            slice(max(0, (columns[0] - 1) * _FEW), (columns[-1] + 2) * _FEW),
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


@compiled(any_order=True)
def _print(albedo: Map, x_mm: Map, y_mm: Map, rings: Map, mottle: Map, numbers: Map) -> None:
    """Turn the ink of cross and markers into albedo: the rings added, ink on paper, the paper uneven.

    ``numbers`` are the middle of the rings (x, y), steps of the rings' profile and of the mottle per mm, and
    the albedos of paper and ink.
    """
    mark_x, mark_y, per_ring, per_mottle = numbers[0], numbers[1], numbers[2], numbers[3]
    paper_albedo, ink_albedo = numbers[4], numbers[5]
    columns, wide = albedo.shape[1], mottle.shape[1]
    texels, last_ring = mottle.reshape(-1), np.float32(rings.size - 1)
    zero, half = np.float32(0.0), np.float32(0.5)
    middle_x, middle_y = np.float32((wide - 1) / 2), np.float32((mottle.shape[0] - 1) / 2)
    end_x, end_y = np.float32(wide - 1.001), np.float32(mottle.shape[0] - 1.001)
    ring, texel = np.empty(columns, np.uint32), np.empty(columns, np.uint32)
    right, down = np.empty(columns, np.float32), np.empty(columns, np.float32)
    for row in range(albedo.shape[0]):
        x, y, line = x_mm[row], y_mm[row], albedo[row]
        for at in range(columns):
            dx, dy = x[at] - mark_x, y[at] - mark_y
            ring[at] = np.uint32(np.int32(min(np.sqrt(dx * dx + dy * dy) * per_ring + half, last_ring)))
            across = min(max(x[at] * per_mottle + middle_x, zero), end_x)
            below = min(max(y[at] * per_mottle + middle_y, zero), end_y)
            texel[at] = np.uint32(np.int32(below) * np.int32(wide) + np.int32(across))
            right[at], down[at] = across - np.floor(across), below - np.floor(below)
        for at in range(columns):
            ink = max(line[at], rings[np.uint64(ring[at])])
            begin = np.uint64(texel[at])
            under = begin + np.uint64(wide)
            upper = texels[begin] + right[at] * (texels[begin + np.uint64(1)] - texels[begin])
            lower = texels[under] + right[at] * (texels[under + np.uint64(1)] - texels[under])
            paper = paper_albedo * (upper + down[at] * (lower - upper))
            line[at] = paper + ink * (ink_albedo - paper)


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
    bounds = np.array([area[0].start, area[0].stop, area[1].start, area[1].stop])
    _stamp(ink, places.x_mm, places.y_mm, bounds, black, origin, sizes)


def _footprint(x_mm: Map, y_mm: Map, area: Area) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return by how much x, and by how much y, changes from column to column and from row to row, mm."""
    last_row, last_column = x_mm.shape[0] - 2, x_mm.shape[1] - 2
    row = min((area[0].start + min(area[0].stop, last_row)) // 2, last_row)
    column = min((area[1].start + min(area[1].stop, last_column)) // 2, last_column)
    x, y = (part[row : row + 2, column : column + 2].astype(np.float64) for part in (x_mm, y_mm))
    return (x[0, 1] - x[0, 0], x[1, 0] - x[0, 0]), (y[0, 1] - y[0, 0], y[1, 0] - y[0, 0])


def _sides(steps_mm: tuple[float, float]) -> tuple[float, float]:
    """Return how long the two sides of a pixel are along one direction of the plate, the longer first."""
    wide = max(abs(step) for step in steps_mm)
    return wide, max(min(abs(step) for step in steps_mm), 1e-3 * wide)


@compiled()
def _stamp(
    ink: Map,
    x_mm: Map,
    y_mm: Map,
    bounds: NDArray[np.int64],
    black: NDArray[np.bool_],
    origin: NDArray[np.float64],
    sizes: NDArray[np.float64],
) -> None:
    """Print a marker's black cells; each pixel gets what of its area lies in them.

    ``origin`` turns x and y into places from the marker's left and top: sign of x, and what is added to each;
    ``sizes`` are that of a cell, and a pixel's two sides across and down.
    """
    cells, cell = black.shape[0], sizes[0]
    ends_x, ends_y = (sizes[1] + sizes[2]) / 2, (sizes[3] + sizes[4]) / 2
    for row in range(bounds[0], min(bounds[1], ink.shape[0])):
        for column in range(bounds[2], min(bounds[3], ink.shape[1])):
            right, down = origin[0] * x_mm[row, column] + origin[1], origin[2] - y_mm[row, column]
            first_right, last_right = math.floor((right - ends_x) / cell), math.floor((right + ends_x) / cell)
            first_down, last_down = math.floor((down - ends_y) / cell), math.floor((down + ends_y) / cell)
            drawn = 0.0
            for high in range(max(first_down, 0), min(last_down, cells - 1) + 1):
                tall = _beyond(down - high * cell, sizes[3], sizes[4]) - _beyond(
                    down - (high + 1) * cell, sizes[3], sizes[4]
                )
                for wide in range(max(first_right, 0), min(last_right, cells - 1) + 1):
                    if black[high, wide]:
                        drawn += tall * (
                            _beyond(right - wide * cell, sizes[1], sizes[2])
                            - _beyond(right - (wide + 1) * cell, sizes[1], sizes[2])
                        )
            ink[row, column] = max(ink[row, column], np.float32(drawn))


@compiled()
def _beyond(place: float, wide: float, narrow: float) -> float:
    """Part of a pixel that lies beyond an edge, less a half; ``place`` is that of its middle from the edge.

    A pixel is a parallelogram on the plate. Across an edge its cover is that of two boxes folded with each
    other, one for each of the pixel's sides: a slope whose ends are rounded by parabolas.
    """
    ends, straight = (wide + narrow) / 2, (wide - narrow) / 2
    past = min(max(place, -ends), ends)
    rounded = past - min(max(past, -straight), straight)
    return past / wide - rounded * abs(rounded) / (2 * wide * narrow)


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
        square = (places.x_mm[area] - center[0]) ** 2 + (places.y_mm[area] - center[1]) ** 2
        speck = np.exp(-((square / radius_mm**2) ** 2)) * strength + 1
        albedo[area] *= speck.astype(np.float32)


@compiled(any_order=True)
def _cut_outline(albedo: Map, x_mm: Map, y_mm: Map, numbers: Map) -> None:
    """Whatever stands behind the plate is dark; ``numbers`` are half its width and height, a pixel's size."""
    half_x, half_y, per_pixel = numbers[0], numbers[1], np.float32(1.0) / numbers[2]
    zero, half, one, dark = np.float32(0.0), np.float32(0.5), np.float32(1.0), np.float32(_BACKGROUND_ALBEDO)
    for row in range(albedo.shape[0]):
        for at in range(albedo.shape[1]):
            outside = max(abs(x_mm[row, at]) - half_x, abs(y_mm[row, at]) - half_y)
            inside = min(max(half - outside * per_pixel, zero), one)
            albedo[row, at] = dark + inside * (albedo[row, at] - dark)


def _drill(albedo: Map, hole: TrueHole, places: _Places, nuisances: SceneNuisances) -> None:
    """Take the hole out, with its soft rim and the bright chamfer round it, each pixel over its area."""
    width = max(nuisances.rim_width_um * 1e-3, 1e-3)
    reach = hole.radius_mm + 3 * width + 5 * nuisances.rim_soft_um * 1e-3
    area = places.region(hole.center_mm, reach)
    if places.x_mm[area].size == 0:
        return
    (x_column, x_row), (y_column, y_row) = _footprint(places.x_mm, places.y_mm, area)
    pixel_mm = math.sqrt(abs(x_column * y_row - x_row * y_column))
    soft = math.hypot(nuisances.rim_soft_um * 1e-3, 0.29 * pixel_mm / _SUBPIXELS)
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
    bounds = np.array([area[0].start, area[0].stop, area[1].start, area[1].stop])
    _take_out(albedo, places.x_mm, places.y_mm, bounds, steps, np.array(numbers))


@compiled()
def _take_out(
    albedo: Map,
    x_mm: Map,
    y_mm: Map,
    bounds: NDArray[np.int64],
    steps: NDArray[np.float64],
    numbers: NDArray[np.float64],
) -> None:
    """Drill a hole; a pixel is the mean of 4 x 4 points of it.

    ``steps`` is what x and y change by from column to column and from row to row; ``numbers`` are the hole's
    centre and radius, cosine and sine of where its chamfer shines most, the softness of the rim, the
    chamfer's width and glint, and the albedo of the hole.
    """
    radius, soft, width, glint, dark = numbers[2], numbers[5], numbers[6], numbers[7], numbers[8]
    for row in range(bounds[0], min(bounds[1], albedo.shape[0])):
        for column in range(bounds[2], min(bounds[3], albedo.shape[1])):
            there, shine = 0.0, 0.0
            for point in range(_SUBPIXELS**2):
                right = (point % _SUBPIXELS + 0.5) / _SUBPIXELS - 0.5
                down = (point // _SUBPIXELS + 0.5) / _SUBPIXELS - 0.5
                dx = x_mm[row, column] - numbers[0] + right * steps[0, 0] + down * steps[0, 1]
                dy = y_mm[row, column] - numbers[1] + right * steps[1, 0] + down * steps[1, 1]
                away = math.sqrt(dx * dx + dy * dy)
                # The logistic curve stands in for the error function: same middle, same width to 1 %.
                bend = (away - radius) * (1.702 / soft)
                open_ = 1.0 if bend > 40.0 else 1.0 / (1.0 + math.exp(min(-bend, 60.0)))
                there += open_
                place = ((away - radius) / width - 0.5) * 2
                if abs(place) < 6.0:  # beyond, the chamfer shines less than 1e-15
                    toward = 0.5 + 0.5 * (dx * numbers[3] + dy * numbers[4]) / away
                    shine += open_ * math.exp(-place * place) * toward
            share, bright = there / _SUBPIXELS**2, glint * shine / _SUBPIXELS**2
            albedo[row, column] = dark + (albedo[row, column] - dark) * share + bright
