"""The questions that decide the way: is the pose known, do test moves pay, would more looks help."""

from __future__ import annotations

from typing import Final

import numpy as np

from control.causes import contributions
from control.learn import LearnedModel
from control.moves import visible_projector
from control.plan import AlignmentPlan, BenchModel, HomeAgain, Prescription, TestMoves
from control.scores import chance_of_lost_steps, power_sigma, sigma_of_lost_steps
from control.uncertainty import largest_sigma, radial_coverage_factor
from control.unknowns import Vector

TYPICAL_SPOT_MM: Final = 0.02
"""Standard uncertainty of a spot coordinate where none was measured yet (speckle on a diffuse plate)."""

_LOST: Final = np.array([0.25, 0.25, 4.0, 4.0]) ** 2
_TRUSTED: Final = 0.25
_LENS_SIGMA: Final = 0.013
_LENS_LOOKS: Final = 4
_WORTH_WHILE: Final = 0.6
_SHARE: Final = 0.2
_DOUBT_TESTS: Final = 2
_STEPS_DOUBT: Final = 3e-3
"""Chance at which homing again is worth its seconds: one run in twenty without any lost step."""

_LOSS: Final = 0.1
"""What a lost step must not hide (mm or deg): less does little harm, since the spots are what is aligned."""

_LOSS_FACTOR: Final = 7.5
"""So many standard uncertainties are found by a test that cries wolf at 5.1, in 99 of 100 cases."""


def is_lost(model: LearnedModel) -> bool:
    """Say whether the looks so far leave the pose too open to step by."""
    if not len(model.looks):
        return True
    if not (np.diagonal(model.pose_here().covariance) > _LOST).any():
        return False
    rows = model.looks.seen[-1]
    rank = int(np.linalg.matrix_rank(model.sensitivities()[rows], tol=1e-3)) if np.any(rows) else 0
    return rank < 4


def knows_the_lens(plan: AlignmentPlan, model: LearnedModel) -> bool:
    """Say whether prescription or looks tell the lens's power well enough to judge spots by it."""
    return plan.prescription is Prescription.KNOWN or power_sigma(model) <= _TRUSTED


def lens_is_checked(plan: AlignmentPlan, model: LearnedModel, verified: int) -> bool:
    """Say whether the looks would show a wrong lens; where they cannot, no more are spent on it."""
    if plan.prescription is not Prescription.KNOWN or power_sigma(model) <= _LENS_SIGMA:
        return True
    return verified >= max(plan.verification_looks, _LENS_LOOKS)


def test_moves_pay(
    plan: AlignmentPlan, bench: BenchModel, model: LearnedModel, made: int, *, doubted: bool
) -> bool:
    """Say whether a test move is due: asked for, or the model too unsure of the way to the null.

    Parameters
    ----------
    made : int
        Test moves made so far.
    doubted : bool
        Whether the spots did not answer as predicted.
    """
    if made >= len(bench.axes):
        return False
    if plan.test_moves is TestMoves.ALWAYS or (doubted and made < _DOUBT_TESTS):
        return True
    pose = model.pose_here()
    projector = visible_projector(bench, model.sensitivities(), TYPICAL_SPOT_MM)
    sigma = np.sqrt(np.diag(projector @ pose.covariance @ projector.T)) / plan.tolerances
    off = float(np.linalg.norm(projector @ pose.mean / plan.tolerances))
    return bool(np.max(sigma) > max(_TRUSTED * off, 5.0))


def steps_are_doubted(plan: AlignmentPlan, model: LearnedModel, homed_again: bool) -> bool:
    """Say whether a part that passes should be looked at once more with the axes homed anew."""
    if homed_again:
        return False
    return plan.home_again is HomeAgain.ALWAYS or chance_of_lost_steps(model) < _STEPS_DOUBT


def unseen_loss(model: LearnedModel) -> Vector | None:
    """Return the place to go back to where the looks would not show a step lost on the way from it.

    A new mount's first long move may be off by as much as its scale is uncertain; the same place looked at
    again tells without the scale. None when the looks show such a loss wherever it happened.

    Returns
    -------
    ndarray, shape (4,), or None
        Axis positions of an earlier look.
    """
    unsure = np.any(sigma_of_lost_steps(model) > _LOSS / _LOSS_FACTOR, axis=1)
    if not np.any(unsure):
        return None
    before = int(np.argmax(unsure)) + 1
    counts = np.sum(model.looks.seen[:before], axis=1)
    latest = before - 1 - int(np.argmax(counts[::-1]))
    place: Vector = model.looks.axes[latest]
    return place


def expanded_ahead(plan: AlignmentPlan, model: LearnedModel, null: Vector, sides: Vector) -> float:
    """Return the expanded uncertainty after going to ``null``, as a share of the tolerance (worse one)."""
    covariance = model.pose_at(null, sides).covariance
    factor = radial_coverage_factor(plan.coverage)
    limits = plan.tolerances
    return factor * max(
        largest_sigma(covariance[:2, :2]) / float(limits[0]),
        largest_sigma(covariance[2:, 2:]) / float(limits[2]),
    )


def more_looks_help(plan: AlignmentPlan, model: LearnedModel, null: Vector, sides: Vector) -> bool:
    """Say whether the uncertainty is still too large and what looks can reduce is a part of it."""
    if expanded_ahead(plan, model, null, sides) <= _WORTH_WHILE:
        return False
    parts = contributions(model)
    whole = np.sum(list(parts.values()), axis=0)
    shares = np.diag(parts["spots"] + parts["mount repeatability"]) / np.diag(whole)
    return bool(np.max(shares) > _SHARE)
