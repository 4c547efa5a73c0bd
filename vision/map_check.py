"""Notices in any frame that shows some fiducials whether the camera or the plate was knocked."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from vision.fiducials import EdgePoints, find_fiducials, measure_edges
from vision.image import Image
from vision.plate import PlateSpec
from vision.plate_map import PlateMap

_FLOOR_MM = 5e-4
_ROUNDS = 8
_SETTLED_MM = 1e-6
_WORST_CONDITION = 1e8
_FEWEST_SEGMENTS = 11
_SAMPLES = 24


class MapState(Enum):
    """What a frame says about a map."""

    HOLDS = "holds"
    KNOCKED = "knocked"
    NOT_VISIBLE = "not_visible"
    OTHER_FRAME = "other_frame"


@dataclass(frozen=True, slots=True)
class MapCheck:
    """Whether a map still holds.

    Attributes
    ----------
    state : MapState
        NOT_VISIBLE: the frame shows too little to tell; that says nothing about the map. OTHER_FRAME: the
        frame has another size than those that the map is for.
    shift_mm : tuple of float
        By how much the plate's print seems to have moved in the map's x, y; (0, 0) when not visible.
    turn_mrad : float
        By how much it seems to have turned (right-handed about z).
    worst_mm : float or None
        Largest displacement among the fiducials that show; None when not visible.
    sigma_mm : float or None
        Standard uncertainty of ``worst_mm``; None when not visible.
    detail : str
        One sentence for a person.
    """

    state: MapState
    shift_mm: tuple[float, float]
    turn_mrad: float
    worst_mm: float | None
    sigma_mm: float | None
    detail: str


def check_map(image: Image, plate: PlateSpec, plate_map: PlateMap, *, limit_mm: float = 0.05) -> MapCheck:
    """Compare the fiducials that a frame shows with where the map expects them.

    Parameters
    ----------
    image : Image
        Any frame of the map's camera; the beam may be on.
    plate : PlateSpec
    plate_map : PlateMap
    limit_mm : float
        Displacement that counts as knocked; half of it must be resolvable, or the check says NOT_VISIBLE.
    """
    height, width = image.pixels.shape
    if (width, height) != plate_map.image_size_px:
        detail = f"a frame of {(width, height)} px, the map is for {plate_map.image_size_px} px: map anew"
        return MapCheck(MapState.OTHER_FRAME, (0.0, 0.0), 0.0, None, None, detail)
    guides = dict.fromkeys(plate_map.fiducials_used, plate_map.to_px)
    reach_mm = 0.6 * plate.fiducial_side_mm / 6
    edges = _whole_fiducials(measure_edges(image, plate, guides, reach_mm, _SAMPLES))
    motion = _fit_motion(edges, plate_map.edge_growth_mm)
    if motion is not None and motion.share * len(edges.offset_mm) >= 8 * len(guides):
        return _judge(motion, plate, plate_map, limit_mm)
    far = _far_motion(image, plate, plate_map)
    if far is not None and np.linalg.norm(far[0]) > limit_mm:
        return MapCheck(
            MapState.KNOCKED,
            (float(far[0][0]), float(far[0][1])),
            0.0,
            float(np.linalg.norm(far[0])),
            far[1],
            f"the fiducials have moved by {np.linalg.norm(far[0]):.2f} mm: map the plate again",
        )
    if motion is not None:
        return _judge(motion, plate, plate_map, limit_mm)
    return _not_visible("the frame shows too few fiducials to check the map")


@dataclass(frozen=True, slots=True, eq=False)
class _Motion:
    """Shift x, y (mm), turn (rad) and edge growth (mm), their covariance, share of edges that agree."""

    values: NDArray[np.float64]
    covariance: NDArray[np.float64]
    share: float
    fiducials: tuple[int, ...]


def _whole_fiducials(edges: EdgePoints) -> EdgePoints:
    """Keep fiducials of which most segments show: in mere noise some look like edges, scattered over all."""
    numbers, counts = np.unique(edges.fiducial, return_counts=True)
    return edges.only(np.isin(edges.fiducial, numbers[counts >= _FEWEST_SEGMENTS]))


def _fit_motion(edges: EdgePoints, growth_mm: float) -> _Motion | None:
    """Robust fit of a small motion of the print; None where the edges do not agree on one."""
    if len(edges.offset_mm) < 8:
        return None
    turned = np.column_stack([-edges.place_mm[:, 1], edges.place_mm[:, 0]])
    design = np.column_stack([edges.normal, (edges.normal * turned).sum(axis=1), np.ones(len(turned))])
    target = edges.offset_mm - growth_mm
    # The prior keeps what a single fiducial cannot tell (turn, growth) near zero.
    prior = np.diag([0.0, 0.0, (0.01 / 0.05) ** 2, (0.01 / 0.02) ** 2])
    normal_matrix = design.T @ design + prior
    if np.linalg.cond(normal_matrix) > _WORST_CONDITION:
        return None
    values = np.linalg.solve(normal_matrix, design.T @ target)
    for _ in range(_ROUNDS):
        miss = target - design @ values
        spread = max(1.4826 * float(np.median(np.abs(miss))), _FLOOR_MM)
        weighted = design / ((1 + (miss / (2 * spread)) ** 2) ** 2)[:, None]
        normal_matrix, before = design.T @ weighted + prior, values
        values = np.linalg.solve(normal_matrix, weighted.T @ target)
        if np.abs(values - before).max() < _SETTLED_MM:
            break
    if np.linalg.cond(normal_matrix) > _WORST_CONDITION:
        return None
    miss = target - design @ values
    share = float(np.mean(np.abs(miss) < 4 * spread))
    covariance = np.linalg.inv(normal_matrix) * spread**2 * 4
    # Neighbouring segments share a side's errors: a quarter of them counts.
    if spread > 0.05:
        return None
    return _Motion(values, covariance, share, tuple(np.unique(edges.fiducial).tolist()))


def _judge(motion: _Motion, plate: PlateSpec, plate_map: PlateMap, limit_mm: float) -> MapCheck:
    # Only where a fiducial shows: one alone says nothing about a turn far from it.
    places = np.array([plate.fiducials[number] for number in motion.fiducials])
    turned = np.column_stack([-places[:, 1], places[:, 0]])
    moved = motion.values[:2] + motion.values[2] * turned
    worst = int(np.argmax(np.linalg.norm(moved, axis=1)))
    slope = np.column_stack([np.eye(2), turned[worst], np.zeros(2)])
    variance = float(np.max(np.linalg.eigvalsh(slope @ motion.covariance @ slope.T)))
    worst_mm, sigma_mm = float(np.linalg.norm(moved[worst])), float(np.sqrt(variance)) + plate_map.sigma_mm
    if worst_mm > limit_mm and worst_mm > 4 * sigma_mm:
        state, detail = (
            MapState.KNOCKED,
            f"the fiducials have moved by {worst_mm:.3f} mm: map the plate again",
        )
    elif sigma_mm > limit_mm / 2:
        return _not_visible(f"the fiducials show too faintly to check the map to {limit_mm} mm")
    else:
        state, detail = MapState.HOLDS, f"the fiducials are where the map has them to {worst_mm:.3f} mm"
    shift = (float(motion.values[0]), float(motion.values[1]))
    return MapCheck(state, shift, float(1e3 * motion.values[2]), worst_mm, sigma_mm, detail)


def _far_motion(
    image: Image, plate: PlateSpec, plate_map: PlateMap
) -> tuple[NDArray[np.float64], float] | None:
    """Median displacement of the markers found anew anywhere in the frame, and its uncertainty, mm."""
    low, high = np.percentile(image.pixels[::4, ::4], (5, 95))
    if high - low < 0.005 * image.sensor.full_scale_dn:
        return None
    found = find_fiducials(image, plate, plate_map.side)
    if not found:
        return None
    shifts = np.array(
        [
            (plate_map.to_mm(corners) - plate.corners_mm(number)).mean(axis=0)
            for number, corners in found.items()
        ]
    )
    # Corners are good to a fifth of a pixel or so; blur and noise are the same for all of them.
    scale = np.sqrt(abs(np.linalg.det(plate_map.jacobian(next(iter(found.values()))[:1])[0])))
    sigma = 0.2 * float(scale) + float(shifts.std(axis=0).max()) / np.sqrt(len(shifts))
    return np.median(shifts, axis=0), float(sigma)


def _not_visible(detail: str) -> MapCheck:
    return MapCheck(MapState.NOT_VISIBLE, (0.0, 0.0), 0.0, None, None, detail)
