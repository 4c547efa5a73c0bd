"""The model that learns: pose, mount, plates, distances and prescription, from every look (Gauss-Newton MAP).

The unknowns are deviations from the nominal bench, each with a prior. The exact trace of the lens is the
model. Small changes of L1, L2 and the curvatures act through the derivatives of the paraxial sensitivities;
when a curvature has moved by more than 3 % the lens itself is replaced, so that what is left of second order
stays below 2 um on the plate at 1 degree.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from typing import Final

import numpy as np

from control.looks import Looks, Rows
from control.memory import Memory
from control.model import LensModel, bent
from control.plan import BenchModel
from control.unknowns import (
    BACKLASH,
    CLOCKING,
    DISTANCES,
    FIXED_COUNT,
    HERE,
    KEPT,
    MOUNT,
    POSE,
    REFERENCES,
    Pose,
    References,
    Vector,
    inverse,
    prior,
)
from vision.spots import Spot, SpotName

_RETRACE: Final = np.array([0.1, 0.1, 1.0, 1.0])
_STILL: Final = np.array([0.01, 0.01, 0.1, 0.1])
_ROUNDS: Final = 8
_BEND: Final = 0.03
_FLAT_PER_MM: Final = 1e-3
_BEND_AT_ONCE: Final = 0.01
_STRONGEST_PER_MM: Final = 0.1
_EYE: Final = np.eye(4)
_TURNED: Final = np.repeat(np.eye(2), [4, 2], axis=0)
"""Which plate's clocking turns which of the six coordinates."""

_QUARTER: Final = np.kron(np.eye(3), [[0.0, 1.0], [-1.0, 0.0]])
"""Turns each plate's coordinates (x, y) by a quarter to (-y, x)."""

_REFERRED: Final = np.vstack([np.eye(2, 4), np.eye(2, 4), np.eye(2, 4, 2)])
"""Which coordinate of the references each of the six is counted from."""


def _within(value: float, limit: float) -> float:
    return min(max(value, -limit), limit)


class LearnedModel:
    """Posterior over pose and bench; fed with looks, asked for poses, spots and the null.

    Parameters
    ----------
    lens : LensModel
    bench : BenchModel
    references : References
    curvature_sigma_per_mm : ndarray, shape (surfaces,)
        Standard uncertainty of each curvature.
    memory : Memory or None
        What earlier parts of the lot taught.
    """

    def __init__(
        self,
        lens: LensModel,
        bench: BenchModel,
        references: References,
        curvature_sigma_per_mm: Vector,
        memory: Memory | None = None,
    ) -> None:
        self.lens, self.bench, self.references = lens, bench, references
        self.size = FIXED_COUNT + len(curvature_sigma_per_mm)
        self.prior_mean, self.prior_covariance = prior(bench, references, curvature_sigma_per_mm)
        memory = memory or bench.known
        if memory is not None:
            block = np.ix_(KEPT, KEPT)
            self.prior_mean[KEPT] = memory.mean
            self.prior_covariance[block] = memory.aged(self.prior_covariance[block])
        self.prior_information = inverse(self.prior_covariance)
        self.mean = self.prior_mean.copy()
        self.covariance = self.prior_covariance.copy()
        self.looks = Looks()
        self.rows: Rows | None = None
        self.scored: tuple[Rows, Vector, Vector] | None = None
        self._misfit_last: tuple[Rows, float, int] | None = None
        self._stand = 0
        self._repeat, self._drift = bench.repeatability(), bench.drift()
        self._null = np.asarray(bench.null_axes, dtype=np.float64)
        self._nominal = bench.matrix()
        self._belong = references.six()
        self._traced_last: tuple[Vector, Vector, Vector] | None = None
        self._predicted_last: tuple[tuple[int, int, bytes, bytes], tuple[Vector, Vector]] | None = None

    # --- what it is told ----------------------------------------------------------------------------

    def moved(self) -> None:
        """Say that the mount stands anew: what it missed the last target by no longer counts."""
        self._stand += 1

    def add_look(
        self, axes: Vector, sides: Vector, spots: Mapping[SpotName, Spot], *, renamed: bool = False
    ) -> None:
        """Learn from one look.

        Parameters
        ----------
        axes : ndarray, shape (4,)
            Positions read back.
        sides : ndarray, shape (4,)
            Direction (-1, 0, +1) of each axis's last motion.
        spots : mapping of SpotName to Spot
            The measured spots; those that are missing teach nothing.
        renamed : bool
            Whether front and back bear each other's names as vision gave them.
        """
        self.looks.append(axes, sides, self._stand, spots, renamed=renamed)
        pose = self._stood(axes[None], sides[None])[1]
        self.looks.at[-1] = pose[0]
        self.looks.traced[-1:], self.looks.slopes[-1:] = self._trace(pose)
        self.solve()

    def repeating(self, factor: float, part: slice = POSE) -> LearnedModel:
        """Return the posterior if the mount repeats ``part`` of a pose ``factor`` times as badly as said."""
        other = copy(self)
        other.looks = self.looks.copied()
        scale = np.ones(4)
        scale[part] = factor
        other._repeat = self._repeat * np.outer(scale, scale)
        other.prior_covariance = self.prior_covariance.copy()
        other.prior_covariance[HERE, HERE] = other._repeat
        other.prior_information = inverse(other.prior_covariance)
        other.solve()
        return other

    # --- what it answers ----------------------------------------------------------------------------

    def mount(self) -> Vector:
        """Return the mount matrix as learned, pose per axis unit, shape (4, 4)."""
        return self._nominal + self.mean[MOUNT].reshape(4, 4)

    def prior_mount(self) -> Vector:
        """Return the mount matrix as it was known before the first look, pose per axis unit, (4, 4)."""
        return self._nominal + self.prior_mean[MOUNT].reshape(4, 4)

    def sensitivities(self) -> Vector:
        """Return the sensitivities of the spots at the null as learned, shape (6, 4)."""
        return self.lens.at_null + self._change()

    def jacobian(self) -> Vector:
        """Return spots per axis unit at the null as learned, shape (6, 4)."""
        return self.sensitivities() @ self.mount()

    def pose_at(self, axes: Vector, sides: Vector) -> Pose:
        """Return the pose that a move to ``axes`` is expected to give, repeatability included."""
        by = self.pose_derivative(axes, sides, here=False)
        return Pose(self._stood(axes[None], sides[None])[1][0], by @ self.covariance @ by.T + self._repeat)

    def pose_here(self) -> Pose:
        """Return the pose where the mount stands and was last looked at."""
        axes, sides = self.looks.axes[-1], self.looks.sides[-1]
        by = self.pose_derivative(axes, sides, here=True)
        mean = self._stood(axes[None], sides[None])[1][0] + self.mean[HERE]
        return Pose(mean, by @ self.covariance @ by.T)

    def null_axes(self, sides: Vector) -> Vector:
        """Return the axis positions that put the lens on the axis, shape (4,)."""
        back = np.linalg.solve(self.mount(), self.mean[POSE])
        return self._null - back + sides * self.mean[BACKLASH] / 2.0

    def predict(self, axes: Vector, sides: Vector) -> tuple[Vector, Vector]:
        """Return the spots expected at ``axes`` in mm on the plates, (6,), and their covariance (6, 6)."""
        key = (len(self.looks), self._stand, axes.tobytes(), sides.tobytes())
        if self._predicted_last is not None and self._predicted_last[0] == key:
            return self._predicted_last[1]
        one = Looks.at_one_place(axes, sides, self._stand - 1)
        shift, one.at = self.stood(one)
        one.traced, one.slopes = self._trace(one.at)
        spots, by = self.spots_and_derivatives(one, shift, one.at)
        slope = one.slopes[0]
        spread = by[0] @ self.covariance @ by[0].T + slope @ self._repeat @ slope.T
        self._predicted_last = (key, (spots[0], spread))
        return self._predicted_last[1]

    def start_covariance(self) -> Vector:
        """Return how uncertain the pose was before the first look, shape (4, 4)."""
        covariance: Vector = self.prior_covariance[POSE, POSE]
        return covariance

    def remember(self, parts: int) -> Memory:
        """Return what passes to the next part."""
        return Memory(self.mean[KEPT].copy(), self.covariance[np.ix_(KEPT, KEPT)].copy(), parts)

    def misfit(self) -> tuple[float, int]:
        """Return the weighted sum of squared residuals, and the number of coordinates seen."""
        if self.rows is None:
            return 0.0, 0
        if self._misfit_last is None or self._misfit_last[0] is not self.rows:
            white = self.rows.whiten(self.rows.residual[:, :, None])
            self._misfit_last = self.rows, float(np.sum(white**2)), int(np.sum(self.looks.seen))
        return self._misfit_last[1:]

    def log_likelihood(self) -> float:
        """Return the log likelihood of the looks, all unknowns integrated out (Laplace's method)."""
        assert self.rows is not None
        weights = 2.0 * float(np.sum(np.log(np.abs(np.diagonal(self.rows.root, axis1=1, axis2=2)))))
        information = float(np.linalg.slogdet(self.prior_information)[1])
        spread = float(np.linalg.slogdet(self.covariance)[1])
        return 0.5 * (weights + information + spread - self.cost())

    def cost(self) -> float:
        """Return the weighted squares of residuals and deviations from the prior; the MAP is their least."""
        off = self.mean - self.prior_mean
        return self.misfit()[0] + float(off @ self.prior_information @ off)

    def refitted(
        self, lens: LensModel | None = None, looks: Looks | None = None, *, fresh: bool = True
    ) -> LearnedModel:
        """Return the posterior from the same prior with another lens, or with looks read otherwise."""
        other = copy(self)
        other.lens, other.looks = lens or self.lens, looks or self.looks.copied()
        other.mean = self.prior_mean.copy()
        other._traced_last = other._predicted_last = None
        other.looks.trace(other.lens, slice(None), other.stood(other.looks)[1])
        if fresh:
            other.solve()
        return other

    def widened(self, curvature_sigma_per_mm: Vector) -> LearnedModel:
        """Return this model, its looks shared, with less said of the curvatures; it is yet to be solved."""
        other = copy(self)
        other.prior_covariance = self.prior_covariance.copy()
        other.prior_covariance[FIXED_COUNT:, FIXED_COUNT:] = np.diag(curvature_sigma_per_mm**2)
        other.prior_information = inverse(other.prior_covariance)
        return other

    def restarted(self, curvatures_per_mm: Vector) -> LearnedModel:
        """Return the posterior that the fit finds from other curvatures to start with; the prior stays."""
        now = self.lens.curvatures_per_mm
        other = self.refitted(lens=bent(self.lens, curvatures_per_mm - now), fresh=False)
        other.prior_mean = self.prior_mean.copy()
        other.prior_mean[FIXED_COUNT:] += now - curvatures_per_mm
        other.mean = other.prior_mean.copy()
        other.mean[FIXED_COUNT:] = 0.0
        other.solve()
        return other

    # --- inside -------------------------------------------------------------------------------------

    def spread(self) -> Vector:
        """Return the covariance (n, 6, 6) of the spots because a past stand is not the present one.

        It missed its target by what the mount repeats, and since then lens and beam have crept on at a rate
        that nobody knows: the older a look, the less it counts.
        """
        looks = self.looks
        age = np.arange(len(looks) - 1.0, -1.0, -1.0)
        away = self._repeat + (age**2)[:, None, None] * self._drift
        spread = looks.slopes @ away @ looks.slopes.transpose(0, 2, 1)
        return np.where((looks.stands == self._stand)[:, None, None], 0.0, spread)

    def _root(self) -> Vector:
        """Return the lower triangular roots (n, 6, 6) of the looks' information; see :class:`Rows`."""
        return np.asarray(np.linalg.cholesky(inverse(self.looks.noise + self.spread())), dtype=np.float64)

    def solve(self) -> None:
        """Iterate to the MAP; trace anew only where the pose has left its linearisation."""
        looks = self.looks
        shift, poses = self.stood(looks)
        root = self._root()
        for _ in range(_ROUNDS):
            before = poses
            spots, by = self.spots_and_derivatives(looks, shift, poses)
            self.rows = Rows(by, root, np.where(looks.seen, looks.values - spots, 0.0))
            white = self.rows.whiten(np.concatenate([by, self.rows.residual[:, :, None]], axis=2))
            left, right = white[:, :-1], white[:, -1]
            self.covariance = inverse(self.prior_information + left.T @ left)
            pull = left.T @ right + self.prior_information @ (self.prior_mean - self.mean)
            change = self.covariance @ pull
            self.mean = self.mean + change
            self.rows = Rows(by, root, self.rows.residual - np.where(looks.seen, by @ change, 0.0))
            shift, poses = self.stood(looks)
            stale = np.any(np.abs(poses - looks.at) > _RETRACE, axis=1)
            bend = self._bend()
            if bend:
                root = self._root()
            elif stale.any():
                looks.trace(self.lens, stale, poses[stale])
                root = self._root()
            elif (np.abs(poses - before) <= _STILL).all():
                return

    def _bend(self) -> bool:
        """Replace the lens when its curvatures have moved too far for their derivatives; say whether."""
        curvatures = self.lens.rays.curvatures_per_mm
        learned = self.mean[FIXED_COUNT:].tolist()
        wanted = [now + _within(more, _BEND_AT_ONCE) for now, more in zip(curvatures, learned, strict=True)]
        changes = [_within(to, _STRONGEST_PER_MM) - now for to, now in zip(wanted, curvatures, strict=True)]
        self.mean = self.mean.copy()
        self.mean[FIXED_COUNT:] = changes
        if all(
            abs(change) <= _BEND * max(abs(now), _FLAT_PER_MM)
            for change, now in zip(changes, curvatures, strict=True)
        ):
            return False
        change = np.array(changes)
        self.lens = bent(self.lens, change)
        self.prior_mean = self.prior_mean.copy()
        self.prior_mean[FIXED_COUNT:] -= change
        self.mean[FIXED_COUNT:] = 0.0
        self._traced_last = self._predicted_last = None
        self.looks.trace(self.lens, slice(None), self.stood(self.looks)[1])
        return True

    def _trace(self, pose: Vector) -> tuple[Vector, Vector]:
        """Trace one pose (1, 4); the same pose is asked for before and after a look."""
        last = self._traced_last
        if last is None or not np.array_equal(last[0], pose):
            last = (pose.copy(), *self.lens.linearise(pose))
            self._traced_last = last
        return last[1], last[2]

    def _change(self) -> Vector:
        """Change of the sensitivities by what was learned of distances and curvatures."""
        learned = np.concatenate([self.mean[DISTANCES], self.mean[FIXED_COUNT:]])
        change: Vector = (learned @ self.lens.per_shape.reshape(-1, 24)).reshape(6, 4)
        return change

    def _from_null(self, axes: Vector, sides: Vector) -> Vector:
        return axes - sides * self.mean[BACKLASH] / 2.0 - self._null

    def stood(self, looks: Looks) -> tuple[Vector, Vector]:
        """Return how far from the null's axes looks stood, and at which poses; see :meth:`_stood`."""
        return self._stood(looks.axes, looks.sides)

    def _stood(self, axes: Vector, sides: Vector) -> tuple[Vector, Vector]:
        """Return ways from the null (n, 4) and poses (n, 4) at axis positions (n, 4).

        Backlash is taken off, and what a single stand missed its target by left out.
        """
        shift = self._from_null(axes, sides)
        return shift, self.mean[POSE] + shift @ self.mount().T

    def pose_derivative(self, axes: Vector, sides: Vector, *, here: bool) -> Vector:
        """Return the derivative (4, size) of the pose by the unknowns; ``here`` at the present stand."""
        by = np.zeros((4, self.size))
        by[:, POSE] = _EYE
        shift = self._from_null(axes, sides)
        for row in range(4):
            by[row, MOUNT.start + 4 * row : MOUNT.start + 4 * row + 4] = shift
        by[:, BACKLASH] = -self.mount() * sides / 2.0
        if here:
            by[:, HERE] = _EYE
        return by

    def spots_and_derivatives(self, looks: Looks, shift: Vector, poses: Vector) -> tuple[Vector, Vector]:
        """Return spots (n, 6) on the plates and derivatives (n, 6, size) by every unknown.

        ``shift`` and ``poses`` (n, 4) are what :meth:`stood` says of the looks.
        """
        here = (looks.stands == self._stand).astype(np.float64)[:, None]
        mount = self.mount()
        change = self._change()
        total = looks.slopes + change
        moved = poses - looks.at + here * self.mean[HERE]
        beam = looks.traced + (total @ moved[:, :, None])[:, :, 0] + looks.at @ change.T
        quarter = beam @ _QUARTER
        shapes = (self.lens.per_shape @ poses.T).transpose(2, 1, 0)
        by = np.zeros((len(looks), 6, self.size))
        by[:, :, POSE] = total
        by[:, :, MOUNT] = (total[:, :, :, None] * shift[:, None, None, :]).reshape(len(looks), 6, 16)
        by[:, :, CLOCKING] = quarter[:, :, None] * _TURNED
        by[:, :, DISTANCES], by[:, :, FIXED_COUNT:] = shapes[:, :, :2], shapes[:, :, 2:]
        by[:, :, REFERENCES] = _REFERRED
        by[:, :, BACKLASH] = (total @ mount) * (looks.sides / -2.0)[:, None, :]
        by[:, :, HERE] = here[:, :, None] * total
        spots = beam + quarter * (_TURNED @ self.mean[CLOCKING])
        spots += _REFERRED @ self.mean[REFERENCES] + self._belong
        return spots, by
