"""What is printed on a plate and where: hole target, reference target, fiducials, rings, cross.

All positions are bench-frame x, y in mm on the plate (looking at the rear face of the hole target, x is to
the right and y is up). The printed face of a plate that looks downstream (hole target) is therefore seen
with x to the right; the printed face of a plate that looks upstream (reference target) is seen by a person
facing it with x to the LEFT, y up.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Faces = Literal["downstream", "upstream"]
Side = Literal["front", "behind"]

HOLE_TARGET_IDS = range(0, 8)
REFERENCE_TARGET_IDS = range(10, 18)


class PlateError(ValueError):
    """A plate that cannot exist; the message names the field, what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class CameraView:
    """Which plate a camera looks at, and from which side.

    Attributes
    ----------
    plate : str
        Name of the plate.
    side : {"front", "behind"}
        "front": the camera faces the printed face. "behind": it sees the print through the plate, so the
        image is mirrored against the print.
    """

    plate: str
    side: Side = "front"


@dataclass(frozen=True, slots=True)
class PlateSpec:
    """One target plate as it is made.

    Attributes
    ----------
    name : str
    width_mm, height_mm : float
        Size of the plate along x and y; the plate is centred on the origin.
    faces : {"downstream", "upstream"}
        Which way the printed face looks: the hole target's rear face "downstream" (+z), the reference
        target's "upstream" (-z).
    hole_radius_mm : float or None
        None for a plate without a hole.
    hole_center_mm : tuple of float
        Nominal (drawn) centre of the hole.
    ring_radii_mm : tuple of float
        Radii of the printed rings (middle of the line) around ``mark_center_mm``.
    fiducial_dictionary : str
        Name of a predefined marker dictionary of ``cv2.aruco``, for example "DICT_4X4_50".
    fiducial_side_mm : float
        Outer side of the black square of a marker.
    fiducials : mapping of int to tuple of float
        Marker id to its centre. A marker is printed upright for a person who faces the printed face.
    cross_arm_mm : float or None
        Length of each arm of the printed cross from its centre; None where there is no cross.
    cross_gap_mm : float
        Radius around the cross's centre that is left free of ink, for a spot that lands there; 0 prints the
        lines through the centre.
    mark_center_mm : tuple of float
        Centre of the cross and of the rings.
    line_width_mm : float
        Width of the lines of rings and cross.

    Raises
    ------
    PlateError
        For values that no plate can have.
    """

    name: str
    width_mm: float
    height_mm: float
    faces: Faces
    hole_radius_mm: float | None
    fiducials: Mapping[int, tuple[float, float]]
    hole_center_mm: tuple[float, float] = (0.0, 0.0)
    ring_radii_mm: tuple[float, ...] = ()
    fiducial_dictionary: str = "DICT_4X4_50"
    fiducial_side_mm: float = 6.0
    cross_arm_mm: float | None = None
    mark_center_mm: tuple[float, float] = field(default=(0.0, 0.0))
    line_width_mm: float = 0.2
    cross_gap_mm: float = 1.0

    def __post_init__(self) -> None:
        _check_sizes(self)
        _check_fiducials(self)

    def corners_mm(self, fiducial: int) -> NDArray[np.float64]:
        """Return the four outer corners of a marker, shape (4, 2), bench frame.

        The order is that of ``cv2.aruco``: top left, top right, bottom right, bottom left as a person
        facing the printed face sees them.
        """
        half = self.fiducial_side_mm / 2
        right = 1.0 if self.faces == "downstream" else -1.0
        print_corners = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) * half
        return np.asarray(self.fiducials[fiducial], float) + print_corners * [right, 1.0]

    def print_points_mm(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert bench x, y, shape (..., 2), to the print's own x (to the right of the reader), y (up)."""
        return np.asarray(points_mm, float) * [1.0 if self.faces == "downstream" else -1.0, 1.0]

    def dictionary(self) -> cv2.aruco.Dictionary:
        """Return the marker dictionary."""
        return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.fiducial_dictionary))

    def fingerprint(self) -> str:
        """Return a short text that changes with all that is printed or drilled, but not with the name."""
        made = {key.name: getattr(self, key.name) for key in fields(self) if key.name != "name"}
        made["fiducials"] = {str(number): place for number, place in self.fiducials.items()}
        # Through JSON with all numbers as floats: 70 and 70.0, list and tuple are the same plate.
        text = json.dumps(made, sort_keys=True, default=str)
        text = json.dumps(json.loads(text, parse_int=float), sort_keys=True)
        return hashlib.blake2s(text.encode(), digest_size=8).hexdigest()

    def contains(self, points_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell which points, shape (..., 2), lie on the plate (the hole counts as on the plate)."""
        offset = np.abs(np.asarray(points_mm, float))
        inside: NDArray[np.bool_] = (offset[..., 0] <= self.width_mm / 2) & (
            offset[..., 1] <= self.height_mm / 2
        )
        return inside


def _check_sizes(plate: PlateSpec) -> None:
    positive = {
        "width_mm": plate.width_mm,
        "height_mm": plate.height_mm,
        "fiducial_side_mm": plate.fiducial_side_mm,
        "line_width_mm": plate.line_width_mm,
    }
    for radius in plate.ring_radii_mm:
        positive[f"ring_radii_mm ({radius})"] = radius
    if plate.hole_radius_mm is not None:
        positive["hole_radius_mm"] = plate.hole_radius_mm
    if plate.cross_arm_mm is not None:
        positive["cross_arm_mm"] = plate.cross_arm_mm
    for key, value in positive.items():
        if not (math.isfinite(value) and value > 0):
            raise PlateError(f"plate {plate.name!r}: {key} is {value}; it must be greater than 0")
    if plate.cross_arm_mm is not None and not 0.0 <= plate.cross_gap_mm < plate.cross_arm_mm:
        raise PlateError(
            f"plate {plate.name!r}: cross_gap_mm is {plate.cross_gap_mm}; allowed: 0 to less than the "
            f"cross's arm of {plate.cross_arm_mm} mm"
        )
    if plate.faces not in {"downstream", "upstream"}:
        raise PlateError(f"plate {plate.name!r}: faces is {plate.faces!r}; allowed: 'downstream', 'upstream'")
    for key, (x_mm, y_mm), reach in (
        ("hole_center_mm", plate.hole_center_mm, plate.hole_radius_mm or 0.0),
        ("mark_center_mm", plate.mark_center_mm, 0.0),
    ):
        free_x, free_y = plate.width_mm / 2 - reach, plate.height_mm / 2 - reach
        if not (abs(x_mm) <= free_x and abs(y_mm) <= free_y):
            raise PlateError(
                f"plate {plate.name!r}: {key} ({x_mm}, {y_mm}) with radius {reach} mm leaves the plate of "
                f"{plate.width_mm} x {plate.height_mm} mm"
            )


def _check_fiducials(plate: PlateSpec) -> None:
    if not plate.fiducial_dictionary.startswith("DICT_") or not hasattr(cv2.aruco, plate.fiducial_dictionary):
        raise PlateError(
            f"plate {plate.name!r}: fiducial_dictionary {plate.fiducial_dictionary!r} is not a predefined "
            "dictionary of cv2.aruco, such as 'DICT_4X4_50'"
        )
    size = len(plate.dictionary().bytesList)
    half = plate.fiducial_side_mm / 2
    for number, (x_mm, y_mm) in plate.fiducials.items():
        if not 0 <= number < size:
            raise PlateError(
                f"plate {plate.name!r}: fiducial {number} is not in {plate.fiducial_dictionary} "
                f"(0 to {size - 1})"
            )
        if not (abs(x_mm) + half <= plate.width_mm / 2 and abs(y_mm) + half <= plate.height_mm / 2):
            raise PlateError(
                f"plate {plate.name!r}: fiducial {number} at ({x_mm}, {y_mm}) mm with side "
                f"{plate.fiducial_side_mm} mm leaves the plate of {plate.width_mm} x {plate.height_mm} mm"
            )
    _check_overlap(plate)


def _check_overlap(plate: PlateSpec) -> None:
    places = list(plate.fiducials.items())
    for index, (number, (x_mm, y_mm)) in enumerate(places):
        for other, (other_x_mm, other_y_mm) in places[index + 1 :]:
            if max(abs(x_mm - other_x_mm), abs(y_mm - other_y_mm)) < plate.fiducial_side_mm:
                raise PlateError(f"plate {plate.name!r}: fiducials {number} and {other} overlap")


def hole_target(
    width_mm: float = 70.0,
    height_mm: float = 70.0,
    hole_radius_mm: float = 1.0,
    *,
    name: str = "hole_target",
    seen_mm: tuple[float, float] = (60.0, 47.0),
    fiducial_side_mm: float = 6.0,
    ring_radii_mm: tuple[float, ...] = (5.0, 10.0, 15.0),
) -> PlateSpec:
    """Make the example hole target: eight fiducials round the edge, the middle left free for the returns.

    Parameters
    ----------
    width_mm, height_mm, hole_radius_mm : float
    name : str
    seen_mm : tuple of float
        Width and height of the part of the plate that the camera sees; the fiducials stay inside it.
    fiducial_side_mm : float
    ring_radii_mm : tuple of float
        Rings around the hole; those that would touch a fiducial are left out.
    """
    places = _edge_places(width_mm, height_mm, seen_mm, fiducial_side_mm)
    return PlateSpec(
        name=name,
        width_mm=width_mm,
        height_mm=height_mm,
        faces="downstream",
        hole_radius_mm=hole_radius_mm,
        fiducials=dict(zip(HOLE_TARGET_IDS, places, strict=True)),
        ring_radii_mm=_free_rings(ring_radii_mm, places, fiducial_side_mm, hole_radius_mm),
        fiducial_side_mm=fiducial_side_mm,
    )


def reference_target(
    width_mm: float = 40.0,
    height_mm: float = 40.0,
    *,
    name: str = "reference_target",
    seen_mm: tuple[float, float] = (36.0, 30.0),
    fiducial_side_mm: float = 4.0,
    ring_radii_mm: tuple[float, ...] = (3.0, 6.0, 9.0),
    cross_arm_mm: float = 2.0,
    cross_gap_mm: float = 1.0,
) -> PlateSpec:
    """Make the example reference target: a cross with rings in the middle, eight fiducials round the edge.

    Parameters
    ----------
    width_mm, height_mm : float
    name : str
    seen_mm : tuple of float
        Width and height of the part of the plate that the camera sees; the fiducials stay inside it.
    fiducial_side_mm : float
    ring_radii_mm : tuple of float
        Rings around the cross; those that would touch a fiducial are left out.
    cross_arm_mm : float
        Length of each arm of the cross from its centre.
    cross_gap_mm : float
        Radius around the centre that is left free, for the spot.
    """
    places = _edge_places(width_mm, height_mm, seen_mm, fiducial_side_mm)
    return PlateSpec(
        name=name,
        width_mm=width_mm,
        height_mm=height_mm,
        faces="upstream",
        hole_radius_mm=None,
        fiducials=dict(zip(REFERENCE_TARGET_IDS, places, strict=True)),
        ring_radii_mm=_free_rings(ring_radii_mm, places, fiducial_side_mm, 0.0),
        fiducial_side_mm=fiducial_side_mm,
        cross_arm_mm=cross_arm_mm,
        cross_gap_mm=cross_gap_mm,
    )


def _edge_places(
    width_mm: float, height_mm: float, seen_mm: tuple[float, float], side_mm: float
) -> list[tuple[float, float]]:
    """Four corners and four edge middles, a quiet zone of one cell (a sixth of the side) kept free."""
    clear = side_mm / 2 + side_mm / 6
    x_mm = round(min(width_mm, seen_mm[0]) / 2 - clear, 1)
    y_mm = round(min(height_mm, seen_mm[1]) / 2 - clear, 1)
    return [
        (-x_mm, y_mm),
        (0.0, y_mm),
        (x_mm, y_mm),
        (x_mm, 0.0),
        (x_mm, -y_mm),
        (0.0, -y_mm),
        (-x_mm, -y_mm),
        (-x_mm, 0.0),
    ]


def _free_rings(
    radii_mm: tuple[float, ...], places: list[tuple[float, float]], side_mm: float, inner_mm: float
) -> tuple[float, ...]:
    """Leave out rings that touch a fiducial's quiet zone or the hole's neighbourhood."""
    quiet = side_mm / 2 + side_mm / 6
    outer = min(max(abs(x), abs(y)) for x, y in places) - quiet
    return tuple(radius for radius in radii_mm if inner_mm + 0.5 < radius < outer)
