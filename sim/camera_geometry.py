"""Where the cameras stand and how plate coordinates become pixels: pinhole with lens distortion.

A camera sees its plate obliquely, so a circle on the plate is an ellipse with perspective in the image.
Distortion follows the Brown model in OpenCV's order of coefficients (k1, k2, p1, p2, k3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled
from vision.image import Sensor
from vision.plate import PlateSpec, Side

# A bilinear cell of 8 px is off by less than 0.2 um on the plate (see the test): far below a map's error.
_CELL_PX = 8


def _default_sensor() -> Sensor:
    # Real sensors have a pedestal: without one, clipping at zero would bias every dark pixel.
    # Half a field of 64 mm, seen from 200 mm.
    return Sensor(black_level_dn=64.0, falloff=0.05)


@dataclass(frozen=True, slots=True)
class CameraSetup:
    """One camera as it is set up; the simulated bench adds small errors of pose on top.

    Attributes
    ----------
    plate : str
        Name of the plate that it looks at.
    side : {"front", "behind"}
        "front": faces the printed face. "behind": sees the print through the plate, mirrored.
    width_px, height_px : int
    field_mm : float
        Width of the field of view at the middle of the plate, across the line of sight.
    view_angle_deg : float
        Between the line of sight and the plate's normal.
    azimuth_deg : float
        Towards which side of the plate the camera stands: 0 = +x, 90 = +y (above) in the bench frame.
    roll_deg : float
        Rotation of the camera about its line of sight.
    aim_mm : tuple of float
        Bench x, y of the point on the plate in the middle of the picture.
    focal_px : float
        Focal length in pixels; with ``field_mm`` it fixes the distance.
    distortion : tuple of float
        k1, k2, p1, p2, k3.
    sensor : vision.image.Sensor
    blur_px : float
        Blur of the camera's optics, 1 sigma.
    beam_rate_e_mm2_per_s : float
        Photo-electrons per second in a pixel that sees a white plate lit by one beam power per mm2, before
        the filter.
    filter_transmission : float
        Of the neutral-density filter in front of the camera; the transmitted spot needs one.

    Raises
    ------
    ValueError
        For a value that no camera can have.
    """

    plate: str
    side: Side = "front"
    width_px: int = 1280
    height_px: int = 1024
    field_mm: float = 64.0
    view_angle_deg: float = 30.0
    azimuth_deg: float = 90.0
    roll_deg: float = 0.0
    aim_mm: tuple[float, float] = (0.0, 0.0)
    focal_px: float = 4000.0
    distortion: tuple[float, float, float, float, float] = (-0.02, 0.0, 0.0, 0.0, 0.0)
    sensor: Sensor = field(default_factory=_default_sensor)
    blur_px: float = 0.7
    beam_rate_e_mm2_per_s: float = 8e7
    filter_transmission: float = 1.0

    def __post_init__(self) -> None:
        for name in ("width_px", "height_px", "field_mm", "focal_px", "beam_rate_e_mm2_per_s"):
            if not getattr(self, name) > 0:
                raise ValueError(
                    f"camera on {self.plate!r}: {name} is {getattr(self, name)}; allowed is above 0"
                )
        if not 0.0 <= self.view_angle_deg < 80.0:
            raise ValueError(
                f"camera on {self.plate!r}: view_angle_deg is {self.view_angle_deg}; allowed is 0 to below 80"
            )
        if self.side not in ("front", "behind"):
            raise ValueError(f"camera on {self.plate!r}: side is {self.side!r}; allowed: 'front', 'behind'")
        if not 0.0 < self.filter_transmission <= 1.0:
            raise ValueError(
                f"camera on {self.plate!r}: filter_transmission is {self.filter_transmission}; "
                "allowed is above 0 to 1"
            )

    @property
    def distance_mm(self) -> float:
        """Distance from the camera to the point that it aims at."""
        return self.focal_px * self.field_mm / self.width_px


@dataclass(frozen=True, slots=True)
class PoseError:
    """How a camera deviates from its set-up.

    Attributes
    ----------
    turn_mrad : tuple of float
        Rotation vector in the camera's own frame (x right, y down, z forward).
    shift_mm : tuple of float
        Shift of the camera in the bench frame.
    distortion : float
        Added to the first radial coefficient.
    """

    turn_mrad: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    distortion: float = 0.0


class PlateView:
    """The mapping between a plate (x, y in mm) and a camera's pixels, both ways.

    The plate's z is taken as 0; only the geometry between camera and plate counts.

    Parameters
    ----------
    setup : CameraSetup
    plate : PlateSpec
    error : PoseError
    """

    def __init__(self, setup: CameraSetup, plate: PlateSpec, error: PoseError = PoseError()) -> None:
        self.setup = setup
        self.plate = plate
        self.rotation, self.position_mm = _pose(setup, plate, error)
        self.matrix = np.array(
            [
                [setup.focal_px, 0.0, (setup.width_px - 1) / 2],
                [0.0, setup.focal_px, (setup.height_px - 1) / 2],
                [0.0, 0.0, 1.0],
            ]
        )
        k1, k2, p1, p2, k3 = setup.distortion
        self.distortion = np.array([k1 + error.distortion, k2, p1, p2, k3])

    def to_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the image points, shape (N, 2) px, of plate points, shape (N, 2) mm."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        solid = np.column_stack([points, np.zeros(len(points))])
        # Turned here and not by a rotation vector, which loses half its digits near half a turn.
        seen = (solid - self.position_mm) @ self.rotation.T
        none = np.zeros(3)
        image, _ = cv2.projectPoints(seen[:, None, :], none, none, self.matrix, self.distortion)
        return np.asarray(image, float).reshape(-1, 2)

    def to_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the plate points, shape (N, 2) mm, of image points, shape (N, 2) px."""
        points = np.ascontiguousarray(points_px, dtype=np.float64).reshape(-1, 1, 2)
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 1e-12)
        straight = cv2.undistortPointsIter(
            points, self.matrix, self.distortion, np.eye(3), np.eye(3), stop
        ).reshape(-1, 2)
        rays = np.column_stack([straight, np.ones(len(straight))]) @ self.rotation
        hit: NDArray[np.float64] = (
            self.position_mm[:2] - rays[:, :2] * (self.position_mm[2] / rays[:, 2])[:, None]
        )
        return hit

    def jacobian_mm_per_px(self, point_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return d(plate x, y)/d(column, row), shape (2, 2), at an image point."""
        x, y = point_px
        steps = np.array([[x + 0.5, y], [x - 0.5, y], [x, y + 0.5], [x, y - 0.5]])
        right, left, down, up = self.to_mm(steps)
        return np.column_stack([right - left, down - up])

    @cached_property
    def middle_jacobian(self) -> NDArray[np.float64]:
        """d(plate x, y)/d(column, row), shape (2, 2), in the middle of the picture."""
        return self.jacobian_mm_per_px(np.array([self.setup.width_px - 1, self.setup.height_px - 1]) / 2)

    @property
    def pixel_mm(self) -> float:
        """Size of a pixel on the plate, in the middle of the picture."""
        return math.sqrt(abs(float(np.linalg.det(self.middle_jacobian))))

    @cached_property
    def samples_mm(self) -> NDArray[np.float64]:
        """Plate x and y of every eighth pixel's centre and beyond the last, shape (rows, columns, 2)."""
        rows, columns = (-(-size // _CELL_PX) + 1 for size in (self.setup.height_px, self.setup.width_px))
        grid_y, grid_x = np.mgrid[0:rows, 0:columns] * float(_CELL_PX)
        return self.to_mm(np.column_stack([grid_x.ravel(), grid_y.ravel()])).reshape(rows, columns, 2)

    def maps_mm(
        self, samples_mm: NDArray[np.float64] | None = None
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return plate x and y of every pixel's centre, two arrays of shape (height, width).

        ``samples_mm`` in another frame than :attr:`samples_mm` give the maps in that frame.
        """
        samples = (self.samples_mm if samples_mm is None else samples_mm).astype(np.float32)
        shape = (self.setup.height_px, self.setup.width_px)
        x, y = np.empty(shape, np.float32), np.empty(shape, np.float32)
        for axis, filled in enumerate((x, y)):
            _upsample(filled, np.ascontiguousarray(samples[..., axis]))
        return x, y


@compiled(any_order=True)
def _upsample(filled: NDArray[np.float32], coarse: NDArray[np.float32]) -> None:
    """Interpolate samples that stand ``_CELL_PX`` apart to every pixel, linearly."""
    rows, columns = filled.shape
    cells = coarse.shape[1]
    line, wide = np.empty(cells, np.float32), np.empty(cells * _CELL_PX, np.float32)
    share = (np.arange(_CELL_PX) / _CELL_PX).astype(np.float32)
    for row in range(rows):
        above, down = row // _CELL_PX, share[row % _CELL_PX]
        for cell in range(cells):
            line[cell] = coarse[above, cell] + down * (coarse[above + 1, cell] - coarse[above, cell])
        for cell in range(cells - 1):
            left, rise = line[cell], line[cell + 1] - line[cell]
            for at in range(_CELL_PX):
                wide[cell * _CELL_PX + at] = left + rise * share[at]
        for column in range(columns):
            filled[row, column] = wide[column]


def _pose(
    setup: CameraSetup, plate: PlateSpec, error: PoseError
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rotation (bench to camera: x right, y down, z forward) and position of the camera (bench frame)."""
    outward = 1.0 if plate.faces == "downstream" else -1.0
    if setup.side == "behind":
        outward = -outward
    angle, azimuth = math.radians(setup.view_angle_deg), math.radians(setup.azimuth_deg)
    away = np.array(
        [
            math.sin(angle) * math.cos(azimuth),
            math.sin(angle) * math.sin(azimuth),
            math.cos(angle) * outward,
        ]
    )
    forward = -away
    right = np.array([-forward[2], 0.0, forward[0]])  # across forward and the vertical
    right /= np.linalg.norm(right)
    level = np.array([right, _cross(forward, right), forward])
    roll = math.radians(setup.roll_deg)
    rolled = np.array(
        [[math.cos(roll), math.sin(roll), 0.0], [-math.sin(roll), math.cos(roll), 0.0], [0, 0, 1]]
    )
    turned, _ = cv2.Rodrigues(np.array(error.turn_mrad) * 1e-3)
    position = np.array([*setup.aim_mm, 0.0]) + away * setup.distance_mm + np.array(error.shift_mm)
    return np.asarray(turned @ rolled @ level, float), position


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cross product of two vectors, shape (3,); numpy's own takes forty times as long."""
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])
