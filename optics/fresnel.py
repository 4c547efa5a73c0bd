"""Power reflected and passed on at a surface."""

from __future__ import annotations

import numpy as np

from optics.lens import Surface
from optics.rays import Value


def fresnel_reflectance(n_before: Value, n_after: Value, cos_in: Value) -> Value:
    """Return the power reflectance of a bare surface for unpolarised light.

    The mean of the s and p reflectances. Along a path the means are multiplied, which is exact at normal
    incidence and off by the square of the small s-p difference elsewhere; a polarised beam at large angles
    is outside this model.

    Parameters
    ----------
    n_before, n_after : float or ndarray
        Refractive indices on the side of incidence and beyond.
    cos_in : float or ndarray
        Cosine of the angle of incidence; its sign does not matter.

    Returns
    -------
    float or ndarray
        0 to 1; 1 at total reflection. Source: Fresnel's equations, e.g. Hecht, Optics, ch. 4.
    """
    cos_in = np.abs(cos_in)
    ratio = n_before / n_after
    cos_out = np.sqrt(np.maximum(0.0, 1.0 - ratio * ratio * (1.0 - cos_in * cos_in)))
    s = (n_before * cos_in - n_after * cos_out) / (n_before * cos_in + n_after * cos_out)
    p = (n_after * cos_in - n_before * cos_out) / (n_after * cos_in + n_before * cos_out)
    return 0.5 * (s * s + p * p)


def coated_reflectance(surface: Surface, n_before: Value, n_after: Value, cos_in: Value) -> Value:
    """Return the power reflectance of a surface: Fresnel if bare, else its coating's residual reflectance."""
    if surface.reflectance is not None:
        return surface.reflectance
    return fresnel_reflectance(n_before, n_after, cos_in)
