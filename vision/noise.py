"""The noise of a block: shot, read, quantisation, and speckle that multiplies the light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.blocks import Blocks
from vision.censor import free_below
from vision.fit_kernels import neighbour_sums

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


def first_noise(contrast2: float, frames: int) -> Noise:
    """Return the noise to begin with: small grains of the contrast that the scatter inside blocks shows."""
    return Noise(grain_px2=2.0 * contrast2 / frames, contrast2=contrast2)


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


def may_saturate(blocks: Blocks, noise: Noise) -> bool:
    """Tell whether saturation hides light: it shows in a single frame, but not in the mean of several."""
    if blocks.frames > 1 and noise.contrast2 > SPECKLED:
        return bool(blocks.value_e.max() > blocks.limit_e.min() * free_below(noise.contrast2))
    return bool(blocks.clipped.any())


def pixel_contrast2(blocks: Blocks) -> float:
    """Return the variance of one pixel's speckle in one frame over its squared mean.

    It comes from the scatter inside the blocks. The slope of the spot itself over a block is taken off with
    the help of the neighbouring blocks. The mean of several frames is taken for that of independent ones.
    """
    rows, columns = blocks.grid
    if blocks.size_px < 2 or rows < 3 or columns < 3:
        return 0.0
    image = np.zeros((rows, columns))
    image.ravel()[blocks.index] = blocks.value_e
    slope2 = np.zeros((rows, columns))
    slope2[:, 1:-1] = (image[:, 2:] - image[:, :-2]) ** 2
    slope2[1:-1] += (image[2:] - image[:-2]) ** 2
    shot = blocks.base_e2 + np.maximum(blocks.value_e, 0.0) / blocks.frames
    inside = np.zeros((rows, columns), bool)
    inside[1:-1, 1:-1] = True
    whole = (blocks.pixels > 0.99 * blocks.size_px**2) & inside.ravel()[blocks.index]
    highest = blocks.value_e.max()
    bright = (blocks.value_e > 0.3 * highest) & whole & (blocks.clipped < 0.02)
    if blocks.frames > 1 and highest > 0.2 * blocks.limit_e.min():
        # The mean of frames does not show which pixels saturated: look where few can have.
        bright = whole & (blocks.value_e > 0.08 * highest) & (blocks.value_e < 0.2 * blocks.limit_e)
    if not bright.any():
        bright = (blocks.value_e > 6.0 * np.sqrt(shot / blocks.pixels)) & (blocks.clipped < 0.02) & whole
    if bright.sum() < 4:
        return 0.0
    extra = (blocks.inner_e2 - slope2.ravel()[blocks.index] / 48.0 - shot)[bright]
    contrast2 = float(np.median(extra / blocks.value_e[bright] ** 2))
    if blocks.frames > 1:
        # Frames that share their speckle do not average it: no speckle has a contrast above one.
        contrast2 = max(contrast2, min(contrast2 * blocks.frames, 1.0))
    return min(max(contrast2, 0.0), 2.0)


def neighbour_spread(blocks: Blocks, z: Array, taken: Array, bright: NDArray[np.intp]) -> float:
    """Return the scatter of the errors times 1 + the sum of their correlations over the eight neighbours.

    Parameters
    ----------
    blocks : Blocks
    z : ndarray, shape (M,)
        Weighted residuals where speckle rules.
    taken : ndarray, shape (parameters, M)
        There, orthonormal rows that span what the fit can follow. Residuals lack that part of the errors,
        which is the part that neighbours share, and so show less correlation than there is: with
        H = taken^T taken and errors of covariance R, which smooth rows see as spread x identity, theirs is
        R - spread x H.
    bright : ndarray of int, shape (M,)
        Which blocks these are, in ascending order.
    """
    rows, columns = blocks.grid
    total, own = float(z @ z) / z.size, float(np.vdot(taken, taken)) / z.size
    if total <= 0.0:
        return 1.0
    shown, hidden = 0.0, 0.0
    for pairs, seen, followed in neighbour_sums(blocks.index[bright], columns, rows * columns, z, taken):
        if pairs > 0:
            shown += 2.0 * seen / pairs / total
            hidden += 2.0 * followed / pairs
    spread = (1.0 + shown) / max(1.0 + shown * own - hidden, 0.5)
    scatter = total / max(1.0 - spread * own, 0.5)
    return float(np.clip(spread * scatter, 1.0, 6.0))
