"""The parts of a plate that tell nothing of a spot: hole, printed lines, markers, beyond the edge."""

from __future__ import annotations

import numpy as np

from vision.blocks import Array, DeadArea, HoleLike, circle, hole_area
from vision.plate import PlateSpec


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
