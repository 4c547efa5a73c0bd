"""Fits that know of a fault: what it explains when it is no small change.

A large fault bends the fit that it was found in, most where other unknowns can follow it, and then slopes
mislead. Here each rival is given its own fit, from the same prior, so that what they gain can be compared.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from typing import Final

import numpy as np

from control.learn import LearnedModel
from control.looks import Looks
from control.model import bent, lens_model
from control.plan import AlignmentPlan, Prescription
from control.score_kernels import best_amounts
from control.scores import (
    SUDDEN,
    USUAL,
    beam_as_pose,
    least_amounts,
    sudden,
    sudden_words,
    wrong_power,
)
from control.suspicion import SWAPPED_WORDS, Fault, Suspicion
from control.unknowns import FIXED_COUNT, Vector, solve

_CHOICES: Final = 3
_ROUNDS: Final = 3
_OTHER_SIGMA: Final = 0.5
_OTHER_SIGMA_PER_MM: Final = 0.012
_OTHER_FACTORS: Final = (0.5, 0.7, 1.4, 2.0, -1.0)
_OTHER_CURVATURES: Final = (-0.025, -0.008, 0.008, 0.025)
_UNSTEADY: Final = (3.0, 4.0, 5.0, 7.0, 10.0, 15.0)
"""How many times worse than said is no more a matter of what a bench file rounds."""

_FREE: Final = 1e3
_UNEXPLAINED: Final = 2.0
"""Squares per coordinate beyond which a fit has not explained the looks."""

_REMNANT: Final = 0.05
_FARTHEST: Final = 10.0
_SMALL: Final = 1e-9


def refitted(model: LearnedModel, plan: AlignmentPlan, found: list[Suspicion]) -> list[Suspicion]:
    """Return every kind of fault once, weighed by a fit that knows of it.

    Parameters
    ----------
    found : list of Suspicion
        From the slopes; the most believable moment of each sudden fault is taken from here.
    """
    base = min(model.cost(), model.refitted().cost())
    best: dict[tuple[Fault, str], Suspicion] = {}
    for suspicion in sorted(found, key=lambda suspicion: suspicion.weight):
        if suspicion.part is not None:
            best[suspicion.fault, str(suspicion.part)] = suspicion
    rivals = [_with_sudden(model, base, suspicion) for suspicion in best.values()]
    least = least_amounts(model)
    rivals = [rival for rival in rivals if np.any(np.abs(rival.amounts) >= least[rival.part])]
    rivals.append(_with_names_exchanged(model, base))
    rivals.append(_unsteady(model))
    if plan.prescription is Prescription.KNOWN:
        lenses = [*_turned_round(model, base), _scaled(model, base)]
        rivals += lenses
        if min(_left(model, base, rival) for rival in lenses) > _UNEXPLAINED:
            other = other_lens(model, base)
            # So many numbers explain something of everything: they must explain nearly all.
            if _left(model, base, other) < max(_UNEXPLAINED, _REMNANT * _per_coordinate(model, base)):
                rivals.append(other)
    return rivals


def _per_coordinate(model: LearnedModel, cost: float) -> float:
    return cost / max(model.misfit()[1], 1)


def _left(model: LearnedModel, base: float, rival: Suspicion) -> float:
    """Return the squares per coordinate that a fault leaves."""
    return _per_coordinate(model, max(base - rival.gain, 0.0))


# --- lens -------------------------------------------------------------------------------------------


def _turned_round(model: LearnedModel, base: float) -> list[Suspicion]:
    lens = model.lens.lens
    turned = lens.reversed()
    if turned.surfaces == lens.surfaces:
        return []
    other = lens_model(turned, model.lens.layout, model.lens.beam)
    cost = min(model.refitted(lens=other, looks=looks).cost() for looks in _namings(model))
    words = "lens reversed: the spots answer like the recipe's lens turned round"
    return [Suspicion(Fault.LENS_REVERSED, max(base - cost, 0.0), 1, words, exact=True)]


def _scaled(model: LearnedModel, base: float) -> Suspicion:
    """All radii wrong by the same share."""
    curvatures = model.lens.curvatures_per_mm
    recipe = model.lens.lens.effective_focal_length_mm(model.lens.beam.wavelength_nm)
    factor, best, found = 1.0, math.inf, wrong_power(model)
    step = found.amounts[0]
    for _ in range(_ROUNDS):
        factor *= 1.0 + min(max(step, -0.5), 1.0)
        lens = bent(model.lens, (factor - 1.0) * curvatures)
        other = min((model.refitted(lens=lens, looks=looks) for looks in _namings(model)), key=_cost)
        better = wrong_power(other, recipe)
        step = better.amounts[0]
        if other.cost() < best:
            best = other.cost()
            found = replace(better, gain=max(base - best, 0.0), exact=True)
    return found


def other_lens(model: LearnedModel, base: float) -> Suspicion:
    """Return how well a lens of quite another prescription explains the looks, and which."""
    curvatures = model.lens.curvatures_per_mm
    open_minded = model.widened(np.maximum(_OTHER_SIGMA * np.abs(curvatures), _OTHER_SIGMA_PER_MM))
    best: LearnedModel | None = None
    for looks in _namings(model):
        start = open_minded.refitted(looks=looks, fresh=False)
        for guess in _guesses(curvatures):
            other = start.restarted(guess)
            if best is None or other.cost() < best.cost():
                best = other
            if _per_coordinate(best, best.cost()) <= _UNEXPLAINED:
                break
    assert best is not None
    gain = max(base - best.cost(), 0.0)
    return Suspicion(Fault.WRONG_LENS, gain, len(curvatures) + 1, _other_lens_words(model, best), exact=True)


def _guesses(curvatures: Vector) -> Iterator[Vector]:
    yield curvatures
    for factor in _OTHER_FACTORS:
        yield factor * curvatures
    for guess in product(_OTHER_CURVATURES, repeat=len(curvatures)):
        yield np.array(guess)


def _other_lens_words(model: LearnedModel, other: LearnedModel) -> str:
    wavelength = model.lens.beam.wavelength_nm
    recipe = model.lens.lens.effective_focal_length_mm(wavelength)
    shift = other.mean[FIXED_COUNT:]
    lens = bent(other.lens, shift).lens
    power = 1.0 / lens.effective_focal_length_mm(wavelength)
    nudge = 1e-6
    slopes = np.array(
        [
            1.0 / bent(other.lens, shift + step).lens.effective_focal_length_mm(wavelength) - power
            for step in nudge * np.eye(len(shift))
        ]
    )
    slopes = slopes / nudge
    sigma = math.sqrt(max(float(slopes @ other.covariance[FIXED_COUNT:, FIXED_COUNT:] @ slopes), 0.0))
    focal = 1.0 / power if abs(power) > _SMALL else math.inf
    spread = 2.0 * sigma / max(power**2, _SMALL)
    radii = ", ".join(
        f"{surface.radius_mm:+.1f}" if abs(surface.curvature_per_mm) > 1e-5 else "plano"
        for surface in lens.surfaces
    )
    return (
        f"wrong lens: the spots answer like a focal length of {focal:.1f} +- {spread:.1f} mm (k = 2) with "
        f"radii {radii} mm, the recipe's is {recipe:.1f} mm"
    )


# --- names and sudden faults ------------------------------------------------------------------------


def _namings(model: LearnedModel) -> list[Looks]:
    """Return the looks as they are, and as vision named them where the model had exchanged names."""
    looks = model.looks
    if not np.any(looks.renamed):
        return [looks.copied()]
    return [looks.copied(), looks.exchanged(looks.renamed)]


def _with_names_exchanged(model: LearnedModel, base: float) -> Suspicion:
    count = len(model.looks)
    # All looks, or one of the last few: the others may have been put right when they came.
    choices = [slice(None), *(slice(number, number + 1) for number in range(max(count - 3, 0), count))]
    best = min(model.refitted(looks=model.looks.exchanged(which)).cost() for which in choices)
    gain = max(base - best, 0.0)
    return Suspicion(Fault.RETURNS_SWAPPED, gain, _CHOICES, SWAPPED_WORDS, exact=True)


def _unsteady(model: LearnedModel) -> Suspicion:
    """Return how much likelier the looks are if the mount repeats worse than it is said to.

    More scatter explains any looks better; what that costs in likelihood is in the comparison.
    """
    said = model.repeating(1.0).log_likelihood()
    found = {factor: model.repeating(factor).log_likelihood() for factor in _UNSTEADY}
    factor = max(found, key=found.__getitem__)
    um, urad = (
        factor * sigma for sigma in (model.bench.repeatability_sigma_um, model.bench.repeatability_sigma_urad)
    )
    times = f"some {factor:g} times worse than said"
    words = f"mount unsteady: it repeats {times} (about {um:.0f} um and {urad:.0f} urad)"
    return Suspicion(Fault.MOUNT_UNSTEADY, max(2.0 * (found[factor] - said), 0.0), 1, words, exact=True)


def _with_sudden(model: LearnedModel, base: float, rival: Suspicion) -> Suspicion:
    part, amounts = rival.part, np.array(rival.amounts)
    assert part is not None
    free, here = np.full(len(USUAL), _FREE), slice(rival.since, rival.since + 1)
    parts = np.array([(part.start, part.stop)])
    mount, best, found = model.prior_mount(), math.inf, amounts
    for _ in range(_ROUNDS):
        other = model.refitted(looks=_put_right(model, rival, amounts, mount))
        cost = other.cost() + float(np.sum((amounts / USUAL[part]) ** 2))
        if cost < best:
            best, found = cost, amounts
        room, pull = sudden(other)
        amounts = amounts + best_amounts(room[here], pull[here], free, parts)[1][0, part]
        amounts = np.clip(amounts, -_FARTHEST * USUAL[part], _FARTHEST * USUAL[part])
        mount = other.mount()
    words = sudden_words(model, rival.fault, part, found, rival.since)
    gain = max(base - best, 0.0)
    return replace(rival, gain=gain, words=words, amounts=tuple(found.tolist()), exact=True)


def _put_right(model: LearnedModel, rival: Suspicion, amounts: Vector, mount: Vector) -> Looks:
    """Return the looks as they would be without a sudden fault of these amounts."""
    looks, since = model.looks.copied(), rival.since
    assert rival.part is not None
    twelve = np.zeros(SUDDEN[-1][1].stop)
    twelve[rival.part] = amounts
    as_pose, ride = beam_as_pose(model)
    pose = twelve[4:8] + as_pose @ twelve[8:]
    looks.axes[since:] += twelve[:4] + solve(mount, pose)
    looks.values[since:] -= np.where(looks.seen[since:], ride @ twelve[8:], 0.0)
    return looks


def _cost(model: LearnedModel) -> float:
    return model.cost()
