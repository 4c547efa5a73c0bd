"""Ray matrices of the paths at a lens on axis, and what follows from them in closed form."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.paths import Plate, RayPath, SpotPath, make_plan, ray_path


def path_matrix(
    lens: Lens, layout: Layout, wavelength_nm: float, path: SpotPath | RayPath
) -> NDArray[np.float64]:
    """Return the ray matrix of a path from the front vertex to its plate.

    It acts on (height mm, slope) with the axis unfolded along the path, so that slopes are positive away
    from the axis in the direction of travel (Kogelnik & Li, Appl. Opt. 5, 1550 (1966)).

    Parameters
    ----------
    lens, layout
    wavelength_nm : float
    path : SpotPath or RayPath

    Returns
    -------
    ndarray, shape (2, 2)
        ((A, B mm), (C 1/mm, D)).
    """
    count = len(lens.surfaces)
    ray = path if isinstance(path, RayPath) else ray_path(path, count)
    plan = make_plan((ray,), count)
    n = lens.indices(wavelength_nm)
    matrix = np.eye(2)
    last = 0
    for number in plan.chains[0]:
        node = plan.nodes[number]
        gap = math.fsum(lens.thicknesses_mm[min(last, node.surface) : max(last, node.surface)])
        matrix = np.array(((1.0, gap), (0.0, 1.0))) @ matrix
        last = node.surface
        curvature = node.way * lens.surfaces[node.surface].curvature_per_mm
        before, after = n[node.space_before], n[node.space_after]
        power = -2.0 * curvature if node.reflect else (after - before) / after * curvature
        matrix = np.array(((1.0, 0.0), (-power, 1.0 if node.reflect else before / after))) @ matrix
    away = layout.l1_mm if ray.plate is Plate.HOLE_TARGET else layout.l2_mm
    return np.array(((1.0, away), (0.0, 1.0))) @ matrix


def paraxial_radius_mm(lens: Lens, layout: Layout, beam: Beam, path: SpotPath | RayPath) -> float:
    """Return the 1/e^2 spot radius on the plate with the lens on axis, by the q law.

    Source: Kogelnik & Li, Appl. Opt. 5, 1550 (1966): q' = (A q + B) / (C q + D).

    Parameters
    ----------
    lens, layout, beam
    path : SpotPath or RayPath

    Returns
    -------
    float
        w, mm.
    """
    (a, b), (c, d) = path_matrix(lens, layout, beam.wavelength_nm, path)
    q = complex(layout.l1_mm - beam.waist_z_mm, beam.rayleigh_range_mm)
    inverse = (c * q + d) / (a * q + b)
    return math.sqrt(-beam.wavelength_nm * 1e-6 / (math.pi * inverse.imag))
