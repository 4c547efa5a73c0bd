"""How much each fault would lower the misfit, from residuals and posterior alone.

Every fault that is a small change (lost steps of one axis, a lens slipping in its mount, a drifting beam,
a wrong focal length) adds columns to the least squares; what they would gain follows without a new fit (the
score test, Rao 1948), for every fault and every moment at once.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from scipy.special import chdtrc, chdtri

from control.learn import LearnedModel
from control.suspicion import Fault, Suspicion
from control.unknowns import Vector

RIVAL: Final = 1e-3
_WORTH_A_LOOK: Final = {count: float(chdtri(count, RIVAL)) for count in (1, 2, 4)}
_NEGLIGIBLE: Final = 1e-12


def power_sigma(model: LearnedModel) -> float:
    """Return how surely the looks tell the lens's power, relative (k = 1), the prescription set aside."""
    if model.rows is None:
        return math.inf
    room = information_left(model, model.rows.whiten(_power_columns(model)))
    return 1.0 / math.sqrt(float(room[0, 0])) if room[0, 0] > _NEGLIGIBLE else math.inf


def chance_of_lost_steps(model: LearnedModel) -> float:
    """Return the smallest chance, over axes and moments, that looks speak as much of lost steps by luck."""
    room, pull = sudden(model)
    gains, _ = _one_by_one(room[1:, :4, :4], pull[1:, :4], USUAL[:4])
    return float(chdtrc(1, np.max(gains, initial=0.0)))


def sigma_of_lost_steps(model: LearnedModel) -> Vector:
    """Return how surely the looks would show steps lost before each look but the first, shape (n - 1, 4).

    Standard uncertainty in axis units of what one axis lost; infinite where the looks say nothing of it.
    """
    room, _ = sudden(model)
    left = np.diagonal(room[1:, :4, :4], axis1=1, axis2=2)
    sigma: Vector = np.where(left > _NEGLIGIBLE, 1.0 / np.sqrt(np.maximum(left, _NEGLIGIBLE)), np.inf)
    return sigma


def sudden(model: LearnedModel) -> tuple[Vector, Vector]:
    """Information (n, 12, 12) and pull (n, 12) of all that may have happened before each of n looks."""
    rows, looks = model.rows, model.looks
    assert rows is not None
    if model.scored is not None and model.scored[0] is rows:
        return model.scored[1], model.scored[2]
    total = looks.slopes
    columns = np.concatenate([total @ model.mount(), total, _beam_columns(model, total)], axis=2)
    across = rows.root.transpose(0, 2, 1)
    extra, by = across @ columns, across @ rows.by
    turned = extra.transpose(0, 2, 1)
    # What began before look k shows in all looks from k on: sums from the end.
    own = _from_the_end(turned @ extra)
    crossed = _from_the_end(by.transpose(0, 2, 1) @ extra)
    pull = _from_the_end((turned @ (across @ rows.residual[:, :, None]))[:, :, 0])
    room: Vector = own - crossed.transpose(0, 2, 1) @ model.covariance @ crossed
    model.scored = rows, room, pull
    return room, pull


def slow_and_sudden(model: LearnedModel) -> list[Suspicion]:
    """Return what may have happened before each look: an axis, the lens or the beam is not where it was."""
    room, pull = sudden(model)
    found = []
    least = least_amounts(model)
    each, its = _one_by_one(room[1:, :4, :4], pull[1:, :4], USUAL[:4])
    for fault, part in SUDDEN:
        count = part.stop - part.start
        if count == 1:
            gains, amounts = each[:, part.start], its[:, part]
        else:
            gains, amounts = best_amounts(room[1:, part, part], pull[1:, part], USUAL[part])
        worth = gains > _WORTH_A_LOOK[count]
        if not worth.any():
            continue
        matter = np.any(np.abs(amounts) >= least[part], axis=1)
        for number in np.flatnonzero(matter & worth):
            sizes = tuple(float(amount) for amount in amounts[number])
            words = sudden_words(model, fault, part, amounts[number], int(number) + 1)
            found.append(Suspicion(fault, float(gains[number]), count, words, part, int(number) + 1, sizes))
    return found


def _from_the_end(values: Vector) -> Vector:
    summed: Vector = np.cumsum(values[::-1], axis=0)[::-1]
    return summed


USUAL: Final = np.array([0.3] * 4 + [0.3, 0.3, 3.0, 3.0] + [0.3, 0.3, 0.7, 0.7])
"""How large a fault usually is: axis units, mm and mrad of the lens, mm and mrad of the beam."""

_LEAST: Final = np.array([0.02, 0.02, 0.2, 0.2, 0.02, 0.02, 0.05, 0.05])
_LEAST_OF: Final = {"mm": 0.02, "deg": 0.01}

_SIDEWAYS: Final = slice(8, 10)
SUDDEN: Final = (
    *((Fault.LOST_STEPS, slice(axis, axis + 1)) for axis in range(4)),
    (Fault.LENS_SLIPPED, slice(4, 8)),
    (Fault.BEAM_DRIFTED, _SIDEWAYS),
    (Fault.BEAM_DRIFTED, slice(10, 12)),
)


def least_amounts(model: LearnedModel) -> Vector:
    """Return what is no fault (12,), in the order and units of ``USUAL``.

    Lead screws, temperature and pointing do as much, and the verdict allows for it (common practice, no
    source).
    """
    return np.concatenate([[_LEAST_OF[axis.unit] for axis in model.bench.axes], _LEAST])


def sudden_words(model: LearnedModel, fault: Fault, part: slice, amounts: Vector, since: int) -> str:
    """Return what a sudden fault of these amounts before look ``since`` (from 0) is called."""
    when = f"before look {since + 1}"
    if fault is Fault.LOST_STEPS:
        axis = model.bench.axes[part.start]
        off = f"{amounts[0]:+.3f} {axis.unit}"
        return f"lost steps: axis {axis.name} stands {off} from where it says, since {when}"
    if fault is Fault.LENS_SLIPPED:
        shifted, turned = 1000.0 * math.hypot(*amounts[:2]), math.hypot(*amounts[2:])
        return f"lens slipped in the mount by {shifted:.0f} um and {turned:.2f} mrad {when}"
    unit = "mm sideways" if part == _SIDEWAYS else "mrad in direction"
    return f"beam drifted by {math.hypot(*amounts):.3f} {unit} {when}"


def _beam_columns(model: LearnedModel, total: Vector) -> Vector:
    """Change of the spots (n, 6, 4) per mm of beam shift x, y and mrad of beam direction x, y.

    The lens stands the other way against a beam that has moved, and the spots ride on the beam.
    """
    as_pose, ride = beam_as_pose(model)
    columns: Vector = total @ as_pose + ride
    return columns


def beam_as_pose(model: LearnedModel) -> tuple[Vector, Vector]:
    """Return the lens's pose (4, 4), and the spots' ride (6, 4), per movement of the beam."""
    layout = model.lens.layout
    behind = layout.l1_mm + model.lens.lens.thickness_mm + layout.l2_mm
    as_pose = np.zeros((4, 4))
    as_pose[0, 0] = as_pose[1, 1] = -1.0
    as_pose[0, 2] = as_pose[1, 3] = -layout.l1_mm / 1000.0
    as_pose[3, 2], as_pose[2, 3] = -1.0, 1.0
    ride = np.zeros((6, 4))
    ride[0::2, 0] = ride[1::2, 1] = 1.0
    ride[4, 2] = ride[5, 3] = behind / 1000.0
    return as_pose, ride


def information_left(model: LearnedModel, extra: Vector) -> Vector:
    """Information (m, m) that extra columns (6 n, m) keep when all other unknowns are fitted as well."""
    assert model.rows is not None
    crossed = model.rows.whiten(model.rows.by).T @ extra
    room: Vector = extra.T @ extra - crossed.T @ model.covariance @ crossed
    return room


def _one_by_one(room: Vector, pull: Vector, usual: Vector) -> tuple[Vector, Vector]:
    """Return gains and amounts (k, m), as :func:`best_amounts` does, of m extra unknowns each by itself."""
    best = pull / (np.diagonal(room, axis1=1, axis2=2) + usual**-2)
    return best * pull, best


def best_amounts(room: Vector, pull: Vector, usual: Vector) -> tuple[Vector, Vector]:
    """Return by how much k sets of m extra unknowns lower the misfit (k,), and their best amounts (k, m).

    ``room`` is (k, m, m), ``pull`` (k, m). An amount far beyond its ``usual`` size (m,) costs what a prior of
    that width takes, so that an absurd amount of one fault does not outdo a usual one of another.
    """
    room = room + np.diag(usual**-2)
    if len(usual) == 1:
        best = pull / room[:, :, 0]
        return np.sum(best * pull, axis=1), best
    scale = np.sqrt(np.maximum(np.diagonal(room, axis1=1, axis2=2), _NEGLIGIBLE))
    scaled = room / (scale[:, :, None] * scale[:, None, :])
    best = np.linalg.solve(scaled, (pull / scale)[:, :, None])[:, :, 0]
    return np.sum(best * pull / scale, axis=1), best / scale


def _power_columns(model: LearnedModel) -> Vector:
    """Change of the spots (n, 6, 1) per relative change of all curvatures."""
    looks = model.looks
    curvatures = model.lens.curvatures_per_mm
    change = (curvatures @ model.lens.per_curvature.reshape(-1, 24)).reshape(6, 4)
    columns: Vector = (looks.at @ change.T)[:, :, None]
    return columns


def power_fit(model: LearnedModel) -> tuple[float, float, float]:
    """Return gain, relative amount and information of all curvatures wrong by the same share."""
    assert model.rows is not None
    extra = model.rows.whiten(_power_columns(model))
    pull = extra.T @ model.rows.whiten(model.rows.residual[:, :, None])[:, 0]
    room = information_left(model, extra)
    gains, amounts = best_amounts(room[None], pull[None], np.ones(1))
    return float(gains[0]), float(amounts[0, 0]), float(room[0, 0])


def wrong_power(model: LearnedModel, recipe_mm: float | None = None) -> Suspicion:
    """Return what a lens with all curvatures wrong by the same share would explain.

    ``recipe_mm`` is the focal length that the recipe says, when the model's lens is another already.
    """
    gain, amount, room = power_fit(model)
    focal = model.lens.lens.effective_focal_length_mm(model.lens.beam.wavelength_nm)
    seen = focal / (1.0 + amount) if abs(1.0 + amount) > 1e-3 else math.inf
    spread = 2.0 * abs(seen) / math.sqrt(max(room, _NEGLIGIBLE))
    recipe = focal if recipe_mm is None else recipe_mm
    words = (
        f"wrong lens: the spots answer like a focal length of {seen:.1f} +- {spread:.1f} mm (k = 2), the "
        f"recipe's is {recipe:.1f} mm (radii {100.0 * (seen / recipe - 1.0):+.1f} %)"
    )
    return Suspicion(Fault.WRONG_LENS, gain, 1, words, amounts=(amount,))
