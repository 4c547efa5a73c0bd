"""A picture of how well a map meets its fiducials, for reports."""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.plate_map import PlateMap

_PAPER = (255, 255, 255)
_INK = (60, 60, 60)
_FAINT = (205, 205, 205)
# Blue and vermilion of Okabe & Ito (2008), as BGR; colour-blind people can tell them apart. From memory.
_MARK = (178, 114, 0)
_ARROW = (0, 94, 213)
_LONGEST_MM = 4.0

Picture = NDArray[np.uint8]
Place = Callable[[NDArray[np.float64]], NDArray[np.int32]]


def residual_picture(plate_map: PlateMap, width_px: int = 900) -> NDArray[np.uint8]:
    """Draw the fiducials' corners and, enlarged, by how much the map misses each.

    Parameters
    ----------
    plate_map : PlateMap
    width_px : int

    Returns
    -------
    ndarray of uint8, shape (height, width_px, 3)
        Blue, green, red, as OpenCV writes pictures. Bench x to the right, y up.
    """
    corners, residual = plate_map.corners_mm, plate_map.corner_residual_mm
    low, high = corners.min(axis=0) - 7, corners.max(axis=0) + 7
    scale = width_px / (high[0] - low[0])
    height_px = int((high[1] - low[1]) * scale)
    picture = np.full((height_px + 60, width_px, 3), _PAPER, np.uint8)

    def place(points_mm: NDArray[np.float64]) -> NDArray[np.int32]:
        px = (np.asarray(points_mm) - [low[0], high[1]]) * [scale, -scale]
        return np.asarray(np.rint(px), np.int32)

    _draw_plate(picture, plate_map, place, scale)
    enlarged = _enlargement(float(np.linalg.norm(residual, axis=1).max()))
    for corner, miss in zip(corners, residual, strict=True):
        start, end = place(corner), place(corner + enlarged * miss)
        cv2.circle(picture, _pair(start), 2, _ARROW, -1, cv2.LINE_AA)
        cv2.line(picture, _pair(start), _pair(end), _ARROW, 2, cv2.LINE_AA)
    _write_legend(picture, plate_map, enlarged, scale)
    return picture


def _draw_plate(picture: Picture, plate_map: PlateMap, place: Place, scale: float) -> None:
    """Draw the fiducials' squares, the origin, and the hole and the cross where they were seen."""
    for square in plate_map.corners_mm.reshape(-1, 4, 2):
        cv2.polylines(picture, [place(square)], True, _FAINT, 1, cv2.LINE_AA)
    for arm in ((1.0, 0.0), (0.0, 1.0)):
        ends = place(np.array([arm, arm]) * [[-1.5], [1.5]])
        cv2.line(picture, _pair(ends[0]), _pair(ends[1]), _FAINT, 1, cv2.LINE_AA)
    if plate_map.hole is not None:
        center = _pair(place(plate_map.hole.center_mm))
        cv2.circle(picture, center, max(1, round(plate_map.hole.radius_mm * scale)), _MARK, 2, cv2.LINE_AA)
    if plate_map.mark is not None:
        center = _pair(place(plate_map.mark.center_mm))
        cv2.drawMarker(picture, center, _MARK, cv2.MARKER_CROSS, max(8, round(2 * scale)), 2, cv2.LINE_AA)


def _write_legend(picture: Picture, plate_map: PlateMap, enlarged: float, scale: float) -> None:
    left, base = 16, picture.shape[0] - 20
    bar_mm = 5.0
    end = left + round(bar_mm * scale)
    cv2.line(picture, (left, base - 14), (end, base - 14), _INK, 2)
    _text(picture, f"{bar_mm:g} mm on the plate; lines {bar_mm / enlarged * 1e3:.3g} um", (left, base + 4))
    words = f"{plate_map.plate}: {len(plate_map.fiducials_used)} fiducials, RMS {plate_map.rms_um:.2f} um"
    _text(picture, words, (picture.shape[1] // 2, base + 4))


def _text(picture: Picture, words: str, place: tuple[int, int]) -> None:
    cv2.putText(picture, words, place, cv2.FONT_HERSHEY_SIMPLEX, 0.5, _INK, 1, cv2.LINE_AA)


def _pair(point: NDArray[np.int32]) -> tuple[int, int]:
    return int(point[0]), int(point[1])


def _enlargement(longest_mm: float) -> float:
    """Return a round factor (1, 2 or 5 times a power of ten) that makes the longest residual some mm long."""
    ratio = _LONGEST_MM / max(longest_mm, 1e-6)
    power = 10.0 ** math.floor(math.log10(ratio))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= ratio)
