"""Inner loops of the model of a group of spots: its rows, one for each parameter."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

Array = NDArray[np.float64]

NO_MOMENTS = np.zeros((2, 2, 0))


def spot_rows(
    at_mm: Array,
    spots: Array,
    stretches: Array,
    smear_mm2: Array,
    smears_mm2: Array,
    nonlinear: int,
    rows: Array,
    parts: Array,
) -> None:
    """Fill the rows of all spots: profile, and its derivatives by place, ln w and the ellipse.

    Parameters
    ----------
    at_mm : ndarray, shape (2, N)
    spots : ndarray, shape (K, 6)
        Centre x, y; own second moments xx, xy, yy; amplitude.
    stretches : ndarray, shape (K, 2, 3)
        Change xx, xy, yy of the own moments with each number of the ellipse; K = 0 where it is not free.
    smear_mm2 : ndarray, shape (2, 2)
    smears_mm2 : ndarray, shape (2, 2, N), or `NO_MOMENTS`
        As `Blocks.smears_mm2`.
    nonlinear : int
        Where the amplitudes begin.
    rows : ndarray, shape (parameters, N)
        Filled.
    parts : ndarray, shape (K, 3, N), or with K = 0
        Filled with S^-1 r (two), and S^-1 r^T dS S^-1 r / 2 for d ln w, where asked for.
    """
    per_spot = 5 if stretches.shape[0] else 3
    _exponents(at_mm, spots, smear_mm2, smears_mm2, per_spot, nonlinear, rows)
    # Numpy's exponential takes several numbers at once, that of a kernel one by one.
    profiles = rows[nonlinear : nonlinear + spots.shape[0]]
    np.exp(profiles, out=profiles)
    if smears_mm2.shape[2]:
        for k in range(spots.shape[0]):
            profiles[k] *= rows[k * per_spot + 2]
    _derivatives(spots, stretches, per_spot, nonlinear, rows, parts)


@compiled(any_order=True)
def _exponents(
    at_mm: Array,
    spots: Array,
    smear_mm2: Array,
    smears_mm2: Array,
    per_spot: int,
    nonlinear: int,
    rows: Array,
) -> None:
    """Fill the rows of the amplitudes with the profiles' exponents, those of the places with S^-1 r.

    Where the view is uneven, those of ln w are filled with the profiles' peaks: what is spread wider is
    dimmer.
    """
    uneven = smears_mm2.shape[2] > 0
    for k in range(spots.shape[0]):
        first = k * per_spot
        x0, y0, own_xx, own_xy, own_yy, _ = spots[k]
        a, b, c = own_xx + smear_mm2[0, 0], own_xy + smear_mm2[0, 1], own_yy + smear_mm2[1, 1]
        middle = a * c - b * b
        across, both, down = c / middle, -b / middle, a / middle
        if uneven:
            for n in range(at_mm.shape[1]):
                a, b = own_xx + smears_mm2[0, 0, n], own_xy + smears_mm2[0, 1, n]
                c = own_yy + smears_mm2[1, 1, n]
                determinant = a * c - b * b
                x, y = at_mm[0, n] - x0, at_mm[1, n] - y0
                u, v = (c * x - b * y) / determinant, (a * y - b * x) / determinant
                rows[first, n], rows[first + 1, n] = u, v
                rows[first + 2, n] = math.sqrt(middle / determinant)
                rows[nonlinear + k, n] = -0.5 * (x * u + y * v)
        else:
            for n in range(at_mm.shape[1]):
                x, y = at_mm[0, n] - x0, at_mm[1, n] - y0
                u, v = across * x + both * y, both * x + down * y
                rows[first, n], rows[first + 1, n] = u, v
                rows[nonlinear + k, n] = -0.5 * (x * u + y * v)


@compiled(any_order=True)
def _derivatives(
    spots: Array, stretches: Array, per_spot: int, nonlinear: int, rows: Array, parts: Array
) -> None:
    """Fill the rows of the nonlinear parameters from the profiles and from S^-1 r, which they hold."""
    free, kept = stretches.shape[0] > 0, parts.shape[0] > 0
    for k in range(spots.shape[0]):
        first = k * per_spot
        _, _, own_xx, own_xy, own_yy, amplitude = spots[k]
        if kept:
            for n in range(rows.shape[1]):
                u, v = rows[first, n], rows[first + 1, n]
                parts[k, 0, n], parts[k, 1, n] = u, v
                parts[k, 2, n] = own_xx * u * u + 2.0 * own_xy * u * v + own_yy * v * v
        if free:
            for j in range(2):
                xx, xy, yy = stretches[k, j, 0], stretches[k, j, 1], stretches[k, j, 2]
                for n in range(rows.shape[1]):
                    u, v = rows[first, n], rows[first + 1, n]
                    light = amplitude * rows[nonlinear + k, n]
                    rows[first + 3 + j, n] = 0.5 * light * (xx * u * u + 2.0 * xy * u * v + yy * v * v)
        for n in range(rows.shape[1]):
            u, v, light = rows[first, n], rows[first + 1, n], amplitude * rows[nonlinear + k, n]
            rows[first, n] = light * u
            rows[first + 1, n] = light * v
            rows[first + 2, n] = light * (own_xx * u * u + 2.0 * own_xy * u * v + own_yy * v * v)


@compiled(any_order=True)
def halo_rows(
    at_mm: Array, spots: Array, shares: Array, smear_mm2: Array, per_spot: int, ratio_at: int, rows: Array
) -> None:
    """Fill the last row with the halos of unit amplitude, and add their part to the rows of their spots.

    Parameters
    ----------
    at_mm : ndarray, shape (2, N)
    spots : ndarray, shape (K, 6)
        As for `spot_rows`, with the moments and the amplitude of the halo.
    shares : ndarray, shape (K,)
        A halo's share of the first one's light.
    smear_mm2 : ndarray, shape (2, 2)
    per_spot, ratio_at : int
        Parameters of a spot; where ln of the halo's radius over the spot's stands.
    rows : ndarray, shape (parameters, N)
    """
    last = rows.shape[0] - 1
    for k in range(spots.shape[0]):
        first = k * per_spot
        x0, y0, own_xx, own_xy, own_yy, amplitude = spots[k]
        a, b, c = own_xx + smear_mm2[0, 0], own_xy + smear_mm2[0, 1], own_yy + smear_mm2[1, 1]
        determinant = a * c - b * b
        across, both, down = c / determinant, -b / determinant, a / determinant
        for n in range(at_mm.shape[1]):
            x, y = at_mm[0, n] - x0, at_mm[1, n] - y0
            u, v = across * x + both * y, both * x + down * y
            profile = shares[k] * math.exp(-0.5 * (x * u + y * v))
            light = amplitude * profile
            widen = light * (own_xx * u * u + 2.0 * own_xy * u * v + own_yy * v * v)
            rows[last, n] += profile
            rows[first, n] += light * u
            rows[first + 1, n] += light * v
            rows[first + 2, n] += widen
            rows[ratio_at, n] += widen


@compiled(any_order=True)
def light_and_signal(linear: Array, rows: Array, plane_at: int, plane: int) -> tuple[Array, Array]:
    """Return the spots' light and the whole model from the rows of the linear parameters, shape (L, N).

    The background's plane is ``plane`` rows from ``plane_at``.
    """
    light, signal = np.zeros(rows.shape[1]), np.zeros(rows.shape[1])
    for k in range(rows.shape[0]):
        into = signal if plane_at <= k < plane_at + plane else light
        for n in range(rows.shape[1]):
            into[n] += linear[k] * rows[k, n]
    for n in range(rows.shape[1]):
        signal[n] += light[n]
    return light, signal
