"""Exact trace of the spots of a lens: where they land, how bright they are, whether they exist."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optics.errors import OpticsError
from optics.fresnel import coated_reflectance
from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.paths import Plan, RayPath, SpotPath, make_plan, ray_path
from optics.rays import FLOAT, REAL_ARRAY, Hit, Landed, RayModel, Traced, Value, land, lens_frame, run

__all__ = ["ALL_PATHS", "Landing", "RayPath", "SpotPath", "as_poses", "trace", "trace_path"]

ALL_PATHS: tuple[SpotPath, ...] = tuple(SpotPath)

CHUNK = 4096
"""Poses worked on at once, so that the arrays of one chunk stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Landing:
    """Where a path's base ray meets its plate, for N poses.

    Attributes
    ----------
    landing_mm : ndarray, shape (N, 2)
        World x, y on the plate. Meaningless but finite where ``lit`` is False.
    direction : ndarray, shape (N, 3)
        Unit vector on arrival, world frame.
    power_fraction : ndarray, shape (N,)
        Power of the path over the power of the incoming beam (Fresnel, base ray; 0 where not lit).
    lit : ndarray of bool, shape (N,)
        False when the ray is outside the clear aperture on a surface, misses one, is totally reflected,
        or does not travel towards the plate.
    path_length_mm : ndarray, shape (N,)
        Optical path length (index times way) from the plane z = 0 to the plate.
    """

    landing_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    power_fraction: NDArray[np.float64]
    lit: NDArray[np.bool_]
    path_length_mm: NDArray[np.float64]


def as_poses(poses: ArrayLike) -> NDArray[np.float64]:
    """Return poses as an array of shape (N, 4); one pose of shape (4,) becomes N = 1.

    Raises
    ------
    OpticsError
        If the shape is not (4,) or (N, 4), or a number is not finite.
    """
    array = np.atleast_2d(np.asarray(poses, dtype=np.float64))
    if array.ndim != 2 or array.shape[1] != 4:
        raise OpticsError(f"poses have shape {np.shape(poses)}, allowed is (4,) or (N, 4)")
    if not np.isfinite(array).all():
        raise OpticsError("poses hold a number that is not finite")
    return array


@overload
def trace(
    lens: Lens, layout: Layout, beam: Beam, poses: ArrayLike, paths: Iterable[SpotPath] = ALL_PATHS
) -> dict[SpotPath, Landing]: ...


@overload
def trace(
    lens: Lens, layout: Layout, beam: Beam, poses: ArrayLike, paths: Iterable[RayPath]
) -> dict[RayPath, Landing]: ...


def trace(
    lens: Lens,
    layout: Layout,
    beam: Beam,
    poses: ArrayLike,
    paths: Iterable[SpotPath] | Iterable[RayPath] = ALL_PATHS,
) -> dict[SpotPath, Landing] | dict[RayPath, Landing]:
    """Trace the base ray of the beam along each path, for every pose.

    Parameters
    ----------
    lens, layout, beam
        The bench.
    poses : array_like, shape (N, 4) or (4,)
        decenter x, y (mm), tilt x, y (mrad) of the lens.
    paths : iterable of SpotPath or of RayPath
        Which paths; all named ones by default.

    Returns
    -------
    dict
        A ``Landing`` for each path.

    Raises
    ------
    OpticsError
        If a pose is not finite or a path does not fit the lens.
    """
    keys = tuple(paths)
    ray_paths = tuple(k if isinstance(k, RayPath) else ray_path(k, len(lens.surfaces)) for k in keys)
    plan = make_plan(ray_paths, len(lens.surfaces))
    model = RayModel.of(lens, layout, beam)
    array = as_poses(poses)
    results = [_empty(len(array)) for _ in keys]
    with np.errstate(all="ignore"):  # lost rays may divide by zero; they are marked and set to zero
        for begin in range(0, len(array), CHUNK):
            part = slice(begin, begin + CHUNK)
            columns = np.ascontiguousarray(array[part].T)
            traced = run(model, plan, lens_frame(columns, REAL_ARRAY), REAL_ARRAY)
            powers, inside = _powers(lens, model, plan, traced), _inside(lens, plan, traced)
            for end, result in enumerate(results):
                landed = land(model, plan, traced, end)
                number = plan.ends[end][0]
                _store(result, part, traced, number, landed, landed.reached & inside[number], powers[number])
                result.path_length_mm[part] += landed.length_mm + _lengths(model, plan, traced, end)
                result.path_length_mm[part][~result.lit[part]] = 0.0
    return dict(zip(keys, results, strict=True))  # type: ignore[return-value]  # keys are all of one kind


def power_fractions(
    lens: Lens, layout: Layout, beam: Beam, pose: Sequence[float], paths: Iterable[SpotPath]
) -> list[float]:
    """Return the power fraction of each path at one pose as :func:`trace` does, by plain numbers."""
    count = len(lens.surfaces)
    plan = make_plan(tuple(ray_path(path, count) for path in paths), count)
    model = RayModel.of(lens, layout, beam)
    traced = run(model, plan, lens_frame(pose, FLOAT), FLOAT)
    powers, inside = _powers(lens, model, plan, traced), _inside(lens, plan, traced)
    return [
        float(powers[number]) if land(model, plan, traced, end).reached and inside[number] else 0.0
        for end, (number, _) in enumerate(plan.ends)
    ]


def trace_path(lens: Lens, layout: Layout, beam: Beam, poses: ArrayLike, path: SpotPath | RayPath) -> Landing:
    """Trace one path; see :func:`trace`."""
    ray = path if isinstance(path, RayPath) else ray_path(path, len(lens.surfaces))
    return trace(lens, layout, beam, poses, (ray,))[ray]


def _empty(count: int) -> Landing:
    return Landing(
        np.zeros((count, 2)),
        np.zeros((count, 3)),
        np.zeros(count),
        np.zeros(count, dtype=bool),
        np.zeros(count),
    )


def _store(
    result: Landing, part: slice, traced: Traced, number: int, landed: Landed, lit: Value, power: Value
) -> None:
    hit, frame = traced.hits[number], traced.frame
    columns = (
        landed.x_mm,
        landed.y_mm,
        frame.r11 * hit.dx + frame.r12 * hit.dy + frame.r13 * hit.dz,
        frame.r22 * hit.dy + frame.r23 * hit.dz,
        frame.r31 * hit.dx + frame.r32 * hit.dy + frame.r33 * hit.dz,
    )
    result.lit[part] = lit
    for column in range(2):
        np.copyto(result.landing_mm[part, column], columns[column], where=lit)
    for column in range(3):
        np.copyto(result.direction[part, column], columns[2 + column], where=lit)
    np.copyto(result.power_fraction[part], power, where=lit)


def _powers(lens: Lens, model: RayModel, plan: Plan, traced: Traced) -> list[Value]:
    """Power fraction after each hit."""
    powers: list[Value] = []
    for node, hit in zip(plan.nodes, traced.hits, strict=True):
        before = 1.0 if node.parent < 0 else powers[node.parent]
        reflected = coated_reflectance(
            lens.surfaces[node.surface],
            model.indices[node.space_before],
            model.indices[node.surface + 1 if node.way > 0 else node.surface],
            hit.cos_in,
        )
        powers.append(before * (reflected if node.reflect else 1.0 - reflected))
    return powers


def _inside(lens: Lens, plan: Plan, traced: Traced) -> list[Value]:
    """Whether the ray has stayed inside the clear aperture up to each hit."""
    limit = (lens.clear_aperture_mm / 2) ** 2
    inside: list[Value] = []
    for node, hit in zip(plan.nodes, traced.hits, strict=True):
        here = (hit.x * hit.x + hit.y * hit.y <= limit) & (hit.length_mm > 0.0)
        inside.append(here if node.parent < 0 else here & inside[node.parent])
    return inside


def _lengths(model: RayModel, plan: Plan, traced: Traced, end: int) -> Value:
    """Optical path length from the hole target's plane to the last surface of a path."""
    hits: list[tuple[Value, Hit]] = [
        (model.indices[plan.nodes[number].space_before], traced.hits[number]) for number in plan.chains[end]
    ]
    return sum(index * hit.length_mm for index, hit in hits)
