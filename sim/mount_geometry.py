"""Where a lens goes that the axes of a mount carry: rotations about the pivot, exact.

The world frame has its z along the bench axis; here its origin is the nominal front vertex of the lens. The
linear axes carry a pivot; about it the tilt stage turns the lens, the ``tilt_x`` axis being the one next to
the lens and the ``tilt_y`` axis the one that carries it (so a perfect mount realises Ry Rx). The lens lies in
the innermost stage as it was seated. The small cross-talk rotations of the linear axes turn everything about
the pivot.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from driver.axes import AxisSpec
from optics.compiled import compiled
from sim.mount_errors import MountGeometry

Vector = tuple[float, float, float]
Pose = tuple[float, float, float, float]

_DECENTERS, _TILTS_X, _TILTS_Y = 0, 1, 2
_KIND: Final = {"tilt_x": _TILTS_X, "tilt_y": _TILTS_Y}


@dataclass(frozen=True, slots=True)
class LensState:
    """Where the lens is.

    Attributes
    ----------
    vertex_mm : ndarray, shape (3,)
        Front vertex; origin at its nominal place.
    axis : ndarray, shape (3,)
        Unit vector of the optical axis, downstream.
    pose : ndarray, shape (4,)
        decenter x, y (mm), tilt x, y (mrad): that of the front vertex, as everywhere in the project. The
        vertex also moves along z by some um, which the pose leaves out.
    """

    vertex_mm: NDArray[np.float64]
    axis: NDArray[np.float64]
    pose: NDArray[np.float64]

    @classmethod
    def at(cls, pose: Sequence[float], z_mm: float) -> LensState:
        """Return the state of a pose; ``z_mm`` is where the front vertex is along the beam."""
        x_mm, y_mm, tilt_x_mrad, tilt_y_mrad = pose
        axis = np.array(tilted_axis(tilt_x_mrad, tilt_y_mrad))
        return cls(np.array([x_mm, y_mm, z_mm]), axis, np.array(pose))


@compiled()
def tilted_axis(tilt_x_mrad: float, tilt_y_mrad: float) -> Vector:
    """Return the axis of a lens with a tilt: Ry Rx z."""
    rx, ry = 1e-3 * tilt_x_mrad, 1e-3 * tilt_y_mrad
    return math.cos(rx) * math.sin(ry), -math.sin(rx), math.cos(rx) * math.cos(ry)


@compiled()
def tilt_of(axis: Vector) -> tuple[float, float]:
    """Return the tilt (x, y) in mrad of a unit vector; the inverse of :func:`tilted_axis`."""
    return -1e3 * math.asin(axis[1]), 1e3 * math.atan2(axis[0], axis[2])


@compiled()
def turned(vector: Vector, along: Vector) -> Vector:
    """Turn a vector, right-handed, by ``|along|`` rad about ``along`` (Rodrigues' formula)."""
    angle = math.sqrt(along[0] * along[0] + along[1] * along[1] + along[2] * along[2])
    if angle == 0.0:
        return vector
    x, y, z = along[0] / angle, along[1] / angle, along[2] / angle
    vx, vy, vz = vector
    s, c = math.sin(angle), math.cos(angle)
    kept = (1.0 - c) * (x * vx + y * vy + z * vz)
    return (
        c * vx + s * (y * vz - z * vy) + kept * x,
        c * vy + s * (z * vx - x * vz) + kept * y,
        c * vz + s * (x * vy - y * vx) + kept * z,
    )


def place_lens(
    geometry: MountGeometry,
    axes: Sequence[AxisSpec],
    positions: Sequence[float] | NDArray[np.float64],
    seat_pose: NDArray[np.float64],
) -> tuple[Pose, float]:
    """Carry a lens from its seat to where the axes put it.

    Parameters
    ----------
    geometry : MountGeometry
    axes : sequence of AxisSpec
    positions : sequence of float, one for each axis
        True positions of the carriages, axis units.
    seat_pose : ndarray, shape (4,)
        Pose that the lens would have with all axes at 0.

    Returns
    -------
    pose : tuple of float
    z_mm : float
        Where the front vertex is along the beam.
    """
    kinds = np.array([_KIND.get(axis.moves, _DECENTERS) for axis in axes])
    x, y, z, tilt_x, tilt_y = _placed(
        geometry.directions, geometry.parasitic, geometry.pivot_mm, kinds, np.array(positions), seat_pose
    )
    return (x, y, tilt_x, tilt_y), z


@compiled()
def _placed(
    directions: NDArray[np.float64],
    parasitic: NDArray[np.float64],
    pivot_mm: NDArray[np.float64],
    kinds: NDArray[np.int64],
    positions: NDArray[np.float64],
    seat_pose: NDArray[np.float64],
) -> tuple[float, float, float, float, float]:
    """Return the front vertex (mm) and the tilts (mrad)."""
    shift, wobble, turns = np.zeros(3), np.zeros(3), np.zeros((3, 3))
    for axis in range(len(kinds)):
        at, kind = positions[axis], kinds[axis]
        for k in range(3):
            if kind == _DECENTERS:
                shift[k] += at * directions[axis, k]
                wobble[k] += at * parasitic[axis, k]
            else:
                shift[k] += at * parasitic[axis, k]
                turns[kind, k] = math.radians(at) * directions[axis, k]
    turns[0] = wobble
    arm = seat_pose[0] - pivot_mm[0], seat_pose[1] - pivot_mm[1], -pivot_mm[2]
    axis_of_lens = tilted_axis(seat_pose[2], seat_pose[3])
    for stage in (_TILTS_X, _TILTS_Y, _DECENTERS):
        along = turns[stage, 0], turns[stage, 1], turns[stage, 2]
        arm, axis_of_lens = turned(arm, along), turned(axis_of_lens, along)
    tilt_x, tilt_y = tilt_of(axis_of_lens)
    x, y, z = (
        pivot_mm[0] + shift[0] + arm[0],
        pivot_mm[1] + shift[1] + arm[1],
        pivot_mm[2] + shift[2] + arm[2],
    )
    return x, y, z, tilt_x, tilt_y
