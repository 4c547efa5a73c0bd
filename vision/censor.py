"""Saturated pixels say "at least this": what the fit may expect of a block that holds some.

Without speckle the edge of the saturated area is sharp: blocks wholly inside it can only say that the
model is
too low, blocks on its contour are dropped. With speckle every bright block holds some saturated grains,
and the
mean of what was recorded is ``E[min(S g, c)]`` with the grain brightness g gamma distributed with mean 1
(Goodman, Speckle Phenomena in Optics: integrated speckle; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]


def recorded_mean(signal_e: Array, limit_e: Array, contrast2: float) -> tuple[Array, Array, Array]:
    """Return mean, slope d mean / d signal, and relative variance kept of saturating speckle.

    Parameters
    ----------
    signal_e : ndarray, shape (N,)
        Mean signal without saturation, electrons.
    limit_e : ndarray, shape (N,)
        Saturation level, electrons.
    contrast2 : float
        Variance of one pixel's speckle over its squared mean.

    Returns
    -------
    mean, slope, kept : ndarray, shape (N,)
        ``kept`` is the variance of the recorded pixels over that of unsaturated ones.
    """
    mean, slope, kept = signal_e.copy(), np.ones_like(signal_e), np.ones_like(signal_e)
    near = signal_e > limit_e * free_below(contrast2)
    if not near.any():
        return mean, slope, kept
    s, c = signal_e[near], limit_e[near]
    m = 1.0 / contrast2
    t = m * c / s
    below = special.gammainc(m + 1.0, t)
    above = special.gammaincc(m, t)
    mean[near] = s * below + c * above
    slope[near] = below
    square = s**2 * (m + 1.0) / m * special.gammainc(m + 2.0, t) + c**2 * above
    kept[near] = np.maximum(square - mean[near] ** 2, 1e-3 * contrast2 * s**2) / (contrast2 * s**2)
    return mean, slope, kept


def free_below(contrast2: float) -> float:
    """Return the signal, as a fraction of saturation, below which saturation does not matter."""
    return float(1.0 / (1.0 + 12.0 * contrast2 + 6.0 * np.sqrt(contrast2)))


def one_sided(signal_e: Array, limit_e: Array, clipped: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Sort blocks of a frame without speckle: which to use, which of those only bound the model.

    Returns
    -------
    use, bound : ndarray of bool, shape (N,)
        A block on the saturation contour is not used; one wholly saturated is used only where the model
        lies below saturation.
    """
    whole = clipped > 0.999
    mixed = (clipped > 0.0) & ~whole
    bound = whole & (signal_e < limit_e)
    return ~mixed & (~whole | bound), bound
