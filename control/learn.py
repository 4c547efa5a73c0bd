"""The model that learns: pose, mount, plates, distances and prescription, from every look (Gauss-Newton MAP).

The unknowns are deviations from the nominal bench, each with a prior. The exact trace of the recipe's lens is
the model; small changes of L1, L2 and the curvatures act through the derivatives of the paraxial
sensitivities, which leaves an error of second order in them (below 2 um on the plate at 1 % and 1 degree).
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from typing import Final

import numpy as np
from numpy.typing import NDArray

from control.model import SPOTS, LensModel
from control.plan import BenchModel
from control.unknowns import (
    BACKLASH,
    CLOCKING,
    DISTANCES,
    FIXED_COUNT,
    HERE,
    MOUNT,
    POSE,
    REFERENCES,
    UNSEEN_MM2,
    Memory,
    Pose,
    References,
    as_rows,
    inverse,
    kept,
    prior,
    through,
)
from vision.spots import Spot, SpotName

Vector = NDArray[np.float64]

_RETRACE: Final = np.array([0.1, 0.1, 1.0, 1.0])
_ROUNDS: Final = 6


class LearnedModel:
    """Posterior over pose and bench; fed with looks, asked for poses, spots and the null.

    Parameters
    ----------
    lens : LensModel
    bench : BenchModel
    references : References
    radius_sigma_relative : float
    memory : Memory or None
        What earlier parts of the lot taught.
    """

    def __init__(
        self,
        lens: LensModel,
        bench: BenchModel,
        references: References,
        radius_sigma_relative: float,
        memory: Memory | None = None,
    ) -> None:
        self.lens, self.bench, self.references = lens, bench, references
        self.size = FIXED_COUNT + len(lens.lens.surfaces)
        self.prior_mean, self.prior_covariance = prior(bench, references, radius_sigma_relative, self.size)
        if memory is not None:
            keep = kept(self.size)
            self.prior_mean[keep] = memory.mean
            self.prior_covariance[np.ix_(keep, keep)] = memory.covariance
        self.prior_information = inverse(self.prior_covariance)
        self.mean = self.prior_mean.copy()
        self.covariance = self.prior_covariance.copy()
        self._repeat = bench.repeatability()
        self._null = np.asarray(bench.null_axes, dtype=np.float64)
        self._nominal = bench.matrix()
        self._stand = 0
        self._axes = np.empty((0, 4))
        self._sides = np.empty((0, 4))
        self._stands = np.empty(0, dtype=np.int64)
        self._values = np.empty((0, 6))
        self._noise = np.empty((0, 6, 6))
        self._seen = np.empty((0, 6), dtype=bool)
        self._at = np.empty((0, 4))
        self._traced = np.empty((0, 6))
        self._slopes = np.empty((0, 6, 4))

    # --- what it is told ----------------------------------------------------------------------------

    def moved(self) -> None:
        """Say that the mount stands anew: what it missed the last target by no longer counts."""
        self._stand += 1

    def add_look(self, axes: Vector, sides: Vector, sightings: Mapping[SpotName, Spot]) -> None:
        """Learn from one look.

        Parameters
        ----------
        axes : ndarray, shape (4,)
            Positions read back.
        sides : ndarray, shape (4,)
            Direction (-1, 0, +1) of each axis's last motion.
        sightings : mapping of SpotName to Spot
            The measured spots; those that are missing teach nothing.
        """
        values, noise, seen = as_rows(sightings)
        pose = self._poses_at(axes[None], sides[None])
        traced, slopes = self.lens.linearise(pose)
        self._axes = np.vstack([self._axes, axes])
        self._sides = np.vstack([self._sides, sides])
        self._stands = np.append(self._stands, self._stand)
        self._values = np.vstack([self._values, values])
        self._noise = np.concatenate([self._noise, noise[None]])
        self._seen = np.vstack([self._seen, seen])
        self._at = np.vstack([self._at, pose])
        self._traced = np.vstack([self._traced, traced])
        self._slopes = np.concatenate([self._slopes, slopes])
        self._solve()

    # --- what it answers ----------------------------------------------------------------------------

    @property
    def looks(self) -> int:
        """How many looks it has learned from."""
        return len(self._axes)

    def mount(self) -> Vector:
        """Return the mount matrix as learned, pose per axis unit, shape (4, 4)."""
        return self._nominal + self.mean[MOUNT].reshape(4, 4)

    def sensitivities(self) -> Vector:
        """Return the sensitivities of the spots at the null as learned, shape (6, 4)."""
        return self.lens.at_null + self._change()

    def jacobian(self) -> Vector:
        """Return spots per axis unit at the null as learned, shape (6, 4)."""
        return self.sensitivities() @ self.mount()

    def pose_at(self, axes: Vector, sides: Vector) -> Pose:
        """Return the pose that a move to ``axes`` is expected to give, repeatability included."""
        by = self._pose_derivative(axes, sides, here=False)
        return Pose(self._poses_at(axes[None], sides[None])[0], by @ self.covariance @ by.T + self._repeat)

    def pose_here(self) -> Pose:
        """Return the pose where the mount stands and was last looked at."""
        by = self._pose_derivative(self._axes[-1], self._sides[-1], here=True)
        mean = self._poses_at(self._axes[-1:], self._sides[-1:])[0] + self.mean[HERE]
        return Pose(mean, by @ self.covariance @ by.T)

    def null_axes(self, sides: Vector) -> Vector:
        """Return the axis positions that put the lens on the axis, shape (4,)."""
        back = np.linalg.solve(self.mount(), self.mean[POSE])
        return self._null - back + sides * self.mean[BACKLASH] / 2.0

    def predict(self, axes: Vector, sides: Vector) -> tuple[Vector, Vector]:
        """Return the spots expected at ``axes`` in mm on the plates, (6,), and their covariance (6, 6)."""
        pose = self._poses_at(axes[None], sides[None])
        traced, slopes = self.lens.linearise(pose)
        spots, by = self._spots_and_derivatives(
            axes[None], sides[None], pose, pose, traced, slopes, np.zeros(1, dtype=bool)
        )
        slope = slopes[0]
        return spots[0], by[0] @ self.covariance @ by[0].T + slope @ self._repeat @ slope.T

    def seen_at_last_look(self) -> NDArray[np.bool_]:
        """Return which of the six coordinates the last look gave."""
        last: NDArray[np.bool_] = self._seen[-1]
        return last

    def remember(self, parts: int) -> Memory:
        """Return what passes to the next part."""
        keep = kept(self.size)
        return Memory(self.mean[keep].copy(), self.covariance[np.ix_(keep, keep)].copy(), parts)

    def residuals(self) -> tuple[Vector, Vector]:
        """Return residuals (n, 6) of all looks in mm, 0 where unseen, and which were seen (n, 6)."""
        poses = self._poses_at(self._axes, self._sides)
        spots, _ = self._spots_and_derivatives(
            self._axes, self._sides, poses, self._at, self._traced, self._slopes, self._stands == self._stand
        )
        return np.where(self._seen, self._values - spots, 0.0), self._seen

    def misfit(self) -> tuple[float, int]:
        """Return the weighted sum of squared residuals and the number of coordinates seen."""
        residual, seen = self.residuals()
        _, weight = self._derivatives_and_weights()
        return float(np.einsum("ni,nij,nj->", residual, weight, residual)), int(np.sum(seen))

    def left_out(self, name: SpotName) -> tuple[Vector, Vector]:
        """Return the mean residual (2,) in mm of one spot against all the others, and its covariance.

        Raises
        ------
        ValueError
            When that spot was never seen.
        """
        part = slice(2 * SPOTS.index(name), 2 * SPOTS.index(name) + 2)
        rows = self._seen[:, part.start]
        if not np.any(rows):
            raise ValueError(f"the {name.value} spot was never seen")
        rest = copy(self)
        rest._seen, rest._noise = self._seen.copy(), self._noise.copy()
        rest._at, rest._traced, rest._slopes = self._at.copy(), self._traced.copy(), self._slopes.copy()
        rest._seen[:, part], rest._noise[:, part, :], rest._noise[:, :, part] = False, 0.0, 0.0
        rest._noise[:, part, part] = np.eye(2) * UNSEEN_MM2
        rest._solve()
        by, _ = rest._derivatives_and_weights()
        poses = rest._poses_at(rest._axes, rest._sides)
        spots, _ = rest._spots_and_derivatives(
            rest._axes, rest._sides, poses, rest._at, rest._traced, rest._slopes, rest._stands == rest._stand
        )
        mean_by = np.mean(by[rows][:, part], axis=0)
        noise = np.sum(self._noise[rows][:, part, part], axis=0) / np.sum(rows) ** 2
        offset = np.mean(self._values[rows][:, part] - spots[rows][:, part], axis=0)
        return offset, mean_by @ rest.covariance @ mean_by.T + noise

    def contributions(self) -> dict[str, Vector]:
        """Split the covariance of :meth:`pose_here` by cause; the parts (4, 4) add up to the whole.

        The error of a MAP estimate is linear in the errors of what went in, so that each input's covariance
        is carried through the gain (JCGM 100:2008, 5.1 and annex H.2 in matrix form).
        """
        by = self._pose_derivative(self._axes[-1], self._sides[-1], here=True)
        gain = by @ self.covariance
        parts: dict[str, Vector] = {}
        named = {
            "placing of the lens": POSE,
            "mount": MOUNT,
            "clocking of the plates": CLOCKING,
            "distances": DISTANCES,
            "backlash": BACKLASH,
            "prescription": slice(FIXED_COUNT, self.size),
        }
        for name, block in named.items():
            parts[name] = through(
                gain[:, block] @ self.prior_information[block, block], self.prior_covariance[block, block]
            )
        lever = gain[:, REFERENCES] @ self.prior_information[REFERENCES, REFERENCES]
        for name, part in self.references.hole_parts.items():
            parts[name] = through(lever[:, :2], part)
        for name, part in self.references.bare_parts.items():
            parts[name] = parts.get(name, np.zeros((4, 4))) + through(lever[:, 2:], part)
        looks, repeat = self._noise_parts(gain)
        parts["spots"] = looks
        parts["mount repeatability"] = repeat + through(
            gain[:, HERE] @ self.prior_information[HERE, HERE], self._repeat
        )
        return parts

    # --- inside -------------------------------------------------------------------------------------

    def _noise_parts(self, gain: Vector) -> tuple[Vector, Vector]:
        """Covariances that the spots' noise and the mount's repeatability give to the pose."""
        by, weight = self._derivatives_and_weights()
        carried = gain @ by.transpose(0, 2, 1) @ weight
        noise = np.where(self._noise >= UNSEEN_MM2, 0.0, self._noise)
        spots = np.sum(carried @ noise @ carried.transpose(0, 2, 1), axis=0)
        away = (self._stands != self._stand)[:, None, None]
        repeat = np.where(away, self._slopes @ self._repeat @ self._slopes.transpose(0, 2, 1), 0.0)
        return spots, np.sum(carried @ repeat @ carried.transpose(0, 2, 1), axis=0)

    def _solve(self) -> None:
        """Iterate to the MAP; trace anew only where the pose has left its linearisation."""
        for _ in range(_ROUNDS):
            before = self.mean
            by, weight = self._derivatives_and_weights()
            residual, _ = self.residuals()
            target = residual + np.einsum("nij,j->ni", by, before)
            root = np.asarray(np.linalg.cholesky(weight), dtype=np.float64)
            rows = (root.transpose(0, 2, 1) @ by).reshape(-1, self.size)
            right = np.einsum("nji,nj->ni", root, target).reshape(-1)
            self.covariance = inverse(self.prior_information + rows.T @ rows)
            self.mean = self.covariance @ (self.prior_information @ self.prior_mean + rows.T @ right)
            poses = self._poses_at(self._axes, self._sides)
            stale = np.any(np.abs(poses - self._at) > _RETRACE, axis=1)
            if np.any(stale):
                self._at[stale] = poses[stale]
                self._traced[stale], self._slopes[stale] = self.lens.linearise(poses[stale])
            elif np.all(np.abs(self.mean - before) <= 1e-3 * np.sqrt(np.diag(self.covariance))):
                return

    def _derivatives_and_weights(self) -> tuple[Vector, Vector]:
        here = self._stands == self._stand
        poses = self._poses_at(self._axes, self._sides)
        _, by = self._spots_and_derivatives(
            self._axes, self._sides, poses, self._at, self._traced, self._slopes, here
        )
        spread = self._slopes @ self._repeat @ self._slopes.transpose(0, 2, 1)
        noise = self._noise + np.where(here[:, None, None], 0.0, spread)
        return by, inverse(noise)

    def _change(self) -> Vector:
        """Change of the sensitivities by what was learned of distances and curvatures."""
        l1, l2 = self.mean[DISTANCES]
        change: Vector = l1 * self.lens.per_l1_mm + l2 * self.lens.per_l2_mm
        for relative, per_relative in zip(self.mean[FIXED_COUNT:], self.lens.per_curvature, strict=True):
            change = change + relative * per_relative
        return change

    def _from_null(self, axes: Vector, sides: Vector) -> Vector:
        return axes - sides * self.mean[BACKLASH] / 2.0 - self._null

    def _poses_at(self, axes: Vector, sides: Vector) -> Vector:
        """Poses (n, 4) at axis positions (n, 4), without what a single stand missed its target by."""
        return self.mean[POSE] + self._from_null(axes, sides) @ self.mount().T

    def _pose_derivative(self, axes: Vector, sides: Vector, *, here: bool) -> Vector:
        by = np.zeros((4, self.size))
        by[:, POSE] = np.eye(4)
        by[:, MOUNT] = np.kron(np.eye(4), self._from_null(axes, sides))
        by[:, BACKLASH] = -self.mount() * sides / 2.0
        if here:
            by[:, HERE] = np.eye(4)
        return by

    def _spots_and_derivatives(
        self,
        axes: Vector,
        sides: Vector,
        poses: Vector,
        at: Vector,
        traced: Vector,
        slopes: Vector,
        here: NDArray[np.bool_],
    ) -> tuple[Vector, Vector]:
        """Spots (n, 6) on the plates and derivatives (n, 6, size) by every unknown."""
        count = len(axes)
        total = slopes + self._change()
        from_beam = traced + np.einsum("nij,nj->ni", slopes, poses - at) + poses @ self._change().T
        from_beam = from_beam + np.where(here[:, None], total @ self.mean[HERE], 0.0)
        quarter = np.empty_like(from_beam)
        quarter[:, 0::2], quarter[:, 1::2] = -from_beam[:, 1::2], from_beam[:, 0::2]
        by = np.zeros((count, 6, self.size))
        by[:, :, POSE] = total
        by[:, :, MOUNT] = np.einsum("nij,nk->nijk", total, self._from_null(axes, sides)).reshape(count, 6, 16)
        by[:, :4, 20], by[:, 4:, 21] = quarter[:, :4], quarter[:, 4:]
        by[:, :, 22], by[:, :, 23] = poses @ self.lens.per_l1_mm.T, poses @ self.lens.per_l2_mm.T
        by[:, :, FIXED_COUNT:] = np.einsum("kij,nj->nik", self.lens.per_curvature, poses)
        by[:, 0, 24] = by[:, 2, 24] = by[:, 1, 25] = by[:, 3, 25] = by[:, 4, 26] = by[:, 5, 27] = 1.0
        by[:, :, BACKLASH] = -(total @ self.mount()) * sides[:, None, :] / 2.0
        by[here, :, HERE] = total[here]
        spots = from_beam.copy()
        spots[:, :4] += self.mean[20] * quarter[:, :4]
        spots[:, 4:] += self.mean[21] * quarter[:, 4:]
        hole = self.references.hole_mm + self.mean[24:26]
        bare = self.references.bare_mm + self.mean[26:28]
        return spots + np.concatenate([hole, hole, bare]), by
