"""Light that nobody asked for (a ghost, a halo): found in what a fit leaves over, then carried by the fit.

Left out of the model it pulls the wanted spots: a ghost of 1 % two sigma away by many times their
uncertainty.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.blocks import Blocks
from vision.fit import Fit, Prior, fit
from vision.fit_model import halo_row
from vision.noise import first_noise

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

CLEAR = 30.0  # gain of twice the log likelihood, to first order, from which an extra light is tried
MOST_SPREAD = (
    2.0  # of the noise, that the first test allows for; what it lets through by mistake costs only time
)
BETTER = 30.0  # gain from which it is believed
SIZES = (0.35, 0.8)  # of the smallest wanted radius: what is looked for anywhere
WIDE = (0.7, 1.2)  # of the largest wanted radius: as well
WIDE_CLEAR = 15.0  # as CLEAR for wide ones, most of which the fit has followed
CELLS = 2.0  # to a standard deviation of what is looked for
HALO = 3.0  # radius of a halo over its spot's, to begin with
NARROWER = 0.2  # by how much, in ln of the radius, a spot is without the halo that was taken for part of it
LOOSE, LOOSE_HALO = 0.7, 0.3  # uncertainty of ln of the radius of an extra light, of a halo


def with_extra(blocks: Blocks, plain: Fit) -> Fit | None:
    """Return the fit with a halo or one more spot, whichever helps most; None when nothing stands out."""
    radii = [float(np.exp(plain.theta[plain.shape.log_radius(k)])) for k in range(plain.shape.wanted)]
    # An extra light that is left out looks like coarse speckle itself: it must not hide behind that.
    clear = CLEAR * min(plain.noise.spread, MOST_SPREAD)
    around = 0.0 if plain.shape.halo else _halo_gain(blocks, plain)
    maps = _maps(blocks, plain)
    results = []
    if around > clear:
        results.append(_with_halo(blocks, plain))
    for sizes, radius, share in ((SIZES, min(radii), 1.0), (WIDE, max(radii), WIDE_CLEAR / CLEAR)):
        found = [(*_anywhere(blocks, *maps, size * radius), size * radius) for size in sizes]
        gain, center, size = max(found, key=lambda one: one[0])
        if gain > share * clear:
            results.append(_with_spot(blocks, plain, center, size))
    better = [one for one in results if one is not None]
    # A wide ghost can pass for a halo, with two parameters more: in its place it must be clearly better.
    return min(better, key=_claim) if better else None


def _claim(result: Fit) -> float:
    return result.deviance - (BETTER * result.noise.spread if result.shape.halo else 0.0)


def _with_halo(blocks: Blocks, plain: Fit) -> Fit | None:
    shape = replace(plain.shape, halo=True)
    at, ratio = plain.shape.nonlinear, np.log(HALO)
    theta = np.append(np.insert(_narrower(plain), at, ratio), 0.0)
    mean = np.append(np.insert(plain.prior.mean, at, ratio), 0.0)
    weight = np.append(np.insert(plain.prior.weight, at, 1.0 / LOOSE_HALO**2), 0.0)
    # What the plain fit could not explain is not to be taken for speckle.
    afresh = first_noise(plain.noise.contrast2, blocks.frames)
    result = fit(blocks, shape, theta, Prior(mean, weight), afresh, rounds=16)
    if result is None or result.theta[-1] <= 0.0:
        return None
    return result if plain.deviance - result.deviance > BETTER * result.noise.spread else None


def _narrower(plain: Fit) -> Array:
    """Return the parameters with the radii as expected: a halo that is left out makes its spot look wide."""
    theta = plain.theta.copy()
    for spot in range(plain.shape.wanted):
        k = plain.shape.log_radius(spot)
        known = plain.prior.weight[k] > 0.0
        theta[k] = min(theta[k], plain.prior.mean[k]) if known else theta[k] - NARROWER
    return theta


def _with_spot(blocks: Blocks, plain: Fit, center: Array, radius: float) -> Fit | None:
    shape = replace(
        plain.shape,
        spots=plain.shape.spots + 1,
        extras=plain.shape.extras + 1,
        ellipses=(*plain.shape.ellipses, np.eye(2)),
    )
    at, amplitude = plain.shape.spots * plain.shape.per_spot, plain.shape.amplitude(plain.shape.spots)
    own, known = np.zeros(shape.per_spot), np.zeros(shape.per_spot)
    own[:3] = center[0], center[1], np.log(radius)
    known[2] = 1.0 / LOOSE**2

    def widened(vector: Array, new: Array) -> Array:
        return np.insert(np.insert(vector, amplitude, 0.0), [at] * new.size, new)

    prior = Prior(widened(plain.prior.mean, own), widened(plain.prior.weight, known))
    afresh = first_noise(plain.noise.contrast2, blocks.frames)
    result = fit(blocks, shape, widened(plain.theta, own), prior, afresh, rounds=16)
    if result is None or result.theta[shape.amplitude(shape.spots - 1)] <= 0.0:
        return None
    return result if plain.deviance - result.deviance > BETTER * result.noise.spread else None


def _maps(blocks: Blocks, plain: Fit) -> tuple[Array32, Array32]:
    """Return the residual over its variance, and the inverse variance, on the region's grid."""
    pull, weight = np.zeros(blocks.grid, np.float32), np.zeros(blocks.grid, np.float32)
    inverse = (plain.residual != 0.0) / plain.variance_e2
    pull.ravel()[blocks.index] = plain.residual * np.sqrt(inverse)
    weight.ravel()[blocks.index] = inverse
    return pull, weight


def _anywhere(blocks: Blocks, pull: Array32, weight: Array32, radius_mm: float) -> tuple[float, Array]:
    """Return the best gain of a spot over all places, its pull on the other parameters left out."""
    per_block = np.linalg.inv(blocks.cell_mm)
    moments = per_block @ per_block.T * (radius_mm / 2.0) ** 2
    # A wide spot is looked for in sums of n x n blocks.
    n = int(np.clip(np.sqrt(moments.diagonal().min()) / CELLS, 1, min(blocks.grid)))
    rows, columns = blocks.grid[0] // n, blocks.grid[1] // n
    if n > 1:
        cut = np.s_[: rows * n, : columns * n]
        # The mean of n x n blocks, times n^2, is their sum.
        pull, weight = (
            cv2.resize(one[cut], (columns, rows), interpolation=cv2.INTER_AREA) * np.float32(n * n)
            for one in (pull, weight)
        )
    moments = moments / n**2 + np.eye(2) / 12.0
    # A finder needs no exact shape: what ties x to y is left out so that the filter separates.
    across, down = _profile(float(moments[0, 0])), _profile(float(moments[1, 1]))
    answer = cv2.sepFilter2D(pull, cv2.CV_32F, across, down, borderType=cv2.BORDER_CONSTANT)
    norm = cv2.sepFilter2D(weight, cv2.CV_32F, across**2, down**2, borderType=cv2.BORDER_CONSTANT)
    floor = 1e-4 * float(norm.max()) + 1e-30
    np.maximum(answer, 0.0, out=answer)
    gain = answer * answer / np.maximum(norm, floor)
    gain[weight == 0.0] = 0.0
    row, column = divmod(int(np.argmax(gain)), columns)
    cell = (np.array([column, row]) + 0.5) * n - 0.5
    first = divmod(int(blocks.index[0]), blocks.grid[1])[::-1]
    return float(gain[row, column]), blocks.at_mm[:, 0] + blocks.cell_mm @ (cell - first)


def _profile(moment: float) -> Array:
    half = int(np.clip(np.ceil(2.5 * np.sqrt(moment)), 1, 24))
    profile: Array = np.exp(-0.5 * np.arange(-half, half + 1) ** 2 / moment)
    return profile


def _halo_gain(blocks: Blocks, plain: Fit) -> float:
    """Return the gain of a halo, to first order, with all other parameters free to answer."""
    inverse = (plain.residual != 0.0) / np.sqrt(plain.variance_e2)
    extra = inverse * halo_row(plain.shape, plain.theta, blocks.at_mm, blocks.smear_mm2, float(np.log(HALO)))
    pull = float(extra @ plain.residual)
    known = plain.rows * inverse
    known /= np.sqrt(np.maximum((known**2).sum(axis=1), 1e-300))[:, None]
    cross = known @ extra
    inner = known @ known.T + 1e-9 * np.eye(cross.size)
    left = float(extra @ extra - cross @ np.linalg.solve(inner, cross))
    return pull**2 / left if left > 0.0 and pull > 0.0 else 0.0
