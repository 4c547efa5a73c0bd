"""Passes over the pixels of a frame: each pixel is read once for all that is asked of it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

NO_PIXELS = np.zeros((0, 0), np.float32)


@compiled(any_order=True)
def block_sums(
    pixels: NDArray[Any],
    background: Array32,
    valid: Array32,
    corner: tuple[int, int, int],
    scale: tuple[float, float, float],
    sums: Array,
) -> None:
    """Sum the pixels of square blocks.

    Parameters
    ----------
    pixels : ndarray, shape (height, width)
    background : ndarray, shape (height, width), or `NO_PIXELS`
    valid : ndarray, shape (height, width), or `NO_PIXELS` where all pixels show the plate
    corner : tuple of int
        Column and row of the first block's first pixel, and the side of a block.
    scale : tuple of float
        Factor of the background, level that is taken off besides, value from which a pixel is saturated.
    sums : ndarray, shape (7, rows, columns)
        Of each block: valid pixels, light, its square, saturated pixels, background, and the valid pixels'
        x and y from the block's middle; of the last three the background counts dead pixels as well, and x
        and y are left alone where all pixels are valid.
    """
    x0, y0, size = corner
    ratio, level, clip = scale
    behind, masked, middle = background.shape[0] > 0, valid.shape[0] > 0, 0.5 * (size - 1)
    sums[:] = 0.0
    for i in range(sums.shape[1]):
        for y in range(size):
            row = y0 + i * size + y
            for j in range(sums.shape[2]):
                count, light, square, clipped, floor, across = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
                first = x0 + j * size
                for x in range(size):
                    seen = np.float64(pixels[row, first + x])
                    share = np.float64(valid[row, first + x]) if masked else 1.0
                    dark = np.float64(background[row, first + x]) if behind else 0.0
                    own = share * (seen - ratio * dark - level)
                    count += share
                    light += own
                    square += own * own
                    clipped += share if seen >= clip else 0.0
                    floor += dark
                    across += share * (x - middle)
                sums[0, i, j] += count
                sums[1, i, j] += light
                sums[2, i, j] += square
                sums[3, i, j] += clipped
                sums[4, i, j] += floor
                if masked:
                    sums[5, i, j] += across
                    sums[6, i, j] += count * (y - middle)


@compiled(any_order=True)
def tile_means(pixels: NDArray[Any], means: Array) -> None:
    """Fill the means of the tiles of a frame, shape (rows, columns); tiles differ by a pixel at most."""
    rows, columns = means.shape
    height, width = pixels.shape
    strip = np.empty(width, np.float32)
    for i in range(rows):
        top, bottom = i * height // rows, (i + 1) * height // rows
        strip[:] = np.float32(0.0)
        for y in range(top, bottom):
            for x in range(width):
                strip[x] += np.float32(pixels[y, x])
        for j in range(columns):
            left, right = j * width // columns, (j + 1) * width // columns
            total = 0.0
            for x in range(left, right):
                total += np.float64(strip[x])
            means[i, j] = total / ((bottom - top) * (right - left))


@compiled()
def add_between(pixels: NDArray[Any], total: Array32, low: NDArray[Any], high: NDArray[Any]) -> None:
    """Add a frame to a sum, and keep the lowest and highest value that each pixel has had."""
    for y in range(pixels.shape[0]):
        for x in range(pixels.shape[1]):
            value = pixels[y, x]
            total[y, x] += np.float32(value)
            low[y, x] = min(low[y, x], value)
            high[y, x] = max(high[y, x], value)


@compiled()
def take_ends_off(low: NDArray[Any], high: NDArray[Any], count: int, total: Array32) -> None:
    """Turn a sum of frames into the mean of ``count`` of them without each pixel's lowest and highest."""
    share = np.float32(1.0 / count)
    for y in range(total.shape[0]):
        for x in range(total.shape[1]):
            total[y, x] = (total[y, x] - np.float32(low[y, x]) - np.float32(high[y, x])) * share


def half_size(pixels: NDArray[Any]) -> Array32:
    """Return a frame of half its size, each pixel the mean of four."""
    small = np.empty((pixels.shape[0] // 2, pixels.shape[1] // 2), np.float32)
    halved(np.ascontiguousarray(pixels), small)
    return small


@compiled(any_order=True)
def halved(pixels: NDArray[Any], small: Array32) -> None:
    """Fill a frame of half the size, each pixel the mean of four."""
    for y in range(small.shape[0]):
        for x in range(small.shape[1]):
            upper = np.float32(pixels[2 * y, 2 * x]) + np.float32(pixels[2 * y, 2 * x + 1])
            lower = np.float32(pixels[2 * y + 1, 2 * x]) + np.float32(pixels[2 * y + 1, 2 * x + 1])
            small[y, x] = np.float32(0.25) * (upper + lower)


@compiled()
def edge_profiles(
    pixels: NDArray[Any],
    nodes_px: Array,
    along: Array,
    across: Array,
    ends: int,
    mean: Array,
    scatter: Array,
    inside: NDArray[np.bool_],
) -> None:
    """Average profiles across the sides of markers, in segments along them.

    Parameters
    ----------
    pixels : ndarray, shape (height, width)
    nodes_px : ndarray, shape (sides, A, C, 2)
        Where places on and beside each side are in the frame.
    along, across : ndarray, shape (segments, profiles, A), (samples, C)
        Weights of the nodes along a side for each profile, and across it for each sample.
    ends : int
        Samples at either end over which the scatter is taken.
    mean : ndarray, shape (sides, segments, samples)
        Filled: mean over the profiles without the lowest two and the highest two (dust spoils only its own).
    scatter : ndarray, shape (sides, segments, 2)
        Filled: variance of all pixels at either end.
    inside : ndarray of bool, shape (sides, segments)
        Filled: whether all samples lie in the frame.
    """
    segments, profiles, samples = along.shape[0], along.shape[1], across.shape[0]
    values, middle = np.empty((samples, profiles)), np.empty((nodes_px.shape[2], 2))
    for s in range(nodes_px.shape[0]):
        for g in range(segments):
            inside[s, g] = True
            for p in range(profiles):
                for c in range(nodes_px.shape[2]):
                    middle[c, 0], middle[c, 1] = 0.0, 0.0
                    for a in range(nodes_px.shape[1]):
                        middle[c, 0] += along[g, p, a] * nodes_px[s, a, c, 0]
                        middle[c, 1] += along[g, p, a] * nodes_px[s, a, c, 1]
                inside[s, g] &= _sample_line(pixels, across, middle, values[:, p])
            scatter[s, g, 0] = _variance(values[:ends])
            scatter[s, g, 1] = _variance(values[samples - ends :])
            for n in range(samples):
                mean[s, g, n] = _trimmed_mean(values[n])


@compiled()
def _sample_line(pixels: NDArray[Any], weights: Array, nodes_px: Array, values: Array) -> bool:
    """Fill the brightness at places between nodes, shape (C, 2) px; tell whether all lie in the frame."""
    height, width = pixels.shape
    whole = True
    for n in range(weights.shape[0]):
        x, y = 0.0, 0.0
        for c in range(nodes_px.shape[0]):
            x += weights[n, c] * nodes_px[c, 0]
            y += weights[n, c] * nodes_px[c, 1]
        whole &= 1.0 <= x <= width - 2.0 and 1.0 <= y <= height - 2.0
        x, y = min(max(x, 0.0), width - 1.001), min(max(y, 0.0), height - 1.001)
        column, row = int(x), int(y)
        fx, fy = x - column, y - row
        upper = pixels[row, column] * (1.0 - fx) + pixels[row, column + 1] * fx
        lower = pixels[row + 1, column] * (1.0 - fx) + pixels[row + 1, column + 1] * fx
        values[n] = upper * (1.0 - fy) + lower * fy
    return whole


@compiled()
def _variance(values: Array) -> float:
    """Return the variance of all numbers of a table."""
    total, square, origin = 0.0, 0.0, values[0, 0]
    for n in range(values.shape[0]):
        for p in range(values.shape[1]):
            total += values[n, p] - origin
            square += (values[n, p] - origin) ** 2
    return max(square / values.size - (total / values.size) ** 2, 0.0)


@compiled()
def _trimmed_mean(values: Array) -> float:
    """Sort some numbers, and return their mean without the lowest two and the highest two."""
    for p in range(1, values.shape[0]):
        one, at = values[p], p
        while at > 0 and values[at - 1] > one:
            values[at] = values[at - 1]
            at -= 1
        values[at] = one
    total = 0.0
    for p in range(2, values.shape[0] - 2):
        total += values[p]
    return float(total / (values.shape[0] - 4))


@compiled(any_order=True)
def stretched(pixels: NDArray[Any], low: float, scale: float, eight_bit: NDArray[np.uint8]) -> None:
    """Fill a frame of 8 bit with ``(pixels - low) * scale``, cut to what it holds."""
    for y in range(pixels.shape[0]):
        for x in range(pixels.shape[1]):
            value = (np.float32(pixels[y, x]) - np.float32(low)) * np.float32(scale)
            eight_bit[y, x] = np.uint8(min(max(value, np.float32(0.0)), np.float32(255.0)))
