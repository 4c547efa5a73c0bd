"""Finds the printed cross of a plate in a lamp-lit frame: its centre with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from vision.fiducials import sample
from vision.image import Image
from vision.map_model import MapModel
from vision.plate import PlateSpec

_STATIONS = 16
_PROFILES = 5
_SAMPLES = 49
_FEWEST_POINTS = 16
_FLOOR_MM = 3e-4
_TOLERANCE = 1e-6  # relative; a step less leaves a hundredth of the uncertainty
_ARMS = ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0))


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """A printed cross as seen.

    Attributes
    ----------
    center_mm : ndarray, shape (2,)
        Bench frame x, y on the plate.
    covariance_mm2 : ndarray, shape (2, 2)
        Covariance (k = 1) of the centre, the map's part included.
    turn_mrad : float
        By how much the cross is turned against the fiducials, right-handed about z.
    """

    center_mm: NDArray[np.float64]
    covariance_mm2: NDArray[np.float64]
    turn_mrad: float


@dataclass(frozen=True, slots=True)
class NoMark:
    """Why the cross was not found; ``detail`` is one sentence for a person."""

    detail: str


def measure_mark(image: Image, plate: PlateSpec, model: MapModel, search_mm: float = 0.4) -> Mark | NoMark:
    """Measure the plate's cross in a lamp-lit frame.

    Parameters
    ----------
    image : Image
    plate : PlateSpec
        With a cross.
    model : MapModel
    search_mm : float
        How far the cross may lie from where it was drawn.
    """
    if plate.cross_arm_mm is None:
        return NoMark(f"plate {plate.name!r} has no cross")
    pixels = image.pixels.astype(np.float32)
    parameters = np.zeros(3)
    found = None
    for reach_mm in (
        search_mm + 2 * plate.line_width_mm,
        2.5 * plate.line_width_mm,
        2.5 * plate.line_width_mm,
    ):
        points, normals = _arm_points(pixels, plate, model, parameters, reach_mm)
        found = _fit_cross(points, normals, plate, parameters)
        if found is None:
            return NoMark("too little of the cross shows")
        parameters = found[0]
    assert found is not None
    center = np.asarray(plate.mark_center_mm) + parameters[:2]
    if np.linalg.norm(parameters[:2]) > search_mm:
        return NoMark(f"nothing like a cross within {search_mm} mm of its drawn place")
    return Mark(center, found[1][:2, :2] + model.covariance_at(center[None])[0], float(1e3 * parameters[2]))


def _arm_points(
    pixels: NDArray[np.float32],
    plate: PlateSpec,
    model: MapModel,
    parameters: NDArray[np.float64],
    reach_mm: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points on the middle of the dark lines, (N, 2) mm, and the drawn normals of their arms, (N, 2)."""
    arm = plate.cross_arm_mm or 0.0
    center = np.asarray(plate.mark_center_mm) + parameters[:2]
    across = np.linspace(-reach_mm, reach_mm, _SAMPLES)
    # Neither the crossing (or the open centre) nor the end of an arm is a line.
    if plate.cross_gap_mm > 0.0:
        begin = min(plate.cross_gap_mm + plate.line_width_mm, 0.5 * (plate.cross_gap_mm + arm))
    else:
        begin = min(1.5 * reach_mm, 0.5 * arm)
    along = np.linspace(begin, arm - plate.line_width_mm, _STATIONS * _PROFILES)
    cosine, sine = np.cos(parameters[2]), np.sin(parameters[2])
    turn = np.array([[cosine, -sine], [sine, cosine]])
    points, normals = [], []
    for direction in _ARMS:
        ray = turn @ direction
        normal = np.array([-ray[1], ray[0]])
        middle = center + along[:, None] * ray
        grid = middle[:, None, :] + across[None, :, None] * normal
        values, inside = sample(pixels, model.to_px(grid.reshape(-1, 2)).reshape(grid.shape))
        profiles = np.median(values.reshape(_STATIONS, _PROFILES, _SAMPLES).astype(np.float64), axis=1)
        offset, seen = _dark_line(profiles, across)
        seen &= inside.reshape(_STATIONS, -1).all(axis=1)
        place = middle.reshape(_STATIONS, _PROFILES, 2).mean(axis=1) + offset[:, None] * normal
        points.append(place[seen])
        normals.append(np.repeat([[-direction[1], direction[0]]], int(seen.sum()), axis=0))
    return np.concatenate(points), np.concatenate(normals)


def _dark_line(
    profiles: NDArray[np.float64], across: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Centroid of the part of each profile that is darker than half way to its darkest sample."""
    base = np.median(profiles, axis=1)
    depth = base - profiles.min(axis=1)
    scatter = 1.4826 * np.median(np.abs(profiles - base[:, None]), axis=1)
    weight = np.clip(base[:, None] - 0.5 * depth[:, None] - profiles, 0, None)
    total = weight.sum(axis=1)
    seen = (depth > 5 * np.median(scatter)) & (depth > 0.4 * np.median(depth)) & (total > 0)
    return (weight * across).sum(axis=1) / np.where(total > 0, total, 1.0), seen


def _fit_cross(
    points: NDArray[np.float64], normals: NDArray[np.float64], plate: PlateSpec, start: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Fit shift and turn; both lines of the cross must be there."""
    center = np.asarray(plate.mark_center_mm)
    for _ in range(4):
        on_level = np.abs(normals[:, 1]) > 0.5
        if min(int(on_level.sum()), int((~on_level).sum())) < _FEWEST_POINTS // 2:
            return None
        miss = partial(_cross_misses, points, normals, center)
        slopes = partial(_cross_slopes, points, normals, center)
        scale = max(1.4826 * float(np.median(np.abs(miss(start)))), _FLOOR_MM)
        start = least_squares(
            miss, start, slopes, loss="cauchy", f_scale=scale, ftol=_TOLERANCE, xtol=_TOLERANCE
        ).x
        residual = miss(start)
        keep = np.abs(residual) < 4 * max(1.4826 * float(np.median(np.abs(residual))), _FLOOR_MM)
        if keep.all():
            break
        points, normals = points[keep], normals[keep]
    found = least_squares(
        partial(_cross_misses, points, normals, center),
        start,
        partial(_cross_slopes, points, normals, center),
    )
    variance = max(float(found.fun @ found.fun) / (len(points) - 3), _FLOOR_MM**2)
    # Neighbouring stations share pixels and blemishes: count half of them.
    return found.x, 2 * variance * np.linalg.inv(found.jac.T @ found.jac)


def _cross_misses(
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    center: NDArray[np.float64],
    parameters: NDArray[np.float64],
) -> NDArray[np.float64]:
    from_center = points - center - parameters[:2]
    along = from_center[:, 0] * normals[:, 1] - from_center[:, 1] * normals[:, 0]
    return np.asarray((from_center * normals).sum(axis=1) - along * parameters[2])


def _cross_slopes(
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    center: NDArray[np.float64],
    parameters: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the derivatives of `_cross_misses`, shape (N, 3)."""
    from_center, turn = points - center - parameters[:2], parameters[2]
    along = from_center[:, 0] * normals[:, 1] - from_center[:, 1] * normals[:, 0]
    return np.column_stack(
        [turn * normals[:, 1] - normals[:, 0], -normals[:, 1] - turn * normals[:, 0], -along]
    )
