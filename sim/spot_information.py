"""What a picture tells about the centres of one or two spots: the covariance that a good fit would report.

Fisher information of Gaussian spots on a plate under shot and read noise and speckle, with what hides the
light left out (the hole, the edge of the view), and with radii, powers and background unknown as well. The
integrals are sums over polar nodes round each spot, as machine code: a campaign asks twenty times a bench.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

Array = NDArray[np.float64]

# Three standard deviations: beyond lies 1 % of the light, drowned in everything else where light is short.
REACH_RADII: Final = 1.5
_RINGS, _SPOKES = 9, 16
_APART: Final = 1.5  # of the reaches' sum: from there on two spots do not disturb each other
_NEAR_EDGE: Final = 1.5  # radii from an edge from which on it hides nothing that matters
_PER_SPOT: Final = 4
_NO_EDGES: Final = np.zeros((0, 3))

# Polar nodes in the unit disc: Gauss-Legendre along the radius.
_LEGENDRE = np.polynomial.legendre.leggauss(_RINGS)
_RING: Final = (_LEGENDRE[0] + 1.0) / 2.0
_RING_WIDTH: Final = _LEGENDRE[1] / 2.0
_SPOKE: Final = 2.0 * math.pi / _SPOKES
_COSINE: Final = np.cos(_SPOKE * (np.arange(_SPOKES) + 0.5))
_SINE: Final = np.sin(_SPOKE * (np.arange(_SPOKES) + 0.5))


class Bright(NamedTuple):
    """A spot as a camera sees it.

    Attributes
    ----------
    x_mm, y_mm : float
        Its centre.
    radius_mm : float
        1/e^2 intensity radius (w = 2 sigma).
    peak_e : float
        Electrons of a pixel at its centre.
    radius_relative_sigma : float
        How well the radius is known before the fit.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    peak_e: float
    radius_relative_sigma: float


class PictureNoise(NamedTuple):
    """Noise of the mean of some frames.

    Attributes
    ----------
    pixel_mm2 : float
        Area that a pixel sees on the plate.
    floor_e2 : float
        Variance of one pixel of one frame without the spots: room light and read noise, electrons squared.
    speckle_mm2 : float
        Contrast squared times the correlation area of the speckle; it does not average over frames.
    frames : int
    """

    pixel_mm2: float
    floor_e2: float
    speckle_mm2: float
    frames: int


class Hidden(NamedTuple):
    """What hides places of a plate from its camera.

    Attributes
    ----------
    edges : ndarray, shape (E, 3)
        Rows a, b, c: only where a x + b y <= c (mm) does the plate show; none: it has no end.
    hole : tuple of float
        x, y and radius (mm) of a disc that shows nothing; a negative radius where there is none.
    """

    edges: Array = _NO_EDGES
    hole: tuple[float, float, float] = (0.0, 0.0, -1.0)


NOTHING_HIDDEN: Final = Hidden()


class Told(NamedTuple):
    """What a picture tells.

    Attributes
    ----------
    covariance_mm2 : ndarray, shape (2 n, 2 n)
        Of the centres of n spots.
    root_mm : ndarray, shape (2 n, 2 n)
        Its lower triangular root (Cholesky).
    significance : ndarray, shape (n,)
        Of each spot's power: its value over its standard deviation if the spot were not there.
    """

    covariance_mm2: Array
    root_mm: Array
    significance: Array


def what_is_told(
    spots: Sequence[Bright],
    noise: PictureNoise,
    hidden: Hidden = NOTHING_HIDDEN,
    reach_radii: float = REACH_RADII,
) -> Told:
    """Return what a picture of one or two spots tells of their centres.

    Parameters
    ----------
    spots : sequence of Bright
    noise : PictureNoise
    hidden : Hidden
        What does not show of the plate; nothing by default.
    reach_radii : float
        How far from its centre a spot's light tells of it.

    Returns
    -------
    Told
        A spot of which nothing is seen has a significance of about 0.
    """
    count = len(spots)
    # Arrays that a kernel makes cost more to hand over than those that it fills.
    told = Told(np.empty((2 * count, 2 * count)), np.empty((2 * count, 2 * count)), np.empty(count))
    _tell(np.array(spots), *noise, *hidden, reach_radii, *told)
    return told


# --- machine code ---------------------------------------------------------------------------------------


@compiled()
def _tell(
    spots: Array,
    pixel_mm2: float,
    floor_e2: float,
    speckle_mm2: float,
    frames: int,
    edges: Array,
    hole: tuple[float, float, float],
    reach_radii: float,
    covariance: Array,
    root: Array,
    significance: Array,
) -> None:
    """Fill in what is told; ``spots`` has a row like :class:`Bright` for each spot."""
    count, noise_mm2 = len(spots), pixel_mm2 / frames
    whole, near_edge = True, False
    for k in range(count):
        dx, dy = spots[k, 0] - hole[0], spots[k, 1] - hole[1]
        if hole[2] >= 0.0 and math.hypot(dx, dy) < reach_radii * spots[k, 2] + hole[2]:
            whole = False
        if not covers(edges, spots[k, 0], spots[k, 1], _NEAR_EDGE * spots[k, 2]):
            whole, near_edge = False, True
    if count > 1:
        apart = math.hypot(spots[0, 0] - spots[1, 0], spots[0, 1] - spots[1, 1])
        if apart <= _APART * reach_radii * (spots[0, 2] + spots[1, 2]):
            whole = False
    if whole:
        _by_rings(spots, noise_mm2, floor_e2, speckle_mm2, reach_radii, covariance, significance)
    else:
        near = edges if near_edge else edges[:0]
        information = np.zeros((_PER_SPOT * count + 1, _PER_SPOT * count + 1))
        amplitudes = np.zeros((count, 3, 3))
        for own in range(count):
            _add_nodes(
                own,
                spots,
                noise_mm2,
                floor_e2,
                speckle_mm2,
                reach_radii,
                near,
                hole,
                information,
                amplitudes,
            )
        for k in range(count):
            information[_PER_SPOT * k + 2, _PER_SPOT * k + 2] += 1.0 / spots[k, 4] ** 2
            significance[k] = _significance(amplitudes[k], count) if spots[k, 3] > 0.0 else 0.0
        _centers_of(information, covariance)
    root[:] = covariance
    _take_root(root)


@compiled()
def covers(edges: Array, x_mm: float, y_mm: float, margin_mm: float) -> bool:
    """Tell whether a circle round a place lies within edges, by eight of its points."""
    for edge in range(len(edges)):
        a, b, c = edges[edge, 0], edges[edge, 1], edges[edge, 2]
        if a * x_mm + b * y_mm + margin_mm * math.hypot(a, b) <= c:
            continue
        for n in range(8):
            dx, dy = margin_mm * math.cos(n * math.pi / 4), margin_mm * math.sin(n * math.pi / 4)
            if a * (x_mm + dx) + b * (y_mm + dy) > c:
                return False
    return True


@compiled()
def _by_rings(
    spots: Array,
    pixel_mm2: float,
    floor_e2: float,
    speckle_mm2: float,
    reach_radii: float,
    covariance: Array,
    significance: Array,
) -> None:
    """Fill in what is told of spots that are seen whole and by themselves: rings stand for places.

    By symmetry a centre does not depend on what else is unknown.
    """
    count = len(spots)
    dark = floor_e2 * pixel_mm2
    covariance[:] = 0.0
    squares, boths, evens, crossings = np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count)
    for k in range(count):
        radius, peak = spots[k, 2], spots[k, 3]
        reach, per_mm2 = reach_radii * radius, 4.0 / radius**2
        told = lit = crossed = weighed = 0.0
        for ring in range(_RINGS):
            r = reach * _RING[ring]
            area = 2.0 * math.pi * reach * r * _RING_WIDTH[ring]
            own = peak * math.exp(-0.5 * per_mm2 * r * r)
            weight = area / (own * pixel_mm2 + dark + speckle_mm2 * own * own)
            slope = own * per_mm2 * r
            told += 0.5 * slope * slope * weight
            squares[k] += own * own * area / dark
            boths[k] += own * area / dark
            evens[k] += area / dark
            # What its surroundings tell of the even background, its own power left open.
            lit += weight
            crossed += own * weight
            weighed += own * own * weight
        covariance[2 * k, 2 * k] = covariance[2 * k + 1, 2 * k + 1] = 1.0 / max(told, 1e-18)
        crossings[k] = lit - crossed * crossed / max(weighed, 1e-18)
    others = crossings.sum()
    for k in range(count):
        left = squares[k] - boths[k] ** 2 / (evens[k] + others - crossings[k])
        significance[k] = math.sqrt(max(left, 0.0))


@compiled()
def _add_nodes(
    own: int,
    spots: Array,
    pixel_mm2: float,
    floor_e2: float,
    speckle_mm2: float,
    reach_radii: float,
    edges: Array,
    hole: tuple[float, float, float],
    information: Array,
    amplitudes: Array,
) -> None:
    """Add the nodes round one spot; where two overlap the smaller one's nodes count.

    ``information`` is that of x, y, ln radius and ln power of each spot and of the background;
    ``amplitudes[k]`` that of the powers (its own, the other's) and the background if spot k were not there.
    """
    count = len(spots)
    row, light = np.zeros(_PER_SPOT * count + 1), np.zeros(count)
    reach = reach_radii * spots[own, 2]
    smaller = -1
    for k in range(count):
        if k != own and (spots[k, 2] < spots[own, 2] or (spots[k, 2] == spots[own, 2] and k < own)):
            smaller = k
    row[-1] = math.sqrt(floor_e2)
    for ring in range(_RINGS):
        area = reach**2 * _RING[ring] * _RING_WIDTH[ring] * _SPOKE
        for spoke in range(_SPOKES):
            x = spots[own, 0] + reach * _RING[ring] * _COSINE[spoke]
            y = spots[own, 1] + reach * _RING[ring] * _SINE[spoke]
            if smaller >= 0:
                dx, dy = x - spots[smaller, 0], y - spots[smaller, 1]
                if dx * dx + dy * dy <= (reach_radii * spots[smaller, 2]) ** 2:
                    continue
            if not _shows(x, y, edges, hole):
                continue
            total = speckled = 0.0
            for k in range(count):
                dx, dy, per_mm2 = x - spots[k, 0], y - spots[k, 1], 4.0 / spots[k, 2] ** 2
                square = (dx * dx + dy * dy) * per_mm2
                light[k] = spots[k, 3] * math.exp(-0.5 * square)
                row[_PER_SPOT * k] = light[k] * dx * per_mm2
                row[_PER_SPOT * k + 1] = light[k] * dy * per_mm2
                row[_PER_SPOT * k + 2] = light[k] * square
                row[_PER_SPOT * k + 3] = light[k]
                total += light[k]
                speckled += light[k] * light[k]
            weight = area / ((total + floor_e2) * pixel_mm2 + speckle_mm2 * speckled)
            for i in range(len(row)):
                weighed = row[i] * weight
                for j in range(i + 1):
                    information[i, j] += weighed * row[j]
            for k in range(count):
                # Its own shot noise and speckle do not count against it; those of the light it lies on do.
                other = light[1 - k] if count > 1 else 0.0
                weight = area / ((other + floor_e2) * pixel_mm2 + speckle_mm2 * other * other)
                sums = amplitudes[k]
                sums[0, 0] += light[k] * light[k] * weight
                sums[0, 1] += light[k] * other * weight
                sums[1, 1] += other * other * weight
                sums[0, 2] += light[k] * row[-1] * weight
                sums[1, 2] += other * row[-1] * weight
                sums[2, 2] += floor_e2 * weight


@compiled()
def _shows(x: float, y: float, edges: Array, hole: tuple[float, float, float]) -> bool:
    for edge in range(len(edges)):
        if edges[edge, 0] * x + edges[edge, 1] * y > edges[edge, 2]:
            return False
    dx, dy = x - hole[0], y - hole[1]
    return hole[2] < 0.0 or dx * dx + dy * dy > hole[2] ** 2


@compiled()
def _significance(sums: Array, count: int) -> float:
    """Return a spot's power over its standard deviation: what is left when the others are fitted as well."""
    own, x, y = sums[0, 0], sums[0, 1], sums[0, 2]
    a, b, c = sums[1, 1], sums[1, 2], sums[2, 2]
    det = a * c - b * b
    if count == 1 or det <= 1e-12 * a * c:
        return math.sqrt(max(own - y * y / max(c, 1e-18), 0.0))
    return math.sqrt(max(own - (c * x * x - 2.0 * b * x * y + a * y * y) / det, 0.0))


@compiled()
def _centers_of(information: Array, covariance: Array) -> None:
    """Invert an information matrix (its lower triangle) and fill in the covariance of the centres."""
    size, count = len(information), len(covariance) // 2
    scale = np.empty(size)
    for i in range(size):
        # What tells nothing at all keeps a variance that is finite, and larger than any that matters.
        scale[i] = max(math.sqrt(information[i, i]), 1e-9)
    for i in range(size):
        for j in range(i + 1):
            information[i, j] /= scale[i] * scale[j]
        information[i, i] += 1e-12
    _take_root(information)
    column = np.zeros((2 * count, size))
    for n in range(2 * count):
        center = _PER_SPOT * (n // 2) + n % 2
        column[n, center] = 1.0 / scale[center]
        for i in range(center, size):
            for j in range(center, i):
                column[n, i] -= information[i, j] * column[n, j]
            column[n, i] /= information[i, i]
    for n in range(2 * count):
        for m in range(n + 1):
            covariance[n, m] = covariance[m, n] = (column[n] * column[m]).sum()


@compiled()
def _take_root(matrix: Array) -> None:
    """Put the lower triangular root of a symmetric matrix (Cholesky) in its place; the rest becomes zero."""
    size = len(matrix)
    for i in range(size):
        for j in range(i):
            for k in range(j):
                matrix[i, j] -= matrix[i, k] * matrix[j, k]
            matrix[i, j] /= matrix[j, j]
            matrix[j, i] = 0.0
        diagonal = matrix[i, i]
        for k in range(i):
            diagonal -= matrix[i, k] * matrix[i, k]
        # Rounding must not make less than nothing of what two spots on one place leave.
        matrix[i, i] = math.sqrt(max(diagonal, 1e-15 * matrix[i, i]))
