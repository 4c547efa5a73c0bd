"""The mapping between a camera's pixels and mm on a plate, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.camera_lens import CameraLens

_STEP_PX = 0.5
# What no residual shows: a plate that is not quite flat, pixels that do not average over all of their area.
# An engineering judgement, no source.
_FLOOR_MM = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class MapModel:
    """A homography between straightened camera coordinates and a plate.

    Attributes
    ----------
    homography : ndarray, shape (3, 3)
        From straightened normalised camera coordinates (:class:`CameraLens`) to mm on the plate; [2, 2] is 1.
    lens : CameraLens
    covariance : ndarray, shape (8 + n, 8 + n)
        Covariance (k = 1) of the first eight elements of the homography, row by row, and of the first n
        coefficients of the lens (0 to 4 of k1, k2, p1, p2) that were estimated with them.
    """

    homography: NDArray[np.float64]
    lens: CameraLens
    covariance: NDArray[np.float64]

    def to_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return bench x, y on the plate, shape (N, 2), of image points in px, shape (N, 2)."""
        return apply_homography(self.homography, self.lens.straighten(points_px))

    def to_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return image points in px, shape (N, 2), of bench x, y on the plate, shape (N, 2)."""
        points = np.asarray(points_mm, np.float64).reshape(-1, 2)
        return self.lens.bend(
            apply_homography(np.asarray(np.linalg.inv(self.homography), np.float64), points)
        )

    def jacobian(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return d mm / d px at image points, shape (N, 2, 2): [n, i, j] = d mm_i / d px_j."""
        points = np.asarray(points_px, np.float64).reshape(-1, 2)
        columns = []
        for step in (np.array([_STEP_PX, 0.0]), np.array([0.0, _STEP_PX])):
            columns.append((self.to_mm(points + step) - self.to_mm(points - step)) / (2 * _STEP_PX))
        return np.asarray(np.stack(columns, axis=-1))

    @property
    def parameters(self) -> NDArray[np.float64]:
        """The parameters that ``covariance`` belongs to."""
        terms = len(self.covariance) - 8
        return np.concatenate([self.homography.ravel()[:8], self.lens.coefficients[:terms]])

    def moved(self, parameters: NDArray[np.float64]) -> MapModel:
        """Return the model with other parameters, in the order of :attr:`parameters`."""
        return MapModel(*unpack(parameters, self.lens), self.covariance)

    def covariance_at(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the covariance (mm^2, k = 1), shape (N, 2, 2), that the map adds at points, (N, 2) mm."""
        points_px = self.to_px(points_mm)
        parameters = self.parameters
        steps = 0.1 * np.sqrt(np.diag(self.covariance))
        slopes = np.zeros((len(points_px), 2, len(parameters)))
        for index in np.flatnonzero(steps > 0):
            nudge = np.zeros(len(parameters))
            nudge[index] = steps[index]
            ahead, behind = self.moved(parameters + nudge), self.moved(parameters - nudge)
            slopes[..., index] = (ahead.to_mm(points_px) - behind.to_mm(points_px)) / (2 * steps[index])
        stated = slopes @ self.covariance @ slopes.transpose(0, 2, 1)
        return np.asarray(stated + _FLOOR_MM**2 * np.eye(2))


def unpack(parameters: NDArray[np.float64], lens: CameraLens) -> tuple[NDArray[np.float64], CameraLens]:
    """Split a parameter vector into a homography and a lens, which takes what follows the first eight."""
    homography = np.append(parameters[:8], 1.0).reshape(3, 3)
    terms = parameters[8:]
    return homography, lens.with_terms(terms) if len(terms) else lens


def apply_homography(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map points, shape (N, 2), through a homography, shape (3, 3)."""
    lifted = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(lifted[:, :2] / lifted[:, 2:])
