"""The camera's lens: straight lines that its image bends, as OpenCV's camera model describes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

_NEWTON_STEPS, _NEWTON_SETTLED = 12, 1e-14


@dataclass(frozen=True, slots=True)
class CameraLens:
    """Focal length in pixels, principal point and distortion of a camera.

    The model and the order of the coefficients (k1, k2, p1, p2, k3) are those of OpenCV's camera
    calibration: radial (Brown, Photogrammetric Engineering 37, 855 (1971), from memory) and tangential.

    Attributes
    ----------
    focal_px : tuple of float
        Along x and y. A nominal value serves where no board calibration was made: it only scales the
        coefficients.
    center_px : tuple of float
        Principal point; the centre of distortion.
    coefficients : tuple of float
        k1, k2, p1, p2, k3.
    source : {"none", "fiducials", "board"}
        Where the coefficients come from.
    """

    focal_px: tuple[float, float]
    center_px: tuple[float, float]
    coefficients: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    source: str = "none"

    @classmethod
    def ideal(cls, width_px: int, height_px: int) -> CameraLens:
        """Return a lens without distortion for a frame of this size."""
        focal = float(max(width_px, height_px))
        return cls((focal, focal), ((width_px - 1) / 2, (height_px - 1) / 2))

    def with_terms(self, terms: NDArray[np.float64]) -> CameraLens:
        """Return the same lens with its first coefficients (of k1, k2, p1, p2) estimated from fiducials."""
        k1, k2, p1, p2 = (*(float(term) for term in terms), 0.0, 0.0, 0.0, 0.0)[:4]
        return CameraLens(self.focal_px, self.center_px, (k1, k2, p1, p2, 0.0), "fiducials")

    @property
    def bends(self) -> bool:
        """Tell whether there is any distortion."""
        return any(value != 0 for value in self.coefficients)

    def straighten(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return straightened normalised coordinates, shape (N, 2), of image points, shape (N, 2)."""
        points = np.ascontiguousarray(points_px, dtype=np.float64).reshape(-1, 2)
        if not self.bends or len(points) == 0:
            return (points - self.center_px) / self.focal_px
        seen = (points - self.center_px) / self.focal_px
        straight = np.empty_like(seen)
        straighten_points(seen, np.array(self.coefficients), straight)
        return straight

    def bend(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return image points in px, shape (N, 2), of straightened normalised coordinates, shape (N, 2)."""
        flat = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 2)
        if not self.bends or len(flat) == 0:
            return flat * self.focal_px + self.center_px
        # OpenCV's function for this also works out derivatives that nobody asked for, many times as long.
        bent = np.empty_like(flat)
        bend_points(flat, np.array(self.coefficients), self.focal_px, self.center_px, bent)
        return bent

    def answers(self, straight: NDArray[np.float64], terms: int) -> NDArray[np.float64]:
        """Return how straightened coordinates, shape (N, 2), answer to the first coefficients.

        Returns
        -------
        ndarray, shape (N, 2, terms)
            For k1, k2, p1, p2 as far as asked for, the image points held.
        """
        slopes = np.empty((len(straight), 2, 4))
        lens_slopes(np.ascontiguousarray(straight), np.array(self.coefficients), slopes)
        return slopes[..., :terms]


@compiled()
def _bent(x: float, y: float, coefficients: NDArray[np.float64]) -> tuple[float, float, float, float, float]:
    """Return a straightened place as the lens bends it, and the slopes xx, xy, yy of that."""
    k1, k2, p1, p2, k3 = coefficients
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    grows = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3))
    return (
        x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
        y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        radial + x * x * grows + 2.0 * p1 * y + 6.0 * p2 * x,
        x * y * grows + 2.0 * p1 * x + 2.0 * p2 * y,
        radial + y * y * grows + 6.0 * p1 * y + 2.0 * p2 * x,
    )


@compiled()
def bend_points(
    straight: NDArray[np.float64],
    coefficients: NDArray[np.float64],
    focal_px: tuple[float, float],
    center_px: tuple[float, float],
    bent_px: NDArray[np.float64],
) -> None:
    """Fill the image points, shape (N, 2), of straightened places, shape (N, 2)."""
    for n in range(straight.shape[0]):
        x, y, _, _, _ = _bent(straight[n, 0], straight[n, 1], coefficients)
        bent_px[n, 0], bent_px[n, 1] = focal_px[0] * x + center_px[0], focal_px[1] * y + center_px[1]


@compiled()
def straighten_points(
    seen: NDArray[np.float64], coefficients: NDArray[np.float64], straight: NDArray[np.float64]
) -> None:
    """Fill the places, shape (N, 2), that the lens bends to where they are seen, by Newton's steps."""
    for n in range(seen.shape[0]):
        x, y = seen[n, 0], seen[n, 1]
        for _ in range(_NEWTON_STEPS):
            bent_x, bent_y, xx, xy, yy = _bent(x, y, coefficients)
            miss_x, miss_y = seen[n, 0] - bent_x, seen[n, 1] - bent_y
            determinant = xx * yy - xy * xy
            step_x, step_y = (
                (yy * miss_x - xy * miss_y) / determinant,
                (xx * miss_y - xy * miss_x) / determinant,
            )
            x, y = x + step_x, y + step_y
            if abs(step_x) + abs(step_y) < _NEWTON_SETTLED:
                break
        straight[n, 0], straight[n, 1] = x, y


@compiled()
def lens_slopes(
    straight: NDArray[np.float64], coefficients: NDArray[np.float64], slopes: NDArray[np.float64]
) -> None:
    """Fill the slopes of straightened places, shape (N, 2), by k1, k2, p1, p2, shape (N, 2, 4)."""
    for n in range(straight.shape[0]):
        x, y = straight[n, 0], straight[n, 1]
        _, _, xx, xy, yy = _bent(x, y, coefficients)
        determinant, r2 = xx * yy - xy * xy, x * x + y * y
        # What a coefficient bends further, the straightened place has to give way for.
        for k in range(4):
            if k < 2:
                across, down = (x * r2, y * r2) if k == 0 else (x * r2 * r2, y * r2 * r2)
            elif k == 2:
                across, down = 2.0 * x * y, r2 + 2.0 * y * y
            else:
                across, down = r2 + 2.0 * x * x, 2.0 * x * y
            slopes[n, 0, k] = -(yy * across - xy * down) / determinant
            slopes[n, 1, k] = -(xx * down - xy * across) / determinant


@dataclass(frozen=True, slots=True)
class BoardSpec:
    """A ChArUco board: a chessboard with markers in its white squares, for calibrating a camera's lens.

    Attributes
    ----------
    columns, rows : int
        Number of squares.
    square_mm, marker_mm : float
    dictionary : str
        Name of a predefined dictionary of ``cv2.aruco``.
    """

    columns: int = 11
    rows: int = 9
    square_mm: float = 6.0
    marker_mm: float = 4.5
    dictionary: str = "DICT_4X4_100"

    def board(self) -> cv2.aruco.CharucoBoard:
        """Return OpenCV's board."""
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_mm, self.marker_mm, dictionary)


@dataclass(frozen=True, slots=True)
class NoLens:
    """Why a camera lens could not be calibrated."""

    detail: str


@dataclass(frozen=True, slots=True)
class LensCalibration:
    """A calibrated camera lens and how well it fits.

    Attributes
    ----------
    lens : CameraLens
    rms_px : float
        Root mean square reprojection error of the board's corners.
    views : int
        Number of frames used.
    """

    lens: CameraLens
    rms_px: float
    views: int


def calibrate_lens(frames: Sequence[NDArray[np.uint8]], board: BoardSpec) -> LensCalibration | NoLens:
    """Calibrate a camera's lens from frames of a ChArUco board held at different angles.

    Parameters
    ----------
    frames : sequence of ndarray of uint8, shape (height, width)
        At least four, the board tilted differently in each.
    board : BoardSpec

    Returns
    -------
    LensCalibration or NoLens
    """
    detector = cv2.aruco.CharucoDetector(board.board())
    places, images = [], []
    for frame in frames:
        corners, ids, _, _ = detector.detectBoard(frame)
        if ids is None or len(ids) < 8:
            continue
        place, image = board.board().matchImagePoints(corners, ids)  # type: ignore[call-overload]  # the stub wants a list
        places.append(place)
        images.append(image)
    if len(places) < 4:
        return NoLens(f"the board was found in {len(places)} of {len(frames)} frames; four are needed")
    height, width = frames[0].shape
    # One flag set: k3 trades off against k2 on a field this small and is left out.
    rms, matrix, coefficients, _, _ = cv2.calibrateCamera(
        places,
        images,
        (width, height),
        np.eye(3),
        np.zeros(5),
        flags=cv2.CALIB_FIX_K3,
    )
    k1, k2, p1, p2, k3 = (float(value) for value in np.ravel(coefficients)[:5])
    lens = CameraLens(
        (float(matrix[0, 0]), float(matrix[1, 1])),
        (float(matrix[0, 2]), float(matrix[1, 2])),
        (k1, k2, p1, p2, k3),
        "board",
    )
    return LensCalibration(lens, float(rms), len(places))
