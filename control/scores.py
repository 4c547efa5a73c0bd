"""How much each fault would lower the misfit, from residuals and posterior alone.

Every fault that is a small change (lost steps of one axis, a lens slipping in its mount, a drifting beam,
a wrong focal length) adds columns to the least squares; what they would gain follows without a new fit (the
score test, Rao 1948), for every fault and every moment at once.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.special import chdtrc, chdtri

from control.learn import LearnedModel
from control.score_kernels import best_amounts, score_of_all, sudden_scores
from control.suspicion import Fault, Suspicion
from control.unknowns import Vector

RIVAL: Final = 1e-3
_NEGLIGIBLE: Final = 1e-12


def power_sigma(model: LearnedModel) -> float:
    """Return how surely the looks tell the lens's power, relative (k = 1), the prescription set aside."""
    room = _power_score(model)[0] if model.rows is not None else 0.0
    return 1.0 / math.sqrt(room) if room > _NEGLIGIBLE else math.inf


def chance_of_lost_steps(model: LearnedModel) -> float:
    """Return the smallest chance, over axes and moments, that looks speak as much of lost steps by luck."""
    room, pull = sudden(model)
    gains, _ = best_amounts(room, pull, USUAL, _PARTS[:4])
    return float(chdtrc(1, np.max(gains[1:], initial=0.0)))


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
    levers, ride = _sudden_levers(*_distances(model))
    levers = levers.copy()
    levers[:, :4] = model.mount()
    room, pull = sudden_scores(
        looks.slopes, levers, ride, rows.root, rows.by, rows.residual, model.covariance
    )
    model.scored = rows, room, pull
    return room, pull


def slow_and_sudden(model: LearnedModel) -> list[Suspicion]:
    """Return what may have happened before each look: an axis, the lens or the beam is not where it was."""
    room, pull = sudden(model)
    found = []
    gains, amounts = best_amounts(room, pull, USUAL, _PARTS)
    suspicious = np.argwhere(gains[1:] > _WORTH_A_LOOK).tolist()
    if not suspicious:
        return []
    least = least_amounts(model)
    for before, number in sorted(suspicious, key=lambda each: (each[1], each[0])):
        (fault, part), since = SUDDEN[number], before + 1
        its = amounts[since, part]
        if not np.any(np.abs(its) >= least[part]):
            continue
        words = sudden_words(model, fault, part, its, since)
        sizes, count = tuple(its.tolist()), part.stop - part.start
        found.append(Suspicion(fault, float(gains[since, number]), count, words, part, since, sizes))
    return found


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
_PARTS: Final = np.array([(part.start, part.stop) for _, part in SUDDEN])
_WORTH_A_LOOK: Final = chdtri(_PARTS[:, 1] - _PARTS[:, 0], RIVAL)


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


def beam_as_pose(model: LearnedModel) -> tuple[Vector, Vector]:
    """Return the lens's pose (4, 4), and the spots' ride (6, 4), per movement of the beam."""
    levers, ride = _sudden_levers(*_distances(model))
    return levers[:, 8:], ride[:, 8:]


def _distances(model: LearnedModel) -> tuple[float, float]:
    """Return the distances from the hole target to the front vertex and to the reference target."""
    layout = model.lens.layout
    return layout.l1_mm, layout.l1_mm + model.lens.lens.thickness_mm + layout.l2_mm


@lru_cache(maxsize=64)
def _sudden_levers(l1_mm: float, behind_mm: float) -> tuple[Vector, Vector]:
    """Return pose (4, 12) and the spots' ride (6, 12) per amount of the twelve; the axes' are left open."""
    levers, ride = np.zeros((4, 12)), np.zeros((6, 12))
    levers[:, 4:8] = np.eye(4)
    levers[0, 8] = levers[1, 9] = -1.0
    levers[0, 10] = levers[1, 11] = -l1_mm / 1000.0
    levers[3, 10], levers[2, 11] = -1.0, 1.0
    ride[0::2, 8] = ride[1::2, 9] = 1.0
    ride[4, 10] = ride[5, 11] = behind_mm / 1000.0
    return levers, ride


def _power_score(model: LearnedModel) -> tuple[float, float]:
    """Return information and pull of a relative change of all curvatures."""
    rows, looks = model.rows, model.looks
    assert rows is not None
    columns = looks.at @ model.lens.per_power.T
    return score_of_all(columns, rows.root, rows.by, rows.residual, model.covariance)


def power_fit(model: LearnedModel) -> tuple[float, float, float]:
    """Return gain, relative amount and information of all curvatures wrong by the same share."""
    room, pull = _power_score(model)
    amount = pull / (room + 1.0)  # beyond a few times the recipe's power it costs what a prior takes
    return amount * pull, amount, room


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
