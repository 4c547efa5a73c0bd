"""What the spots can and cannot tell about the pose, in numbers and in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optics.errors import OpticsError

RANK_TOLERANCE = 1e-9
"""A singular value below this fraction of the largest counts as zero; the exact trace is good to 1e-13."""

ALIKE = 1e-9
"""Motions whose singular values differ by less than this fraction of the largest are equally weak."""

HARDLY = 100.0
"""From this condition number (mm, mrad) on, the weakest motion is called hardly visible; our own choice."""

ARCSEC_PER_MRAD = math.degrees(1e-3) * 3600.0


@dataclass(frozen=True, slots=True)
class Observability:
    """How well a set of spot coordinates fixes the pose.

    Attributes
    ----------
    singular_values : ndarray, shape (4,)
        Of the sensitivities in mm per [mm, mm, mrad, mrad], falling.
    condition : float
        Largest over smallest singular value; ``math.inf`` when the rank is below 4.
    pose_covariance : ndarray, shape (4, 4), or None
        Covariance (k = 1) of the pose [mm, mm, mrad, mrad] from one look with the given spot noise;
        None when the rank is below 4, because then it does not exist.
    rank : int
        How many of the four degrees of freedom are seen.
    weakest_direction : ndarray, shape (4,)
        Unit pose change [mm, mm, mrad, mrad] to which the spots answer least.
    words : tuple of str
        The same for a person.
    """

    singular_values: NDArray[np.float64]
    condition: float
    pose_covariance: NDArray[np.float64] | None
    rank: int
    weakest_direction: NDArray[np.float64]
    words: tuple[str, ...]

    @property
    def decenter_sigma_um(self) -> tuple[float, float] | None:
        """Standard uncertainty of the decentre x, y; None when the rank is below 4."""
        if self.pose_covariance is None:
            return None
        x, y = np.sqrt(np.diag(self.pose_covariance)[:2]) * 1e3
        return float(x), float(y)

    @property
    def tilt_sigma_arcsec(self) -> tuple[float, float] | None:
        """Standard uncertainty of the tilt x, y; None when the rank is below 4."""
        if self.pose_covariance is None:
            return None
        x, y = np.sqrt(np.diag(self.pose_covariance)[2:]) * ARCSEC_PER_MRAD
        return float(x), float(y)


def observe(sensitivities: ArrayLike, spot_sigma_mm: ArrayLike) -> Observability:
    """Say how well spot coordinates fix the pose.

    Parameters
    ----------
    sensitivities : array_like, shape (m, 4)
        mm per [mm, mm, mrad, mrad]; leave out the rows of spots that are not seen.
    spot_sigma_mm : float or array_like, shape (m,)
        Standard uncertainty of each spot coordinate, above 0.

    Returns
    -------
    Observability

    Raises
    ------
    OpticsError
        If shapes do not fit, numbers are not finite, or a sigma is not above 0.
    """
    matrix = np.atleast_2d(np.asarray(sensitivities, dtype=np.float64))
    if matrix.ndim != 2 or matrix.shape[1] != 4 or not np.isfinite(matrix).all():
        raise OpticsError(
            f"sensitivities have shape {np.shape(sensitivities)}, allowed is (m, 4), all finite"
        )
    if np.ndim(spot_sigma_mm) and np.shape(spot_sigma_mm) != (len(matrix),):
        raise OpticsError(f"spot_sigma_mm has shape {np.shape(spot_sigma_mm)}, allowed is ({len(matrix)},)")
    sigma = np.broadcast_to(np.asarray(spot_sigma_mm, dtype=np.float64), (len(matrix),))
    if not (np.isfinite(sigma).all() and (sigma > 0.0).all()):
        raise OpticsError("spot_sigma_mm holds a number that is not above 0 and finite")
    _, values, rows = np.linalg.svd(matrix, full_matrices=True)
    singular = np.zeros(4)
    singular[: len(values)] = values
    rank = int(np.sum(singular > RANK_TOLERANCE * singular[0])) if singular[0] > 0.0 else 0
    condition = float(singular[0] / singular[3]) if rank == 4 else math.inf
    covariance = _covariance(matrix / sigma[:, None]) if rank == 4 else None
    alike = rows[singular <= singular[3] + ALIKE * singular[0]]
    weakest = _sorted_out(alike)[-1]
    weakest = weakest * (1.0 if weakest[np.argmax(np.abs(weakest))] > 0.0 else -1.0)
    words = _words(rank, rows[rank:] if rank < 4 else weakest[None], condition, covariance)
    return Observability(singular, condition, covariance, rank, weakest, words)


def pivot_mm(sensitivities: ArrayLike) -> float:
    """Return where the rotation that one spot does not see has its centre.

    Parameters
    ----------
    sensitivities : array_like, shape (2, 4)
        x and y rows of one spot on axis, mm per [mm, mm, mrad, mrad].

    Returns
    -------
    float
        mm behind the front vertex along the beam (negative: before it). ``math.inf`` when the spot does not
        answer to decentre, so that its unseen motion is a sideways shift.
    """
    matrix = np.asarray(sensitivities, dtype=np.float64)
    if matrix.shape != (2, 4):
        raise OpticsError(f"sensitivities have shape {matrix.shape}, allowed is (2, 4)")
    scale = float(np.abs(matrix).max())
    if abs(matrix[0, 0]) <= RANK_TOLERANCE * scale:
        return math.inf
    return float(matrix[0, 3] * 1e3 / matrix[0, 0])


def motion_words(direction: ArrayLike) -> str:
    """Name a small motion of the lens in the trade's words.

    Parameters
    ----------
    direction : array_like, shape (4,)
        Pose change [mm, mm, mrad, mrad]; only its direction counts.

    Returns
    -------
    str
        For example "rotation about a point 51 mm behind the front vertex".
    """
    dx, dy, rx, ry = (float(value) for value in np.asarray(direction, dtype=np.float64))
    shift, turn = math.hypot(dx, dy), math.hypot(rx, ry)
    if turn * 1e4 < shift:  # the pivot would be more than 10 m away
        return "sideways shift (decentre)"
    # A turn by ry about a point p behind the vertex moves the vertex by -p ry in x; by rx, by +p rx in y.
    pivot = 1e3 * (dy * rx - dx * ry) / turn**2
    across = 1e3 * math.hypot(dx + pivot * ry * 1e-3, dy - pivot * rx * 1e-3) / turn
    if across > 0.5 + 0.01 * abs(pivot):
        return "decentre and tilt together, not a rotation about one point"
    if abs(pivot) < 0.5:
        return "rotation about the front vertex (tilt)"
    return (
        f"rotation about a point {abs(pivot):.0f} mm {'behind' if pivot > 0 else 'before'} the front vertex"
    )


def _covariance(weighted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse of the information matrix, by singular values of the weighted rows for accuracy."""
    _, values, rows = np.linalg.svd(weighted, full_matrices=False)
    half = rows.T / values
    covariance: NDArray[np.float64] = half @ half.T
    return covariance


def _words(
    rank: int, unseen: NDArray[np.float64], condition: float, covariance: NDArray[np.float64] | None
) -> tuple[str, ...]:
    if rank == 0:
        return ("no motion of the lens is visible",)
    if covariance is None:
        names = dict.fromkeys(f"{motion_words(row)} is not visible" for row in _sorted_out(unseen))
        return (f"{rank} of the 4 degrees of freedom are visible", *names)
    um = 1e3 * math.sqrt(max(covariance[0, 0], covariance[1, 1]))
    arcsec = ARCSEC_PER_MRAD * math.sqrt(max(covariance[2, 2], covariance[3, 3]))
    seen = "hardly visible" if condition >= HARDLY else "the motion seen least"
    return (
        "all 4 degrees of freedom are visible",
        f"{motion_words(unseen[0])} is {seen} (condition {condition:.3g})",
        f"standard uncertainty of one look: {um:.2g} um of decentre, {arcsec:.2g} arcsec of tilt",
    )


def _sorted_out(unseen: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn a basis of motions so that those in x (x, tilt y) come last and apart from those in y."""
    in_x = np.array((1.0, 0.0, 0.0, 1.0))
    _, vectors = np.linalg.eigh((unseen * in_x) @ unseen.T)
    turned: NDArray[np.float64] = vectors.T @ unseen
    return turned
