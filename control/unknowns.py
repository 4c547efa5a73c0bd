"""What is unknown about pose and bench, in which order, and what is known of it beforehand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgesv, dpotrf

from control.model import SPOTS
from control.plan import BenchModel
from optics.compiled import compiled
from vision.spots import Spot, SpotName

Vector = NDArray[np.float64]

POSE: Final = slice(0, 4)
MOUNT: Final = slice(4, 20)
CLOCKING: Final = slice(20, 22)
DISTANCES: Final = slice(22, 24)
REFERENCES: Final = slice(24, 28)
BACKLASH: Final = slice(28, 32)
HERE: Final = slice(32, 36)
FIXED_COUNT: Final = 36
"""The curvatures follow after these."""

UNSEEN_MM2: Final = 1e8
"""Variance of a coordinate that was not seen."""

UNSEEN_NOISE: Final = np.eye(6) * UNSEEN_MM2
"""Covariance of a look that saw nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class References:
    """The two points that fix the axis, and how well they are known (mm, mm^2).

    Attributes
    ----------
    hole_mm, bare_mm : ndarray, shape (2,)
        Hole centre and the bare beam's place on the reference target.
    hole_parts, bare_parts : mapping of str to ndarray (2, 2)
        Covariance of each named contribution.
    """

    hole_mm: Vector
    bare_mm: Vector
    hole_parts: Mapping[str, Vector]
    bare_parts: Mapping[str, Vector]

    def six(self) -> Vector:
        """Return where the three spots belong, in the order of every vector of six coordinates."""
        return np.concatenate([self.hole_mm, self.hole_mm, self.bare_mm])

    def covariance(self) -> Vector:
        """Return the joint covariance of (hole x, y, bare x, y), shape (4, 4)."""
        full = np.zeros((4, 4))
        full[:2, :2] = sum(self.hole_parts.values())
        full[2:, 2:] = sum(self.bare_parts.values())
        return full


class Nominal(NamedTuple):
    """The bench and the lens that the unknowns are deviations from.

    Attributes
    ----------
    null : ndarray, shape (4,)
        Axis positions of the nominal null.
    mount : ndarray, shape (4, 4)
        Pose per axis unit.
    per_shape : ndarray, shape (2 + surfaces, 6, 4)
        Change of the sensitivities per mm of L1 and of L2, and per 1 / mm of each curvature.
    curvatures_per_mm : ndarray, shape (surfaces,)
    belong : ndarray, shape (6,)
        Where the spots belong, mm.
    """

    null: Vector
    mount: Vector
    per_shape: Vector
    curvatures_per_mm: Vector
    belong: Vector


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A pose of the lens relative to the beam with its covariance (mm, mm, mrad, mrad)."""

    mean: Vector
    covariance: Vector


KEPT: Final = np.r_[MOUNT, CLOCKING, DISTANCES, BACKLASH]
"""Indices of what one part leaves for the next: the bench; the next lens has radii of its own."""


class Coordinates(NamedTuple):
    """The spots of one look as six coordinates: values (6,) in mm, covariance (6, 6), which were seen."""

    values: Vector
    noise: Vector
    seen: NDArray[np.bool_]


def innovation(predicted: tuple[Vector, Vector], rows: Coordinates) -> tuple[float, int]:
    """Return the squared distance of spots from a prediction in its own covariance, and their coordinates.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the covariance of spots and prediction is not positive definite.
    """
    square, count = _distance2(rows.values, rows.noise, rows.seen, *predicted)
    if square < 0.0:
        raise np.linalg.LinAlgError("the covariance of the spots is not positive definite")
    return square, count


@compiled()
def _distance2(
    values: Vector, noise: Vector, seen: NDArray[np.bool_], predicted: Vector, spread: Vector
) -> tuple[float, int]:
    """Return the squared distance, below 0 if the covariance is none, and how many coordinates were seen."""
    root, white = np.empty((6, 6)), np.empty(6)
    square, count = 0.0, 0
    for row in range(6):  # Cholesky's root of the covariance, and what is off by it, row by row
        # What was not seen is no further off than nothing, and its variance keeps it from counting.
        rest = values[row] - predicted[row] if seen[row] else 0.0
        count += seen[row]
        for column in range(row + 1):
            product = noise[row, column] + spread[row, column]
            for inner in range(column):
                product -= root[row, inner] * root[column, inner]
            if column < row:
                root[row, column] = product / root[column, column]
                rest -= root[row, column] * white[column]
            elif product > 0.0:
                root[row, row] = math.sqrt(product)
            else:
                return -1.0, count
        white[row] = rest / root[row, row]
        square += white[row] * white[row]
    return square, count


def through(lever: Vector, covariance: Vector) -> Vector:
    """Return the covariance that inputs with ``covariance`` give through a linear lever."""
    moved: Vector = lever @ covariance @ lever.T
    return moved


def as_rows(sightings: Mapping[SpotName, Spot]) -> Coordinates:
    """Put the spots seen into six coordinates; what was not seen gets a variance beyond all meaning."""
    values, noise, seen = np.zeros(6), UNSEEN_NOISE.copy(), np.zeros(6, dtype=bool)
    for first, name in zip((0, 2, 4), SPOTS, strict=True):
        spot = sightings.get(name)
        if spot is not None:
            last = first + 2
            values[first:last], noise[first:last, first:last] = spot.center_mm, spot.covariance_mm2
            seen[first:last] = True
    front, back = sightings.get(SpotName.FRONT), sightings.get(SpotName.BACK)
    if front is not None and back is not None and front.with_other_mm2 is not None:
        joint = noise[:4, :4].copy()
        joint[:2, 2:], joint[2:, :2] = front.with_other_mm2, front.with_other_mm2.T
        if dpotrf(joint)[1] == 0:  # positive definite
            noise[:4, :4] = joint
    return Coordinates(values, noise, seen)


def prior(bench: BenchModel, references: References, curvature_sigma_per_mm: Vector) -> tuple[Vector, Vector]:
    """Return mean (size,) and covariance (size, size) of the unknowns before the first look."""
    size = FIXED_COUNT + len(curvature_sigma_per_mm)
    sigma = np.empty(size)
    sigma[0:2], sigma[2:4] = bench.start_sigma_mm, bench.start_sigma_mrad
    sigma[MOUNT] = bench.matrix_sigma().reshape(-1)
    sigma[CLOCKING] = np.radians(bench.plate_clocking_sigma_deg)
    sigma[DISTANCES] = bench.l1_sigma_mm, bench.l2_sigma_mm
    sigma[REFERENCES] = 1.0
    mean = np.zeros(size)
    for number, axis in enumerate(bench.axes):
        free = bench.backlash_sigma_mm if axis.unit == "mm" else bench.backlash_sigma_deg
        sigma[28 + number] = free if axis.approach_from is None else 1e-6
        mean[28 + number] = free if axis.approach_from is None else 0.0
    sigma[HERE] = np.sqrt(np.diag(bench.repeatability()))
    sigma[FIXED_COUNT:] = curvature_sigma_per_mm
    covariance = np.diag(sigma**2)
    covariance[REFERENCES, REFERENCES] = references.covariance()
    return mean, covariance


def solve(matrix: Vector, right: Vector) -> Vector:
    """Return the solution of matrix @ x = right (m,), by LAPACK itself: of a small matrix numpy asks more.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is singular.
    """
    _, _, solved, trouble = dgesv(matrix, right)
    if trouble:
        raise np.linalg.LinAlgError("singular matrix")
    return np.asarray(solved, dtype=np.float64)


def inverse(matrix: NDArray[np.floating[Any]]) -> Vector:
    """Return the inverse of a matrix, or of each of a stack."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
