"""The noise of a block: shot, read, quantisation, and speckle that multiplies the light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.blocks import Blocks

Array = NDArray[np.float64]

SPECKLED = 0.02  # contrast squared from which saturation is treated as that of speckle


@dataclass(frozen=True, slots=True)
class Noise:
    """The multiplicative noise of a region.

    Attributes
    ----------
    grain_px2 : float
        Relative variance of a block times its pixels (contrast squared times correlation area).
    contrast2 : float
        Variance of one pixel's speckle over its squared mean.
    spread : float
        Factor by which correlation between neighbouring blocks raises the variance of a smooth estimate.
    """

    grain_px2: float = 0.0
    contrast2: float = 0.0
    spread: float = 1.0


def variance_e2(
    blocks: Blocks, signal_e: Array, light_e: Array, noise: Noise, kept: Array | float = 1.0
) -> Array:
    """Return the variance of each block's mean under a model, electrons squared, shape (N,).

    ``signal_e`` is the whole model (shot noise), ``light_e`` the spots' part of it (speckle).
    """
    single = blocks.base_e2 + np.maximum(signal_e, 0.0) / blocks.frames
    if noise.grain_px2 > 0.0:
        single = single + noise.grain_px2 * kept * light_e**2
    result: Array = single / blocks.pixels
    return result


def pixel_contrast2(blocks: Blocks) -> float:
    """Return the variance of one pixel's speckle over its squared mean, from the scatter inside the blocks.

    The slope of the spot itself over a block is taken off with the help of the neighbouring blocks.
    """
    rows, columns = blocks.grid
    if blocks.size_px < 2 or rows < 3 or columns < 3:
        return 0.0
    image = np.zeros(rows * columns)
    image[blocks.index] = blocks.value_e
    dy, dx = np.gradient(image.reshape(rows, columns))
    slope2 = ((dx**2 + dy**2) / 12.0).ravel()[blocks.index]
    shot = blocks.base_e2 + np.maximum(blocks.value_e, 0.0) / blocks.frames
    whole = blocks.pixels > 0.99 * blocks.size_px**2
    bright = (blocks.value_e > 0.3 * np.max(blocks.value_e)) & whole & (blocks.clipped < 0.02)
    if not bright.any():
        bright = (blocks.value_e > 6.0 * np.sqrt(shot / blocks.pixels)) & (blocks.clipped < 0.02) & whole
    if bright.sum() < 4:
        return 0.0
    extra = blocks.inner_e2 - slope2 - shot
    return float(np.clip(np.median(extra[bright] / blocks.value_e[bright] ** 2), 0.0, 2.0))


def neighbour_spread(blocks: Blocks, z: Array, bright: NDArray[np.bool_]) -> float:
    """Return 1 + the sum of the residuals' correlations over the eight neighbours."""
    rows, columns = blocks.grid
    grid, mask = np.zeros((rows, columns)), np.zeros((rows, columns))
    grid.flat[blocks.index[bright]], mask.flat[blocks.index[bright]] = z[bright], 1.0
    total = float((grid**2).sum() / max(mask.sum(), 1.0))
    spread = 1.0
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = np.s_[: rows - dy, max(0, -dx) : columns - max(0, dx)]
        b = np.s_[dy:, max(0, dx) : columns + min(0, dx)]
        pairs = float((mask[a] * mask[b]).sum())
        if pairs > 0 and total > 0:
            spread += 2.0 * float((grid[a] * grid[b]).sum()) / pairs / total
    return float(np.clip(spread, 1.0, 6.0))
