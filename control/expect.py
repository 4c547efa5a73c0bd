"""What vision may expect of each spot at the next look."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from control.learn import LearnedModel
from control.model import SPOTS
from vision.spots import Expectation, SpotName

_RADIUS_SIGMA_AT_LEAST = 0.02


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
        )
    return found
