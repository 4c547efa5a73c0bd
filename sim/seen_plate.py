"""What a camera sees of its plate: which places show, which the hole and the edge hide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from sim.camera_geometry import CameraSetup
from sim.plate_art import TrueHole
from sim.spot_information import Hidden, covers
from vision.plate import PlateSpec

_RIM_MM: Final = 0.08  # blurred rim of the hole that a fit leaves out


@dataclass(frozen=True, eq=False)
class SeenPlate:
    """One camera and its plate, as a model of vision uses them.

    Attributes
    ----------
    setup : CameraSetup
    plate : PlateSpec
    hole : TrueHole or None
    corners_mm : sequence of (float, float)
        Corners of the frame on the plate, clockwise.
    shift_mm, bend : sequence of float, 2 x 2
        Error of the map of a place: a shift, and what grows with the place.
    speckle_seed : bytes
        Names bench and plate.
    """

    setup: CameraSetup
    plate: PlateSpec
    hole: TrueHole | None
    corners_mm: Sequence[tuple[float, float]]
    shift_mm: Sequence[float]
    bend: Sequence[Sequence[float]]
    speckle_seed: bytes

    @cached_property
    def pixel_mm2(self) -> float:
        """Area that a pixel sees on the plate."""
        pitch_mm = self.setup.field_mm / self.setup.width_px
        return pitch_mm**2 / math.cos(math.radians(self.setup.view_angle_deg))

    @cached_property
    def hidden(self) -> Hidden:
        """What ends of plate and frame hide, and the hole with its rim."""
        half_x, half_y = self.plate.width_mm / 2, self.plate.height_mm / 2
        rows = [(1.0, 0.0, half_x), (-1.0, 0.0, half_x), (0.0, 1.0, half_y), (0.0, -1.0, half_y)]
        corners = self.corners_mm
        for (x, y), (next_x, next_y) in zip(corners, [*corners[1:], corners[0]], strict=True):
            way_x, way_y = next_x - x, next_y - y
            rows.append((-way_y, way_x, way_x * y - way_y * x))
        edges, hole = np.array(rows), self.hole
        return Hidden(edges) if hole is None else Hidden(edges, (*hole.center_mm, hole.radius_mm + _RIM_MM))

    def holds(self, x_mm: float, y_mm: float, margin_mm: float) -> bool:
        """Tell whether a circle round a place is on the plate and in the frame."""
        return covers(self.hidden.edges, x_mm, y_mm, margin_mm)

    def mapped(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return where a map puts a true place; that error is the same in every look."""
        (xx, xy), (yx, yy) = self.bend
        shift_x, shift_y = self.shift_mm
        return x_mm + shift_x + xx * x_mm + xy * y_mm, y_mm + shift_y + yx * x_mm + yy * y_mm
