"""The parts of a plate that tell nothing of a spot: hole, printed lines, markers, beyond the edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from vision.blocks import Array, Array32, DeadArea, HoleLike, PixelMap, circle, hole_area, jacobian_at
from vision.plate import PlateSpec

_SHIFT = 4  # fractional bits of cv2's drawing coordinates


@dataclass(frozen=True, eq=False, slots=True)
class _Seen:
    """What decides which pixels are dead, as a key: equal where it is of the very same objects."""

    plate_map: PixelMap
    hole: HoleLike | None
    plate: PlateSpec | None
    shape: tuple[int, ...]

    def __hash__(self) -> int:
        return hash((id(self.plate_map), id(self.hole), id(self.plate), self.shape))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, _Seen)
            and self.plate_map is other.plate_map
            and self.hole is other.hole
            and self.plate is other.plate
            and self.shape == other.shape
        )


def seen_plate(
    plate_map: PixelMap, hole: HoleLike | None, plate: PlateSpec | None, shape: tuple[int, ...]
) -> tuple[float, Array32 | None]:
    """Return the size of a pixel on the plate, mm, and which pixels of a frame show it, as `valid_pixels`.

    It is the same for every frame of one map, so it is kept: drawing it takes as long as measuring a spot.
    """
    return _drawn(_Seen(plate_map, hole, plate, shape))


@lru_cache(maxsize=4)
def _drawn(seen: _Seen) -> tuple[float, Array32 | None]:
    rows, columns = seen.shape
    jacobian = jacobian_at(seen.plate_map, np.array([columns, rows]) / 2.0)
    pitch_mm = float(np.sqrt(abs(np.linalg.det(jacobian))))
    valid = valid_pixels(seen.shape, seen.plate_map, dead_areas(seen.hole, seen.plate, pitch_mm))
    if valid is not None:
        valid.setflags(write=False)
    return pitch_mm, valid


def dead_areas(
    hole: HoleLike | None, plate: PlateSpec | None, pitch_mm: float, margin_px: float = 2.0
) -> list[DeadArea]:
    """Return everything on the plate that a fit has to leave out.

    Parameters
    ----------
    hole : HoleLike, optional
        The hole as found; without it the drawn hole of ``plate`` is left out with a wide margin.
    plate : PlateSpec, optional
        What is printed on the plate.
    pitch_mm : float
        Size of a pixel on the plate.
    margin_px : float
        What is left out around the hole for its soft rim.
    """
    areas = []
    if hole is not None:
        areas.append(hole_area(hole, pitch_mm, margin_px))
    elif plate is not None and plate.hole_radius_mm is not None:
        areas.append(DeadArea(circle(np.asarray(plate.hole_center_mm), plate.hole_radius_mm + 0.3)))
    if plate is not None:
        areas.extend(_print_of(plate, pitch_mm))
    return areas


def _print_of(plate: PlateSpec, pitch_mm: float) -> list[DeadArea]:
    half = np.array([plate.width_mm, plate.height_mm]) / 2.0 - 2.0 * pitch_mm
    corners: Array = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    areas = [DeadArea(corners * half, outside=True)]
    center = np.asarray(plate.mark_center_mm, float)
    width = plate.line_width_mm
    for radius in plate.ring_radii_mm:
        areas.append(DeadArea(circle(center, radius, 180), width_mm=width))
    if plate.cross_arm_mm is not None:
        for along in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
            arm, gap = (
                (plate.cross_arm_mm + pitch_mm) * along,
                max(plate.cross_gap_mm - pitch_mm, 0.0) * along,
            )
            # Closed lines there and back again.
            areas.append(DeadArea(np.stack([center + gap, center + arm]), width_mm=width))
            areas.append(DeadArea(np.stack([center - gap, center - arm]), width_mm=width))
    side = plate.fiducial_side_mm + 4.0 * pitch_mm
    for place in plate.fiducials.values():
        areas.append(DeadArea(np.asarray(place, float) + corners * side / 2.0))
    return areas


def valid_pixels(shape: tuple[int, ...], plate_map: PixelMap, dead: Sequence[DeadArea]) -> Array32 | None:
    """Return 1 for pixels that show the plate, 0 for dead ones; None when all show it."""
    valid: Array32 | None = None
    for area in dead:
        points = plate_map.to_px(area.outline_mm)
        low, high = points.min(axis=0), points.max(axis=0)
        outer = area.outside and low[0] < 0 and low[1] < 0 and high[0] > shape[1] and high[1] > shape[0]
        apart = high[0] < -4 or high[1] < -4 or low[0] > shape[1] + 4 or low[1] > shape[0] + 4
        if (apart and not area.outside) or (outer and _is_inside(points, shape)):
            continue
        if valid is None:
            valid = np.ones(shape, np.float32)
        corners = np.clip(np.round(points * 2**_SHIFT), -(2**26), 2**26).astype(np.int32)
        if area.outside:
            inside = np.zeros(shape, np.float32)
            cv2.fillPoly(inside, [corners], 1.0, shift=_SHIFT)
            valid *= inside
        elif area.width_mm > 0:
            pitch = _pitch_px(points, area.outline_mm)
            cv2.polylines(valid, [corners], True, 0.0, int(np.ceil(area.width_mm * pitch)) + 1, shift=_SHIFT)
        else:
            cv2.fillPoly(valid, [corners], 0.0, shift=_SHIFT)
    return valid


def _pitch_px(points_px: Array, points_mm: Array) -> float:
    """Return px per mm along a closed outline given in both."""
    length_px = np.linalg.norm(np.diff(points_px, axis=0, append=points_px[:1]), axis=1).sum()
    length_mm = np.linalg.norm(np.diff(points_mm, axis=0, append=points_mm[:1]), axis=1).sum()
    return float(length_px / length_mm)


def _is_inside(points: Array, shape: tuple[int, ...]) -> bool:
    corners = [(0.0, 0.0), (shape[1], 0.0), (0.0, shape[0]), (shape[1], shape[0])]
    contour = points.astype(np.float32).reshape(-1, 1, 2)
    return all(cv2.pointPolygonTest(contour, corner, False) > 0 for corner in corners)
