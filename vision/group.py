"""One, two or three returns at once, as a cemented doublet makes them, from where each is expected.

The pair of a single lens has its own way of being found from nothing (`vision.pairs`). A third spot comes
with a model that tells about where each is: they are measured there, together, and told apart by place and
size; where the odds are even, nobody guesses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, permutations

import numpy as np

from vision import find, identify
from vision.blocks import Array, Blocks
from vision.fit import Fit, amplitude_significance
from vision.missing import why_missing
from vision.pairs import SEEN, fit_spots
from vision.refine import explain
from vision.scene import Scene
from vision.sightings import as_sighting
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot
from vision.starts import best_starts, distinct, trusted

MOST = 3
MOST_PLACES = 5  # where a spot of unknown place is tried
FAR = 25.0  # squared distance of a centre from its expectation, in standard deviations, that is too far
EVEN = "lights are seen, but the odds which is which are even; a small test move will tell"
Expected = Sequence[Expectation]


def find_group(scene: Scene, expected: Expected) -> tuple[Sighting, ...]:
    """Measure one to three returns, overlapping or not.

    Returns
    -------
    tuple of Sighting
        One for each expectation. Where a place is known worse than a third of the spot's radius, all of the
        frame that the surer ones leave over is searched.

    Raises
    ------
    ValueError
        For no expectation, or more than three.
    """
    if not 1 <= len(expected) <= MOST:
        raise ValueError(f"{len(expected)} spots at once; allowed: 1 to {MOST}")
    starts = _starts(scene, expected)
    lit = [k for k, start in enumerate(starts) if start is not None]
    found: dict[int, Sighting] = {}
    while lit:
        fitted = _fit(scene, [starts[k] for k in lit], [expected[k] for k in lit])
        if fitted is None:
            failed = NoSpot(Reason.FIT_FAILED, "the fit of the spots together did not settle")
            found |= dict.fromkeys(lit, failed)
            break
        weights = _seen(*fitted)
        if min(weights) < SEEN:
            # What is not there must not be fitted: without it the others are better known.
            del lit[int(np.argmin(weights))]
            continue
        found |= dict(zip(lit, _told_apart(scene, *fitted, [expected[k] for k in lit]), strict=True))
        break
    return tuple(found.get(k) or _why_missing(scene, expected, found, k) for k in range(len(expected)))


def _starts(scene: Scene, expected: Expected) -> list[Array | None]:
    """Return where to begin: expected places, or, where they are vague, those that explain the frame best."""
    starts = [np.asarray(one.center_mm, float) if trusted(one) else None for one in expected]
    vague = [k for k, start in enumerate(starts) if start is None]
    coarse = scene.frame_blocks(min(one.radius_mm for one in expected)) if vague else None
    if coarse is None:
        return starts
    pool = _pool(scene, expected, starts, vague)
    # As many of the vague ones as are seen: all, or else the best choice of fewer.
    for count in range(min(len(vague), len(pool)), 0, -1):
        best = _best(scene, coarse, _assignments(starts, vague, pool, count), expected)
        if best is not None:
            return best
    return starts


def _pool(scene: Scene, expected: Expected, starts: list[Array | None], vague: list[int]) -> list[Array]:
    """Return places of light beside the surer spots, and of what the brightest of them leaves over."""
    shrink = find.shrink_for(min(one.radius_mm for one in expected), scene.pitch_mm)
    view = find.overview(scene.image, scene.background, scene.plate_map, scene.valid, shrink)
    view = find.without(view, _lights(scene, expected, starts))
    places = [find.candidates(view, expected[k].radius_mm) for k in vague]
    seen = sorted((spot for own in places for spot in own), key=lambda spot: -spot.significance)
    if seen:
        rest = find.without(view, [replace(seen[0], amplitude_e=0.7 * seen[0].amplitude_e)])
        seen += [spot for k in vague for spot in find.candidates(rest, expected[k].radius_mm, 2)]
    apart = 0.25 * min(one.radius_mm for one in expected)
    return distinct([spot.center_mm for spot in seen], apart, MOST_PLACES)


def _assignments(
    starts: list[Array | None], vague: list[int], pool: list[Array], count: int
) -> list[list[Array | None]]:
    """Return every way to give ``count`` of the vague spots a place each."""
    ways = []
    for spots in combinations(vague, count):
        for places in permutations(pool, count):
            filled = list(starts)
            for k, place in zip(spots, places, strict=True):
                filled[k] = place
            ways.append(filled)
    return ways


def _best(
    scene: Scene, coarse: Blocks, ways: list[list[Array | None]], expected: Expected
) -> list[Array | None] | None:
    """Return the likeliest of some starts; None where in each a spot is not seen."""
    by_spots: dict[tuple[int, ...], list[tuple[Array, ...]]] = {}
    for way in ways:
        lit = tuple(k for k, start in enumerate(way) if start is not None)
        by_spots.setdefault(lit, []).append(tuple(start for start in way if start is not None))
    best: tuple[float, list[Array | None]] | None = None
    for lit, centers in by_spots.items():
        own = [expected[k] for k in lit]
        for chosen in best_starts(coarse, centers, [one.radius_mm for one in own]):
            fitted = _fit(scene, chosen, own, coarse)
            if fitted is None or min(_seen(*fitted)) < SEEN:
                continue
            score = _score(fitted[0], own)
            if best is None or score < best[0]:
                found: list[Array | None] = [None] * len(expected)
                for number, k in enumerate(lit):
                    found[k] = fitted[0].center_mm(number)
                best = score, found
    return None if best is None else best[1]


def _seen(result: Fit, blocks: Blocks) -> list[float]:
    """Return how clearly each spot of a fit is seen, in standard deviations."""
    return [amplitude_significance(result, blocks, k, SEEN) for k in range(result.shape.wanted)]


def _lights(scene: Scene, expected: Expected, starts: list[Array | None]) -> list[find.Candidate]:
    """Return the spots that have a place already, with the brightness that they have in the frame."""
    known = [(start, one) for start, one in zip(starts, expected, strict=True) if start is not None]
    fitted = _fit(scene, [start for start, _ in known], [one for _, one in known]) if known else None
    if fitted is None:
        return []
    result = fitted[0]
    peaks = [max(float(result.theta[result.shape.amplitude(k)]), 0.0) for k in range(len(known))]
    return [
        find.Candidate(result.center_mm(k), one.radius_mm, peaks[k], np.inf)
        for k, (_, one) in enumerate(known)
    ]


def _fit(
    scene: Scene, starts: Sequence[Array | None], expected: Expected, blocks: Blocks | None = None
) -> tuple[Fit, Blocks] | None:
    centers = [start for start in starts if start is not None]
    sigmas = [max(one.radius_relative_sigma, 0.002) for one in expected]
    return fit_spots(scene, centers, [one.radius_mm for one in expected], sigmas, blocks)


def _told_apart(scene: Scene, result: Fit, blocks: Blocks, expected: Expected) -> list[Sighting]:
    """Return the spots under their names; undecided where an exchange is about as likely."""
    count = len(expected)
    own = _score(result, expected)
    even: set[int] = set()
    for i, j in combinations(range(count), 2):
        order = list(range(count))
        order[i], order[j] = j, i
        other = _fit(scene, [result.center_mm(k) for k in order], expected, blocks)
        margin = identify.DECIDED * result.noise.spread
        if other is None or not _exchanged(result, other[0], i, j):
            continue
        if _score(other[0], expected) - own < margin:
            even |= {i, j}
    result, blocks = explain(scene, result, blocks)
    sightings: list[Sighting] = []
    for k, one in enumerate(expected):
        misfit = identify.place_misfit(result.center_mm(k), result.center_covariance_mm2(k), one)
        if k in even:
            sightings.append(NoSpot(Reason.UNDECIDED, EVEN))
        elif misfit > FAR:
            sightings.append(NoSpot(Reason.UNRESOLVED, "light is seen, but not where this spot can be"))
        else:
            sightings.append(as_sighting(result, blocks, k, scene.image, scene.hole, one.stretch_sigma))
    return sightings


def _score(result: Fit, expected: Expected) -> float:
    """Return twice the negative log likelihood of a labelling: the frame's and the places' part."""
    places = (
        identify.place_misfit(result.center_mm(k), result.center_covariance_mm2(k), one)
        for k, one in enumerate(expected)
    )
    return result.deviance + sum(places)


def _exchanged(first: Fit, second: Fit, i: int, j: int) -> bool:
    """Tell whether two spots have changed places; a start that slid back exchanged nothing."""
    return all(
        np.hypot(*(second.center_mm(one) - first.center_mm(other)))
        < np.hypot(*(second.center_mm(one) - first.center_mm(one)))
        for one, other in ((i, j), (j, i))
    )


def _why_missing(scene: Scene, expected: Expected, found: dict[int, Sighting], spot: int) -> NoSpot:
    """Say why a spot is not seen; a neighbour that is gives the power that would have to show."""
    seen = next((k for k, sighting in found.items() if isinstance(sighting, Spot)), None)
    if seen is None:
        return why_missing(scene, expected[spot], None, None)
    return why_missing(scene, expected[spot], found[seen], expected[seen])
