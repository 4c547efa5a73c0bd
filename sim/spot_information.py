"""What a picture tells about the centres of one or two spots: the covariance that a good fit would report.

Fisher information of Gaussian spots on a plate under shot and read noise and speckle, with what hides the
light left out (the hole, the edge of the view), and with radii, powers and background unknown as well. The
integrals are sums over polar nodes round each spot, so one look costs a fraction of a millisecond.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Seen = Callable[[Array], NDArray[np.bool_]]

# Three standard deviations: beyond lies 1 % of the light, drowned in everything else where light is short.
REACH_RADII: Final = 1.5
_RINGS, _SPOKES = 9, 16
_APART: Final = 1.5  # of the reaches' sum: from there on two spots do not disturb each other
_PER_SPOT: Final = 4
_CENTERS: Final = np.array([_PER_SPOT * k + c for k in (0, 1) for c in (0, 1)])


@dataclass(frozen=True, slots=True)
class Bright:
    """A spot as a camera sees it.

    Attributes
    ----------
    center_mm : tuple of float
    radius_mm : float
        1/e^2 intensity radius (w = 2 sigma).
    peak_e : float
        Electrons of a pixel at its centre.
    radius_relative_sigma : float
        How well the radius is known before the fit.
    """

    center_mm: tuple[float, float]
    radius_mm: float
    peak_e: float
    radius_relative_sigma: float


@dataclass(frozen=True, slots=True)
class PictureNoise:
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


@dataclass(frozen=True, slots=True)
class Told:
    """What a picture tells.

    Attributes
    ----------
    covariance_mm2 : ndarray, shape (2 n, 2 n)
        Of the centres of n spots.
    significance : tuple of float
        Of each spot's power: its value over its standard deviation if the spot were not there.
    """

    covariance_mm2: Array
    significance: tuple[float, ...]


@lru_cache(maxsize=1)
def _disc() -> tuple[Array, Array]:
    """Nodes in the unit disc, shape (2, N), and their weights (area), shape (N,): Gauss-Legendre in r."""
    r, wr = _radial()
    angle = 2.0 * math.pi * (np.arange(_SPOKES) + 0.5) / _SPOKES
    nodes = np.stack([np.outer(r, np.cos(angle)).ravel(), np.outer(r, np.sin(angle)).ravel()])
    return nodes, np.repeat(r * wr, _SPOKES) * (2.0 * math.pi / _SPOKES)


@lru_cache(maxsize=1)
def _radial() -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights from 0 to 1."""
    x, weight = np.polynomial.legendre.leggauss(_RINGS)
    return (x + 1.0) / 2.0, weight / 2.0


def what_is_told(
    spots: Sequence[Bright], noise: PictureNoise, seen: Seen | None = None, reach_radii: float = REACH_RADII
) -> Told:
    """Return what a picture of one or two spots tells of their centres.

    Parameters
    ----------
    spots : sequence of Bright
    noise : PictureNoise
    seen : callable, optional
        Takes places, shape (2, N) mm, and says which of them the camera sees as plate; all by default.
    reach_radii : float
        How far from its centre a spot's light tells of it.

    Returns
    -------
    Told
        A spot of which nothing is seen has a significance of about 0.
    """
    if seen is None and _apart(spots, reach_radii):
        return _told_apart(spots, noise, reach_radii)
    at_mm, weight_mm2 = _nodes(spots, reach_radii)
    if seen is not None:
        weight_mm2 = weight_mm2 * seen(at_mm)
    size = _PER_SPOT * len(spots) + 1
    rows = np.empty((size, at_mm.shape[1]))
    by_spot = rows[:-1].reshape(len(spots), _PER_SPOT, -1)
    off_mm = at_mm - np.array([spot.center_mm for spot in spots])[:, :, None]
    per_mm2 = np.array([[4.0 / spot.radius_mm**2] for spot in spots])
    squares = off_mm * off_mm
    square = (squares[:, 0] + squares[:, 1]) * per_mm2
    own = np.array([[spot.peak_e] for spot in spots]) * np.exp(-0.5 * square)
    by_spot[:, :2] = own[:, None] * off_mm * per_mm2[:, None]
    by_spot[:, 2], by_spot[:, 3] = own * square, own
    rows[-1] = math.sqrt(noise.floor_e2)
    light, speckled = own.sum(axis=0), (own * own).sum(axis=0)
    variance = (light + noise.floor_e2) * (noise.pixel_mm2 / noise.frames) + noise.speckle_mm2 * speckled
    information = (rows * (weight_mm2 / variance)) @ rows.T
    for k, spot in enumerate(spots):
        information[_PER_SPOT * k + 2, _PER_SPOT * k + 2] += 1.0 / spot.radius_relative_sigma**2
    # What tells nothing at all keeps a variance that is finite, and larger than any that matters.
    scale = np.maximum(np.sqrt(information.diagonal()), 1e-9)
    scales = scale[:, None] * scale
    inverse = np.linalg.inv(information / scales + _hair(size)) / scales
    covariance = inverse[_CENTERS[: 2 * len(spots), None], _CENTERS[: 2 * len(spots)]]
    amplitudes = rows[[*(_PER_SPOT * k + 3 for k in range(len(spots))), -1]]
    powers = tuple(
        _significance(k, amplitudes, weight_mm2, noise, spot.peak_e) for k, spot in enumerate(spots)
    )
    return Told((covariance + covariance.T) / 2.0, powers)


@lru_cache(maxsize=8)
def _hair(size: int) -> Array:
    return 1e-12 * np.eye(size)


def _apart(spots: Sequence[Bright], reach_radii: float) -> bool:
    if len(spots) == 1:
        return True
    one, other = spots
    reach = reach_radii * (one.radius_mm + other.radius_mm)
    return math.dist(one.center_mm, other.center_mm) > _APART * reach


def _told_apart(spots: Sequence[Bright], noise: PictureNoise, reach_radii: float) -> Told:
    """Do the same for spots that are seen whole and by themselves, so that rings stand for places.

    By symmetry a centre does not depend on what else is unknown.
    """
    covariance = np.zeros((2 * len(spots), 2 * len(spots)))
    dark = noise.floor_e2 * noise.pixel_mm2 / noise.frames
    sums, evens = [], []
    nodes, weights = _radial()
    for k, spot in enumerate(spots):
        reach = reach_radii * spot.radius_mm
        r = reach * nodes
        area = 2.0 * math.pi * reach * r * weights
        per_mm2 = 4.0 / spot.radius_mm**2
        own = spot.peak_e * np.exp(-0.5 * per_mm2 * r * r)
        variance = own * (noise.pixel_mm2 / noise.frames) + dark + noise.speckle_mm2 * own * own
        slope = own * (per_mm2 * r)
        told = 0.5 * float((slope * slope) @ (area / variance))
        covariance[2 * k, 2 * k] = covariance[2 * k + 1, 2 * k + 1] = 1.0 / max(told, 1e-18)
        sums.append((float((own * own) @ area) / dark, float(own @ area) / dark, float(area.sum()) / dark))
        # What its surroundings tell of the even background, its own power left open.
        weight = area / variance
        crossed = float(own @ weight)
        evens.append(float(weight.sum()) - crossed * crossed / max(float((own * own) @ weight), 1e-18))
    powers = [
        math.sqrt(max(square - both * both / (even + sum(evens) - evens[k]), 0.0))
        for k, (square, both, even) in enumerate(sums)
    ]
    return Told(covariance, tuple(powers))


def _significance(
    spot: int, amplitudes: Array, weight_mm2: Array, noise: PictureNoise, peak_e: float
) -> float:
    """Return a spot's power over its standard deviation if the spot were not there.

    Its own shot noise and speckle do not count against it; those of the light that it lies on do.
    """
    if peak_e <= 0.0:
        return 0.0
    variance: float | Array = noise.floor_e2 * noise.pixel_mm2 / noise.frames
    if len(amplitudes) > 2:
        light = amplitudes[1 - spot]
        variance = variance + (light * (noise.pixel_mm2 / noise.frames) + noise.speckle_mm2 * light * light)
    information = ((amplitudes * (weight_mm2 / variance)) @ amplitudes.T).tolist()
    # What is left of its own information when the other amplitudes are fitted as well.
    own = information[spot][spot]
    if len(amplitudes) == 2:
        return math.sqrt(max(own - information[0][1] ** 2 / max(information[1][1], 1e-18), 0.0))
    other = 1 - spot
    a, b, c = information[other][other], information[other][2], information[2][2]
    x, y = information[spot][other], information[spot][2]
    det = a * c - b * b
    left = own - (c * x * x - 2.0 * b * x * y + a * y * y) / det if det > 1e-12 * a * c else own - y * y / c
    return math.sqrt(max(left, 0.0))


def _nodes(spots: Sequence[Bright], reach_radii: float) -> tuple[Array, Array]:
    """Return places, shape (2, N), and areas; where two spots overlap the smaller one's nodes count."""
    unit, area = _disc()
    places, weights = [], []
    small: tuple[Array, float] | None = None
    for spot in sorted(spots, key=lambda one: one.radius_mm):
        reach = reach_radii * spot.radius_mm
        center = np.asarray(spot.center_mm)[:, None]
        at = center + reach * unit
        weight = reach**2 * area
        if small is not None:
            offset = at - small[0]
            weight = weight * (offset[0] ** 2 + offset[1] ** 2 > small[1] ** 2)
        small = (center, reach)
        places.append(at)
        weights.append(weight)
    return np.concatenate(places, axis=1), np.concatenate(weights)
