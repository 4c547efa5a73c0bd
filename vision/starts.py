"""Where a fit may start: expected places, places of light, and how well they explain the frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision import find
from vision.blocks import Array, Blocks
from vision.fit import Fit
from vision.fit_kernels import NOTHING, normal_of, solved
from vision.fit_model import evaluate
from vision.scene import REACH, near, start_of
from vision.spots import Expectation

TRUSTED = 0.35  # an expected place is a good start when its sigma is below this fraction of the radius
MARGIN = 8.0  # blocks about a spot that a search takes in, for the background and for steps astray
CLIPPED = 0.2  # share of saturated pixels from which a block says too little to rank starts by


def trusted(expected: Expectation) -> bool:
    """Tell whether an expected place is a good start."""
    sigma = np.sqrt(np.max(np.linalg.eigvalsh(expected.covariance_mm2)))
    return bool(sigma < TRUSTED * expected.radius_mm)


def pair_starts(
    view: find.Overview, places: list[list[find.Candidate]], expected: tuple[Expectation, Expectation]
) -> list[tuple[Array, Array]]:
    """Return places to start a pair from: every pairing of candidates, and what is left beside the best."""
    per_spot: list[list[Array]] = []
    for own, other, one in zip(places, reversed(places), expected, strict=True):
        centers = [spot.center_mm for spot in own]
        if other:
            rest = find.without(view, [replace(other[0], amplitude_e=0.7 * other[0].amplitude_e)])
            centers += [spot.center_mm for spot in find.candidates(rest, one.radius_mm, 2)]
        if trusted(one):
            centers.append(np.asarray(one.center_mm, float))
        per_spot.append(distinct(centers, 0.25 * one.radius_mm))
    starts = [(a, b) for a in per_spot[0] for b in per_spot[1]]
    apart = 0.15 * min(one.radius_mm for one in expected)
    return [
        (a + np.array([apart, 0.0]), b - np.array([apart, 0.0])) if np.hypot(*(a - b)) < apart else (a, b)
        for a, b in starts
    ]


def distinct(centers: list[Array], apart_mm: float, most: int = 4) -> list[Array]:
    """Return the first of the centres that do not lie close together."""
    kept: list[Array] = []
    for center in centers:
        if all(np.hypot(*(center - other)) > apart_mm for other in kept):
            kept.append(center)
    return kept[:most]


def around(coarse: Blocks, starts: Sequence[tuple[Array, ...]], radii: Sequence[float]) -> Blocks:
    """Return the blocks about all starts: the rest of a frame tells nothing of spots that begin there."""
    reach_mm = REACH * max(radii) / 2.0 + MARGIN * coarse.size_px * coarse.pitch_mm
    places = {tuple(center) for centers in starts for center in centers}
    return near(coarse, [np.array(place) for place in sorted(places)], [reach_mm] * len(places))


def best_starts(
    coarse: Blocks, starts: Sequence[tuple[Array, ...]], radii: Sequence[float], count: int = 6
) -> list[tuple[Array, ...]]:
    """Rank starts by how well amplitudes and a background plane explain the frame; return the best ones."""
    if not starts:
        return []
    lights, plane = _lights_of(coarse, starts, radii)
    weight = _ranking_weight(coarse)
    scored = []
    for centers in starts:
        rows = np.concatenate([[lights[(k, *center)] for k, center in enumerate(centers)], plane])
        scored.append((_left_over(coarse, rows, weight), centers))
    scored.sort(key=lambda one: one[0])
    return [centers for _, centers in scored[:count]]


def unexplained(coarse: Blocks, single: Fit) -> float:
    """Return how much of the frame one fitted spot and a background plane leave over."""
    radius = float(np.exp(single.theta[single.shape.log_radius(0)]))
    start = (single.center_mm(0),)
    lights, plane = _lights_of(coarse, [start], [radius])
    return _left_over(coarse, np.concatenate([list(lights.values()), plane]), _ranking_weight(coarse))


def _ranking_weight(coarse: Blocks) -> Array:
    weight: Array = (
        (coarse.clipped < CLIPPED) * coarse.pixels / (coarse.base_e2 + np.maximum(coarse.value_e, 0.0))
    )
    return weight


def _left_over(coarse: Blocks, rows: Array, weight: Array) -> float:
    """Return the light, electrons, that the best sum of some rows leaves over.

    What is saturated may have been brighter.
    """
    found = solved(*normal_of(rows, NOTHING, weight, coarse.value_e))
    rest = coarse.value_e - found @ rows
    return float(np.where(coarse.clipped > 0.0, np.maximum(rest, 0.0), np.abs(rest)).sum())


def _lights_of(
    coarse: Blocks, starts: Sequence[tuple[Array, ...]], radii: Sequence[float]
) -> tuple[dict[tuple[float, ...], Array], Array]:
    """Return the profile of each spot at each of its places, by number and place, and the plane's rows."""
    shape, theta, _ = start_of(coarse, starts[0], radii, [None] * len(radii))
    lights: dict[tuple[float, ...], Array] = {}
    for centers in starts:
        keys = [(k, *center) for k, center in enumerate(centers)]
        if all(key in lights for key in keys):
            continue
        for k, center in enumerate(centers):
            theta[shape.center(k)] = center
        rows = evaluate(shape, theta, coarse.at_mm, coarse.cell_mm)[2]
        lights |= {key: rows[shape.amplitude(k)] for k, key in enumerate(keys)}
    return lights, rows[shape.plane]
