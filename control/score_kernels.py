"""The score test's arithmetic as machine code; what it is for is said in :mod:`control.scores`.

Arrays are C-contiguous float64; n looks, m unknowns of the model, k extra ones, mm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

Vector = NDArray[np.float64]


@compiled(any_order=True)
def scores_since(
    columns: Vector, roots: Vector, by: Vector, residual: Vector, covariance: Vector
) -> tuple[Vector, Vector]:
    """Return what the looks say of extra unknowns that act from each look on, all others fitted as well.

    Parameters
    ----------
    columns : ndarray, shape (n, 6, k)
        Change of the spots per extra unknown, mm.
    roots, by, residual : ndarray, shape (n, 6, 6), (n, 6, m), (n, 6)
        Of :class:`control.looks.Rows`.
    covariance : ndarray, shape (m, m)

    Returns
    -------
    information : ndarray, shape (n, k, k)
    pull : ndarray, shape (n, k)
        Half the derivative of the misfit, downwards.
    """
    count, size, extras = len(columns), by.shape[2], columns.shape[2]
    room, pull = np.empty((count, extras, extras)), np.empty((count, extras))
    own, crossed, pulled = np.zeros((extras, extras)), np.zeros((size, extras)), np.zeros(extras)
    white = np.empty(extras)
    for look in range(count - 1, -1, -1):  # what began before a look shows in all looks from it on
        for spot in range(6):
            off = 0.0
            white[:] = 0.0
            for inner in range(spot, 6):
                weight = roots[look, inner, spot]
                off += weight * residual[look, inner]
                for extra in range(extras):
                    white[extra] += weight * columns[look, inner, extra]
            for extra in range(extras):
                pulled[extra] += off * white[extra]
                for other in range(extras):
                    own[extra, other] += white[extra] * white[other]
            for row in range(size):
                weight = 0.0
                for inner in range(spot, 6):
                    weight += roots[look, inner, spot] * by[look, inner, row]
                for extra in range(extras):
                    crossed[row, extra] += weight * white[extra]
        taken = np.dot(crossed.T, np.dot(covariance, crossed))
        for extra in range(extras):
            pull[look, extra] = pulled[extra]
            for other in range(extras):
                room[look, extra, other] = own[extra, other] - taken[extra, other]
    return room, pull


@compiled(any_order=True)
def sudden_scores(
    slopes: Vector,
    levers: Vector,
    ride: Vector,
    roots: Vector,
    by: Vector,
    residual: Vector,
    covariance: Vector,
) -> tuple[Vector, Vector]:
    """Return :func:`scores_since` of unknowns that move the lens, or the spots themselves.

    ``slopes`` (n, 6, 4) are the spots' per pose, ``levers`` (4, k) the pose per extra unknown, and ``ride``
    (6, k) what it adds to the spots.
    """
    columns = np.empty((len(slopes), 6, levers.shape[1]))
    for look in range(len(slopes)):
        for spot in range(6):
            for extra in range(levers.shape[1]):
                moved = ride[spot, extra]
                for part in range(4):
                    moved += slopes[look, spot, part] * levers[part, extra]
                columns[look, spot, extra] = moved
    return scores_since(columns, roots, by, residual, covariance)


@compiled(any_order=True)
def best_amounts(
    room: Vector, pull: Vector, usual: Vector, parts: NDArray[np.int64]
) -> tuple[Vector, Vector]:
    """Return by how much each part of the extra unknowns lowers the misfit by itself, and its best amounts.

    An amount far beyond its usual size costs what a prior of that width takes, so that an absurd amount of
    one fault does not outdo a usual one of another.

    Parameters
    ----------
    room, pull : ndarray, shape (n, k, k), (n, k)
    usual : ndarray, shape (k,)
    parts : ndarray of int, shape (p, 2)
        First and last + 1 of the unknowns of each part, at most four; no two parts share one.

    Returns
    -------
    gains : ndarray, shape (n, p)
    amounts : ndarray, shape (n, k)
    """
    count, extras = pull.shape
    gains, amounts, matrix = np.zeros((count, len(parts))), np.zeros((count, extras)), np.empty((4, 4))
    for look in range(count):
        best = amounts[look]
        for part in range(len(parts)):
            first, size = parts[part, 0], parts[part, 1] - parts[part, 0]
            for row in range(size):
                best[first + row] = pull[look, first + row]
                for column in range(size):
                    matrix[row, column] = room[look, first + row, first + column]
                matrix[row, row] += usual[first + row] ** -2
            for row in range(size):  # Gauss's elimination; the matrix is positive definite
                for later in range(row + 1, size):
                    factor = matrix[later, row] / matrix[row, row]
                    best[first + later] -= factor * best[first + row]
                    for column in range(row + 1, size):
                        matrix[later, column] -= factor * matrix[row, column]
            for row in range(size - 1, -1, -1):
                for column in range(row + 1, size):
                    best[first + row] -= matrix[row, column] * best[first + column]
                best[first + row] /= matrix[row, row]
                gains[look, part] += best[first + row] * pull[look, first + row]
    return gains, amounts


@compiled(any_order=True)
def score_of_all(
    columns: Vector, roots: Vector, by: Vector, residual: Vector, covariance: Vector
) -> tuple[float, float]:
    """Return information and pull of one extra unknown that acts in all looks, all others fitted as well.

    ``columns`` (n, 6); the rest as for :func:`scores_since`.
    """
    size = by.shape[2]
    own, pull, crossed = 0.0, 0.0, np.zeros(size)
    weighed = np.empty(6)
    for look in range(len(columns)):
        root = roots[look]
        weighed[:] = 0.0
        for spot in range(6):
            white, off = 0.0, 0.0
            for inner in range(spot, 6):
                white += root[inner, spot] * columns[look, inner]
                off += root[inner, spot] * residual[look, inner]
            own += white * white
            pull += white * off
            for inner in range(spot, 6):
                weighed[inner] += root[inner, spot] * white
        for spot in range(6):
            for row in range(size):
                crossed[row] += by[look, spot, row] * weighed[spot]
    return own - np.dot(crossed, np.dot(covariance, crossed)), pull
