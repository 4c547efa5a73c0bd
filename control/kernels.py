"""The learned model's arithmetic as machine code: its matrices are so small that numpy's calls cost more.

What the unknowns are, and in which order, is said in :mod:`control.unknowns`; what the fit is for, in
:mod:`control.learn`. Arrays are C-contiguous float64 unless said otherwise; n looks, m unknowns, mm, mrad.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from control.looks import Sights
from control.unknowns import (
    BACKLASH,
    CLOCKING,
    DISTANCES,
    FIXED_COUNT,
    HERE,
    MOUNT,
    POSE,
    REFERENCES,
    Nominal,
)
from optics.compiled import compiled

Vector = NDArray[np.float64]

# The order of the unknowns is compiled in: it stands in this file, so that a change of it is compiled anew.
_MOUNT, _CLOCKING, _DISTANCES, _REFERENCES, _BACKLASH, _HERE, _CURVATURES = 4, 20, 22, 24, 28, 32, 36
_PARTS = (MOUNT, CLOCKING, DISTANCES, REFERENCES, BACKLASH, HERE)
assert [part.start for part in _PARTS] == [_MOUNT, _CLOCKING, _DISTANCES, _REFERENCES, _BACKLASH, _HERE]
assert (POSE.start, FIXED_COUNT) == (0, _CURVATURES)

_BEND, _FLAT_PER_MM = 0.03, 1e-3
_BEND_AT_ONCE, _STRONGEST_PER_MM = 0.01, 0.1
RETRACE_MM, RETRACE_MRAD = 0.1, 1.0
_STILL_MM, _STILL_MRAD = 0.01, 0.1


# --- poses ------------------------------------------------------------------------------------------


@compiled(any_order=True)
def _stand(axes: Vector, sides: Vector, mean: Vector, bench: Nominal, shift: Vector, pose: Vector) -> None:
    """Fill in the way (4,) from the null's axes of one stand, backlash taken off, and its pose (4,)."""
    for axis in range(4):
        shift[axis] = axes[axis] - sides[axis] * mean[_BACKLASH + axis] / 2.0 - bench.null[axis]
    for row in range(4):
        pose[row] = mean[row]
        for axis in range(4):
            pose[row] += (bench.mount[row, axis] + mean[_MOUNT + 4 * row + axis]) * shift[axis]


@compiled(any_order=True)
def poses_of(axes: Vector, sides: Vector, mean: Vector, bench: Nominal) -> tuple[Vector, Vector]:
    """Return ways from the null's axes (n, 4) and poses (n, 4) of stands; their own misses are left out."""
    shift, poses = np.empty(axes.shape), np.empty(axes.shape)
    for look in range(len(axes)):
        _stand(axes[look], sides[look], mean, bench, shift[look], poses[look])
    return shift, poses


@compiled(any_order=True)
def pose_with_gain(
    axes: Vector, sides: Vector, here: bool, mean: Vector, covariance: Vector, bench: Nominal
) -> tuple[Vector, Vector, Vector]:
    """Return the pose (4,) of one stand, its covariance with the unknowns (4, m), and its own (4, 4).

    ``here``: at the present stand, whose miss is one of the unknowns.
    """
    size = len(mean)
    shift, pose = np.empty(4), np.empty(4)
    _stand(axes, sides, mean, bench, shift, pose)
    by, gain, own = np.zeros((4, size)), np.zeros((4, size)), np.zeros((4, 4))
    for row in range(4):
        by[row, row] = 1.0
        for axis in range(4):
            by[row, _MOUNT + 4 * row + axis] = shift[axis]
            mount = bench.mount[row, axis] + mean[_MOUNT + 4 * row + axis]
            by[row, _BACKLASH + axis] = -mount * sides[axis] / 2.0
        if here:
            by[row, _HERE + row] = 1.0
            pose[row] += mean[_HERE + row]
    _times(by, covariance, gain)
    _times_turned(gain, by, own)
    return pose, gain, own


# --- small matrices ---------------------------------------------------------------------------------


@compiled(any_order=True)
def _times(left: Vector, right: Vector, product: Vector) -> None:
    """Add left @ right to ``product``; what is 0 on the left is left out."""
    for row in range(left.shape[0]):
        for inner in range(left.shape[1]):
            factor = left[row, inner]
            if factor != 0.0:
                for column in range(right.shape[1]):
                    product[row, column] += factor * right[inner, column]


@compiled(any_order=True)
def _times_turned(left: Vector, right: Vector, product: Vector) -> None:
    """Add left @ right^T to ``product``."""
    for row in range(left.shape[0]):
        for column in range(right.shape[0]):
            total = 0.0
            for inner in range(left.shape[1]):
                total += left[row, inner] * right[column, inner]
            product[row, column] += total


@compiled(any_order=True)
def inverted(matrix: Vector) -> bool:
    """Put the inverse of a symmetric matrix (m, m) in its place; False if it is not positive definite.

    Gauss and Jordan's elimination: without a choice of pivots, as is safe for positive definite matrices.
    """
    size = len(matrix)
    scaled = np.empty(size)
    for row in range(size):
        if not matrix[row, row] > 0.0:
            return False
        pivot = 1.0 / matrix[row, row]
        for column in range(size):
            scaled[column] = matrix[row, column] * pivot
        for other in range(size):
            if other != row:
                factor = matrix[other, row]
                for column in range(size):
                    matrix[other, column] -= factor * scaled[column]
                matrix[other, row] = -factor * pivot
        for column in range(size):
            matrix[row, column] = scaled[column]
        matrix[row, row] = pivot
    return True


# --- spots ------------------------------------------------------------------------------------------


@compiled(any_order=True)
def _spots_of(
    looks: Sights, shift: Vector, poses: Vector, mean: Vector, bench: Nominal
) -> tuple[Vector, Vector]:
    """Return spots (n, 6) and their derivatives (n, 6, m) by every unknown."""
    count, size, shapes = len(poses), len(mean), len(bench.per_shape)
    change, total, mount, moved = np.zeros((6, 4)), np.empty((6, 4)), np.empty((4, 4)), np.empty(4)
    for row in range(4):
        for axis in range(4):
            mount[row, axis] = bench.mount[row, axis] + mean[_MOUNT + 4 * row + axis]
    for shape in range(shapes):
        learned = mean[_DISTANCES + shape] if shape < 2 else mean[_CURVATURES + shape - 2]
        change += learned * bench.per_shape[shape]
    spots, by = np.empty((count, 6)), np.zeros((count, 6, size))
    for look in range(count):
        here = 1.0 if looks.stands[look] == looks.stand else 0.0
        for part in range(4):
            moved[part] = poses[look, part] - looks.at[look, part] + here * mean[_HERE + part]
        for spot in range(6):
            beam, row = looks.traced[look, spot], by[look, spot]
            for part in range(4):
                total[spot, part] = looks.slopes[look, spot, part] + change[spot, part]
                beam += total[spot, part] * moved[part] + looks.at[look, part] * change[spot, part]
                row[part] = total[spot, part]
                row[_HERE + part] = here * total[spot, part]
                for axis in range(4):
                    row[_MOUNT + 4 * part + axis] = total[spot, part] * shift[look, axis]
                    row[_BACKLASH + axis] += total[spot, part] * mount[part, axis]
            for axis in range(4):
                row[_BACKLASH + axis] *= -looks.sides[look, axis] / 2.0
            for shape in range(shapes):
                at = _DISTANCES + shape if shape < 2 else _CURVATURES + shape - 2
                for part in range(4):
                    row[at] += bench.per_shape[shape, spot, part] * poses[look, part]
            # The returns are counted from the hole's centre, the transmitted spot from the bare beam's place.
            reference = spot % 2 if spot < 4 else spot - 2
            row[_REFERENCES + reference] = 1.0
            spots[look, spot] = beam
        for spot in range(0, 6, 2):  # a plate's clocking takes x, y towards -y, x
            clocking = _CLOCKING + spot // 4
            x, y, turn = spots[look, spot], spots[look, spot + 1], mean[clocking]
            by[look, spot, clocking], by[look, spot + 1, clocking] = -y, x
            reference = _REFERENCES + 2 * (spot // 4)
            spots[look, spot] += -y * turn + mean[reference] + bench.belong[spot]
            spots[look, spot + 1] += x * turn + mean[reference + 1] + bench.belong[spot + 1]
    return spots, by


@compiled(any_order=True)
def spots_and_derivatives(looks: Sights, mean: Vector, bench: Nominal) -> tuple[Vector, Vector]:
    """Return the spots (n, 6) on the plates, and their derivatives (n, 6, m) by every unknown."""
    shift, poses = poses_of(looks.axes, looks.sides, mean, bench)
    return _spots_of(looks, shift, poses, mean, bench)


@compiled(any_order=True)
def predicted(
    axes: Vector,
    sides: Vector,
    traced: Vector,
    slopes: Vector,
    mean: Vector,
    covariance: Vector,
    repeat: Vector,
    bench: Nominal,
) -> tuple[Vector, Vector]:
    """Return the spots (6,) to be expected at a place not yet stood at, and their covariance (6, 6).

    ``axes`` to ``slopes`` are as in :class:`Sights` for one look; it was traced at the pose expected there.
    """
    shift, poses = poses_of(axes, sides, mean, bench)
    stand, none, unseen = np.zeros(1, np.int64), np.zeros((1, 6)), np.zeros((1, 6), np.bool_)
    place = Sights(axes, sides, stand, none, np.zeros((1, 6, 6)), unseen, poses, traced, slopes, 1)
    spots, by = _spots_of(place, shift, poses, mean, bench)
    gain, repeated, spread = np.zeros((6, len(mean))), np.zeros((6, 4)), np.zeros((6, 6))
    _times(by[0], covariance, gain)
    _times_turned(gain, by[0], spread)
    _times(slopes[0], repeat, repeated)
    _times_turned(repeated, slopes[0], spread)
    return spots[0], spread


# --- the fit ----------------------------------------------------------------------------------------


@compiled(any_order=True)
def _spread_of(looks: Sights, look: int, repeat: Vector, drift: Vector, spread: Vector) -> None:
    """Add to ``spread`` (6, 6) the covariance of a look's spots because its stand is not the present one."""
    if looks.stands[look] == looks.stand:
        return
    age = float(len(looks.stands) - 1 - look)
    away, carried = np.empty((4, 4)), np.zeros((6, 4))
    for row in range(4):
        for column in range(4):
            away[row, column] = repeat[row, column] + age * age * drift[row, column]
    _times(looks.slopes[look], away, carried)
    _times_turned(carried, looks.slopes[look], spread)


@compiled(any_order=True)
def spreads_of(looks: Sights, repeat: Vector, drift: Vector) -> Vector:
    """Return the covariances (n, 6, 6) of the spots because past stands are not the present one."""
    spreads = np.zeros(looks.noise.shape)
    for look in range(len(spreads)):
        _spread_of(looks, look, repeat, drift, spreads[look])
    return spreads


@compiled(any_order=True)
def roots_of(looks: Sights, repeat: Vector, drift: Vector) -> tuple[bool, Vector]:
    """Return the lower triangular roots R (n, 6, 6) of the looks' information: R R^T = covariance^-1.

    The covariance is taken apart from its last row on, C = U U^T with U upper triangular; then R = U^-T.
    False if a covariance is not positive definite.
    """
    roots = np.zeros(looks.noise.shape)
    for look in range(len(roots)):
        upper, root = looks.noise[look].copy(), roots[look]
        _spread_of(looks, look, repeat, drift, upper)
        for column in range(5, -1, -1):
            for row in range(column, -1, -1):
                rest = upper[row, column]
                for inner in range(column + 1, 6):
                    rest -= upper[row, inner] * upper[column, inner]
                if row < column:
                    upper[row, column] = rest / upper[column, column]
                elif rest > 0.0:
                    upper[row, row] = math.sqrt(rest)
                else:
                    return False, roots
        for column in range(6):  # R^T U = 1: R's columns by substitution
            root[column, column] = 1.0 / upper[column, column]
            for row in range(column + 1, 6):
                total = 0.0
                for inner in range(column, row):
                    total += upper[inner, row] * root[inner, column]
                root[row, column] = -total / upper[row, row]
    return True, roots


class Round(NamedTuple):
    """What one round of the fit found: unknowns (m,) and their covariance (m, m).

    ``next`` is what has to follow, one of the numbers below. ``by``, ``residual`` and ``misfit`` are those
    of :class:`control.looks.Rows`, ``seen`` how many coordinates were, ``poses`` (n, 4) the looks'.
    """

    next: int
    mean: Vector
    covariance: Vector
    by: Vector
    residual: Vector
    misfit: float
    seen: int
    poses: Vector


NOTHING, AGAIN, RETRACE, BEND, UNSOUND = 0, 1, 2, 3, 4


@compiled(any_order=True)
def one_round(
    looks: Sights,
    roots: Vector,
    mean: Vector,
    prior_mean: Vector,
    prior_information: Vector,
    bench: Nominal,
) -> Round:
    """Make one step of Gauss and Newton towards the likeliest unknowns; see :meth:`LearnedModel.solve`."""
    count, size = len(roots), len(mean)
    shift, poses = poses_of(looks.axes, looks.sides, mean, bench)
    spots, by = _spots_of(looks, shift, poses, mean, bench)
    residual, white, off = np.zeros((count, 6)), np.zeros((6 * count, size)), np.zeros(6 * count)
    for look in range(count):
        for spot in range(6):
            if looks.seen[look, spot]:
                residual[look, spot] = looks.values[look, spot] - spots[look, spot]
        _whiten(roots[look], by[look], residual[look], white[6 * look :], off[6 * look :])
    covariance = prior_information + np.dot(white.T, white)
    if not inverted(covariance):
        return Round(UNSOUND, mean, covariance, by, residual, 0.0, 0, poses)
    change = np.dot(covariance, np.dot(white.T, off) + np.dot(prior_information, prior_mean - mean))
    mean = mean + change
    seen = 0
    for look in range(count):
        for spot in range(6):
            if looks.seen[look, spot]:
                seen += 1
                for column in range(size):
                    residual[look, spot] -= by[look, spot, column] * change[column]
    misfit = _misfit_of(roots, residual)
    after = poses_of(looks.axes, looks.sides, mean, bench)[1]
    follows = _what_follows(looks, poses, after, mean, bench)
    return Round(follows, mean, covariance, by, residual, misfit, seen, after)


@compiled(any_order=True)
def _whiten(root: Vector, by: Vector, residual: Vector, white: Vector, off: Vector) -> None:
    """Add a look's rows of derivatives (6, m) and residuals (6,), in standard uncertainties."""
    for spot in range(6):
        for inner in range(spot, 6):
            weight = root[inner, spot]
            if weight != 0.0:
                off[spot] += weight * residual[inner]
                for column in range(by.shape[1]):
                    white[spot, column] += weight * by[inner, column]


@compiled(any_order=True)
def _misfit_of(roots: Vector, residual: Vector) -> float:
    misfit = 0.0
    for look in range(len(roots)):
        for spot in range(6):
            white = 0.0
            for inner in range(spot, 6):
                white += roots[look, inner, spot] * residual[look, inner]
            misfit += white * white
    return misfit


@compiled(any_order=True)
def _what_follows(looks: Sights, before: Vector, after: Vector, mean: Vector, bench: Nominal) -> int:
    """Draw the curvatures in to what may be believed at once, and say what a round has to be followed by."""
    bends = False
    for surface in range(len(bench.curvatures_per_mm)):
        now, at = bench.curvatures_per_mm[surface], _CURVATURES + surface
        wanted = now + min(max(mean[at], -_BEND_AT_ONCE), _BEND_AT_ONCE)
        mean[at] = min(max(wanted, -_STRONGEST_PER_MM), _STRONGEST_PER_MM) - now
        bends |= abs(mean[at]) > _BEND * max(abs(now), _FLAT_PER_MM)
    if bends:
        return BEND
    follows = NOTHING
    for look in range(len(after)):
        for part in range(4):
            sideways = part < 2
            if abs(after[look, part] - looks.at[look, part]) > (RETRACE_MM if sideways else RETRACE_MRAD):
                return RETRACE
            if abs(after[look, part] - before[look, part]) > (_STILL_MM if sideways else _STILL_MRAD):
                follows = AGAIN
    return follows
