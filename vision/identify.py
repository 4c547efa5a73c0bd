"""Who is who: which of two lights is the front return and which the back return, or that the odds are even.

Two labellings of the same light are compared by what each makes of the frame (the radii are expected ones),
of the expected places and of the ratio of the powers. Where neither is clearly likelier, nobody guesses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.blocks import Blocks
from vision.fit import Fit
from vision.spots import Expectation

Array = NDArray[np.float64]

DECIDED = 20.0  # difference of twice the log likelihood from which a labelling is believed (odds 1 : 22,000)
IMPLAUSIBLE = 30.0  # squared distance from every expectation above which a light is nobody's
STALE = 100.0  # squared distance from an expected place at which the place is wrong and tells names no more
NEARLY = 0.05  # of the radius, and of the distance between two spots: a search has come to the same place
LOG_RATIO_SIGMA = 0.35  # standard uncertainty of ln(power ratio): dust, coating, uneven scatter of the plate


@dataclass(frozen=True, slots=True)
class Labelling:
    """A fit in which spot k of the model stands for the k-th expectation.

    Attributes
    ----------
    fit : Fit
    score : float
        Twice the negative log likelihood, less a constant that all labellings of a frame share.
    """

    fit: Fit
    score: float


def total_power_e(fit: Fit, blocks: Blocks, spot: int) -> float:
    """Return the electrons of a whole spot, the part in the hole included."""
    from_moments = fit.second_moments_mm2(spot) + blocks.smear_mm2
    area_px = 2.0 * np.pi * np.sqrt(np.linalg.det(from_moments)) / blocks.pitch_mm**2
    return float(fit.theta[fit.shape.amplitude(spot)] * area_px)


def place_misfit(center_mm: Array, covariance_mm2: Array, expected: Expectation) -> float:
    """Return the squared distance of a centre from its expectation, in standard deviations."""
    offset = np.asarray(center_mm) - np.asarray(expected.center_mm)
    spread = np.asarray(expected.covariance_mm2) + covariance_mm2
    return float(offset @ np.linalg.solve(spread, offset))


def radius_misfit(fit: Fit, spot: int, expected: Expectation) -> float:
    """Return the squared distance, in standard deviations, of a radius that was left free."""
    k = fit.shape.log_radius(spot)
    spread = fit.covariance[k, k] + max(expected.radius_relative_sigma, 0.01) ** 2
    return float((fit.theta[k] - np.log(expected.radius_mm)) ** 2 / spread)


def ratio_misfit(powers_e: tuple[float, float], expected: tuple[Expectation, Expectation]) -> float:
    """Return the squared misfit of two powers' ratio; infinite when one is not positive."""
    if min(powers_e) <= 0.0:
        return float("inf")
    seen = np.log(powers_e[0] / powers_e[1])
    awaited = np.log(expected[0].relative_power / expected[1].relative_power)
    return float(((seen - awaited) / LOG_RATIO_SIGMA) ** 2)


def score_pair(fit: Fit, blocks: Blocks, expected: tuple[Expectation, Expectation]) -> float:
    """Return a labelling's score: the frame's, the places', and the powers' part."""
    score = fit.deviance
    for spot in (0, 1):
        misfit = place_misfit(fit.center_mm(spot), fit.center_covariance_mm2(spot), expected[spot])
        score += min(misfit, STALE)
    return score + ratio_misfit((total_power_e(fit, blocks, 0), total_power_e(fit, blocks, 1)), expected)


def misfit_of(fit: Fit, expected: tuple[Expectation, Expectation]) -> float:
    """Return how ill radii and places of two fitted spots agree with what is expected of them."""
    total = 0.0
    for spot, one in enumerate(expected):
        k = fit.shape.log_radius(spot)
        sigma = max(one.radius_relative_sigma, 0.002)
        total += float(((fit.theta[k] - np.log(one.radius_mm)) / sigma) ** 2)
        total += min(place_misfit(fit.center_mm(spot), fit.center_covariance_mm2(spot), one), STALE)
    return total


def same_answer(first: Fit, second: Fit) -> bool:
    """Tell whether two labellings put both spots at the same places: within their uncertainty, or nearly.

    A search need not have settled to the last micrometre; what is small beside the spots and beside the
    distance between them is no other answer.
    """
    between = float(np.hypot(*(first.center_mm(0) - first.center_mm(1))))
    for spot in (0, 1):
        near = NEARLY * min(between, float(np.exp(first.theta[first.shape.log_radius(spot)])))
        apart = first.center_mm(spot) - second.center_mm(spot)
        spread = first.center_covariance_mm2(spot) + second.center_covariance_mm2(spot)
        if np.hypot(*apart) > near and apart @ np.linalg.solve(spread, apart) > 9.0:
            return False
    return True


def decide(labellings: list[Labelling]) -> Labelling | None:
    """Return the labelling to believe; None where another, different one is nearly as likely."""
    if not labellings:
        return None
    best = min(labellings, key=lambda one: one.score)
    for other in labellings:
        if other is best or same_answer(best.fit, other.fit):
            continue
        # Neighbouring blocks that share speckle grains are not independent witnesses.
        if other.score - best.score < DECIDED * best.fit.noise.spread:
            return None
    return best


def whose(fit: Fit, spot: int, expected: tuple[Expectation, Expectation]) -> int | str:
    """Return whose a single light is: 0, 1, "undecided" or "nobody".

    The fit must have left the radius free.
    """
    misfits = [
        radius_misfit(fit, spot, one)
        + place_misfit(fit.center_mm(spot), fit.center_covariance_mm2(spot), one)
        for one in expected
    ]
    if min(misfits) > IMPLAUSIBLE:
        return "nobody"
    if abs(misfits[0] - misfits[1]) < DECIDED:
        return "undecided"
    return int(np.argmin(misfits))
