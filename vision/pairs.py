"""Fit the spots of a scene: one, or two at once, from trusted places or from anywhere in the frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision import find, identify
from vision.blocks import Array, Blocks, Box, DeadArea, HoleLike, PixelMap, make_blocks
from vision.fit import Fit, Prior, amplitude_significance, ellipse_gain, fit
from vision.fit_model import Shape
from vision.fringes import find_fringes, with_fringes
from vision.image import Image
from vision.plate import PlateSpec
from vision.sightings import as_sighting
from vision.spots import Expectation, NoSpot, Reason, Sighting

TRUSTED = 0.35  # an expected place is a good start when its sigma is below this fraction of the radius
SEEN = 6.0  # standard deviations of the amplitude from which a spot counts as seen
REACH = 4.5  # standard deviations of a spot that the fitted region takes in
MOST_BLOCKS = 4500
FINE, FINE_AT_HOLE = 3.0, 4.0  # blocks to a standard deviation of the smallest spot
ELLIPSE = 16.0  # improvement of twice the log likelihood from which a spot is called elliptical
FRINGE_FINE = 7.0  # blocks to a standard deviation where fringes are looked for


@dataclass(frozen=True, slots=True)
class Scene:
    """A frame of a plate with all that is known about it."""

    image: Image
    background: Image | None
    plate_map: PixelMap
    hole: HoleLike | None
    dead: tuple[DeadArea, ...]
    plate: PlateSpec | None
    pitch_mm: float

    def blocks(
        self, centers_mm: Sequence[Array], radii_mm: Sequence[float], fine: float, most: int = MOST_BLOCKS
    ) -> Blocks | None:
        """Return blocks around some spots, ``fine`` blocks to a standard deviation of the smallest."""
        size = max(1, int(min(radii_mm) / 2.0 / self.pitch_mm / fine))
        box = find.box_around(self.plate_map, centers_mm, radii_mm, REACH, size)
        box = box.clipped_to(self.image.pixels.shape)
        while (box.x1 - box.x0) * (box.y1 - box.y0) / size**2 > most and size < 24:
            size += 1
        return make_blocks(self.image, self.background, self.plate_map, box, size, self.dead)

    def frame_blocks(self, radius_mm: float) -> Blocks | None:
        """Return blocks of the whole frame, about two to a standard deviation."""
        rows, columns = self.image.pixels.shape
        least = int(np.ceil(np.sqrt(rows * columns / MOST_BLOCKS)))
        size = max(least, int(radius_mm / 2.0 / self.pitch_mm / 2.0))
        box = Box(0, 0, columns, rows)
        return make_blocks(self.image, self.background, self.plate_map, box, size, self.dead)


def start_of(
    blocks: Blocks,
    centers_mm: Sequence[Array],
    radii_mm: Sequence[float],
    sigmas: Sequence[float | None],
    free_ellipse: bool = False,
) -> tuple[Shape, Array, Prior]:
    """Return model, start and prior for round spots; a radius without a sigma is free."""
    origin = blocks.at_mm.mean(axis=1)
    scale = float(np.ptp(blocks.at_mm, axis=1).max()) / 2.0 or 1.0
    count = len(centers_mm)
    shape = Shape(count, origin, scale, tuple(np.eye(2) for _ in range(count)), free_ellipse)
    theta, weight = np.zeros(shape.size), np.zeros(shape.size)
    for k in range(count):
        theta[shape.center(k)] = centers_mm[k]
        theta[shape.log_radius(k)] = np.log(radii_mm[k])
        sigma = sigmas[k]
        if sigma is not None:
            weight[shape.log_radius(k)] = 1.0 / max(sigma, 0.002) ** 2
        if free_ellipse:
            first = k * shape.per_spot
            weight[first + 3 : first + 5] = 1.0 / 0.5**2
    return shape, theta, Prior(theta.copy(), weight)


def fit_spots(
    scene: Scene,
    centers_mm: Sequence[Array],
    radii_mm: Sequence[float],
    sigmas: Sequence[float | None],
    blocks: Blocks | None = None,
    free_ellipse: bool = False,
) -> tuple[Fit, Blocks] | None:
    """Fit round (or free elliptical) spots from a start; None when that fails."""
    if blocks is None:
        blocks = scene.blocks(centers_mm, radii_mm, FINE_AT_HOLE if scene.hole is not None else FINE)
    if blocks is None:
        return None
    shape, theta, prior = start_of(blocks, centers_mm, radii_mm, sigmas, free_ellipse)
    result = fit(blocks, shape, theta, prior)
    return None if result is None else (result, blocks)


def _trusted(expected: Expectation) -> bool:
    sigma = np.sqrt(np.max(np.linalg.eigvalsh(expected.covariance_mm2)))
    return bool(sigma < TRUSTED * expected.radius_mm)


def find_pair(scene: Scene, expected: tuple[Expectation, Expectation]) -> tuple[Sighting, Sighting]:
    """Find and measure two returns; ``NO_LIGHT`` stands for "not seen, cause to be found"."""
    radii = [one.radius_mm for one in expected]
    sigmas = [max(one.radius_relative_sigma, 0.002) for one in expected]
    if all(_trusted(one) for one in expected):
        found = fit_spots(scene, [one.center_mm for one in expected], radii, sigmas)
        if found is not None and _is_pair(*found, expected) and _places_hold(found[0], expected):
            return _sighting_pair(scene, *_finish_pair(scene, *found, radii, sigmas))
    view = find.overview(
        scene.image, scene.background, scene.plate_map, scene.dead, find.shrink_for(min(radii), scene.pitch_mm)
    )
    places = [find.candidates(view, radius) for radius in radii]
    if not any(places):
        return _nothing(), _nothing()
    coarse = scene.frame_blocks(min(radii))
    if coarse is None:
        return _nothing(), _nothing()
    labellings = _label_pairs(scene, coarse, _pair_starts(view, places, expected), expected)
    if labellings:
        chosen = identify.decide(labellings)
        if chosen is None:
            detail = "two lights, but the odds which is which are even; a small test move will tell"
            return NoSpot(Reason.UNDECIDED, detail), NoSpot(Reason.UNDECIDED, detail)
        centers = [chosen.fit.center_mm(k) for k in (0, 1)]
        found = fit_spots(scene, centers, radii, sigmas)
        if found is not None and _is_pair(*found, expected):
            return _sighting_pair(scene, *_finish_pair(scene, *found, radii, sigmas))
    return _one_of_two(scene, places, expected)


def _finish_pair(
    scene: Scene, result: Fit, blocks: Blocks, radii: Sequence[float], sigmas: Sequence[float | None]
) -> tuple[Fit, Blocks]:
    """Add an interference term where the spots overlap and it clearly explains the frame better."""
    centers = [result.center_mm(k) for k in (0, 1)]
    if np.hypot(*(centers[0] - centers[1])) > sum(radii) or not _unexplained(result):
        return result, blocks
    start = find_fringes(blocks, result)
    finer = None if start is None else scene.blocks(centers, radii, FRINGE_FINE, 2 * MOST_BLOCKS)
    if start is None or finer is None:
        return result, blocks
    # Fringes bend too much within a block that the rim cuts for its centroid to stand for it.
    finer = finer.take(finer.pixels > 0.99 * finer.size_px**2)
    _, _, prior = start_of(finer, centers, radii, sigmas)
    plain = fit(finer, result.shape, result.theta, prior, rounds=3)
    striped = None if plain is None else with_fringes(finer, plain, prior, start)
    return (striped, finer) if striped is not None else (result, blocks)


def _unexplained(result: Fit) -> bool:
    """Tell whether more than shot noise is left of the frame after the fit."""
    return result.noise.grain_px2 > 0.0


def _nothing() -> NoSpot:
    return NoSpot(Reason.NO_LIGHT, "no light found")


def _is_pair(result: Fit, blocks: Blocks, expected: tuple[Expectation, Expectation]) -> bool:
    """Tell whether both spots of a fit are seen and neither is a ghost by its power."""
    if min(amplitude_significance(result, blocks, k) for k in (0, 1)) < SEEN:
        return False
    powers = identify.total_power_e(result, blocks, 0), identify.total_power_e(result, blocks, 1)
    return identify.ratio_misfit(powers, expected) < identify.IMPLAUSIBLE


def _places_hold(result: Fit, expected: tuple[Expectation, Expectation]) -> bool:
    """Tell whether both spots lie where they were expected."""
    return all(
        identify.place_misfit(result.center_mm(k), result.center_covariance_mm2(k), expected[k]) < 25.0
        for k in (0, 1)
    )


def _sighting_pair(scene: Scene, result: Fit, blocks: Blocks) -> tuple[Sighting, Sighting]:
    first = as_sighting(result, blocks, 0, scene.image, scene.hole)
    return first, as_sighting(result, blocks, 1, scene.image, scene.hole)


def _pair_starts(
    view: find.Overview, places: list[list[find.Candidate]], expected: tuple[Expectation, Expectation]
) -> list[tuple[Array, Array]]:
    """Return places to start a pair from: every pairing of candidates, and what is left beside the best."""
    per_spot: list[list[Array]] = []
    for own, other, one in zip(places, reversed(places), expected, strict=True):
        centers = [spot.center_mm for spot in own]
        if other:
            rest = find.without(view, [replace(other[0], amplitude_e=0.7 * other[0].amplitude_e)])
            centers += [spot.center_mm for spot in find.candidates(rest, one.radius_mm, 2)]
        if _trusted(one):
            centers.append(np.asarray(one.center_mm, float))
        per_spot.append(_distinct(centers, 0.25 * one.radius_mm))
    starts = [(a, b) for a in per_spot[0] for b in per_spot[1]]
    apart = 0.15 * min(one.radius_mm for one in expected)
    return [
        (a + np.array([apart, 0.0]), b - np.array([apart, 0.0])) if np.hypot(*(a - b)) < apart else (a, b)
        for a, b in starts
    ]


def _distinct(centers: list[Array], apart_mm: float) -> list[Array]:
    kept: list[Array] = []
    for center in centers:
        if all(np.hypot(*(center - other)) > apart_mm for other in kept):
            kept.append(center)
    return kept[:4]


def _label_pairs(
    scene: Scene,
    coarse: Blocks,
    starts: list[tuple[Array, Array]],
    expected: tuple[Expectation, Expectation],
) -> list[identify.Labelling]:
    """Fit from every start on the coarse blocks; keep the labellings in which both spots are seen."""
    radii = [one.radius_mm for one in expected]
    sigmas = [max(one.radius_relative_sigma, 0.002) for one in expected]
    labellings = []
    for centers in _best_starts(coarse, starts, radii):
        found = fit_spots(scene, centers, radii, sigmas, coarse)
        if found is None or not _is_pair(*found, expected):
            continue
        labellings.append(identify.Labelling(found[0], identify.score_pair(*found, expected)))
    return labellings


def _best_starts(
    coarse: Blocks, starts: list[tuple[Array, Array]], radii: list[float], count: int = 6
) -> list[tuple[Array, Array]]:
    """Rank starts by how well amplitudes alone explain the frame."""
    scored = []
    for centers in starts:
        shape, theta, prior = start_of(coarse, centers, radii, [None, None])
        left = fit(coarse, shape, theta, prior, rounds=0)
        if left is not None:
            scored.append((float(np.abs(coarse.value_e - left.signal_e).sum()), centers))
    scored.sort(key=lambda one: one[0])
    return [centers for _, centers in scored[:count]]


def _one_of_two(
    scene: Scene, places: list[list[find.Candidate]], expected: tuple[Expectation, Expectation]
) -> tuple[Sighting, Sighting]:
    """Measure the only light that is seen, and say whose it is."""
    best: tuple[Fit, Blocks] | None = None
    for own in places:
        for spot in own[:2]:
            found = fit_spots(scene, [spot.center_mm], [spot.radius_mm], [None])
            if found is None or amplitude_significance(*found, 0) < SEEN:
                continue
            if best is None or identify.total_power_e(*found, 0) > identify.total_power_e(*best, 0):
                best = found
    if best is None:
        return _nothing(), _nothing()
    owner = identify.whose(best[0], 0, expected)
    if owner == "undecided":
        seen = NoSpot(Reason.UNDECIDED, "one light is seen, and it may be either return")
        return seen, seen
    if owner == "nobody":
        nobody = NoSpot(Reason.UNRESOLVED, "light is seen, but neither its size nor its place fits a return")
        return nobody, nobody
    k = int(owner)
    sigma = max(expected[k].radius_relative_sigma, 0.002)
    again = fit_spots(scene, [best[0].center_mm(0)], [expected[k].radius_mm], [sigma])
    seen_one: Sighting
    if again is None:
        seen_one = NoSpot(Reason.FIT_FAILED, "the fit of the only light that is seen did not settle")
    else:
        seen_one = as_sighting(*again, 0, scene.image, scene.hole)
    return (seen_one, _nothing()) if k == 0 else (_nothing(), seen_one)


def find_single(scene: Scene, expected: Expectation | None) -> Sighting:
    """Find and measure one spot: the expected one, or the brightest of any size."""
    if expected is not None and _trusted(expected):
        found = _fit_single(scene, np.asarray(expected.center_mm, float), expected)
        if found is not None:
            return as_sighting(*found, 0, scene.image, scene.hole)
    radii = [expected.radius_mm] if expected is not None else [scene.pitch_mm * 2.0**k for k in range(2, 8)]
    spots: list[find.Candidate] = []
    for radius in radii:
        shrink = find.shrink_for(radius, scene.pitch_mm)
        view = find.overview(scene.image, scene.background, scene.plate_map, scene.dead, shrink)
        spots += find.candidates(view, radius, 2)
    spots.sort(key=lambda one: -one.significance)
    for spot in spots[:3]:
        found = _fit_single(scene, spot.center_mm, expected or _guess(spot))
        if found is not None:
            return as_sighting(*found, 0, scene.image, scene.hole)
    return _nothing()


def _guess(spot: find.Candidate) -> Expectation:
    return Expectation(spot.center_mm, np.eye(2) * 1e6, spot.radius_mm, 1.0, 1.0)


def _fit_single(scene: Scene, center_mm: Array, expected: Expectation) -> tuple[Fit, Blocks] | None:
    """Fit one spot, elliptical where that is clearly better; None when it is not seen."""
    sigma = max(expected.radius_relative_sigma, 0.02)
    found = fit_spots(scene, [center_mm], [expected.radius_mm], [sigma])
    if found is None or amplitude_significance(*found, 0) < SEEN:
        return None
    round_fit, blocks = found
    if ellipse_gain(round_fit, blocks) < ELLIPSE * round_fit.noise.spread:
        return found
    radius = float(np.exp(round_fit.theta[round_fit.shape.log_radius(0)]))
    ellipse = fit_spots(scene, [round_fit.center_mm(0)], [radius], [None], blocks, free_ellipse=True)
    if ellipse is None or round_fit.deviance - ellipse[0].deviance < ELLIPSE * round_fit.noise.spread:
        return found
    return ellipse
