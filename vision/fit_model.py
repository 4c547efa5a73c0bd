"""What a group of spots looks like on the plate, and how that answers to each parameter.

Intensity of a spot: ``a exp(-1/2 r^T S^-1 r)`` with S = s^2 E + smear, s = w / 2 (ISO 11146-1: w = 2 sigma),
E a symmetric matrix of determinant 1 (the ellipse that the optics expects, or the identity), smear the second
moments that averaging over a block adds. Two coherent spots add ``sqrt(G1 G2) (c cos p + s sin p)`` with
``p = kx x + ky y + q r^2``, r taken from the first spot's centre where the fit began.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.model_kernels import NO_MOMENTS, halo_rows, light_and_signal, spot_rows

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shape:
    """Which parameters the model has.

    The parameter vector is, in this order: per spot ``x_mm, y_mm, ln w`` and, where ``free_ellipse``,
    ``e1, e2``;
    where ``fringes``, ``kx, ky, q`` (per mm, per mm, per mm^2); where ``halo``, ln of the halo's radius
    over the
    spot's; then the linear ones: amplitude per spot (electrons), background constant and slopes (electrons,
    electrons per ``scale_mm``); cosine and sine; the first spot's halo (the others' are in proportion).

    Attributes
    ----------
    spots : int
    origin_mm : ndarray, shape (2,)
        Origin of the background plane and of the fringes' phase.
    scale_mm : float
        Length over which the background's slope is counted.
    ellipses : tuple of ndarray (2, 2)
        Expected shape E of each spot, determinant 1.
    free_ellipse : bool
    fringes : bool
    slopes : bool
        Whether the background may slope.
    extras : int
        How many of the spots, the last ones, are light that nobody asked for (ghosts).
    halo : bool
        Whether every wanted spot lies in a halo of light that the plate or the optics scatter.
    per_spot, nonlinear, linear, size : int
        Number of parameters of a spot, of nonlinear and of linear ones, and of all.
    """

    spots: int
    origin_mm: Array
    scale_mm: float
    ellipses: tuple[Array, ...]
    free_ellipse: bool = False
    fringes: bool = False
    slopes: bool = True
    extras: int = 0
    halo: bool = False
    per_spot: int = field(init=False)
    nonlinear: int = field(init=False)
    linear: int = field(init=False)
    size: int = field(init=False)

    def __post_init__(self) -> None:
        own = 5 if self.free_ellipse else 3
        nonlinear = self.spots * own + 3 * self.fringes + self.halo
        linear = self.spots + (3 if self.slopes else 1) + 2 * self.fringes + self.halo
        counts = {"per_spot": own, "nonlinear": nonlinear, "linear": linear, "size": nonlinear + linear}
        for name, count in counts.items():
            object.__setattr__(self, name, count)

    @property
    def wanted(self) -> int:
        """Number of spots that are measured; the rest is light that must not pull them."""
        return self.spots - self.extras

    @property
    def plane(self) -> slice:
        """Where the background stands in the parameter vector."""
        first = self.nonlinear + self.spots
        return slice(first, first + (3 if self.slopes else 1))

    def center(self, spot: int) -> slice:
        """Return where a spot's x, y stand in the parameter vector."""
        return slice(spot * self.per_spot, spot * self.per_spot + 2)

    def log_radius(self, spot: int) -> int:
        """Return where a spot's ln w stands in the parameter vector."""
        return spot * self.per_spot + 2

    def amplitude(self, spot: int) -> int:
        """Return where a spot's amplitude stands in the parameter vector."""
        return self.nonlinear + spot


def shape_matrix(shape: Shape, theta: Array, spot: int) -> tuple[Array, Array]:
    """Return a spot's own second moments s^2 E (mm^2) and E."""
    first = spot * shape.per_spot
    ellipse = shape.ellipses[spot]
    if shape.free_ellipse:
        e1, e2 = theta[first + 3 : first + 5]
        root = np.linalg.cholesky(ellipse)
        size = np.hypot(e1, e2)
        sinc = np.sinh(size) / size if size > 1e-9 else 1.0
        stretch = np.cosh(size) * np.eye(2) + sinc * np.array([[e1, e2], [e2, -e1]])
        ellipse = root @ stretch @ root.T
    return np.exp(2.0 * theta[first + 2]) / 4.0 * ellipse, ellipse


def evaluate(
    shape: Shape, theta: Array, at_mm: Array, cell_mm: Array, smears_mm2: Array | None = None
) -> tuple[Array, Array, Array]:
    """Return the model and the spots' part of it, both of shape (N,), and its derivatives, (parameters, N).

    ``cell_mm``, shape (2, 2), holds the two sides of a block on the plate as columns; ``smears_mm2``, shape
    (2, 2, N), what averaging over each block adds to second moments, where that is uneven.
    """
    smear_mm2 = cell_mm @ cell_mm.T / 12.0
    count = at_mm.shape[1]
    rows = np.zeros((shape.size, count))
    smears_mm2 = NO_MOMENTS if smears_mm2 is None else smears_mm2
    parts = np.empty((shape.spots if shape.fringes else 0, 3, count))
    spots, stretches = _spots_of(shape, theta), _stretches_of(shape, theta)
    spot_rows(at_mm, spots, stretches, smear_mm2, smears_mm2, shape.nonlinear, rows, parts)
    line = shape.plane.start
    rows[line] = 1.0
    if shape.slopes:
        for axis in (0, 1):
            np.subtract(at_mm[axis], shape.origin_mm[axis], out=rows[line + 1 + axis])
            rows[line + 1 + axis] /= shape.scale_mm
    if shape.fringes:
        _fringe_rows(shape, theta, at_mm - shape.origin_mm[:, None], cell_mm, parts, rows)
    if shape.halo:
        halo, shares = _halos_of(shape, theta, spots)
        halo_rows(at_mm, halo, shares, smear_mm2, shape.per_spot, shape.nonlinear - 1, rows)
    light, signal = light_and_signal(
        theta[shape.nonlinear :], rows[shape.nonlinear :], shape.spots, 3 if shape.slopes else 1
    )
    return signal, light, rows


def _spots_of(shape: Shape, theta: Array) -> Array:
    """Return the spots as `spot_rows` takes them."""
    values = theta.tolist()
    spots = []
    for spot in range(shape.spots):
        first, ellipse = spot * shape.per_spot, shape.ellipses[spot]
        if shape.free_ellipse:
            own = shape_matrix(shape, theta, spot)[0]
        else:
            own = math.exp(2.0 * min(values[first + 2], 300.0)) / 4.0 * ellipse
        (xx, xy), (_, yy) = own.tolist()
        spots.append((values[first], values[first + 1], xx, xy, yy, values[shape.nonlinear + spot]))
    return np.array(spots)


def _stretches_of(shape: Shape, theta: Array) -> Array:
    """Return the changes of the moments as `spot_rows` takes them; empty where no ellipse is free."""
    if not shape.free_ellipse:
        return np.empty((0, 2, 3))
    return np.array(
        [[one.ravel()[[0, 1, 3]] for one in _changes(shape, theta, spot)] for spot in range(shape.spots)]
    )


def _changes(shape: Shape, theta: Array, spot: int) -> list[Array]:
    """Return the changes of a spot's moments with the two numbers of its ellipse, mm^2, shape (2, 2) each."""
    root = np.linalg.cholesky(shape.ellipses[spot])
    size = np.exp(2.0 * theta[shape.log_radius(spot)]) / 4.0
    return [
        size * (root @ direction @ root.T)
        for direction in (np.diag([1.0, -1.0]), np.array([[0.0, 1.0], [1.0, 0.0]]))
    ]


def _stretch(shape: Shape, theta: Array, spot: int, light: Array, u: Array) -> Array:
    """Return the derivatives by the two numbers of a spot's ellipse, shape (2, N)."""
    return np.array([0.5 * light * (u * (one @ u)).sum(axis=0) for one in _changes(shape, theta, spot)])


def stretch_rows(shape: Shape, theta: Array, at_mm: Array, smear_mm2: Array, spot: int) -> Array:
    """Return how the model would answer if a round spot were stretched, shape (2, N)."""
    own, _ = shape_matrix(shape, theta, spot)
    r = at_mm - theta[shape.center(spot), None]
    u = np.linalg.inv(own + smear_mm2) @ r
    light = theta[shape.amplitude(spot)] * np.exp(-0.5 * (r[0] * u[0] + r[1] * u[1]))
    return _stretch(shape, theta, spot, light, u)


def _fringe_rows(shape: Shape, theta: Array, offset: Array, cell: Array, parts: Array, rows: Array) -> None:
    """Fill the rows of the fringes of the first two spots, and add their part to the spots' rows."""
    base = shape.spots * shape.per_spot
    kx, ky, q = theta[base : base + 3]
    square = (offset**2).sum(axis=0)
    (g1, g2), u1, u2 = rows[shape.nonlinear : shape.nonlinear + 2], parts[0, :2], parts[1, :2]
    # Averaging over a block damps the wave, and turns it where its wave vector or the light changes over
    # the block.
    wave_vector = np.array([kx, ky])[:, None] + 2.0 * q * offset
    along = cell.T @ wave_vector
    washed_out = np.sinc(along / (2.0 * np.pi)).prod(axis=0)
    turned = q * np.trace(cell @ cell.T) / 12.0 - ((u1 + u2) * (cell @ along)).sum(axis=0) / 24.0
    phase = kx * offset[0] + ky * offset[1] + q * square + turned
    envelope = np.sqrt(g1 * g2) * washed_out
    cos, sin = envelope * np.cos(phase), envelope * np.sin(phase)
    wave_at = shape.plane.stop
    rows[wave_at], rows[wave_at + 1] = cos, sin
    c, s = theta[wave_at], theta[wave_at + 1]
    wave, turn = c * cos + s * sin, s * cos - c * sin
    rows[base], rows[base + 1], rows[base + 2] = turn * offset[0], turn * offset[1], turn * square
    for spot in (0, 1):
        first = spot * shape.per_spot
        rows[first : first + 3] += 0.5 * wave * parts[spot]


def halo_row(shape: Shape, theta: Array, at_mm: Array, smear_mm2: Array, log_ratio: float) -> Array:
    """Return the light of a halo of unit amplitude around the wanted spots, shape (N,)."""
    first_light = max(theta[shape.amplitude(0)], 1e-9)
    total = np.zeros(at_mm.shape[1])
    for spot in range(shape.wanted):
        part = max(theta[shape.amplitude(spot)], 0.0) / first_light
        own = np.exp(2.0 * log_ratio) * shape_matrix(shape, theta, spot)[0]
        r = at_mm - theta[shape.center(spot), None]
        u = np.linalg.inv(own + smear_mm2) @ r
        total += part * np.exp(-0.5 * (r[0] * u[0] + r[1] * u[1]))
    return total


def _halos_of(shape: Shape, theta: Array, spots: Array) -> tuple[Array, Array]:
    """Return the halos of the wanted spots, and their shares of the light, as `halo_rows` takes them."""
    halos = spots[: shape.wanted].copy()
    shares = np.maximum(halos[:, 5], 0.0) / max(halos[0, 5], 1e-9)
    halos[:, 2:5] *= np.exp(2.0 * theta[shape.nonlinear - 1])
    halos[:, 5] = theta[-1]
    return halos, shares
