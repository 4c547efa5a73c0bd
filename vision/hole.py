"""Finds the hole of a plate in a lamp-lit frame: centre and radius, fitted in plate coordinates.

On the plate the hole is a circle, however obliquely the camera looks. Its edge is the place where the bright
plate ends, coming from outside; what shows inside the hole (its lit wall, things behind it) does not matter.
Where light glints on the rim, the rim's bright line takes the place of the edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fiducials import sample
from vision.hole_edge import SECTORS, edge_offsets, take_profiles
from vision.hole_fit import Circle, fit_circle, fit_profiles
from vision.image import Image
from vision.map_model import MapModel
from vision.plate import PlateSpec

# A bright line is found to a few hundredths of its radius, or it is none; a dim dark edge is noisier.
_ROUND = {"dark": 0.06, "rim": 0.03}


@dataclass(frozen=True, slots=True, eq=False)
class Hole:
    """A hole as seen.

    Attributes
    ----------
    center_mm : ndarray, shape (2,)
        Bench frame x, y on the plate.
    covariance_mm2 : ndarray, shape (2, 2)
        Covariance (k = 1) of the centre, the map's part included.
    radius_mm, radius_sigma_mm : float
    edge : {"dark", "rim"}
        Whether the edge of a dark disc or a bright rim was fitted.
    coverage : float
        Fraction of the circumference that the fit rests on.
    """

    center_mm: NDArray[np.float64]
    covariance_mm2: NDArray[np.float64]
    radius_mm: float
    radius_sigma_mm: float
    edge: Literal["dark", "rim"]
    coverage: float


@dataclass(frozen=True, slots=True)
class NoHole:
    """Why the hole was not found; ``detail`` is one sentence for a person."""

    detail: str


_EDGES: tuple[Literal["dark"], Literal["rim"]] = ("dark", "rim")


def measure_hole(
    image: Image, plate: PlateSpec, model: MapModel, search_mm: float | None = None
) -> Hole | NoHole:
    """Measure the plate's hole in a lamp-lit frame.

    Parameters
    ----------
    image : Image
        The plate lit by the lamp or by room light, the beam off.
    plate : PlateSpec
        With a hole.
    model : MapModel
    search_mm : float, optional
        How far the hole may lie from where it was drawn; by default half its radius, at least 0.5 mm.

    Returns
    -------
    Hole or NoHole
    """
    if plate.hole_radius_mm is None:
        return NoHole(f"plate {plate.name!r} has no hole")
    search = max(0.5, plate.hole_radius_mm / 2) if search_mm is None else search_mm
    pixels = image.pixels.astype(np.float32)
    drawn = np.array([plate.hole_center_mm])
    if not sample(pixels, model.to_px(drawn)[None])[1].all():
        return NoHole("the hole lies outside the frame")
    # A rim's middle depends on what lies to either side of it; the dark edge does not, and comes first.
    for kind in _EDGES:
        start = _coarse_center(pixels, plate, model, search, kind)
        circle = _refine(pixels, plate, model, start, kind)
        if circle is None or np.linalg.norm(circle.center_mm - drawn[0]) > search + 0.1:
            continue
        # A circle through scattered points is no hole.
        if circle.residual_mm < _ROUND[kind] * plate.hole_radius_mm:
            return _hole(circle, model, kind)
    return NoHole(
        f"no edge of a hole of radius {plate.hole_radius_mm} mm within {search} mm of its drawn place"
    )


def _hole(circle: Circle, model: MapModel, edge: Literal["dark", "rim"]) -> Hole:
    covariance = circle.covariance[:2, :2] + model.covariance_at(circle.center_mm[None])[0]
    return Hole(
        circle.center_mm,
        covariance,
        circle.radius_mm,
        float(np.sqrt(circle.covariance[2, 2])),
        edge,
        circle.sectors / SECTORS,
    )


def _coarse_center(
    pixels: NDArray[np.float32], plate: PlateSpec, model: MapModel, search_mm: float, edge: str
) -> NDArray[np.float64]:
    """Slide a template of the hole over a straightened patch of the plate."""
    radius = plate.hole_radius_mm or 0.0
    step = radius / 16
    reach = int(np.ceil((search_mm + 1.6 * radius) / step))
    ticks = step * np.arange(-reach, reach + 1)
    x, y = np.meshgrid(ticks, ticks)
    grid = np.stack([x, y], axis=-1) + plate.hole_center_mm
    patch, _ = sample(pixels, model.to_px(grid.reshape(-1, 2)).reshape(grid.shape))
    size = int(1.5 * radius / step)
    r = np.hypot(*np.meshgrid(step * np.arange(-size, size + 1), step * np.arange(-size, size + 1)))
    if edge == "dark":
        # Glints must not pull: nothing is brighter than the plate.
        patch = np.minimum(patch, np.median(patch[np.hypot(x, y) > search_mm + radius]))
        template = _unit_mean((r > 1.1 * radius) & (r < 1.4 * radius)) - _unit_mean(r < 0.85 * radius)
    else:
        rim = np.abs(r - radius) < 0.08 * radius
        template = _unit_mean(rim) - _unit_mean((r < 1.4 * radius) & (np.abs(r - radius) > 0.15 * radius))
    score = cv2.filter2D(patch, cv2.CV_64F, template, borderType=cv2.BORDER_REFLECT)
    score[np.hypot(x, y) > search_mm + step] = -np.inf
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    return np.asarray(grid[row, column], np.float64)


def _unit_mean(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.asarray(mask / mask.sum(), np.float64)


def _refine(
    pixels: NDArray[np.float32],
    plate: PlateSpec,
    model: MapModel,
    center: NDArray[np.float64],
    edge: Literal["dark", "rim"],
) -> Circle | None:
    drawn_radius = radius = plate.hole_radius_mm or 0.0
    circle: Circle | None = None
    for reach in (0.5 * radius, 0.35 * radius, 0.35 * radius):
        profiles = take_profiles(pixels, plate, model, center, radius, reach)
        offset = edge_offsets(profiles, edge)
        seen = np.isfinite(offset)
        points = center + (radius + np.where(seen, offset, 0.0))[:, None] * profiles.ray
        circle = fit_circle(points[seen], center, radius)
        if circle is None or abs(circle.radius_mm - drawn_radius) > 0.25 * drawn_radius:
            return None
        center, radius = circle.center_mm, circle.radius_mm
    if circle is None or edge == "rim":
        return circle
    profiles = take_profiles(pixels, plate, model, center, radius, 0.35 * radius)
    return fit_profiles(profiles, circle, edge_offsets(profiles, edge)) or circle
