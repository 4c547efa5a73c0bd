"""Inner loops of the spot fit: one pass over the blocks where numpy makes an array for every operation."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

CHUNK = 256  # blocks whose rows stay in the nearest cache while their products are summed
ALMOST = 1e-9  # of a diagonal, by which it is raised, so that what is nearly singular still has an answer
NOTHING = np.zeros(0)  # in place of a slope, or of what is kept of the speckle's variance


@compiled(any_order=True)
def weigh(
    noise: tuple[float, float, float],
    base_e2: Array,
    pixels: Array,
    signal_e: Array,
    light_e: Array,
    kept: Array,
    use: Mask,
    residual: Array,
    weight: Array,
) -> float:
    """Fill the weights of the blocks; return the sum of the weighted squares.

    ``noise`` holds grain_px2 and the number of frames as in `variance_e2`, and from how many standard
    deviations a block counts less; ``kept`` has no elements where all of the speckle's variance is kept.
    """
    grain_px2, frames, outlier = noise
    part, cost = kept.shape[0] > 0, 0.0
    for n in range(residual.shape[0]):
        single = base_e2[n] + max(signal_e[n], 0.0) / frames
        grainy = grain_px2 * light_e[n] * light_e[n]
        single += grainy * kept[n] if part else grainy
        one = pixels[n] / single if use[n] else 0.0
        z = abs(residual[n]) * math.sqrt(one)
        if z > outlier:
            one *= outlier / z
        weight[n] = one
        cost += one * residual[n] * residual[n]
    return cost


@compiled(any_order=True)
def squares(residual: Array, weight: Array, use: Mask) -> float:
    """Return the sum of weighted squares of the blocks in use."""
    cost = 0.0
    for n in range(residual.shape[0]):
        if use[n]:
            cost += weight[n] * residual[n] * residual[n]
    return cost


@compiled(any_order=True)
def normal_of(rows: Array, slope: Array, weight: Array, residual: Array) -> tuple[Array, Array]:
    """Return the normal matrix and the pull of the residuals; ``slope``, (N,) or empty, scales all rows."""
    size, count, sloped = rows.shape[0], rows.shape[1], slope.shape[0] > 0
    # The residuals are one row more. Rows go by twos, so that each number that is read serves twice.
    even = (size + 2) // 2 * 2
    gram, part, root = np.zeros((even, even)), np.zeros((even, CHUNK)), np.empty(CHUNK)
    for start in range(0, count, CHUNK):
        many = min(CHUNK, count - start)
        for n in range(many):
            root[n] = math.sqrt(weight[start + n])
            part[size, n] = residual[start + n] * root[n]
        if sloped:
            for n in range(many):
                root[n] *= slope[start + n]
        for i in range(size):
            for n in range(many):
                part[i, n] = rows[i, start + n] * root[n]
        for i in range(0, even, 2):
            for j in range(0, i + 1, 2):
                first, second, third, fourth = 0.0, 0.0, 0.0, 0.0
                for n in range(many):
                    first += part[i, n] * part[j, n]
                    second += part[i, n] * part[j + 1, n]
                    third += part[i + 1, n] * part[j, n]
                    fourth += part[i + 1, n] * part[j + 1, n]
                gram[i, j] += first
                gram[i, j + 1] += second
                gram[i + 1, j] += third
                gram[i + 1, j + 1] += fourth
    normal, pull = np.empty((size, size)), np.empty(size)
    for i in range(size):
        pull[i] = gram[size, i]
        for j in range(i + 1):
            normal[i, j] = normal[j, i] = gram[i, j]
    return normal, pull


@compiled()
def damped_step(normal: Array, pull: Array, damping: float) -> tuple[bool, Array]:
    """Return the step of Levenberg and Marquardt on scaled parameters, by Cholesky's factors.

    The first of the two is False where the damped matrix is not positive definite.
    """
    size = pull.shape[0]
    scale, factor, step = np.empty(size), np.empty((size, size)), np.empty(size)
    for i in range(size):
        scale[i] = math.sqrt(max(normal[i, i], 1e-300))
        step[i] = pull[i] / scale[i]
    if not _factored(normal, scale, damping, factor):
        return False, step
    for i in range(size):
        for k in range(i):
            step[i] -= factor[i, k] * step[k]
        step[i] /= factor[i, i]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, size):
            step[i] -= factor[k, i] * step[k]
        step[i] /= factor[i, i]
    for i in range(size):
        step[i] /= scale[i]
    return True, step


@compiled()
def _factored(normal: Array, scale: Array, damping: float, factor: Array) -> bool:
    """Fill the lower triangle of Cholesky's factor of a damped matrix; tell whether there is one."""
    for i in range(scale.shape[0]):
        for j in range(i + 1):
            total = normal[i, j] / (scale[i] * scale[j])
            for k in range(j):
                total -= factor[i, k] * factor[j, k]
            if i > j:
                factor[i, j] = total / factor[j, j]
        if not total + damping > 0.0:
            return False
        factor[i, i] = math.sqrt(total + damping)
    return True


def solved(normal: Array, pull: Array) -> Array:
    """Return the least squares' answer to a pull; of a matrix without a full rank the shortest one."""
    regular, answer = damped_step(normal, pull, ALMOST)
    if regular:
        return answer
    return np.asarray(np.linalg.lstsq(normal, pull, rcond=None)[0], np.float64)


@compiled(any_order=True)
def grains(
    noise: tuple[float, float],
    fewest: tuple[int, int, int],
    blocks: tuple[Array, Array, Array],
    signal_e: Array,
    light_e: Array,
    kept: Array,
    use: Mask,
    residual: Array,
) -> float:
    """Return the speckle term, px^2, that the bright blocks' residuals show; below 0 where too few tell.

    Parameters
    ----------
    noise : tuple
        The term so far, and the number of frames.
    fewest : tuple of int
        Bright blocks that tell at least, blocks of a wide spot, and parameters that the fit has spent.
    blocks : tuple of ndarray, shape (N,)
        ``base_e2``, ``pixels`` and ``clipped`` of the blocks.
    signal_e, light_e, kept, use, residual : ndarray, shape (N,)
        As for `weigh`.
    """
    grain_px2, frames = noise
    base_e2, pixels, clipped = blocks
    size, part, top, count = residual.shape[0], kept.shape[0] > 0, 0.0, 0
    plain, bright = np.empty(size), np.zeros(size, np.bool_)
    for n in range(size):
        top = max(top, light_e[n])
        plain[n] = (base_e2[n] + max(signal_e[n], 0.0) / frames) / pixels[n]
    for n in range(size):
        bright[n] = use[n] and light_e[n] > 0.15 * top and clipped[n] < 0.5
        count += bright[n]
    if count < fewest[0]:
        # A small spot on a wide one: the wide one tells, where grains of a pixel would outdo shot noise.
        count = 0
        for n in range(size):
            bright[n] = use[n] and light_e[n] * light_e[n] > plain[n] * pixels[n] and clipped[n] < 0.5
            count += bright[n]
        if count < fewest[1]:
            return -1.0
    ratio, above, below = 0.0, 0.0, 0.0
    for n in range(size):
        if bright[n]:
            square = residual[n] * residual[n]
            ratio += square / plain[n]
            power = light_e[n] * light_e[n] / pixels[n] * (kept[n] if part else 1.0)
            # Weight by what is known of each term: var(excess) is about 2 (plain + speckle)^2.
            trust = power / (plain[n] + max(grain_px2, 1e-9) * power) ** 2
            if square > 25.0 * (plain[n] + grain_px2 * power):
                trust *= 0.2
            above += trust * (square - plain[n])
            below += trust * power
    if ratio < count + 2.5 * math.sqrt(2.0 * count):
        return 0.0
    return max(above / below * count / max(count - min(fewest[2], 6), 1.0), 0.0)


@compiled(any_order=True)
def neighbour_sums(at: Index, columns: int, cells: int, z: Array, taken: Array) -> Array:
    """Return sums over pairs of neighbours on a grid, in its four directions; shape (4, 3).

    Parameters
    ----------
    at : ndarray of int, shape (M,)
        Where the blocks stand in the grid, in ascending order.
    columns, cells : int
        Of the grid.
    z : ndarray, shape (M,)
    taken : ndarray, shape (P, M)

    Returns
    -------
    ndarray
        For each direction how many pairs there are, their z z, and their taken . taken.
    """
    place = np.full(cells, -1, np.int32)
    for m in range(at.shape[0]):
        place[at[m]] = m
    sums, first, second = np.zeros((4, 3)), np.empty(at.shape[0], np.int32), np.empty(at.shape[0], np.int32)
    for direction in range(4):
        down, across = (0 if direction == 0 else 1), (1, 0, 1, -1)[direction]
        pairs = 0
        for m in range(at.shape[0]):
            column = at[m] % columns + across
            there = at[m] + down * columns + across
            if 0 <= column < columns and there < cells and place[there] >= 0:
                first[pairs], second[pairs] = m, place[there]
                sums[direction, 1] += z[m] * z[place[there]]
                pairs += 1
        sums[direction, 0] = pairs
        for k in range(taken.shape[0]):
            total = 0.0
            for m in range(pairs):
                total += taken[k, first[m]] * taken[k, second[m]]
            sums[direction, 2] += total
    return sums
