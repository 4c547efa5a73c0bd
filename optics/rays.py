"""One ray kernel for every path: exact skew refraction and reflection at centred spheres, in the lens frame.

The same expressions run on Python floats (one pose, fast), on arrays (millions of poses), and on complex
numbers (derivatives by the complex step), so a value here is a float, a complex or an array of either.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled
from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.paths import Node, Plan, Plate

Value = Any
"""A float, a complex, or an array of either: the kernel is written once for all of them."""


@dataclass(frozen=True, slots=True)
class RayModel:
    """Lens, layout and base ray as the plain numbers that the kernel works with.

    Every number may be a float, an array of shape (N,) with one value per pose (a learned or a toleranced
    lens), or complex (to differentiate by it).

    Attributes
    ----------
    curvatures_per_mm : tuple
        1/R of each surface.
    thicknesses_mm : tuple
        Between the surfaces.
    indices : tuple
        Of every space, air included (one more than surfaces).
    l1_mm, l2_mm : value
    offset_x_mm, offset_y_mm, slope_x, slope_y : value
        Incoming ray at z = 0; slopes dx/dz, dy/dz (not milli).
    """

    curvatures_per_mm: tuple[Value, ...]
    thicknesses_mm: tuple[Value, ...]
    indices: tuple[Value, ...]
    l1_mm: Value
    l2_mm: Value
    offset_x_mm: Value = 0.0
    offset_y_mm: Value = 0.0
    slope_x: Value = 0.0
    slope_y: Value = 0.0

    @classmethod
    def of(cls, lens: Lens, layout: Layout, beam: Beam) -> RayModel:
        """Return the numbers of a lens on a bench at the beam's wavelength."""
        return cls(
            tuple(surface.curvature_per_mm for surface in lens.surfaces),
            lens.thicknesses_mm,
            lens.indices(beam.wavelength_nm),
            layout.l1_mm,
            layout.l2_mm,
            beam.offset_mm[0],
            beam.offset_mm[1],
            beam.slope_mrad[0] * 1e-3,
            beam.slope_mrad[1] * 1e-3,
        )

    @property
    def surface_count(self) -> int:
        """Number of surfaces."""
        return len(self.curvatures_per_mm)

    @property
    def numbers(self) -> tuple[Value, ...]:
        """All of them in the order in which :func:`trace_numbers` takes them, 3 surfaces + 6."""
        lens = *self.curvatures_per_mm, *self.thicknesses_mm, *self.indices
        ray = self.offset_x_mm, self.offset_y_mm, self.slope_x, self.slope_y
        return (*lens, self.l1_mm, self.l2_mm, *ray)

    def mapped(self, change: Callable[[Value], Value]) -> RayModel:
        """Return the model with ``change`` applied to every number."""
        return RayModel(
            tuple(map(change, self.curvatures_per_mm)),
            tuple(map(change, self.thicknesses_mm)),
            tuple(map(change, self.indices)),
            change(self.l1_mm),
            change(self.l2_mm),
            change(self.offset_x_mm),
            change(self.offset_y_mm),
            change(self.slope_x),
            change(self.slope_y),
        )

    def part(self, which: slice | int) -> RayModel:
        """Return the model of some of the poses: arrays are cut, single numbers stay."""
        return self.mapped(lambda value: value[which] if np.ndim(value) else value)

    @property
    def lengths(self) -> set[int]:
        """Lengths of the arrays among the numbers; empty when all are single numbers."""
        found: set[int] = set()
        self.mapped(lambda value: found.add(len(value)) if np.ndim(value) else None)
        return found


class Maths(NamedTuple):
    """The functions that differ between single numbers and arrays, real and complex.

    Real roots are taken of the absolute value so that a lost ray stays finite; it is marked as lost.
    """

    sqrt: Callable[[Value], Value]
    sin: Callable[[Value], Value]
    cos: Callable[[Value], Value]


FLOAT = Maths(lambda value: math.sqrt(abs(value)), math.sin, math.cos)
COMPLEX = Maths(cmath.sqrt, cmath.sin, cmath.cos)
REAL_ARRAY = Maths(lambda value: np.sqrt(np.abs(value)), np.sin, np.cos)
COMPLEX_ARRAY = Maths(np.sqrt, np.sin, np.cos)


class Hit(NamedTuple):
    """A ray at a surface, in the lens frame.

    Attributes
    ----------
    x, y, z : value
        Point, mm, from the vertex of the surface.
    dx, dy, dz : value
        Direction after the surface, a unit vector.
    cos_in, cos_out : value
        Signed cosines of the angles of incidence and of refraction (or reflection) to the surface normal
        ``(-c x, -c y, 1 - c z)``.
    length_mm : value
        Way from the hit before, or from the hole target's plane.
    reached : bool or array of bool
        False where this ray or the one before misses the surface or is totally reflected.
    """

    x: Value
    y: Value
    z: Value
    dx: Value
    dy: Value
    dz: Value
    cos_in: Value
    cos_out: Value
    length_mm: Value
    reached: Value


class Frame(NamedTuple):
    """Pose of the lens: world = vertex + R lens, R = Ry(tilt y) Rx(tilt x), row by row (r21 is 0)."""

    x_mm: Value
    y_mm: Value
    r11: Value
    r12: Value
    r13: Value
    r22: Value
    r23: Value
    r31: Value
    r32: Value
    r33: Value


class Traced(NamedTuple):
    """The hits of a plan and what is needed to bring them onto the plates."""

    start: Hit
    hits: list[Hit]
    frame: Frame


def lens_frame(pose: Value, maths: Maths) -> Frame:
    """Return the frame of a lens at a pose: decenter x, y (mm), tilt x, y (mrad), each a value."""
    x_mm, y_mm, tilt_x_mrad, tilt_y_mrad = pose
    rx, ry = tilt_x_mrad * 1e-3, tilt_y_mrad * 1e-3
    sx, cx, sy, cy = maths.sin(rx), maths.cos(rx), maths.sin(ry), maths.cos(ry)
    return Frame(x_mm, y_mm, cy, sy * sx, sy * cx, cx, -sx, -sy, cy * sx, cy * cx)


class _Base(NamedTuple):
    """What :func:`incoming` asks of a model."""

    l1_mm: float
    offset_x_mm: float
    offset_y_mm: float
    slope_x: float
    slope_y: float


def incoming(model: RayModel | _Base, frame: Frame, maths: Maths) -> Hit:
    """Return the incoming ray at world z = 0, in the lens frame."""
    x, y, z = model.offset_x_mm - frame.x_mm, model.offset_y_mm - frame.y_mm, -model.l1_mm
    u, v = model.slope_x, model.slope_y
    w = 1.0 / maths.sqrt(1.0 + u * u + v * v)
    u, v = u * w, v * w
    return Hit(
        frame.r11 * x + frame.r31 * z,
        frame.r12 * x + frame.r22 * y + frame.r32 * z,
        frame.r13 * x + frame.r23 * y + frame.r33 * z,
        frame.r11 * u + frame.r31 * w,
        frame.r12 * u + frame.r22 * v + frame.r32 * w,
        frame.r13 * u + frame.r23 * v + frame.r33 * w,
        1.0,
        1.0,
        0.0,
        True,
    )


def meet(
    ray: Hit, shift_mm: Value, curvature: Value, n_before: Value, n_after: Value, node: Node, maths: Maths
) -> Hit:
    """Bring a ray to a surface and refract or reflect it there.

    The ray is first brought to the plane through the vertex; from there the nearer intersection is
    ``s = k / (b + root)``, exact also for planes (curvature 0), and the root is the cosine of incidence.

    Parameters
    ----------
    ray : Hit
    shift_mm : value
        Vertex of the ray's last surface seen from this one's vertex, along the axis.
    curvature, n_before, n_after : value
        Of this surface, and the indices before and after it on this path.
    node : Node
    maths : Maths
    """
    x, y, dx, dy, dz = ray.x, ray.y, ray.dx, ray.dy, ray.dz
    to_plane = -(ray.z + shift_mm) / dz
    x, y = x + to_plane * dx, y + to_plane * dy
    b = dz - curvature * (x * dx + y * dy)
    k = curvature * (x * x + y * y)
    square = b * b - curvature * k
    root = maths.sqrt(square)
    reached = ray.reached & (square.real > 0.0)
    cos_in = root if node.way > 0 else -root
    s = k / (b + cos_in)
    x, y, z = x + s * dx, y + s * dy, s * dz
    if node.reflect:
        cos_out = -cos_in
        bend = cos_out - cos_in
    else:
        mu = n_before / n_after
        square = 1.0 - mu * mu * (1.0 - square)
        root = maths.sqrt(square)
        reached = reached & (square.real > 0.0)
        cos_out = root if node.way > 0 else -root
        bend = cos_out - mu * cos_in
        dx, dy, dz = mu * dx, mu * dy, mu * dz
    pull = bend * curvature
    return Hit(
        x, y, z, dx - pull * x, dy - pull * y, dz + (bend - pull * z), cos_in, cos_out, to_plane + s, reached
    )


def run(model: RayModel, plan: Plan, frame: Frame, maths: Maths) -> Traced:
    """Follow the incoming ray through all hits of a plan."""
    vertices = [0.0]
    for thickness in model.thicknesses_mm:
        vertices.append(vertices[-1] + thickness)
    start = incoming(model, frame, maths)
    hits: list[Hit] = []
    for node in plan.nodes:
        ray = start if node.parent < 0 else hits[node.parent]
        last = 0 if node.parent < 0 else plan.nodes[node.parent].surface
        shift = vertices[last] - vertices[node.surface]
        curvature = model.curvatures_per_mm[node.surface]
        n_before, n_after = model.indices[node.space_before], model.indices[node.space_after]
        hits.append(meet(ray, shift, curvature, n_before, n_after, node, maths))
    return Traced(start, hits, frame)


class Landed(NamedTuple):
    """Where a path meets its plate: world x, y (mm), way from the last surface (mm), and whether it does."""

    x_mm: Value
    y_mm: Value
    length_mm: Value
    reached: Value


def land(model: RayModel, plan: Plan, traced: Traced, end: int) -> Landed:
    """Bring the end of a path onto its plate."""
    number, plate = plan.ends[end]
    depth: Value = sum(model.thicknesses_mm[: plan.nodes[number].surface])
    to_hole = plate is Plate.HOLE_TARGET
    plate_z = -model.l1_mm if to_hole else sum(model.thicknesses_mm) + model.l2_mm
    return land_at(traced.hits[number], traced.frame, depth, plate_z)


def land_at(hit: Hit, frame: Frame, depth_mm: Value, plate_z_mm: Value) -> Landed:
    """Bring a ray from a surface to a plate, both so far behind the front vertex."""
    z = hit.z + depth_mm
    fall = frame.r31 * hit.dx + frame.r32 * hit.dy + frame.r33 * hit.dz
    s = (plate_z_mm - (frame.r31 * hit.x + frame.r32 * hit.y + frame.r33 * z)) / fall
    x, y, z = hit.x + s * hit.dx, hit.y + s * hit.dy, z + s * hit.dz
    return Landed(
        frame.x_mm + (frame.r11 * x + frame.r12 * y + frame.r13 * z),
        frame.y_mm + (frame.r22 * y + frame.r23 * z),
        s,
        hit.reached & (s.real > 0.0),
    )


# --- the same as machine code -----------------------------------------------------------------------


@compiled()
def _root(value: float) -> float:
    return math.sqrt(abs(value))


@compiled()
def _sine(value: float) -> float:
    return math.sin(value)


@compiled()
def _cosine(value: float) -> float:
    return math.cos(value)


_frame_of, _incoming = compiled()(lens_frame), compiled()(incoming)
_meet, _land_at = compiled()(meet), compiled()(land_at)


def as_tables(plan: Plan) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return a plan as :func:`trace_numbers` takes it: nodes (k, 6), and hit and plate of each end (m, 2)."""
    ends = [(number, plate is Plate.HOLE_TARGET) for number, plate in plan.ends]
    return np.array(plan.nodes, dtype=np.int64), np.array(ends, dtype=np.int64)


@compiled()
def trace_numbers(
    numbers: NDArray[np.float64],
    nodes: NDArray[np.int64],
    ends: NDArray[np.int64],
    poses: NDArray[np.float64],
    places: NDArray[np.float64],
) -> int:
    """Find where paths end, for single numbers as machine code: the functions above, to the same last bit.

    Parameters
    ----------
    numbers : ndarray, shape (3 surfaces + 6,)
        Of :attr:`RayModel.numbers`.
    nodes, ends : ndarray, shape (k, 6), (m, 2)
        Of :func:`as_tables`.
    poses : ndarray, shape (N, 4)
    places : ndarray, shape (N, 2 m)
        Receives x, y (mm) of each path on its plate.

    Returns
    -------
    int
        Number of the first pose at which a ray is lost; those after it are left out. -1 if there is none.
    """
    maths = Maths(_root, _sine, _cosine)
    count = (len(numbers) - 6) // 3
    curvatures, indices, rest = numbers[:count], numbers[2 * count - 1 : 3 * count], numbers[3 * count :]
    base = _Base(rest[0], rest[2], rest[3], rest[4], rest[5])
    vertices = np.zeros(count)
    for surface in range(1, count):
        vertices[surface] = vertices[surface - 1] + numbers[count + surface - 1]
    for number in range(len(poses)):
        pose = poses[number]
        frame = _frame_of((pose[0], pose[1], pose[2], pose[3]), maths)
        start = _incoming(base, frame, maths)
        hits = [start][:0]
        for at in range(len(nodes)):
            row = nodes[at]
            node = Node(row[0], row[1], row[2] != 0, row[3], row[4], row[5])
            ray = start if node.parent < 0 else hits[node.parent]
            last = 0 if node.parent < 0 else nodes[node.parent, 1]
            shift = vertices[last] - vertices[node.surface]
            n_before, n_after = indices[node.space_before], indices[node.space_after]
            hits.append(_meet(ray, shift, curvatures[node.surface], n_before, n_after, node, maths))
        for end in range(len(ends)):
            last, to_hole = ends[end, 0], ends[end, 1]
            plate_z = -base.l1_mm if to_hole else vertices[-1] + rest[1]
            landed = _land_at(hits[last], frame, vertices[nodes[last, 1]], plate_z)
            # What Python refuses to divide by zero is infinite here.
            if not (landed.reached and math.isfinite(landed.x_mm) and math.isfinite(landed.y_mm)):
                return number
            places[number, 2 * end], places[number, 2 * end + 1] = landed.x_mm, landed.y_mm
    return -1
