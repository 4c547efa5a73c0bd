"""Lenses of every family that the product must handle, invented for demonstrations, campaigns and tests.

All are N-BK7 singlets. Diameters are invented too: 25.4 mm lenses of which nine tenths are clear
(common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from optics.layout import Beam, Layout
from optics.lens import Lens

REF_LAYOUT = Layout(l1_mm=300.0, l2_mm=150.0)
"""The reference bench: hole target to lens 300 mm, lens to reference target 150 mm."""

REF_BEAM = Beam(wavelength_nm=532.0, waist_radius_mm=0.4, waist_z_mm=-200.0)
"""The reference beam: 532 nm, waist radius 0.4 mm, 200 mm before the hole target."""

_CLEAR_MM = 22.86

_PRESCRIPTIONS_MM: Mapping[str, tuple[float, float, float, float]] = {
    "biconvex f50": (50.90, -50.90, 6.0, _CLEAR_MM),
    "biconvex f100": (102.4, -102.4, 4.0, _CLEAR_MM),
    "biconvex f200": (207.2, -207.2, 3.5, _CLEAR_MM),
    "biconvex f500": (519.0, -519.0, 3.0, _CLEAR_MM),
    "biconcave f-100": (-104.4, 104.4, 3.0, _CLEAR_MM),
    "plano-convex, convex first": (51.95, math.inf, 4.0, _CLEAR_MM),
    "plano-convex, plano first": (math.inf, -51.95, 4.0, _CLEAR_MM),
    "meniscus": (32.1, 82.2, 3.6, _CLEAR_MM),
    "near-concentric": (50.0, 44.0, 5.0, _CLEAR_MM),
    "ball-like": (12.7, -12.7, 24.4, 20.0),
}

FAMILIES: Mapping[str, Lens] = MappingProxyType(
    {
        name: Lens.singlet(name, r1, r2, thickness, "N-BK7", clear)
        for name, (r1, r2, thickness, clear) in _PRESCRIPTIONS_MM.items()
    }
)
"""Name -> lens, uncoated, in the orientation that the name says."""

REF_LENS = FAMILIES["biconvex f100"]
"""The reference lens: biconvex, radii 102.4 mm, centre thickness 4 mm, focal length 99.224 mm at 532 nm."""
