"""The model that learns: pose, mount, plates, distances and prescription, from every look (Gauss-Newton MAP).

The unknowns are deviations from the nominal bench, each with a prior. The exact trace of the lens is the
model. Small changes of L1, L2 and the curvatures act through the derivatives of the paraxial sensitivities;
when a curvature has moved by more than 3 % the lens itself is replaced, so that what is left of second order
stays below 2 um on the plate at 1 degree.
"""

from __future__ import annotations

from copy import copy
from typing import Final

import numpy as np

from control.kernels import (
    BEND,
    NOTHING,
    RETRACE,
    RETRACE_MM,
    RETRACE_MRAD,
    UNSOUND,
    one_round,
    pose_with_gain,
    poses_of,
    predicted,
    roots_of,
    spots_and_derivatives,
    spreads_of,
)
from control.looks import Looks, Rows
from control.memory import Memory
from control.model import LensModel, bent
from control.plan import BenchModel
from control.unknowns import (
    BACKLASH,
    DISTANCES,
    FIXED_COUNT,
    HERE,
    KEPT,
    MOUNT,
    POSE,
    Coordinates,
    Nominal,
    Pose,
    References,
    Vector,
    inverse,
    prior,
    solve,
)

_ROUNDS: Final = 8
_RETRACE: Final = np.array([RETRACE_MM] * 2 + [RETRACE_MRAD] * 2)


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
        self._cost_last: tuple[Rows, float] | None = None
        self._stand = 0
        self._repeat, self._drift = bench.repeatability(), bench.drift()
        null, matrix = np.array(bench.null_axes, dtype=np.float64), bench.matrix().copy()
        self._bench = Nominal(null, matrix, lens.per_shape, lens.curvatures_per_mm, references.six())
        self._traced_last: tuple[Vector, Vector, Vector] | None = None
        self._predicted_last: tuple[tuple[int, int, bytes, bytes], tuple[Vector, Vector]] | None = None

    # --- what it is told ----------------------------------------------------------------------------

    def moved(self) -> None:
        """Say that the mount stands anew: what it missed the last target by no longer counts."""
        self._stand += 1

    def add_look(self, axes: Vector, sides: Vector, spots: Coordinates, *, renamed: bool = False) -> None:
        """Learn from one look.

        Parameters
        ----------
        axes : ndarray, shape (4,)
            Positions read back.
        sides : ndarray, shape (4,)
            Direction (-1, 0, +1) of each axis's last motion.
        spots : Coordinates
            The measured spots; those that are missing teach nothing.
        renamed : bool
            Whether front and back bear each other's names as vision gave them.
        """
        self.looks.append(axes, sides, self._stand, spots, renamed=renamed)
        pose = self._poses(axes[None], sides[None])
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
        return self._bench.mount + self.mean[MOUNT].reshape(4, 4)

    def prior_mount(self) -> Vector:
        """Return the mount matrix as it was known before the first look, pose per axis unit, (4, 4)."""
        return self._bench.mount + self.prior_mean[MOUNT].reshape(4, 4)

    def sensitivities(self) -> Vector:
        """Return the sensitivities of the spots at the null as learned, shape (6, 4)."""
        return self.lens.at_null + self._change()

    def jacobian(self) -> Vector:
        """Return spots per axis unit at the null as learned, shape (6, 4)."""
        return self.sensitivities() @ self.mount()

    def pose_at(self, axes: Vector, sides: Vector) -> Pose:
        """Return the pose that a move to ``axes`` is expected to give, repeatability included."""
        pose, _, own = pose_with_gain(axes, sides, False, self.mean, self.covariance, self._bench)
        return Pose(pose, own + self._repeat)

    def pose_here(self) -> Pose:
        """Return the pose where the mount stands and was last looked at."""
        pose, _, own = self.here_with_gain()
        return Pose(pose, own)

    def here_with_gain(self) -> tuple[Vector, Vector, Vector]:
        """Return the pose (4,) of the last look, its covariance with the unknowns (4, size), and its own."""
        axes, sides = self.looks.axes[-1], self.looks.sides[-1]
        return pose_with_gain(axes, sides, True, self.mean, self.covariance, self._bench)

    def null_axes(self, sides: Vector) -> Vector:
        """Return the axis positions that put the lens on the axis, shape (4,)."""
        back = solve(self.mount(), self.mean[POSE])
        return self._bench.null - back + sides * self.mean[BACKLASH] / 2.0

    def predict(self, axes: Vector, sides: Vector) -> tuple[Vector, Vector]:
        """Return the spots expected at ``axes`` in mm on the plates, (6,), and their covariance (6, 6)."""
        key = (len(self.looks), self._stand, axes.tobytes(), sides.tobytes())
        if self._predicted_last is not None and self._predicted_last[0] == key:
            return self._predicted_last[1]
        place = axes[None], sides[None]
        traced, slopes = self._trace(self._poses(*place))
        expected = predicted(*place, traced, slopes, self.mean, self.covariance, self._repeat, self._bench)
        self._predicted_last = (key, expected)
        return expected

    def start_covariance(self) -> Vector:
        """Return how uncertain the pose was before the first look, shape (4, 4)."""
        covariance: Vector = self.prior_covariance[POSE, POSE]
        return covariance

    def remember(self, parts: int) -> Memory:
        """Return what passes to the next part."""
        return Memory(self.mean[KEPT].copy(), self.covariance[np.ix_(KEPT, KEPT)].copy(), parts)

    def misfit(self) -> tuple[float, int]:
        """Return the weighted sum of squared residuals, and the number of coordinates seen."""
        return (0.0, 0) if self.rows is None else (self.rows.misfit, self.rows.count)

    def log_likelihood(self) -> float:
        """Return the log likelihood of the looks, all unknowns integrated out (Laplace's method)."""
        assert self.rows is not None
        weights = 2.0 * float(np.sum(np.log(np.abs(np.diagonal(self.rows.root, axis1=1, axis2=2)))))
        information = float(np.linalg.slogdet(self.prior_information)[1])
        spread = float(np.linalg.slogdet(self.covariance)[1])
        return 0.5 * (weights + information + spread - self.cost())

    def cost(self) -> float:
        """Return the weighted squares of residuals and deviations from the prior; the MAP is their least."""
        if self.rows is None or self._cost_last is None or self._cost_last[0] is not self.rows:
            off = self.mean - self.prior_mean
            cost = self.misfit()[0] + float(off @ self.prior_information @ off)
            if self.rows is None:
                return cost
            self._cost_last = self.rows, cost
        return self._cost_last[1]

    def refitted(
        self, lens: LensModel | None = None, looks: Looks | None = None, *, fresh: bool = True
    ) -> LearnedModel:
        """Return the posterior from the same prior with another lens, or with looks read otherwise."""
        other = copy(self)
        other.looks = looks or self.looks.copied()
        other.mean = self.prior_mean.copy()
        other._change_to(lens or self.lens)
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
        return spreads_of(self.looks.sights(self._stand), self._repeat, self._drift)

    def solve(self) -> None:
        """Iterate to the MAP; trace anew only where the pose has left its linearisation.

        Raises
        ------
        numpy.linalg.LinAlgError
            If a covariance of spots or of unknowns is not positive definite.
        """
        looks, roots = self.looks, self._roots()
        for _ in range(_ROUNDS):
            found = one_round(
                looks.sights(self._stand),
                roots,
                self.mean,
                self.prior_mean,
                self.prior_information,
                self._bench,
            )
            if found.next == UNSOUND:
                raise np.linalg.LinAlgError("the information on the unknowns is not positive definite")
            self.mean, self.covariance = found.mean, found.covariance
            self.rows = Rows(found.by, roots, found.residual, found.misfit, found.seen)
            if found.next == BEND:
                self._bend()
            elif found.next == RETRACE:
                stale = np.any(np.abs(found.poses - looks.at) > _RETRACE, axis=1)
                looks.trace(self.lens, stale, found.poses[stale])
            elif found.next == NOTHING:
                return
            else:
                continue
            roots = self._roots()

    def _roots(self) -> Vector:
        """Return the lower triangular roots (n, 6, 6) of the looks' information; see :class:`Rows`."""
        sound, roots = roots_of(self.looks.sights(self._stand), self._repeat, self._drift)
        if not sound:
            raise np.linalg.LinAlgError("the covariance of a look's spots is not positive definite")
        return roots

    def _bend(self) -> None:
        """Replace the lens, whose curvatures have moved too far for their derivatives."""
        change = self.mean[FIXED_COUNT:].copy()
        self.prior_mean = self.prior_mean.copy()
        self.prior_mean[FIXED_COUNT:] -= change
        self.mean[FIXED_COUNT:] = 0.0
        self._change_to(bent(self.lens, change))

    def _change_to(self, lens: LensModel) -> None:
        """Trace another lens at the poses of all looks."""
        self.lens = lens
        self._bench = self._bench._replace(per_shape=lens.per_shape, curvatures_per_mm=lens.curvatures_per_mm)
        self._traced_last = self._predicted_last = None
        self.looks.trace(lens, slice(None), self._poses(self.looks.axes, self.looks.sides))

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

    def _poses(self, axes: Vector, sides: Vector) -> Vector:
        """Return poses (n, 4) at axis positions (n, 4); what a stand missed its target by is left out."""
        return poses_of(axes, sides, self.mean, self._bench)[1]

    def spots_and_derivatives(self) -> tuple[Vector, Vector]:
        """Return the looks' spots (n, 6) on the plates and their derivatives (n, 6, size) by the unknowns."""
        return spots_and_derivatives(self.looks.sights(self._stand), self.mean, self._bench)
