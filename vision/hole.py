"""Finds the hole of a plate in a lamp-lit frame: centre and radius, fitted in plate coordinates.

On the plate the hole is a circle, however obliquely the camera looks. Its edge is the place where the bright
plate ends, coming from outside; what shows inside the hole (its lit wall, things behind it) does not matter.
Where light glints on the rim, the rim's bright line takes the place of the edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from vision.fiducials import sample
from vision.image import Image
from vision.map_model import MapModel
from vision.plate import PlateSpec

_SECTORS = 72
_PROFILES = 5
_SAMPLES = 81
_FEWEST_SECTORS = 24
_FLOOR_MM = 3e-4
_ROUND = 0.06


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


@dataclass(frozen=True, slots=True, eq=False)
class _Circle:
    center_mm: NDArray[np.float64]
    radius_mm: float
    covariance: NDArray[np.float64]
    residual_mm: float
    sectors: int


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
    fits: dict[Literal["dark", "rim"], _Circle] = {}
    for kind in _EDGES:
        start = _coarse_center(pixels, plate, model, search, kind)
        circle = _refine(pixels, plate, model, start, kind)
        if circle is None or np.linalg.norm(circle.center_mm - drawn[0]) > search + 0.1:
            continue
        # A circle through scattered points is no hole.
        if circle.residual_mm < _ROUND * plate.hole_radius_mm:
            fits[kind] = circle
    if not fits:
        return NoHole(
            f"no edge of a hole of radius {plate.hole_radius_mm} mm within {search} mm of its drawn place"
        )
    # A rim's middle depends on what lies to either side of it; the dark edge does not.
    edge: Literal["dark", "rim"] = "dark" if "dark" in fits else "rim"
    return _hole(fits[edge], model, edge)


_EDGES: tuple[Literal["dark"], Literal["rim"]] = ("dark", "rim")


def _hole(circle: _Circle, model: MapModel, edge: Literal["dark", "rim"]) -> Hole:
    covariance = circle.covariance[:2, :2] + model.covariance_at(circle.center_mm[None])[0]
    return Hole(
        circle.center_mm,
        covariance,
        circle.radius_mm,
        float(np.sqrt(circle.covariance[2, 2])),
        edge,
        circle.sectors / _SECTORS,
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
    pixels: NDArray[np.float32], plate: PlateSpec, model: MapModel, center: NDArray[np.float64], edge: str
) -> _Circle | None:
    radius = plate.hole_radius_mm or 0.0
    drawn_radius = radius
    circle: _Circle | None = None
    for reach in (0.5 * radius, 0.35 * radius, 0.35 * radius):
        points = _edge_points(pixels, plate, model, center, radius, reach, edge)
        circle = _fit_circle(points, center, radius)
        if circle is None or abs(circle.radius_mm - drawn_radius) > 0.25 * drawn_radius:
            return None
        center, radius = circle.center_mm, circle.radius_mm
    return circle


def _edge_points(
    pixels: NDArray[np.float32],
    plate: PlateSpec,
    model: MapModel,
    center: NDArray[np.float64],
    radius: float,
    reach: float,
    edge: str,
) -> NDArray[np.float64]:
    """Edge points on the plate, shape (N, 2) mm, one for each sector in which an edge shows."""
    pixel_mm = float(np.sqrt(abs(np.linalg.det(model.jacobian(model.to_px(center[None]))[0]))))
    reach = max(reach, 4 * pixel_mm)
    nearest_ring = min((ring - plate.line_width_mm for ring in plate.ring_radii_mm), default=np.inf)
    across = np.linspace(-min(reach, 0.8 * radius), min(reach, 0.8 * (nearest_ring - radius)), _SAMPLES)
    angle = 2 * np.pi * np.arange(_SECTORS * _PROFILES) / (_SECTORS * _PROFILES)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    grid = center + (radius + across)[None, :, None] * ray[:, None, :]
    values, inside = sample(pixels, model.to_px(grid.reshape(-1, 2)).reshape(grid.shape))
    profiles = np.median(values.reshape(_SECTORS, _PROFILES, _SAMPLES), axis=1)
    whole = inside.reshape(_SECTORS, -1).all(axis=1)
    smooth = max(1.0, 0.6 * pixel_mm / (across[1] - across[0]))
    smoothed = np.asarray(
        cv2.GaussianBlur(profiles, (0, 0), sigmaX=smooth, sigmaY=1e-3, borderType=cv2.BORDER_REPLICATE),
        np.float64,
    )
    dark = edge == "dark"
    offset = _step_from_outside(smoothed, across, pixel_mm) if dark else _rim_peak(smoothed, across)
    seen = whole & np.isfinite(offset)
    middle = ray.reshape(_SECTORS, _PROFILES, 2)[:, _PROFILES // 2]
    return np.asarray((center + (radius + offset)[:, None] * middle)[seen])


def _step_from_outside(
    profiles: NDArray[np.float64], across: NDArray[np.float64], pixel_mm: float
) -> NDArray[np.float64]:
    """Where each profile, coming from outside, first steps down; infinite where it does not.

    The half level is taken between the plate and what lies just inside the step, be it the dark hole or its
    lit wall. Profiles with a glint brighter than the plate are left out: the half level means nothing there.
    """
    pixel = pixel_mm / (across[1] - across[0])
    slope = np.gradient(cv2.GaussianBlur(profiles, (0, 0), sigmaX=pixel, sigmaY=1e-3), axis=1)
    far = slice(-len(across) // 4, None)
    outer = np.median(profiles[:, far], axis=1)
    noise = 1.4826 * float(np.median(np.abs(slope[:, far])))
    steep = np.maximum(0.3 * slope.max(axis=1), 4 * noise)
    peak = (
        (slope > steep[:, None])
        & (slope >= np.roll(slope, 1, axis=1))
        & (slope >= np.roll(slope, -1, axis=1))
    )
    place = len(across) - 1 - np.argmax(peak[:, ::-1], axis=1)
    inner = _window_mean(profiles, place - 4 * pixel, place - 2.5 * pixel)
    step = outer - inner
    scatter = 1.4826 * float(np.median(np.abs(profiles[:, far] - outer[:, None])))
    plate = float(np.median(outer))
    usable = (
        peak.any(axis=1)
        & (step > 5 * scatter)
        & (np.abs(outer - plate) < np.maximum(0.25 * step, 5 * scatter))
    )
    usable &= profiles.max(axis=1) < outer + np.maximum(0.15 * step, 5 * scatter)
    found, crossed = _crossing(profiles, across, outer - step / 2, (place - 2 * pixel, place + 2 * pixel))
    return np.where(usable & crossed, found, np.inf)


def _window_mean(
    profiles: NDArray[np.float64], start: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Mean of each profile between its own two indices, cut at the profile's ends."""
    index = np.arange(profiles.shape[1])
    window = (index >= start[:, None]) & (index <= np.maximum(end, 1)[:, None])
    return np.asarray((profiles * window).sum(axis=1) / np.maximum(window.sum(axis=1), 1))


def _crossing(
    profiles: NDArray[np.float64],
    across: NDArray[np.float64],
    level: NDArray[np.float64],
    window: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Where each profile crosses its level, the outermost place within its window, and whether it does."""
    index = np.arange(len(across) - 1)
    low, high = profiles[:, :-1], profiles[:, 1:]
    crosses = (low < level[:, None]) & (high >= level[:, None])
    crosses &= (index >= window[0][:, None]) & (index <= window[1][:, None])
    last = len(index) - 1 - np.argmax(crosses[:, ::-1], axis=1)
    rows = np.arange(len(profiles))
    below, above = low[rows, last], high[rows, last]
    share = (level - below) / np.where(above > below, above - below, 1.0)
    found = across[last] + np.clip(share, 0, 1) * (across[1] - across[0])
    return found, np.asarray(crosses.any(axis=1))


def _rim_peak(profiles: NDArray[np.float64], across: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where each profile has its bright line; infinite where it has none."""
    outer = np.median(profiles[:, -len(across) // 4 :], axis=1)
    inner = np.median(profiles[:, : len(across) // 4], axis=1)
    base = np.maximum(outer, inner)
    peak = profiles.max(axis=1) - base
    contrast = float(np.median(peak))
    scatter = float(np.median(np.abs(profiles[:, -len(across) // 4 :] - outer[:, None])))
    weight = np.clip(profiles - (base + 0.5 * peak)[:, None], 0, None)
    total = weight.sum(axis=1)
    usable = (peak > 0.4 * contrast) & (peak > 6 * scatter) & (peak > 0.15 * np.abs(base)) & (total > 0)
    found = (weight * across).sum(axis=1) / np.where(total > 0, total, 1.0)
    return np.where(usable, found, np.inf)


def _fit_circle(points: NDArray[np.float64], center: NDArray[np.float64], radius: float) -> _Circle | None:
    """Robust circle through points; dust and a lit wall are outvoted, then left out."""
    start = np.array([center[0], center[1], radius])
    for _ in range(4):
        if len(points) < _FEWEST_SECTORS:
            return None
        miss = partial(_circle_misses, points)
        scale = max(1.4826 * float(np.median(np.abs(miss(start)))), _FLOOR_MM)
        start = least_squares(miss, start, loss="cauchy", f_scale=scale).x
        residual = miss(start)
        keep = np.abs(residual) < 4 * max(1.4826 * float(np.median(np.abs(residual))), _FLOOR_MM)
        if keep.all():
            break
        points = points[keep]
    if len(points) < _FEWEST_SECTORS:
        return None
    found = least_squares(partial(_circle_misses, points), start)
    variance = max(float(found.fun @ found.fun) / (len(points) - 3), _FLOOR_MM**2)
    # Neighbouring sectors share pixels and blemishes: count half of them.
    covariance = 2 * variance * np.linalg.inv(found.jac.T @ found.jac)
    return _Circle(found.x[:2], float(found.x[2]), covariance, float(np.sqrt(variance)), len(points))


def _circle_misses(points: NDArray[np.float64], circle: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.hypot(points[:, 0] - circle[0], points[:, 1] - circle[1]) - circle[2])
