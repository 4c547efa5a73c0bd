"""The inner loops that draw a plate, pixel by pixel; ``plate_art`` says what there is to draw."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

SUBPIXELS = 4
"""Points each way that a pixel at the hole's rim is the mean of."""
_BACKGROUND_ALBEDO = 0.02

Map = NDArray[np.float32]


@compiled()
def near(x_mm: Map, y_mm: Map, square: NDArray[np.float64]) -> tuple[int, int, int, int]:
    """Return the first and last row and column with a place in a square (centre and half its side)."""
    first, last, left, right = x_mm.shape[0], -1, x_mm.shape[1], -1
    for row in range(x_mm.shape[0]):
        for column in range(x_mm.shape[1]):
            if (
                abs(x_mm[row, column] - square[0]) < square[2]
                and abs(y_mm[row, column] - square[1]) < square[2]
            ):
                first, last = min(first, row), max(last, row)
                left, right = min(left, column), max(right, column)
    return first, last, left, right


@compiled(any_order=True)
def print_on_paper(albedo: Map, x_mm: Map, y_mm: Map, rings: Map, mottle: Map, numbers: Map) -> None:
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


@compiled()
def stamp(
    ink: Map,
    x_mm: Map,
    y_mm: Map,
    within: NDArray[np.int64],
    black: NDArray[np.bool_],
    origin: NDArray[np.float64],
    sizes: NDArray[np.float64],
) -> None:
    """Print a marker's black cells; each pixel gets what of its area lies in them.

    ``origin`` turns x and y into places from the marker's left and top: sign of x, and what is added to each;
    ``sizes`` are that of a cell, and a pixel's two sides across and down.
    """
    cells, cell, per = black.shape[0], sizes[0], 1.0 / sizes[0]
    ends_x, ends_y = (sizes[1] + sizes[2]) / 2, (sizes[3] + sizes[4]) / 2
    for row in range(within[0], min(within[1], ink.shape[0])):
        for column in range(within[2], min(within[3], ink.shape[1])):
            right, down = origin[0] * x_mm[row, column] + origin[1], origin[2] - y_mm[row, column]
            first_right, last_right = math.floor((right - ends_x) * per), math.floor((right + ends_x) * per)
            first_down, last_down = math.floor((down - ends_y) * per), math.floor((down + ends_y) * per)
            if first_right == last_right and first_down == last_down:  # well inside one cell, or none
                if 0 <= first_right < cells and 0 <= first_down < cells and black[first_down, first_right]:
                    ink[row, column] = np.float32(1.0)
                continue
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


@compiled()
def add_speck(
    albedo: Map, x_mm: Map, y_mm: Map, within: NDArray[np.int64], numbers: NDArray[np.float64]
) -> None:
    """Darken or brighten round a place; ``numbers`` are the place, the radius and by how much."""
    for row in range(within[0], min(within[1], albedo.shape[0])):
        for column in range(within[2], min(within[3], albedo.shape[1])):
            dx, dy = x_mm[row, column] - numbers[0], y_mm[row, column] - numbers[1]
            square = (dx * dx + dy * dy) / numbers[2] ** 2
            if square < 6.0:  # beyond, less than 1e-15
                albedo[row, column] *= np.float32(1.0 + numbers[3] * math.exp(-square * square))


@compiled(any_order=True)
def cut_outline(albedo: Map, x_mm: Map, y_mm: Map, numbers: Map) -> None:
    """Whatever stands behind the plate is dark; ``numbers`` are half its width and height, a pixel's size."""
    half_x, half_y, per_pixel = numbers[0], numbers[1], np.float32(1.0) / numbers[2]
    zero, half, one, dark = np.float32(0.0), np.float32(0.5), np.float32(1.0), np.float32(_BACKGROUND_ALBEDO)
    for row in range(albedo.shape[0]):
        for at in range(albedo.shape[1]):
            outside = max(abs(x_mm[row, at]) - half_x, abs(y_mm[row, at]) - half_y)
            inside = min(max(half - outside * per_pixel, zero), one)
            albedo[row, at] = dark + inside * (albedo[row, at] - dark)


@compiled()
def take_out(
    albedo: Map,
    x_mm: Map,
    y_mm: Map,
    within: NDArray[np.int64],
    steps: NDArray[np.float64],
    numbers: NDArray[np.float64],
) -> None:
    """Drill a hole; a pixel is the mean of 4 x 4 points of it.

    ``steps`` is what x and y change by from column to column and from row to row; ``numbers`` are the hole's
    centre and radius, cosine and sine of where its chamfer shines most, the softness of the rim, the
    chamfer's width and glint, and the albedo of the hole.
    """
    radius, soft, width, glint, dark = numbers[2], numbers[5], numbers[6], numbers[7], numbers[8]
    for row in range(within[0], min(within[1], albedo.shape[0])):
        for column in range(within[2], min(within[3], albedo.shape[1])):
            there, shine = 0.0, 0.0
            for point in range(SUBPIXELS**2):
                right = (point % SUBPIXELS + 0.5) / SUBPIXELS - 0.5
                down = (point // SUBPIXELS + 0.5) / SUBPIXELS - 0.5
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
            share, bright = there / SUBPIXELS**2, glint * shine / SUBPIXELS**2
            albedo[row, column] = dark + (albedo[row, column] - dark) * share + bright
