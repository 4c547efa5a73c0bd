"""The beam's shape on the plates: a general astigmatic Gaussian beam carried along the exact base ray.

The wavefront's second derivatives form a complex symmetric tensor across the ray. It is carried by its x, y
block in the lens frame (the rest follows, because the tensor has no part along the ray), which needs no basis
across the ray and so has no special case at normal incidence:

- along a way ``s`` the inverse block grows by ``s (1 + d d^T / d_z^2)``, ``d`` the ray's x and y directions;
- at a surface the phase of both beams agrees on the sphere to second order (generalised Coddington
  equations; on axis the q law of Kogelnik & Li, Appl. Opt. 5, 1550 (1966)).

Sign: fields go as ``exp(+i k z)``, so ``1/q = curvature + i wavelength / (pi w^2)``.
"""

from __future__ import annotations

import cmath
import math
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.paraxial import paraxial_radius_mm
from optics.paths import Node, Plan, RayPath, SpotPath, make_plan, ray_path
from optics.rays import FLOAT, REAL_ARRAY, Frame, Hit, Maths, RayModel, Traced, Value, land, lens_frame, run
from optics.trace import CHUNK, as_poses

__all__ = ["BeamShape", "beam_on_plate", "paraxial_radius_mm"]


@dataclass(frozen=True, slots=True)
class BeamShape:
    """The beam on a plate, for N poses; about the landing point, in the plate's x, y.

    Meaningless but finite where the path is not lit (see ``optics.trace``).

    Attributes
    ----------
    radius_matrix : ndarray, shape (N, 2, 2)
        M in mm^2, symmetric positive definite: intensity goes as ``exp(-2 r^T M^-1 r)``; its eigenvalues are
        the squares of the principal 1/e^2 radii.
    curvature_per_mm : ndarray, shape (N, 2, 2)
        Symmetric C: the phase on the plate goes as ``k (u . r + r^T C r / 2)`` with the ray's direction x, y
        as ``u``; positive for a diverging beam.
    gouy_rad : ndarray, shape (N,)
        Phase by which the beam on its axis lags behind ``k`` times the optical path length, counted from the
        beam's waist. Sign changes on reflection are not counted.
    """

    radius_matrix: NDArray[np.float64]
    curvature_per_mm: NDArray[np.float64]
    gouy_rad: NDArray[np.float64]

    @property
    def principal_radii_mm(self) -> NDArray[np.float64]:
        """1/e^2 radii, major then minor; shape (N, 2)."""
        radii: NDArray[np.float64] = np.sqrt(np.linalg.eigvalsh(self.radius_matrix)[:, ::-1])
        return radii


class _Block(NamedTuple):
    """A symmetric 2 x 2 matrix per pose."""

    xx: Value
    xy: Value
    yy: Value

    def inverse(self) -> _Block:
        scale = 1.0 / (self.xx * self.yy - self.xy * self.xy)
        return _Block(self.yy * scale, -self.xy * scale, self.xx * scale)

    def plus(self, factor: Value, other: _Block) -> _Block:
        return _Block(self.xx + factor * other.xx, self.xy + factor * other.xy, self.yy + factor * other.yy)

    def between(self, a: Value, b: Value, c: Value, d: Value) -> _Block:
        """Return T^T S T with T = ((a, b), (c, d))."""
        left_x, left_y = a * self.xx + c * self.xy, a * self.xy + c * self.yy
        right_x, right_y = b * self.xx + d * self.xy, b * self.xy + d * self.yy
        return _Block(left_x * a + left_y * c, left_x * b + left_y * d, right_x * b + right_y * d)


def beam_on_plate(
    lens: Lens, layout: Layout, beam: Beam, poses: ArrayLike, path: SpotPath | RayPath
) -> BeamShape:
    """Return the shape of the beam where a path meets its plate.

    Parameters
    ----------
    lens, layout, beam
        The bench.
    poses : array_like, shape (N, 4) or (4,)
        decenter x, y (mm), tilt x, y (mrad).
    path : SpotPath or RayPath

    Returns
    -------
    BeamShape

    Raises
    ------
    OpticsError
        If a pose is not finite or the path does not fit the lens.
    """
    count = len(lens.surfaces)
    ray = path if isinstance(path, RayPath) else ray_path(path, count)
    plan = make_plan((ray,), count)
    model = RayModel.of(lens, layout, beam)
    array = as_poses(poses)
    shape = BeamShape(np.empty((len(array), 2, 2)), np.empty((len(array), 2, 2)), np.empty(len(array)))
    if len(array) == 1:
        with suppress(ZeroDivisionError):  # of a lost ray; arrays bear it
            _fill(shape, slice(0, 1), (model, plan, beam), array[0].tolist(), FLOAT)
            return shape
    with np.errstate(all="ignore"):  # lost rays may divide by zero; they are made finite below
        for begin in range(0, len(array), CHUNK):
            part = slice(begin, begin + CHUNK)
            _fill(shape, part, (model, plan, beam), np.ascontiguousarray(array[part].T), REAL_ARRAY)
    return shape


def _fill(
    shape: BeamShape, part: slice, bench: tuple[RayModel, Plan, Beam], poses: Value, maths: Maths
) -> None:
    """Carry the beam along the plan's only path at some poses."""
    model, plan, beam = bench
    traced = run(model, plan, lens_frame(poses, maths), maths)
    landed = land(model, plan, traced, 0)
    block, gouy = _carried(model, plan, traced, landed.length_mm, beam)
    _store(shape, part, block, gouy, beam, landed.reached)


def _store(shape: BeamShape, part: slice, block: _Block, gouy: Value, beam: Beam, good: Value) -> None:
    where: Any = _chosen if isinstance(good, bool) else np.where
    spread = _Block(*(math.pi / (beam.wavelength_nm * 1e-6) * value.imag for value in block)).inverse()
    places = ((0, 0), (0, 1), (1, 0), (1, 1))
    for (row, column), square, curved in zip(
        places,
        (spread.xx, spread.xy, spread.xy, spread.yy),
        (block.xx, block.xy, block.xy, block.yy),
        strict=True,
    ):
        shape.radius_matrix[part, row, column] = where(good, square, float(row == column))
        shape.curvature_per_mm[part, row, column] = where(good, curved.real, 0.0)
    shape.gouy_rad[part] = where(good, gouy, 0.0)


def _chosen(good: bool, value: float, other: float) -> float:
    return value if good else other


def _carried(model: RayModel, plan: Plan, traced: Traced, last_mm: Value, beam: Beam) -> tuple[_Block, Value]:
    """Carry the beam from its waist to the plate; block of the plate's x, y and Gouy phase."""
    start = traced.start
    to_waist_mm = -beam.waist_z_mm * math.sqrt(1.0 + sum((slope * 1e-3) ** 2 for slope in beam.slope_mrad))
    zero = _Block(0.0, 0.0, 0.0)
    inverse = zero.plus(complex(to_waist_mm, -beam.rayleigh_range_mm), _across(start))
    gouy = math.atan2(to_waist_mm, beam.rayleigh_range_mm)
    ray = start
    for number in plan.chains[0]:
        node, hit = plan.nodes[number], traced.hits[number]
        block, phase = _along(inverse, hit.length_mm, ray)
        gouy = gouy + phase
        inverse = _through(block, model, node, ray, hit).inverse()
        ray = hit
    block, phase = _along(inverse, last_mm, ray)
    return _onto_plate(block, ray, traced.frame), gouy + phase


def _across(ray: Hit) -> _Block:
    """1 + d d^T / d_z^2: how a circle across the ray is seen in the lens frame's x, y."""
    scale = 1.0 / (ray.dz * ray.dz)
    return _Block(1.0 + ray.dx * ray.dx * scale, ray.dx * ray.dy * scale, 1.0 + ray.dy * ray.dy * scale)


def _along(inverse: _Block, way_mm: Value, ray: Hit) -> tuple[_Block, Value]:
    """Carry along a way; the block there and the Gouy phase gained."""
    across = _across(ray)
    before = inverse.inverse()
    # Half the phase of det(1 + s Q), taken from the eigenvalues one by one so that it cannot wrap.
    trace = across.xx * before.xx + 2.0 * across.xy * before.xy + across.yy * before.yy
    det = (across.xx * across.yy - across.xy**2) * (before.xx * before.yy - before.xy**2)
    square = trace * trace - 4.0 * det
    single = isinstance(square, complex)
    root = cmath.sqrt(square) if single else np.sqrt(square)
    angle = cmath.phase if single else np.angle
    phase = 0.5 * sum(angle(1.0 + way_mm * 0.5 * (trace + sign * root)) for sign in (1.0, -1.0))
    return inverse.plus(way_mm, across).inverse(), phase


def _through(block: _Block, model: RayModel, node: Node, ray: Hit, hit: Hit) -> _Block:
    """Match the phases of the beam before and after a surface."""
    c = model.curvatures_per_mm[node.surface]
    n_before, n_after = model.indices[node.space_before], model.indices[node.space_after]
    lean = 1.0 / (1.0 - c * hit.z)
    px, py = -c * hit.x * lean, -c * hit.y * lean  # slope of the surface's normal
    on_surface = block.between(*_view(ray, px, py))
    bend = c * (n_before * hit.cos_in - n_after * hit.cos_out) / n_after
    matched = _Block(
        n_before / n_after * on_surface.xx + bend * (1.0 + px * px),
        n_before / n_after * on_surface.xy + bend * px * py,
        n_before / n_after * on_surface.yy + bend * (1.0 + py * py),
    )
    a, b, d, e = _view(hit, px, py)
    scale = 1.0 / (a * e - b * d)
    return matched.between(e * scale, -b * scale, -d * scale, a * scale)


def _view(ray: Hit, px: Value, py: Value) -> tuple[Value, Value, Value, Value]:
    """Take x, y on the tangent plane of a surface to x, y on a plane z = const, along the ray."""
    u, v = ray.dx / ray.dz, ray.dy / ray.dz
    return 1.0 + u * px, u * py, v * px, 1.0 + v * py


def _onto_plate(block: _Block, ray: Hit, frame: Frame) -> _Block:
    """Turn the block from the lens frame's x, y to the plate's, along the ray."""
    u, v = ray.dx / ray.dz, ray.dy / ray.dz
    return block.between(
        frame.r11 - u * frame.r13,
        -u * frame.r23,
        frame.r12 - v * frame.r13,
        frame.r22 - v * frame.r23,
    )
