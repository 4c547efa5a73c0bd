"""Where to move: bounded steps along visible directions, test moves, looks round the null, the search."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from control.learn import LearnedModel
from control.plan import AlignmentPlan, BenchModel
from control.unknowns import solve
from optics.compiled import compiled
from vision.spots import SpotName

Vector = NDArray[np.float64]

_GOLDEN: Final = math.pi * (3.0 - math.sqrt(5.0))
_REPEATS: Final = 150.0
_WIDEST_MM: Final = 0.6
_BLIND_BELOW: Final = 0.15
_TYPICAL_SPOT_MM: Final = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A move as it may be made.

    Attributes
    ----------
    axes : ndarray, shape (4,)
        Target, inside the travel and on the axes' steps.
    shortened : bool
        Whether it stops short of what was wanted because of the step bound.
    stopped_by : str
        The axis whose travel ends before the target, or "".
    """

    axes: Vector
    shortened: bool
    stopped_by: str


def bounded_step(plan: AlignmentPlan, bench: BenchModel, here: Vector, wanted: Vector) -> Step:
    """Shorten the way from ``here`` to ``wanted`` (axis units) to the step bounds and to the travel.

    An axis that is always approached from one side cannot end at the very end of its travel on that side.
    """
    ends, steps = wanted.tolist(), (wanted - here).tolist()
    bounds = [plan.max_step_mm if axis.unit == "mm" else plan.max_step_deg for axis in bench.axes]
    farthest = max(abs(step) / bound for step, bound in zip(steps, bounds, strict=True))
    share = min(1.0, 1.0 / max(farthest, 1e-12))
    stopped_by = next(
        (axis.name for axis, end in zip(bench.axes, ends, strict=True) if not axis.can_end_at(end)), ""
    )
    return Step(on_steps(bench, here + share * (wanted - here)), share < 1.0, stopped_by)


def on_steps(bench: BenchModel, axes: Vector) -> Vector:
    """Round axis positions to the axes' smallest steps, where a move may end."""
    values = []
    for axis, value in zip(bench.axes, axes.tolist(), strict=True):
        lowest, highest = axis.reach_min, axis.reach_max
        rounded = round(min(max(value, lowest), highest) / axis.step) * axis.step
        values.append(min(max(rounded, lowest), highest))
    return np.array(values)


def visible_projector(bench: BenchModel, sensitivities: Vector, spot_sigma_mm: float) -> Vector:
    """Return the projector (4, 4) of a pose change onto the directions that one look shows at all.

    Directions are those of the singular vectors in units of how a lens lies in the mount; one is visible
    when a look narrows it to less than a third of that.
    """
    scale = np.array([bench.start_sigma_mm] * 2 + [bench.start_sigma_mrad] * 2)
    _, values, rows = np.linalg.svd(sensitivities * scale / spot_sigma_mm)
    seen = rows[values > 3.0]
    projector: Vector = scale[:, None] * (seen.T @ seen) / scale
    return projector


def visible_null(plan: AlignmentPlan, model: LearnedModel, here: Vector, sides: Vector) -> Vector:
    """Return the axis positions of the null as far as the looks show it.

    The estimated pose is split along the principal directions of its covariance, in units of tolerance. A
    direction is followed when it is known better than the tolerance, or when the looks have narrowed it and
    its offset stands out by three standard uncertainties; along any other the lens stays where it is.
    """
    pose = model.pose_at(here, sides)  # not what this stand missed its target by: that will not repeat
    step = _seen_part(pose.mean, pose.covariance, model.start_covariance(), plan.tolerances)
    target: Vector = here - solve(model.mount(), step)
    return target


@compiled(any_order=True)
def _seen_part(mean: Vector, covariance: Vector, start: Vector, limits: Vector) -> Vector:
    """Return the part (4,) of a pose that the looks show, see :func:`visible_null`."""
    scaled, before = np.empty((4, 4)), np.empty((4, 4))
    for row in range(4):
        for column in range(4):
            scale = limits[row] * limits[column]
            scaled[row, column], before[row, column] = (
                covariance[row, column] / scale,
                start[row, column] / scale,
            )
    variances, turned = np.linalg.eigh(scaled)
    step = np.zeros(4)
    for direction in range(4):
        along, first = 0.0, 0.0
        for row in range(4):
            along += turned[row, direction] * mean[row] / limits[row]
            for column in range(4):
                first += turned[row, direction] * before[row, column] * turned[column, direction]
        variance = variances[direction]
        known = variance <= 1.0
        stands_out = along * along > 9.0 * variance and variance < 0.25 * first
        if known or stands_out:
            for row in range(4):
                step[row] += limits[row] * turned[row, direction] * along
    return step


def test_move_sizes(plan: AlignmentPlan, bench: BenchModel, jacobian: Vector, spot_sigma_mm: float) -> Vector:
    """Return how far each axis goes in a test move (axis units), shape (4,).

    The spot that answers most moves by sixty standard uncertainties, so that the column of the Jacobian
    comes to about 2 %, yet no farther than the step bound, and no less than five steps of the axis.
    """
    answers = np.max(np.abs(jacobian), axis=0)
    bounds = np.array([plan.max_step_mm if axis.unit == "mm" else plan.max_step_deg for axis in bench.axes])
    least = np.array([5.0 * axis.step for axis in bench.axes])
    sizes: Vector = np.clip(60.0 * spot_sigma_mm / np.maximum(answers, 1e-9), least, bounds / 2.0)
    return sizes


def blind_at_null(model: LearnedModel, hole_radius_mm: float) -> frozenset[SpotName]:
    """Return the return spots that the hole swallows at the null.

    A Gaussian spot of radius w on a hole of radius a leaves exp(-2 a^2 / w^2) of its power on the plate.
    """
    return frozenset(
        name
        for name, radius in zip((SpotName.FRONT, SpotName.BACK), model.lens.radius_mm, strict=False)
        if math.exp(-2.0 * (hole_radius_mm / radius) ** 2) < _BLIND_BELOW
    )


def looks_round_null(
    plan: AlignmentPlan,
    model: LearnedModel,
    hole_radius_mm: float,
    *,
    wide_pairs: int = 0,
    swallowed: frozenset[SpotName] = frozenset(),
) -> Iterator[Vector]:
    """Yield pose offsets (mm, mm, mrad, mrad) in symmetric pairs, without end.

    Each pair is turned by the golden angle against the one before and every look moves every spot by a few
    speckle grains, because speckle does not average while nothing moves. Where the hole swallows a spot at
    the null (by the model, or because it was ``swallowed`` there), the looks lean out until it stands beside
    the hole, on opposite sides in turn. The first ``wide_pairs`` go out sideways until the returns have moved
    by 2 mm and the mount by 150 times what it repeats, which shows the lens's power.
    """
    slopes = np.abs(model.sensitivities())
    repeats = _REPEATS * model.bench.repeatability_sigma_um / 1000.0
    wide = min(max(2.0 / max(float(np.max(slopes[:4, :2])), 1e-3), repeats), _WIDEST_MM)
    decenter = plan.dither_spot_mm / max(float(np.max(slopes[4:, :2])), 0.2)
    tilt = plan.dither_spot_mm / max(float(np.min(np.max(slopes[:4, 2:], axis=1))), 0.2)
    blind = [
        hole_radius_mm + 1.2 * model.lens.radius_mm[0 if name is SpotName.FRONT else 1]
        for name in sorted(blind_at_null(model, hole_radius_mm) | swallowed, key=lambda name: name.value)
    ]
    lean = max(blind) / max(float(np.min(np.max(slopes[:4, 2:], axis=1))), 0.2) if blind else 0.0
    pair = 0
    while True:
        angle = pair * _GOLDEN
        size = 1.0 + 0.5 * (pair % 3)
        across = np.array([math.cos(angle), math.sin(angle)])
        # Tilt rx moves spots along y: turned like this, decentre and tilt move them across each other.
        along = np.array([math.cos(angle), math.sin(angle)])
        sideways = max(decenter * size, wide) if pair < wide_pairs else decenter * size
        offset = np.concatenate([sideways * across, max(tilt * size, lean) * along])
        yield offset
        yield -offset
        pair += 1


def scan(bench: BenchModel, reach: float = 2.5) -> Iterator[Vector]:
    """Yield axis offsets of the ordered search: rings of tilt first, then the same about shifted centres.

    Bounded: rings out to ``reach`` start uncertainties in tilt, at the nominal decentre and at four
    places one start uncertainty beside it.
    """
    main = np.array([float(np.max(np.abs(column))) for column in bench.matrix().T])
    where: Mapping[str, int] = {axis.moves: number for number, axis in enumerate(bench.axes)}
    tilt_x, tilt_y = where["tilt_x"], where["tilt_y"]
    shift_x, shift_y = where["decenter_x"], where["decenter_y"]
    for dx, dy in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)):
        for ring in range(1, 4):
            count = 6 * ring
            for spoke in range(count):
                angle = 2.0 * math.pi * spoke / count
                radius = reach * ring / 3.0 * bench.start_sigma_mrad
                offset = np.zeros(4)
                offset[shift_x] = 2.0 * dx * bench.start_sigma_mm / main[shift_x]
                offset[shift_y] = 2.0 * dy * bench.start_sigma_mm / main[shift_y]
                offset[tilt_x] = radius * math.cos(angle) / main[tilt_x]
                offset[tilt_y] = radius * math.sin(angle) / main[tilt_y]
                yield offset
