"""Fit the spots of a scene: one, or two at once, from trusted places or from anywhere in the frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision import find, identify
from vision.blocks import Array, Blocks
from vision.fit import Fit, amplitude_significance, ellipse_gain, fit
from vision.refine import explain
from vision.scene import Scene, start_of
from vision.sightings import as_sighting
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot
from vision.starts import around, best_starts, pair_starts, trusted, unexplained

SEEN = 6.0  # standard deviations of the amplitude from which a spot counts as seen
FINE, FINE_AT_HOLE = 3.0, 6.0  # blocks to a standard deviation of the smallest spot
FINEST = 2  # a search needs no full resolution: a spot of two pixels' sigma is a cell's sigma then
COARSE = 1.5  # blocks to a standard deviation below which a spot is fitted once more, on finer ones
GRAINS = 3.0  # largest area of a grain of speckle, in blocks, at which finer blocks tell more
MOST_LABELLINGS = 3
FAINT = 0.005  # of the light: a ghost that lies on a return, seen where millions of electrons leave no doubt
FAR = 24  # rounds for two that overlap: they may come from far off, what is left over passing for speckle
SAME = 0.25  # of the radius, and of ln w, within which two fits mean the same light
ELLIPSE = 16.0  # improvement of twice the log likelihood from which a spot is called elliptical


def fit_spots(
    scene: Scene,
    centers_mm: Sequence[Array],
    radii_mm: Sequence[float],
    sigmas: Sequence[float | None],
    blocks: Blocks | None = None,
    free_ellipse: bool = False,
    rounds: int = 12,
) -> tuple[Fit, Blocks] | None:
    """Fit round (or free elliptical) spots from a start; None when that fails."""
    if blocks is None:
        blocks = scene.blocks(centers_mm, radii_mm, FINE_AT_HOLE if scene.hole is not None else FINE)
    if blocks is None:
        return None
    shape, theta, prior = start_of(blocks, centers_mm, radii_mm, sigmas, free_ellipse)
    result = fit(blocks, shape, theta, prior, rounds=rounds)
    return None if result is None else (result, blocks)


def find_pair(scene: Scene, expected: tuple[Expectation, Expectation]) -> tuple[Sighting, Sighting]:
    """Find and measure two returns; ``NO_LIGHT`` stands for "not seen, cause to be found"."""
    radii = [one.radius_mm for one in expected]
    sigmas = [max(one.radius_relative_sigma, 0.002) for one in expected]
    if all(trusted(one) for one in expected):
        found = fit_spots(scene, [one.center_mm for one in expected], radii, sigmas, rounds=FAR)
        if found is not None and _is_pair(*found, expected) and _places_hold(found[0], expected):
            return _sighting_pair(scene, *explain(scene, *found), expected)
    view = find.overview(
        scene.image,
        scene.background,
        scene.plate_map,
        scene.valid,
        find.shrink_for(min(radii), scene.pitch_mm),
    )
    places = [find.candidates(view, radius) for radius in radii]
    if not any(places):
        return _nothing(), _nothing()
    coarse = scene.frame_blocks(min(radii))
    if coarse is None:
        return _nothing(), _nothing()
    labellings = _label_pairs(scene, coarse, pair_starts(view, places, expected), expected)
    labellings, blocks = _refined(scene, labellings, expected)
    answer = None
    if labellings and blocks is not None:
        answer = _answer_of(scene, labellings, blocks, expected)
    return answer or _one_of_two(scene, coarse, places, expected)


def _answer_of(
    scene: Scene,
    labellings: list[identify.Labelling],
    blocks: Blocks,
    expected: tuple[Expectation, Expectation],
) -> tuple[Sighting, Sighting] | None:
    """Return what two lights say; None where one does as well."""
    chosen = identify.decide(labellings)
    if chosen is None:
        return _undecided("two lights, but the odds which is which are even")
    gain, odd_size = _gain_of_two(scene, chosen.fit, blocks, expected)
    if gain <= identify.DECIDED * chosen.fit.noise.spread:
        if gain + odd_size <= identify.DECIDED * chosen.fit.noise.spread:
            return None
        return _undecided("two lights nearly on each other, or one of a size that no return has")
    if gain <= identify.DECIDED * chosen.fit.noise.spread + _of_a_ghost(chosen.fit):
        return _undecided("two lights, or one with a faint ghost on it")
    told = _rightly_named(scene, *explain(scene, chosen.fit, blocks), expected)
    if told is None:
        return _undecided("two lights, but their sizes speak against the likelier names")
    return _sighting_pair(scene, *told, expected)


def _rightly_named(
    scene: Scene, result: Fit, blocks: Blocks, expected: tuple[Expectation, Expectation]
) -> tuple[Fit, Blocks] | None:
    """Return the fit whose names agree with the sizes and places that were found; None where neither's do.

    Saturation and speckle can hold a search in a bad minimum under the right names, so that it loses to a
    good one under the wrong names. What came out then fits the other names better.
    """
    if identify.misfit_of(result, expected) <= identify.misfit_of(result, expected[::-1]):
        return result, blocks
    centers = [result.center_mm(1), result.center_mm(0)]
    sigmas = [max(one.radius_relative_sigma, 0.002) for one in expected]
    other = fit_spots(scene, centers, [one.radius_mm for one in expected], sigmas, blocks, rounds=FAR)
    if other is None or not _is_pair(*other, expected):
        return None
    exchanged = explain(scene, *other)
    better = exchanged[0].deviance < result.deviance - identify.DECIDED * result.noise.spread
    agrees = identify.misfit_of(exchanged[0], expected) <= identify.misfit_of(exchanged[0], expected[::-1])
    return exchanged if better and agrees else None


def _refined(
    scene: Scene, labellings: list[identify.Labelling], expected: tuple[Expectation, Expectation]
) -> tuple[list[identify.Labelling], Blocks | None]:
    """Fit the likeliest different labellings on fine blocks; coarse ones hide the speckle of small spots."""
    kept: list[identify.Labelling] = []
    for one in sorted(labellings, key=lambda one: one.score):
        if not any(identify.same_answer(one.fit, other.fit) for other in kept):
            kept.append(one)
    radii = [one.radius_mm for one in expected]
    sigmas = [max(one.radius_relative_sigma, 0.002) for one in expected]
    kept = kept[:MOST_LABELLINGS]
    everywhere = [one.fit.center_mm(k) for one in kept for k in (0, 1)]
    if not kept:
        return [], None
    blocks = scene.blocks(everywhere, radii * len(kept), FINE_AT_HOLE if scene.hole is not None else FINE)
    if blocks is None:
        return [], None
    refined = []
    for one in kept:
        found = fit_spots(scene, [one.fit.center_mm(k) for k in (0, 1)], radii, sigmas, blocks, rounds=FAR)
        if found is not None and _is_pair(*found, expected):
            refined.append(identify.Labelling(found[0], identify.score_pair(*found, expected)))
    return refined, blocks


def _gain_of_two(
    scene: Scene, pair: Fit, blocks: Blocks, expected: tuple[Expectation, Expectation]
) -> tuple[float, float]:
    """Return by how much two spots that overlap explain the frame better than a single one does.

    Two figures: with the single one's size free, and by how much that size speaks against its being either
    return.
    """
    radii = [one.radius_mm for one in expected]
    if np.hypot(*(pair.center_mm(0) - pair.center_mm(1))) > sum(radii):
        return float("inf"), 0.0
    powers = identify.total_power_e(pair, blocks, 0), identify.total_power_e(pair, blocks, 1)
    singles = []
    for k in (0, 1):
        single = fit_spots(scene, [pair.center_mm(k)], [radii[k]], [None], blocks)
        if single is not None:
            singles.append(single[0])
    if not singles:
        return float("inf"), 0.0
    best = min(singles, key=lambda one: one.deviance)
    gain = best.deviance - pair.deviance - identify.ratio_misfit(powers, expected)
    return gain, min(identify.radius_misfit(best, 0, one) for one in expected)


def _of_a_ghost(pair: Fit) -> float:
    """Return the gain that light of the share ``FAINT`` where no spot of the model is can bring about."""
    return float((FAINT**2 * pair.light_e**2 / pair.variance_e2).sum())


def _undecided(why: str) -> tuple[NoSpot, NoSpot]:
    detail = f"{why}; a small test move will tell"
    return NoSpot(Reason.UNDECIDED, detail), NoSpot(Reason.UNDECIDED, detail)


def _nothing() -> NoSpot:
    return NoSpot(Reason.NO_LIGHT, "no light found")


def _is_pair(result: Fit, blocks: Blocks, expected: tuple[Expectation, Expectation]) -> bool:
    """Tell whether both spots of a fit are seen and neither is a ghost by its power."""
    if min(amplitude_significance(result, blocks, k, SEEN) for k in (0, 1)) < SEEN:
        return False
    powers = identify.total_power_e(result, blocks, 0), identify.total_power_e(result, blocks, 1)
    return identify.ratio_misfit(powers, expected) < identify.IMPLAUSIBLE


def _places_hold(result: Fit, expected: tuple[Expectation, Expectation]) -> bool:
    """Tell whether both spots lie where they were expected."""
    return all(
        identify.place_misfit(result.center_mm(k), result.center_covariance_mm2(k), expected[k]) < 25.0
        for k in (0, 1)
    )


def _sighting_pair(
    scene: Scene, result: Fit, blocks: Blocks, expected: tuple[Expectation, Expectation]
) -> tuple[Sighting, Sighting]:
    both = [
        as_sighting(result, blocks, k, scene.image, scene.hole, expected[k].stretch_sigma) for k in (0, 1)
    ]
    radii = [float(np.exp(result.theta[result.shape.log_radius(k)])) for k in (0, 1)]
    small = int(np.argmin(radii))
    if radii[small] / 2.0 / blocks.pitch_mm < COARSE * blocks.size_px:
        closer = _closer(scene, result, small)
        if closer is not None:
            both[small] = as_sighting(*closer, small, scene.image, scene.hole, expected[small].stretch_sigma)
            both[1 - small] = _shared(both[1 - small], both[small])
    return both[0], both[1]


def _closer(scene: Scene, result: Fit, small: int) -> tuple[Fit, Blocks] | None:
    """Fit the smaller of two spots on blocks fine enough for it, the larger known from the fit of both."""
    centers = [result.center_mm(k) for k in (0, 1)]
    radii = [float(np.exp(result.theta[result.shape.log_radius(k)])) for k in (0, 1)]
    blocks = scene.blocks([centers[small]], [radii[small]], FINE_AT_HOLE if scene.hole is not None else FINE)
    if blocks is None or result.noise.grain_px2 > GRAINS * blocks.size_px**2:
        return None  # blocks finer than the grains of speckle cannot tell these from the spot's shape
    shape, theta, prior = start_of(blocks, centers, radii, [None, None])
    for k in (0, 1):
        own, at = result.shape.log_radius(k), shape.log_radius(k)
        prior.mean[at], prior.weight[at] = result.prior.mean[own], result.prior.weight[own]
    large, at = result.shape.log_radius(1 - small), shape.log_radius(1 - small)
    known = 1.0 / np.maximum(np.diag(result.covariance)[large - 2 : large + 1], 1e-12)
    prior.mean[at - 2 : at + 1], prior.weight[at - 2 : at + 1] = theta[at - 2 : at + 1], known
    # Noise as the larger region told it is a better start than few blocks give.
    fitted = fit(blocks, shape, theta, prior, noise=result.noise)
    return None if fitted is None else (fitted, blocks)


def _shared(own: Sighting, other: Sighting) -> Sighting:
    """Return a spot with the covariance with the other that the other states."""
    if not isinstance(own, Spot) or not isinstance(other, Spot) or other.with_other_mm2 is None:
        return own
    return replace(own, with_other_mm2=other.with_other_mm2.T.copy())


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
    coarse = around(coarse, starts, radii)
    for centers in best_starts(coarse, starts, radii):
        found = fit_spots(scene, centers, radii, sigmas, coarse)
        if found is None or not _is_pair(*found, expected):
            continue
        labellings.append(identify.Labelling(found[0], identify.score_pair(*found, expected)))
    return labellings


def _one_of_two(
    scene: Scene,
    coarse: Blocks,
    places: list[list[find.Candidate]],
    expected: tuple[Expectation, Expectation],
) -> tuple[Sighting, Sighting]:
    """Measure the only light that is seen, and say whose it is."""
    lights = []
    for own in places:
        for spot in own[:2]:
            found = fit_spots(scene, [spot.center_mm], [spot.radius_mm], [None])
            if found is not None and amplitude_significance(*found, 0, SEEN) >= SEEN:
                lights.append(found)
    if not lights:
        return _nothing(), _nothing()
    best = _best_of(coarse, lights)
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
        seen_one = as_sighting(*again, 0, scene.image, scene.hole, expected[k].stretch_sigma)
    return (seen_one, _nothing()) if k == 0 else (_nothing(), seen_one)


def _best_of(coarse: Blocks, lights: list[tuple[Fit, Blocks]]) -> tuple[Fit, Blocks]:
    """Return the best fit of the light that explains most of the frame.

    Some fits have taken for speckle what they could not follow, and say of themselves that they are good: the
    frame tells which light is meant, and of the fits that came to the same the best is that which needs least
    speckle.
    """
    chosen = min(lights, key=lambda one: unexplained(coarse, one[0]))[0]
    radius = float(np.exp(chosen.theta[chosen.shape.log_radius(0)]))

    def is_the_same(other: Fit) -> bool:
        away = np.hypot(*(other.center_mm(0) - chosen.center_mm(0)))
        ratio = other.theta[other.shape.log_radius(0)] - np.log(radius)
        return bool(away < SAME * radius and abs(ratio) < SAME)

    return min((one for one in lights if is_the_same(one[0])), key=lambda one: one[0].noise.grain_px2)


def find_single(scene: Scene, expected: Expectation | None) -> Sighting:
    """Find and measure one spot: the expected one, or the brightest of any size."""
    if expected is not None and trusted(expected):
        found = _fit_single(scene, np.asarray(expected.center_mm, float), expected)
        if found is not None:
            return as_sighting(*found, 0, scene.image, scene.hole, expected.stretch_sigma)
    radii = [expected.radius_mm] if expected is not None else [scene.pitch_mm * 2.0**k for k in range(2, 8)]
    spots: list[find.Candidate] = []
    shrinks = [max(find.shrink_for(radius, scene.pitch_mm), FINEST) for radius in radii]
    views = find.overviews(scene.image, scene.background, scene.plate_map, scene.valid, shrinks)
    for radius, shrink in zip(radii, shrinks, strict=True):
        spots += find.candidates(views[shrink], radius, 2)
    spots.sort(key=lambda one: -one.significance)
    for spot in spots[:3]:
        found = _fit_single(scene, spot.center_mm, expected or _guess(spot))
        if found is not None:
            stretch = 0.0 if expected is None else expected.stretch_sigma
            return as_sighting(*found, 0, scene.image, scene.hole, stretch)
    return _nothing()


def _guess(spot: find.Candidate) -> Expectation:
    return Expectation(spot.center_mm, np.eye(2) * 1e6, spot.radius_mm, 1.0, 1.0)


def _fit_single(scene: Scene, center_mm: Array, expected: Expectation) -> tuple[Fit, Blocks] | None:
    """Fit one spot, elliptical where that is clearly better; None when it is not seen."""
    sigma = max(expected.radius_relative_sigma, 0.02)
    found = fit_spots(scene, [center_mm], [expected.radius_mm], [sigma])
    if found is None or amplitude_significance(*found, 0, SEEN) < SEEN:
        return None
    round_fit, blocks = explain(scene, *found)
    found = round_fit, blocks
    if (
        round_fit.shape.extras
        or round_fit.shape.halo
        or ellipse_gain(round_fit, blocks) < ELLIPSE * round_fit.noise.spread
    ):
        return found
    radius = float(np.exp(round_fit.theta[round_fit.shape.log_radius(0)]))
    ellipse = fit_spots(scene, [round_fit.center_mm(0)], [radius], [None], blocks, free_ellipse=True)
    if ellipse is None or round_fit.deviance - ellipse[0].deviance < ELLIPSE * round_fit.noise.spread:
        return found
    return ellipse
