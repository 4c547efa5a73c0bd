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
from sim.spot_information import Seen
from vision.plate import PlateSpec

Array = NDArray[np.float64]
_RIM_MM: Final = 0.08  # blurred rim of the hole that a fit leaves out


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

    def covers(self, at_mm: Array) -> NDArray[np.bool_]:
        """Tell which places, shape (2, N), are on the plate and in the frame."""
        half_x, half_y = self.plate.width_mm / 2, self.plate.height_mm / 2
        inside: NDArray[np.bool_] = (np.abs(at_mm[0]) <= half_x) & (np.abs(at_mm[1]) <= half_y)
        for one, two in zip(self.corners_mm, np.roll(self.corners_mm, -1, axis=0), strict=True):
            way = two - one
            inside &= way[0] * (at_mm[1] - one[1]) - way[1] * (at_mm[0] - one[0]) <= 0.0
        return inside

    @cached_property
    def _safe_mm(self) -> float:
        """Radius round the plate's middle that is surely covered; below 0 where the middle itself is not."""
        safe = min(self.plate.width_mm, self.plate.height_mm) / 2
        for one, two in zip(self.corners_mm, np.roll(self.corners_mm, -1, axis=0), strict=True):
            way = two - one
            safe = min(safe, float(one[0] * way[1] - one[1] * way[0]) / -math.hypot(*way))
        return safe

    def holds(self, center_mm: Sequence[float] | Array, margin_mm: float) -> bool:
        """Tell whether a circle round a place is on the plate and in the frame."""
        if math.hypot(*center_mm) + margin_mm < self._safe_mm:
            return True
        angle = np.arange(8) * (math.pi / 4)
        ring = np.array([np.cos(angle), np.sin(angle)]) * margin_mm
        return bool(np.all(self.covers(np.asarray(center_mm, float)[:, None] + ring)))

    def hides(self, spots: Sequence[QuickSpot], reach_radii: float) -> Seen | None:
        """Return what says which places, shape (2, N), show of these spots; None where all do."""
        near_edge = any(not self.holds(spot.center_mm, 1.5 * spot.radius_mm) for spot in spots)
        hole = self.hole
        rim_mm = 0.0 if hole is None else hole.radius_mm + _RIM_MM
        near_hole = hole is not None and any(
            math.dist(spot.center_mm, hole.center_mm) < reach_radii * spot.radius_mm + rim_mm
            for spot in spots
        )
        if not (near_edge or near_hole):
            return None

        def seen(at_mm: Array) -> NDArray[np.bool_]:
            shown = self.covers(at_mm) if near_edge else np.ones(at_mm.shape[1], bool)
            if near_hole and hole is not None:
                dx, dy = at_mm[0] - hole.center_mm[0], at_mm[1] - hole.center_mm[1]
                shown &= dx * dx + dy * dy > rim_mm**2
            return shown

        return seen

    def mapped(self, at_mm: Array) -> Array:
        """Return where a map puts a true place, shape (2,); that error is the same in every look."""
        moved: Array = at_mm + self.shift_mm + self.bend @ at_mm
        return moved
