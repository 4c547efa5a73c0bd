"""What vision may expect of each spot at the next look."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from control.learn import LearnedModel
from control.model import SPOTS
from optics.layout import Beam, Layout
from optics.lens import Lens
from vision.spots import Expectation, SpotName

_RADIUS_SIGMA_AT_LEAST = 0.02
# Astigmatism of a return off a lens that is tilted by some 50 mrad, of ln of the axes over their mean.
_STRETCH_SIGMA = 0.005
_BARE_RADIUS_SIGMA = 0.1
_BARE_PLACE_SIGMA_MM = 3.0
"""Where the bare beam lands is what the look is for; the reference target only has to catch it."""


def expectations(
    model: LearnedModel,
    axes: NDArray[np.float64],
    sides: NDArray[np.float64],
    radius_sigma_relative: float,
) -> Mapping[SpotName, Expectation]:
    """Return centre, covariance, radius and relative power of each spot at axis positions ``axes`` (4,).

    The spot's radius answers to the curvature about twice over: where the surface's power dominates,
    w grows as L1 / R, and the beam's own size on the lens adds its share.
    """
    centers, covariance = model.predict(axes, sides)
    found: dict[SpotName, Expectation] = {}
    for number, name in enumerate(SPOTS):
        part = slice(2 * number, 2 * number + 2)
        found[name] = Expectation(
            center_mm=centers[part],
            covariance_mm2=covariance[part, part],
            radius_mm=model.lens.radius_mm[number],
            radius_relative_sigma=max(_RADIUS_SIGMA_AT_LEAST, 2.0 * radius_sigma_relative),
            relative_power=model.lens.power_fraction[number],
            stretch_sigma=_STRETCH_SIGMA,
        )
    return found


def bare_beam(lens: Lens, layout: Layout, beam: Beam) -> Expectation:
    """Return what is known of the bare beam on the reference target before it was seen.

    Its size, above all: under speckle the brightest lump is much smaller than the spot, and its place is not
    the spot's. w = w0 sqrt(1 + (z / z_R)^2) (Kogelnik & Li, Appl. Opt. 5, 1550 (1966)).
    """
    way_mm = layout.l1_mm + lens.thickness_mm + layout.l2_mm - beam.waist_z_mm
    return Expectation(
        center_mm=np.zeros(2),
        covariance_mm2=np.eye(2) * _BARE_PLACE_SIGMA_MM**2,
        radius_mm=beam.waist_radius_mm * math.hypot(1.0, way_mm / beam.rayleigh_range_mm),
        radius_relative_sigma=_BARE_RADIUS_SIGMA,
        relative_power=1.0,
    )
