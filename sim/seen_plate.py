"""What a camera sees of its plate: which places show, which the hole and the edge hide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sim.camera_geometry import CameraSetup
from sim.plate_art import TrueHole
from sim.quick_spots import QuickSpot
from sim.spot_information import NO_EDGES, NO_HOLE, Hidden
from vision.plate import PlateSpec

Array = NDArray[np.float64]
_RIM_MM: Final = 0.08  # blurred rim of the hole that a fit leaves out
_RING: Final = tuple((math.cos(n * math.pi / 4), math.sin(n * math.pi / 4)) for n in range(8))


@dataclass(frozen=True, eq=False)
class SeenPlate:
    """One camera and its plate, as a model of vision uses them."""

    setup: CameraSetup
    plate: PlateSpec
    hole: TrueHole | None
    corners_mm: Array
    shift_mm: Array
    bend: Array
    speckle_seed: bytes

    @cached_property
    def pixel_mm2(self) -> float:
        """Area that a pixel sees on the plate."""
        pitch_mm = self.setup.field_mm / self.setup.width_px
        return pitch_mm**2 / math.cos(math.radians(self.setup.view_angle_deg))

    @cached_property
    def edges(self) -> Array:
        """Ends of plate and frame, shape (8, 3), as :class:`sim.spot_information.Hidden` has them."""
        half_x, half_y = self.plate.width_mm / 2, self.plate.height_mm / 2
        corners = self.corners_mm.tolist()
        rows = [(1.0, 0.0, half_x), (-1.0, 0.0, half_x), (0.0, 1.0, half_y), (0.0, -1.0, half_y)]
        for (x, y), (next_x, next_y) in zip(corners, corners[1:] + corners[:1], strict=True):
            way_x, way_y = next_x - x, next_y - y
            rows.append((-way_y, way_x, way_x * y - way_y * x))
        return np.array(rows)

    @cached_property
    def _safe_mm(self) -> float:
        """Radius round the plate's middle that is surely covered; below 0 where the middle itself is not."""
        return min([float(c) / math.hypot(a, b) for a, b, c in self.edges.tolist()])

    def holds(self, center_mm: Sequence[float], margin_mm: float) -> bool:
        """Tell whether a circle round a place is on the plate and in the frame."""
        x_mm, y_mm = center_mm
        if math.hypot(x_mm, y_mm) + margin_mm < self._safe_mm:
            return True
        return all(
            a * (x_mm + margin_mm * cosine) + b * (y_mm + margin_mm * sine) <= c
            for a, b, c in self.edges.tolist()
            for cosine, sine in _RING
        )

    def hides(self, spots: Sequence[QuickSpot], reach_radii: float) -> Hidden | None:
        """Return what hides places of these spots; None where they show whole."""
        near_edge = any(not self.holds(spot.center_mm, 1.5 * spot.radius_mm) for spot in spots)
        hole = self.hole
        rim_mm = 0.0 if hole is None else hole.radius_mm + _RIM_MM
        near_hole = hole is not None and any(
            math.dist(spot.center_mm, hole.center_mm) < reach_radii * spot.radius_mm + rim_mm
            for spot in spots
        )
        if not (near_edge or near_hole):
            return None
        rim = (*hole.center_mm, rim_mm) if near_hole and hole is not None else NO_HOLE
        return Hidden(self.edges if near_edge else NO_EDGES, rim)

    def mapped(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return where a map puts a true place; that error is the same in every look."""
        (xx, xy), (yx, yy) = self._bend
        shift_x, shift_y = self._shift
        return x_mm + shift_x + xx * x_mm + xy * y_mm, y_mm + shift_y + yx * x_mm + yy * y_mm

    @cached_property
    def _bend(self) -> list[list[float]]:
        return self.bend.tolist()  # type: ignore[no-any-return]  # shape (2, 2)

    @cached_property
    def _shift(self) -> list[float]:
        return self.shift_mm.tolist()  # type: ignore[no-any-return]  # shape (2,)
