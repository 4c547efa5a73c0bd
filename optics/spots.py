"""The short way from a pose to the six spot coordinates, and how they change with pose and bench.

Made for callers that ask often: a learning controller (one pose at a time) and campaigns (many poses, a
lens of its own for each). The order is always front x, y, back x, y, transmitted x, y, in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optics.errors import OpticsError, RayLostError
from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.paths import Plan, SpotPath, make_plan, ray_path
from optics.rays import (
    COMPLEX,
    COMPLEX_ARRAY,
    FLOAT,
    REAL_ARRAY,
    Maths,
    RayModel,
    Value,
    as_tables,
    land,
    lens_frame,
    run,
    trace_numbers,
)
from optics.trace import CHUNK, as_poses

THREE_SPOTS: tuple[SpotPath, ...] = (SpotPath.FRONT, SpotPath.BACK, SpotPath.TRANSMITTED)

FEW = 6
"""Up to so many poses, plain Python numbers are faster than arrays."""

_PLAIN = frozenset({float, int, np.float64})

TINY = 1e-30
"""Complex step: so small that its square vanishes, so that the derivative is exact to rounding."""


def spot_coordinates(lens: Lens, layout: Layout, beam: Beam, poses: ArrayLike) -> NDArray[np.float64]:
    """Return where the three spots land, exactly, without regard to the clear aperture.

    Parameters
    ----------
    lens, layout, beam
        The bench.
    poses : array_like, shape (N, 4) or (4,)
        decenter x, y (mm), tilt x, y (mrad).

    Returns
    -------
    ndarray, shape (N, 6)
        World x, y (mm) of the front return, the back return and the transmitted spot.

    Raises
    ------
    RayLostError
        If at some pose the ray misses a surface, is totally reflected or does not meet its plate.
    OpticsError
        If a pose is not finite.
    """
    return model_spot_coordinates(RayModel.of(lens, layout, beam), poses)


def spot_jacobian(lens: Lens, layout: Layout, beam: Beam, poses: ArrayLike) -> NDArray[np.float64]:
    """Return the derivative of the six spot coordinates by the pose.

    By the complex step through the exact trace, so exact to rounding
    (Squire & Trapp, SIAM Rev. 40, 110 (1998)).

    Parameters and errors as for :func:`spot_coordinates`.

    Returns
    -------
    ndarray, shape (N, 6, 4)
        mm per [mm, mm, mrad, mrad].
    """
    return model_spot_jacobian(RayModel.of(lens, layout, beam), poses)


def model_spot_coordinates(model: RayModel, poses: ArrayLike) -> NDArray[np.float64]:
    """Like :func:`spot_coordinates`, for a bench given as numbers, each of which may differ by pose.

    Parameters
    ----------
    model : RayModel
        Single numbers, or arrays of shape (N,).
    poses : array_like, shape (N, 4) or (4,)

    Returns
    -------
    ndarray, shape (N, 6)

    Raises
    ------
    RayLostError, OpticsError
    """
    array = as_poses(poses)
    numbers = model.numbers
    if _PLAIN.issuperset(map(type, numbers)):
        return number_spot_coordinates(np.array(numbers, dtype=np.float64), array)
    array, model = _matched(model, array)
    return _coordinates(model, array.T, FLOAT, REAL_ARRAY)


def number_spot_coordinates(numbers: NDArray[np.float64], poses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Like :func:`model_spot_coordinates` for callers that ask for the same bench again and again.

    Parameters
    ----------
    numbers : ndarray, shape (3 surfaces + 6,)
        Of :attr:`optics.rays.RayModel.numbers`.
    poses : ndarray, shape (N, 4)
        Finite.

    Returns
    -------
    ndarray, shape (N, 6)

    Raises
    ------
    RayLostError
    """
    places = np.empty((len(poses), 6))
    nodes, ends = _tables((len(numbers) - 6) // 3)
    lost = trace_numbers(numbers, nodes, ends, np.ascontiguousarray(poses), places)
    if lost >= 0:
        raise _lost(poses.T, lost)
    return places


def model_spot_jacobian(model: RayModel, poses: ArrayLike) -> NDArray[np.float64]:
    """Like :func:`spot_jacobian`, for a bench given as numbers; shape (N, 6, 4)."""
    array, model = _matched(model, poses)
    result = np.empty((len(array), 6, 4))
    for number in range(4):
        columns = array.T.astype(np.complex128)
        columns[number] += 1j * TINY
        result[:, :, number] = _coordinates(model, columns, COMPLEX, COMPLEX_ARRAY).imag / TINY
    return result


def model_names(model: RayModel) -> tuple[str, ...]:
    """Return the names of a model's numbers in the order of :func:`model_parameter_jacobian`.

    ``R1``, ``R2`` ... (mm), ``t1`` ... (mm), ``n1`` ... (index of each element), ``L1``, ``L2`` (mm).
    """
    surfaces, elements = range(1, model.surface_count + 1), range(1, model.surface_count)
    return (
        *(f"R{number}" for number in surfaces),
        *(f"t{number}" for number in elements),
        *(f"n{number}" for number in elements),
        "L1",
        "L2",
    )


def model_parameter_jacobian(
    model: RayModel, poses: ArrayLike, names: Sequence[str] | None = None
) -> NDArray[np.float64]:
    """Return the derivative of the six spot coordinates by the bench's own numbers, by the complex step.

    The reference target keeps its place relative to the back vertex, so ``t`` moves it too.

    Parameters
    ----------
    model : RayModel
    poses : array_like, shape (N, 4) or (4,)
    names : sequence of str, optional
        Some of :func:`model_names`; all by default.

    Returns
    -------
    ndarray, shape (N, 6, P)
        mm per mm (``R``, ``t``, ``L``) or mm per unit of index (``n``). For a plano surface the derivative
        by ``R`` is 0.

    Raises
    ------
    OpticsError
        For a name that the model does not have.
    RayLostError
    """
    array, model = _matched(model, poses)
    wanted = model_names(model) if names is None else tuple(names)
    result = np.empty((len(array), 6, len(wanted)))
    columns = array.T.astype(np.complex128)
    for number, name in enumerate(wanted):
        moved = _stepped(model, name)
        result[:, :, number] = _coordinates(moved, columns, COMPLEX, COMPLEX_ARRAY).imag / TINY
    return result


def _stepped(model: RayModel, name: str) -> RayModel:
    """Return the model with a tiny imaginary step on one number."""
    if name not in model_names(model):
        raise OpticsError(f"the model has no number {name!r}, allowed are {', '.join(model_names(model))}")
    step = 1j * TINY
    if name == "L1":
        return replace(model, l1_mm=model.l1_mm + step)
    if name == "L2":
        return replace(model, l2_mm=model.l2_mm + step)
    place = int(name[1:]) - 1
    if name[0] == "R":
        curvature = model.curvatures_per_mm[place]
        changed = curvature - step * curvature * curvature
        return replace(model, curvatures_per_mm=_with(model.curvatures_per_mm, place, changed))
    if name[0] == "t":
        thickness = model.thicknesses_mm[place] + step
        return replace(model, thicknesses_mm=_with(model.thicknesses_mm, place, thickness))
    return replace(model, indices=_with(model.indices, place + 1, model.indices[place + 1] + step))


def _with(values: tuple[Value, ...], place: int, value: Value) -> tuple[Value, ...]:
    return (*values[:place], value, *values[place + 1 :])


def _matched(model: RayModel, poses: ArrayLike) -> tuple[NDArray[np.float64], RayModel]:
    """Return poses and model with agreeing lengths; one pose serves any number of lenses."""
    array = as_poses(poses)
    lengths = model.lengths
    if not lengths:
        return array, model
    count = max(lengths)
    if lengths - {1, count} or len(array) not in (1, count):
        raise OpticsError(f"the model's arrays have lengths {sorted(lengths)} for {len(array)} poses")
    return np.broadcast_to(array, (count, 4)), model


def _coordinates(model: RayModel, columns: Value, few: Maths, many: Maths) -> NDArray[Value]:
    """Spot coordinates of poses given as four columns, real or complex."""
    count = columns.shape[1]
    plan = _plan(model)
    result = np.empty((count, 6), dtype=columns.dtype)
    if count <= FEW:
        varies = bool(model.lengths)
        for number in range(count):
            one = model.part(number) if varies else model
            try:
                spots, reached = _spots(one, plan, columns[:, number].tolist(), few)
            except ZeroDivisionError:
                spots, reached = [0.0] * 6, False
            if not reached:
                raise _lost(columns, number)
            result[number] = spots
        return result
    with np.errstate(all="ignore"):  # a lost ray may divide by zero; it is refused below
        for begin in range(0, count, CHUNK):
            part = slice(begin, begin + CHUNK)
            spots, reached = _spots(model.part(part), plan, np.ascontiguousarray(columns[:, part]), many)
            if not np.all(reached):
                raise _lost(columns, begin + int(np.argmin(reached)))
            for number, spot in enumerate(spots):
                result[part, number] = spot
    return result


def _plan(model: RayModel) -> Plan:
    return _three_spots(model.surface_count)


@lru_cache(maxsize=8)
def _tables(surface_count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return as_tables(_three_spots(surface_count))


@lru_cache(maxsize=8)
def _three_spots(surface_count: int) -> Plan:
    return make_plan(tuple(ray_path(path, surface_count) for path in THREE_SPOTS), surface_count)


def _spots(model: RayModel, plan: Plan, columns: Value, maths: Maths) -> tuple[list[Value], Value]:
    traced = run(model, plan, lens_frame(columns, maths), maths)
    spots: list[Value] = []
    reached: Value = True
    for end in range(len(plan.ends)):
        landed = land(model, plan, traced, end)
        spots += (landed.x_mm, landed.y_mm)
        reached = reached & landed.reached
    return spots, reached


def _lost(columns: Value, number: int) -> RayLostError:
    pose = ", ".join(f"{value:.6g}" for value in np.real(columns[:, number]))
    return RayLostError(
        f"pose {number} (decenter x, y in mm, tilt x, y in mrad: {pose}): the beam misses a surface, is "
        "totally reflected or does not meet its plate, so there is no spot"
    )
