"""The camera's lens: straight lines that its image bends, as OpenCV's camera model describes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_UNDISTORT_STOP = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 60, 1e-12)


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
        straight = cv2.undistortPointsIter(
            points[:, None, :],
            self._matrix(),
            np.array(self.coefficients),
            np.eye(3),
            np.eye(3),
            _UNDISTORT_STOP,
        )
        return np.asarray(straight, np.float64).reshape(-1, 2)

    def bend(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return image points in px, shape (N, 2), of straightened normalised coordinates, shape (N, 2)."""
        flat = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 2)
        if not self.bends or len(flat) == 0:
            return flat * self.focal_px + self.center_px
        # OpenCV's function for this also works out derivatives that nobody asked for, many times as long.
        k1, k2, p1, p2, k3 = self.coefficients
        x, y = flat.T
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        bent = np.empty_like(flat)
        bent[:, 0] = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
        bent[:, 1] = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
        bent *= self.focal_px
        bent += self.center_px
        return bent

    def _matrix(self) -> NDArray[np.float64]:
        (fx, fy), (cx, cy) = self.focal_px, self.center_px
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])


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
