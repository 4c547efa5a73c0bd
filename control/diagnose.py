"""What is wrong, when the looks do not fit the model: which fault explains them best.

Every fault that is a small change (lost steps of one axis, a lens slipping in its mount, a drifting beam,
a wrong focal length) adds columns to the least squares; how much each would lower the misfit follows from
the residuals and the posterior alone (the score test, Rao 1948), for every fault and every moment at once.
A reversed lens is no small change: it is fitted anew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum
from typing import Final

import numpy as np
from scipy.special import chdtrc

from control.learn import LearnedModel
from control.model import lens_model
from control.plan import AlignmentPlan, Prescription
from control.unknowns import Vector

SURE: Final = 3e-6
"""Chance below which a misfit is not put down to bad luck; a run makes some hundred such tests."""

SWAPPED_WORDS: Final = "returns swapped: front and back return are taken for each other"

_APART: Final = 8.0
_RIVAL: Final = 1e-3
_CHOICES: Final = 3
_NEGLIGIBLE: Final = 1e-12


class Fault(Enum):
    """What can be wrong with a run in a way that its spots show."""

    WRONG_LENS = "wrong lens"
    LENS_REVERSED = "lens reversed"
    RETURNS_SWAPPED = "returns swapped"
    LOST_STEPS = "lost steps"
    LENS_SLIPPED = "lens slipped"
    BEAM_DRIFTED = "beam drifted"


_SURE_OF: Final = {Fault.WRONG_LENS: 1e-4}
"""One test a look, and the looks share what makes it err: it may be less sure than the hundreds of others."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A fault that would explain the looks better.

    Attributes
    ----------
    fault : Fault
    gain : float
        By how much it lowers the weighted squares.
    unknowns : int
        How many numbers it has to fit for that.
    words : str
        What happened, with the estimated size.
    """

    fault: Fault
    gain: float
    unknowns: int
    words: str

    @property
    def chance(self) -> float:
        """Chance of such a gain when nothing is wrong."""
        return float(chdtrc(self.unknowns, max(self.gain, 0.0)))

    @property
    def sure(self) -> bool:
        """Whether chance is ruled out."""
        return self.chance < _SURE_OF.get(self.fault, SURE)

    @property
    def weight(self) -> float:
        """Gain less what so many unknowns gain by chance or by bending to what is not linear."""
        return self.gain * (1.0 - 0.03 * self.unknowns) - 4.0 * self.unknowns


def suspicions(model: LearnedModel, plan: AlignmentPlan) -> list[Suspicion]:
    """Return what may explain the looks, most believable first; nothing while chance explains them."""
    if model.rows is None:
        return []
    found = _slow_and_sudden(model)
    if plan.prescription is Prescription.KNOWN:
        found.append(_wrong_power(model))
    if any(suspicion.sure for suspicion in found) or chdtrc(max(model.misfit()[1], 1), model.cost()) < SURE:
        found += _fitted_anew(model, plan)
    found = [_against_scatter(model, suspicion) for suspicion in found]
    if not any(suspicion.sure for suspicion in found):
        return []
    rivals = [suspicion for suspicion in found if suspicion.chance < _RIVAL]
    return sorted(rivals, key=lambda suspicion: -suspicion.weight)


def certain(found: list[Suspicion]) -> Suspicion | None:
    """Return the first suspicion when nothing else explains the looks nearly as well."""
    if not found:
        return None
    rivals = [other.weight for other in found if other.fault is not found[0].fault]
    apart = not rivals or found[0].weight - max(rivals) > _APART
    return found[0] if found[0].sure and apart else None


def power_sigma(model: LearnedModel) -> float:
    """Return how surely the looks tell the lens's power, relative (k = 1), the prescription set aside."""
    if model.rows is None:
        return math.inf
    room = _room(model, model.rows.whiten(_power_columns(model)))
    return 1.0 / math.sqrt(float(room[0, 0])) if room[0, 0] > _NEGLIGIBLE else math.inf


# --- inside -----------------------------------------------------------------------------------------


def _against_scatter(model: LearnedModel, suspicion: Suspicion) -> Suspicion:
    """Weigh a gain against what the fault leaves unexplained.

    Where the looks scatter more than was promised for them, all of them and not just from one moment on,
    the promise was too good, and a gain counts for that much less, as in an F test.
    """
    left = model.misfit()[1] - suspicion.unknowns
    scatter = (model.cost() - suspicion.gain) / max(left, 1)
    return replace(suspicion, gain=suspicion.gain / max(scatter, 1.0))


def _room(model: LearnedModel, extra: Vector) -> Vector:
    """Information (m, m) that extra columns (6 n, m) keep when all other unknowns are fitted as well."""
    assert model.rows is not None
    crossed = model.rows.whiten(model.rows.by).T @ extra
    room: Vector = extra.T @ extra - crossed.T @ model.covariance @ crossed
    return room


def _gains(room: Vector, pull: Vector, usual: Vector) -> tuple[Vector, Vector]:
    """Return by how much k sets of m extra unknowns lower the misfit (k,), and their best amounts (k, m).

    ``room`` is (k, m, m), ``pull`` (k, m). An amount far beyond its ``usual`` size (m,) costs what a prior of
    that width takes, so that an absurd amount of one fault does not outdo a usual one of another.
    """
    room = room + np.diag(usual**-2)
    if len(usual) == 1:
        best = pull / room[:, :, 0]
        return np.sum(best * pull, axis=1), best
    scale = np.sqrt(np.diagonal(room, axis1=1, axis2=2))
    scaled = room / (scale[:, :, None] * scale[:, None, :])
    best = np.linalg.solve(scaled, (pull / scale)[:, :, None])[:, :, 0]
    return np.sum(best * pull / scale, axis=1), best / scale


def _power_columns(model: LearnedModel) -> Vector:
    """Change of the spots (n, 6, 1) per relative change of all curvatures."""
    looks = model.looks
    curvatures = np.array([surface.curvature_per_mm for surface in model.lens.lens.surfaces])
    change = np.tensordot(curvatures, model.lens.per_curvature, axes=1)
    columns: Vector = (looks.at @ change.T)[:, :, None]
    return columns


def _wrong_power(model: LearnedModel) -> Suspicion:
    assert model.rows is not None
    extra = model.rows.whiten(_power_columns(model))
    pull = extra.T @ model.rows.whiten(model.rows.residual[:, :, None])[:, 0]
    room = _room(model, extra)
    gains, amounts = _gains(room[None], pull[None], np.ones(1))
    gain, amount = float(gains[0]), float(amounts[0, 0])
    focal = model.lens.lens.effective_focal_length_mm(model.lens.beam.wavelength_nm)
    seen = focal / (1.0 + amount) if abs(1.0 + amount) > 1e-3 else math.inf
    spread = 2.0 * abs(seen) / math.sqrt(max(float(room[0, 0]), _NEGLIGIBLE))
    words = (
        f"wrong lens: the spots answer like a focal length of {seen:.1f} +- {spread:.1f} mm (k = 2), the "
        f"recipe's is {focal:.1f} mm "
        f"(radii {-100.0 * amount / (1.0 + amount):+.1f} %)"
    )
    return Suspicion(Fault.WRONG_LENS, gain, 1, words)


def _fitted_anew(model: LearnedModel, plan: AlignmentPlan) -> list[Suspicion]:
    """Return what is no small change: the lens turned round, front and back return taken for each other."""
    cost = model.cost()
    count = len(model.looks)
    # All looks, or one of the last few: the others may have been put right when they came.
    choices = [slice(None), *(slice(number, number + 1) for number in range(max(count - 3, 0), count))]
    best = min(model.refitted(looks=model.looks.exchanged(which)).cost() for which in choices)
    found = [Suspicion(Fault.RETURNS_SWAPPED, cost - best, _CHOICES, SWAPPED_WORDS)]
    lens = model.lens.lens
    turned = lens.reversed()
    if plan.prescription is Prescription.KNOWN and turned.surfaces != lens.surfaces:
        other = model.refitted(lens=lens_model(turned, model.lens.layout, model.lens.beam))
        words = "lens reversed: the spots answer like the recipe's lens turned round"
        found.append(Suspicion(Fault.LENS_REVERSED, cost - other.cost(), 1, words))
    return found


def _slow_and_sudden(model: LearnedModel) -> list[Suspicion]:
    """Return what may have happened before each look: an axis, the lens or the beam is not where it was."""
    rows, looks = model.rows, model.looks
    assert rows is not None
    total = looks.slopes
    columns = np.concatenate([total @ model.mount(), total, _beam_columns(model, total)], axis=2)
    across = rows.root.transpose(0, 2, 1)
    extra, by = across @ columns, across @ rows.by
    turned = extra.transpose(0, 2, 1)
    # What began before look k shows in all looks from k on: sums from the end.
    own = _from_the_end(turned @ extra)
    crossed = _from_the_end(by.transpose(0, 2, 1) @ extra)
    pull = _from_the_end((turned @ (across @ rows.residual[:, :, None]))[:, :, 0])
    room = own - crossed.transpose(0, 2, 1) @ model.covariance @ crossed
    found = []
    for fault, part in _SUDDEN:
        gains, amounts = _gains(room[1:, part, part], pull[1:, part], _USUAL[part])
        count = part.stop - part.start
        for number in np.flatnonzero(chdtrc(count, np.maximum(gains, 0.0)) < _RIVAL):
            words = f"{_sudden_words(model, fault, part, amounts[number])} before look {number + 2}"
            found.append(Suspicion(fault, float(gains[number]), count, words))
    return found


def _from_the_end(values: Vector) -> Vector:
    summed: Vector = np.cumsum(values[::-1], axis=0)[::-1]
    return summed


_USUAL: Final = np.array([0.3] * 4 + [0.3, 0.3, 3.0, 3.0] + [0.3, 0.3, 0.7, 0.7])
"""How large a fault usually is: axis units, mm and mrad of the lens, mm and mrad of the beam."""

_SIDEWAYS: Final = slice(8, 10)
_SUDDEN: Final = (
    *((Fault.LOST_STEPS, slice(axis, axis + 1)) for axis in range(4)),
    (Fault.LENS_SLIPPED, slice(4, 8)),
    (Fault.BEAM_DRIFTED, _SIDEWAYS),
    (Fault.BEAM_DRIFTED, slice(10, 12)),
)


def _sudden_words(model: LearnedModel, fault: Fault, part: slice, amounts: Vector) -> str:
    if fault is Fault.LOST_STEPS:
        axis = model.bench.axes[part.start]
        return f"lost steps: axis {axis.name} stands {amounts[0]:+.3f} {axis.unit} from where it says, since"
    if fault is Fault.LENS_SLIPPED:
        turned = math.hypot(*amounts[2:])
        return (
            f"lens slipped in the mount by {1000.0 * math.hypot(*amounts[:2]):.0f} um and {turned:.2f} mrad"
        )
    unit = "mm sideways" if part == _SIDEWAYS else "mrad in direction"
    return f"beam drifted by {math.hypot(*amounts):.3f} {unit}"


def _beam_columns(model: LearnedModel, total: Vector) -> Vector:
    """Change of the spots (n, 6, 4) per mm of beam shift x, y and mrad of beam direction x, y.

    The lens stands the other way against a beam that has moved, and the spots ride on the beam.
    """
    layout = model.lens.layout
    behind = layout.l1_mm + model.lens.lens.thickness_mm + layout.l2_mm
    as_pose = np.zeros((4, 4))
    as_pose[0, 0] = as_pose[1, 1] = -1.0
    as_pose[0, 2] = as_pose[1, 3] = -layout.l1_mm / 1000.0
    as_pose[3, 2], as_pose[2, 3] = -1.0, 1.0
    ride = np.zeros((6, 4))
    ride[0::2, 0] = ride[1::2, 1] = 1.0
    ride[4, 2] = ride[5, 3] = behind / 1000.0
    columns: Vector = total @ as_pose + ride
    return columns
