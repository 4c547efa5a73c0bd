"""What is wrong, when the looks do not fit the model: which fault explains them best.

Whether something is wrong is asked after every look, by slopes alone (:mod:`control.scores`). Only then every
kind of fault gets a fit of its own (:mod:`control.refits`), and what they explain is compared.
"""

from __future__ import annotations

from dataclasses import replace

from scipy.special import chdtrc

from control.learn import LearnedModel
from control.plan import AlignmentPlan, Prescription
from control.refits import refitted
from control.scores import RIVAL, power_fit, slow_and_sudden, wrong_power
from control.suspicion import LEAST_GAIN, LEAST_SUDDEN_GAIN, SURE, Fault, Suspicion, is_sure


def suspicions(model: LearnedModel, plan: AlignmentPlan) -> list[Suspicion]:
    """Return what may explain the looks, most believable first; nothing while chance explains them."""
    if model.rows is None:
        return []
    # Nothing can gain more than all that is left, nor can so little be scatter.
    if model.cost() < LEAST_GAIN:
        return []
    known = plan.prescription is Prescription.KNOWN
    doubtful = known and is_sure(Fault.WRONG_LENS, 1, power_fit(model)[0])
    if not doubtful and model.cost() < LEAST_SUDDEN_GAIN:
        return []
    found = slow_and_sudden(model)
    if not doubtful and not any(suspicion.sure for suspicion in found) and not scattered(model):
        return []
    if known:
        found.append(wrong_power(model))
    found = [against_scatter(model, suspicion) for suspicion in found]
    exact = refitted(model, plan, found)
    # One measure of the scatter for all, since they are to be compared; each its own against chance.
    scatters = [scatter_left(model, rival) for rival in exact]
    least = min(scatters)
    exact = [
        replace(rival, gain=rival.gain / least, scatter=own / least)
        for rival, own in zip(exact, scatters, strict=True)
    ]
    # A mount that repeats worse than said stops no run by itself: the verdict's uncertainty grows with the
    # scatter. Where that scatter would be taken for another fault, it is told as what it is.
    others = [other for other in [*found, *exact] if other.fault is not Fault.MOUNT_UNSTEADY]
    if not any(other.sure for other in others):
        return []
    return sorted((rival for rival in exact if rival.chance < RIVAL), key=lambda rival: -rival.weight)


def scattered(model: LearnedModel) -> bool:
    """Say whether the looks scatter more than chance explains, whatever the cause."""
    return bool(chdtrc(max(model.misfit()[1], 1), model.cost()) < SURE)


def against_scatter(model: LearnedModel, suspicion: Suspicion) -> Suspicion:
    """Weigh a gain against what the fault leaves unexplained.

    Where the looks scatter more than was promised for them, all of them and not just from one moment on,
    the promise was too good, and a gain counts for that much less, as in an F test.
    """
    return replace(suspicion, gain=suspicion.gain / scatter_left(model, suspicion))


def scatter_left(model: LearnedModel, suspicion: Suspicion) -> float:
    """Return the squares that a fault leaves per degree of freedom, at least 1."""
    left = model.misfit()[1] - suspicion.unknowns
    return max((model.cost() - suspicion.gain) / max(left, 1), 1.0)
