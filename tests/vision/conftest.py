"""A small renderer of plates, independent of the simulator: exact geometry, area-averaged pixels."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from vision.image import Image, Sensor
from vision.plate import PlateSpec

PAPER, INK = 0.85, 0.08
WIDTH, HEIGHT = 1280, 1024


def _cover(depth_mm, texel_mm):
    """Share of a texel inside a shape whose edge lies ``depth_mm`` away."""
    return np.clip(depth_mm / texel_mm + 0.5, 0, 1)


def _grid(plate: PlateSpec, texel_mm: float):
    columns, rows = round(plate.width_mm / texel_mm), round(plate.height_mm / texel_mm)
    x = (np.arange(columns, dtype=np.float32) + 0.5) * np.float32(texel_mm) - np.float32(plate.width_mm / 2)
    y = np.float32(plate.height_mm / 2) - (np.arange(rows, dtype=np.float32) + 0.5) * np.float32(texel_mm)
    return np.meshgrid(x, y)


def paint(plate: PlateSpec, texel_mm: float = 0.02) -> np.ndarray:
    """Reflectance of the plate in bench x (columns) and y (rows, down), without its hole."""
    x, y = _grid(plate, texel_mm)
    u, v = x - plate.mark_center_mm[0], y - plate.mark_center_mm[1]
    half = plate.line_width_mm / 2
    ink = np.zeros_like(x)
    for radius in plate.ring_radii_mm:
        ink = np.maximum(ink, _cover(half - np.abs(np.hypot(u, v) - radius), texel_mm))
    if plate.cross_arm_mm is not None:
        for along, across in ((u, v), (v, u)):
            arm = np.minimum(
                _cover(half - np.abs(across), texel_mm), _cover(plate.cross_arm_mm - np.abs(along), texel_mm)
            )
            if plate.cross_gap_mm:
                arm = np.minimum(arm, _cover(np.abs(along) - plate.cross_gap_mm, texel_mm))
            ink = np.maximum(ink, arm)
    reflectance = PAPER - 0.7 * ink
    for number, center in plate.fiducials.items():
        _paint_marker(reflectance, plate, number, center, x, y, texel_mm)
    return reflectance.astype(np.float32)


def _paint_marker(reflectance, plate, number, center, x, y, texel_mm):
    bits = cv2.aruco.generateImageMarker(plate.dictionary(), number, 6, borderBits=1) / 255.0
    reader_x = 1.0 if plate.faces == "downstream" else -1.0
    side = plate.fiducial_side_mm
    near = (np.abs(x - center[0]) < side / 2 + texel_mm) & (np.abs(y - center[1]) < side / 2 + texel_mm)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    window = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    total = np.zeros_like(x[window])
    for i, j in np.ndindex(5, 5):
        a = ((x[window] + ((i + 0.5) / 5 - 0.5) * texel_mm - center[0]) * reader_x / side + 0.5) * 6
        b = (0.5 - (y[window] + ((j + 0.5) / 5 - 0.5) * texel_mm - center[1]) / side) * 6
        inside = (a >= 0) & (a < 6) & (b >= 0) & (b < 6)
        bit = bits[np.clip(b.astype(int), 0, 5), np.clip(a.astype(int), 0, 5)]
        total += np.where(inside, INK + (PAPER - INK) * bit, reflectance[window])
    reflectance[window] = total / 25


def drill(reflectance, plate, center_mm, *, rim=0.0, rim_arc=(0.0, 2 * np.pi), wall=0.0, texel_mm=0.02):
    """Cut the hole: dark inside, with a bright rim over an arc (rad), and a lit wall that shows inside."""
    reach = round((plate.hole_radius_mm + 0.4) / texel_mm)
    column = round((center_mm[0] + plate.width_mm / 2) / texel_mm)
    row = round((plate.height_mm / 2 - center_mm[1]) / texel_mm)
    window = np.s_[row - reach : row + reach, column - reach : column + reach]
    x, y = np.meshgrid(
        (np.arange(column - reach, column + reach) + 0.5) * texel_mm - plate.width_mm / 2 - center_mm[0],
        plate.height_mm / 2 - (np.arange(row - reach, row + reach) + 0.5) * texel_mm - center_mm[1],
    )
    distance = np.hypot(x, y) - plate.hole_radius_mm
    inside = _cover(-distance, texel_mm)
    # Seen obliquely, the far wall shows as a crescent of the hole shifted along x.
    depth = np.where((wall > 0) & (np.hypot(x - 0.5, y) > plate.hole_radius_mm), wall, 0.03)
    angle = np.arctan2(y, x) % (2 * np.pi)
    glint = rim * ((angle >= rim_arc[0]) & (angle <= rim_arc[1])) * np.exp(-0.5 * (distance / 0.05) ** 2)
    result = reflectance.copy()
    result[window] = reflectance[window] * (1 - inside) + depth * inside + glint
    return result


@dataclass(frozen=True)
class View:
    """A pinhole camera with OpenCV's distortion, looking at a plate."""

    homography: np.ndarray
    matrix: np.ndarray
    distortion: np.ndarray
    size: tuple[int, int] = (WIDTH, HEIGHT)

    def to_px(self, points_mm):
        lifted = np.column_stack([points_mm, np.ones(len(points_mm))]) @ self.homography.T
        normal = (lifted[:, :2] / lifted[:, 2:] - self.matrix[:2, 2]) / np.diag(self.matrix)[:2]
        solid = np.column_stack([normal, np.ones(len(normal))])[:, None]
        return cv2.projectPoints(solid, np.zeros(3), np.zeros(3), self.matrix, self.distortion)[0].reshape(
            -1, 2
        )

    def to_mm(self, points_px):
        points = np.ascontiguousarray(points_px, float)[:, None]
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 80, 1e-13)
        flat = cv2.undistortPointsIter(points, self.matrix, self.distortion, np.eye(3), self.matrix, stop)
        lifted = (
            np.column_stack([flat.reshape(-1, 2), np.ones(len(points))]) @ np.linalg.inv(self.homography).T
        )
        return lifted[:, :2] / lifted[:, 2:]

    def shifted(self, shift_mm, turn_rad=0.0):
        """The same camera after the plate was knocked."""
        c, s = np.cos(turn_rad), np.sin(turn_rad)
        move = np.array([[c, -s, shift_mm[0]], [s, c, shift_mm[1]], [0, 0, 1]])
        return View(self.homography @ move, self.matrix, self.distortion, self.size)


def look_at(
    plate,
    *,
    side="front",
    tilt_deg=30.0,
    azimuth_deg=0.0,
    roll_deg=0.0,
    field_mm=64.0,
    focal_px=4000.0,
    distortion=(0, 0, 0, 0, 0),
    principal_px=(0.0, 0.0),
    size=(WIDTH, HEIGHT),
):
    """A camera that looks at the plate's origin from ``tilt_deg`` off its normal."""
    toward = 1.0 if plate.faces == "downstream" else -1.0
    toward = toward if side == "front" else -toward
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    distance = focal_px * field_mm / size[0]
    place = distance * np.array(
        [np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), toward * np.cos(tilt)]
    )
    forward = -place / np.linalg.norm(place)
    right = np.cross(forward, [0, 1, 0])
    right /= np.linalg.norm(right)
    up = np.cross(right, forward)
    right, up = np.cos(roll) * right + np.sin(roll) * up, np.cos(roll) * up - np.sin(roll) * right
    rotation = np.array([right, -up, forward])
    shift = -rotation @ place
    matrix = np.array(
        [
            [focal_px, 0, (size[0] - 1) / 2 + principal_px[0]],
            [0, focal_px, (size[1] - 1) / 2 + principal_px[1]],
            [0, 0, 1],
        ]
    )
    homography = matrix @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])
    return View(homography, matrix, np.array(distortion, float), size)


def render(reflectance, plate, view, *, texel_mm=0.02, blur_px=0.8, samples=2):
    """Image of the plate in reflectance, each pixel averaged over its area, blurred by the lens."""
    width, height = view.size
    # The place of every 4th pixel exactly, between them linearly: 1e-4 px is lost. One cell more all round.
    cell, times = 4, 4 * samples
    grid_x, grid_y = ((np.arange(-1, size // cell + 1) + 0.5) * cell - 0.5 for size in (width, height))
    coarse = np.stack(np.meshgrid(grid_x, grid_y), axis=-1).reshape(-1, 2)
    place = view.to_mm(coarse).reshape(len(grid_y), len(grid_x), 2)
    column = (place[..., 0] + plate.width_mm / 2) / texel_mm - 0.5
    row = (plate.height_mm / 2 - place[..., 1]) / texel_mm - 0.5
    maps = [
        cv2.resize(values.astype(np.float32), None, fx=times, fy=times, interpolation=cv2.INTER_LINEAR)[
            times:-times, times:-times
        ]
        for values in (column, row)
    ]
    fine = cv2.remap(reflectance, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.2)
    image = cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(image, (0, 0), blur_px) if blur_px else image


def expose(image, rng, *, level=0.6, glow=None, exposure_s=0.01, sensor=None):
    """Frame with shot and read noise; ``level`` 1 is a full well, ``glow`` is light in electrons."""
    sensor = Sensor() if sensor is None else sensor
    electrons = image * level * sensor.full_scale_dn * sensor.gain_e_per_dn
    if glow is not None:
        electrons = electrons + glow
    electrons = rng.poisson(np.clip(electrons, 0, 1e7)) + rng.normal(0, sensor.read_noise_e, electrons.shape)
    counts = np.rint(electrons / sensor.gain_e_per_dn + sensor.black_level_dn)
    return Image(np.clip(counts, 0, sensor.full_scale_dn).astype(np.uint16), exposure_s, sensor)


@pytest.fixture(scope="session")
def plate_scene():
    """The renderer's functions; painted plates are kept for the session."""
    painted: dict[str, np.ndarray] = {}

    def paint_once(plate, texel_mm=0.02):
        key = f"{plate.fingerprint()} {texel_mm}"
        if key not in painted:
            painted[key] = paint(plate, texel_mm)
        return painted[key]

    return SimpleNamespace(paint=paint_once, drill=drill, look_at=look_at, render=render, expose=expose)


@pytest.fixture(scope="session")
def rng_of():
    """A generator for each name: a test's noise does not depend on which other tests ran."""
    return lambda name: np.random.default_rng(list(str(name).encode()))
