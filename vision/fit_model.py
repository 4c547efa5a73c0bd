"""What a group of spots looks like on the plate, and how that answers to each parameter.

Intensity of a spot: ``a exp(-1/2 r^T S^-1 r)`` with S = s^2 E + smear, s = w / 2 (ISO 11146-1: w = 2 sigma),
E a symmetric matrix of determinant 1 (the ellipse that the optics expects, or the identity), smear the second
moments that averaging over a block adds. Two coherent spots add ``sqrt(G1 G2) (c cos p + s sin p)`` with
``p = kx x + ky y + q r^2``, r taken from the first spot's centre where the fit began.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

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

    def __post_init__(self) -> None:
        object.__setattr__(self, "per_spot", 5 if self.free_ellipse else 3)

    @property
    def wanted(self) -> int:
        """Number of spots that are measured; the rest is light that must not pull them."""
        return self.spots - self.extras

    @property
    def nonlinear(self) -> int:
        """Number of nonlinear parameters."""
        return self.spots * self.per_spot + 3 * self.fringes + self.halo

    @property
    def linear(self) -> int:
        """Number of linear parameters."""
        return self.spots + (3 if self.slopes else 1) + 2 * self.fringes + self.halo

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.nonlinear + self.linear

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
    shape: Shape,
    theta: Array,
    at_mm: Array,
    cell_mm: Array,
    with_jacobian: bool = True,
    smears_mm2: Array | None = None,
) -> tuple[Array, Array]:
    """Return the model, shape (N,), and its derivatives, shape (parameters, N).

    ``cell_mm``, shape (2, 2), holds the two sides of a block on the plate as columns; ``smears_mm2``, shape
    (2, 2, N), what averaging over each block adds to second moments, where that is uneven. Without the
    Jacobian, only its rows of the linear parameters are filled.
    """
    smear_mm2 = cell_mm @ cell_mm.T / 12.0
    rows = np.zeros((shape.size, at_mm.shape[1]))
    profiles = []
    for spot in range(shape.spots):
        profiles.append(_spot_rows(shape, theta, at_mm, (smear_mm2, smears_mm2), spot, rows, with_jacobian))
    line = shape.nonlinear + shape.spots
    rows[line] = 1.0
    offset = at_mm - shape.origin_mm[:, None]
    if shape.slopes:
        rows[line + 1 : line + 3] = offset / shape.scale_mm
    if shape.fringes:
        _fringe_rows(shape, theta, offset, cell_mm, profiles, rows, with_jacobian)
    if shape.halo:
        _halo_rows(shape, theta, at_mm, smear_mm2, rows, with_jacobian)
    return theta[shape.nonlinear :] @ rows[shape.nonlinear :], rows


def _spot_rows(
    shape: Shape,
    theta: Array,
    at_mm: Array,
    smear_and_smears: tuple[Array, Array | None],
    spot: int,
    rows: Array,
    with_jacobian: bool,
) -> tuple[Array, Array, Array]:
    """Fill one spot's rows; return its profile, S^-1 r, and S^-1 r^T dS S^-1 r / 2 for d ln w."""
    first, (smear, smears) = spot * shape.per_spot, smear_and_smears
    own, _ = shape_matrix(shape, theta, spot)
    (a, b), (_, c) = (own + smear).tolist()
    determinant = middle = a * c - b * b
    if smears is not None:
        a, b, c = own[0, 0] + smears[0, 0], own[0, 1] + smears[0, 1], own[1, 1] + smears[1, 1]
        determinant = a * c - b * b
    across, down, both = c / determinant, a / determinant, -b / determinant
    x, y = at_mm[0] - theta[first], at_mm[1] - theta[first + 1]
    u = np.empty_like(at_mm)
    np.multiply(across, x, out=u[0])
    u[0] += both * y
    np.multiply(both, x, out=u[1])
    u[1] += down * y
    x *= u[0]
    y *= u[1]
    x += y
    x *= -0.5
    profile = rows[shape.amplitude(spot)]
    np.exp(x, out=profile)
    if smears is not None:
        # What is spread wider is dimmer.
        profile *= np.sqrt(middle / determinant)
    if not with_jacobian:
        return profile, u, profile
    widen = own[0, 0] * u[0] ** 2 + own[1, 1] * u[1] ** 2
    if own[0, 1] != 0.0:
        widen += 2.0 * own[0, 1] * u[0] * u[1]
    light = theta[shape.amplitude(spot)] * profile
    np.multiply(light, u, out=rows[first : first + 2])
    np.multiply(light, widen, out=rows[first + 2])
    if shape.free_ellipse:
        rows[first + 3 : first + 5] = _stretch(shape, theta, spot, light, u)
    return profile, u, widen


def _stretch(shape: Shape, theta: Array, spot: int, light: Array, u: Array) -> Array:
    """Return the derivatives by the two numbers of a spot's ellipse, shape (2, N)."""
    root = np.linalg.cholesky(shape.ellipses[spot])
    size = np.exp(2.0 * theta[shape.log_radius(spot)]) / 4.0
    rows = []
    for direction in (np.diag([1.0, -1.0]), np.array([[0.0, 1.0], [1.0, 0.0]])):
        change = size * (root @ direction @ root.T)
        rows.append(0.5 * light * (u * (change @ u)).sum(axis=0))
    return np.array(rows)


def stretch_rows(shape: Shape, theta: Array, at_mm: Array, smear_mm2: Array, spot: int) -> Array:
    """Return how the model would answer if a round spot were stretched, shape (2, N)."""
    own, _ = shape_matrix(shape, theta, spot)
    r = at_mm - theta[shape.center(spot), None]
    u = np.linalg.inv(own + smear_mm2) @ r
    light = theta[shape.amplitude(spot)] * np.exp(-0.5 * (r[0] * u[0] + r[1] * u[1]))
    return _stretch(shape, theta, spot, light, u)


def _fringe_rows(
    shape: Shape,
    theta: Array,
    offset: Array,
    cell: Array,
    profiles: list[tuple[Array, Array, Array]],
    rows: Array,
    with_jacobian: bool,
) -> None:
    base = shape.spots * shape.per_spot
    kx, ky, q = theta[base : base + 3]
    square = (offset**2).sum(axis=0)
    (g1, u1, w1), (g2, u2, w2) = profiles[0], profiles[1]
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
    if not with_jacobian:
        return
    c, s = theta[wave_at], theta[wave_at + 1]
    wave, turn = c * cos + s * sin, s * cos - c * sin
    rows[base], rows[base + 1], rows[base + 2] = turn * offset[0], turn * offset[1], turn * square
    for spot, (u, w) in enumerate(((u1, w1), (u2, w2))):
        first = spot * shape.per_spot
        rows[first : first + 2] += 0.5 * wave * u
        rows[first + 2] += 0.5 * wave * w


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


def _halo_rows(
    shape: Shape, theta: Array, at_mm: Array, smear: Array, rows: Array, with_jacobian: bool
) -> None:
    """Fill the rows of the halo, and add its part to those of the spots that it surrounds."""
    ratio_at = shape.nonlinear - 1
    ratio2 = np.exp(2.0 * theta[ratio_at])
    first_light = max(theta[shape.amplitude(0)], 1e-9)
    for spot in range(shape.wanted):
        part = max(theta[shape.amplitude(spot)], 0.0) / first_light
        own = ratio2 * shape_matrix(shape, theta, spot)[0]
        first = spot * shape.per_spot
        r = at_mm - theta[first : first + 2, None]
        u = np.linalg.inv(own + smear) @ r
        profile = part * np.exp(-0.5 * (r * u).sum(axis=0))
        rows[-1] += profile
        if with_jacobian:
            light = theta[-1] * profile
            widen = light * (u * (own @ u)).sum(axis=0)
            rows[first : first + 2] += light * u
            rows[first + 2] += widen
            rows[ratio_at] += widen
