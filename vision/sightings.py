"""From a fit to what is told of a spot: centre, covariance, radius, power and the circumstances."""

from __future__ import annotations

import numpy as np

from vision.blocks import Array, Blocks, HoleLike
from vision.cut import model_covariance_mm2
from vision.fit import Fit
from vision.identify import total_power_e
from vision.image import Image
from vision.spots import Flag, NoSpot, Reason, Sighting, Spot

USELESS = 0.35  # a centre whose sigma exceeds this fraction of the radius is no measurement


def as_sighting(
    result: Fit,
    blocks: Blocks,
    spot: int,
    image: Image,
    hole: HoleLike | None,
    stretch_sigma: float = 0.0,
) -> Sighting:
    """Return a fitted spot with its flags, or the reason why the fit is no measurement."""
    center, covariance = result.center_mm(spot), result.center_covariance_mm2(spot)
    moments = result.second_moments_mm2(spot)
    minor, major = 2.0 * np.sqrt(np.linalg.eigvalsh(moments))
    cut = _cut_by_frame(blocks, center, float(major))
    if cut and np.all(np.isfinite(covariance)):
        covariance = covariance + model_covariance_mm2(result, blocks, spot, image, stretch_sigma)
    values = np.linalg.eigvalsh(covariance)
    if not np.all(np.isfinite(values)) or values[0] <= 0.0 or result.theta[result.shape.amplitude(spot)] <= 0:
        return NoSpot(Reason.FIT_FAILED, "the fit did not settle")
    sigma = float(np.sqrt(values[1]))
    if sigma > USELESS * major:
        reason = Reason.UNRESOLVED if result.shape.wanted > 1 else Reason.TOO_UNCERTAIN
        return NoSpot(reason, f"light is seen, but its centre is uncertain by {sigma:.2g} mm (k = 1)")
    return Spot(
        center_mm=np.array(center),
        covariance_mm2=np.array(covariance),
        radius_mm=(float(major), float(minor)),
        power_e_per_s=total_power_e(result, blocks, spot) / image.exposure_s,
        flags=frozenset(
            _flags(result, blocks, spot, hole, major, minor) | ({Flag.CUT_BY_FRAME} if cut else set())
        ),
        with_other_mm2=_with_other(result, spot),
    )


def _with_other(result: Fit, spot: int) -> Array | None:
    """Return the covariance of a spot's centre with that of the other of two."""
    if result.shape.wanted != 2:
        return None
    own, other = result.shape.center(spot), result.shape.center(1 - spot)
    return np.array(result.covariance[own, other])


def _flags(
    result: Fit, blocks: Blocks, spot: int, hole: HoleLike | None, major: float, minor: float
) -> set[Flag]:
    center = result.center_mm(spot)
    distance = np.hypot(*(blocks.at_mm - center[:, None]))
    near = distance < major
    flags = set()
    if np.any(blocks.clipped[near] > 0.0):
        flags.add(Flag.CLIPPED_PIXELS)
    if hole is not None and np.hypot(*(center - hole.center_mm)) < hole.radius_mm + major:
        flags.add(Flag.CUT_BY_HOLE)
    for other in range(result.shape.wanted):
        if other != spot:
            reach = major + float(np.exp(result.theta[result.shape.log_radius(other)]))
            if np.hypot(*(result.center_mm(other) - center)) < reach:
                flags.add(Flag.OVERLAPS)
                if result.shape.fringes:
                    flags.add(Flag.FRINGES)
    speckle = result.noise.grain_px2 * result.light_e**2 / blocks.pixels
    if near.any() and np.count_nonzero((speckle > 0.5 * result.variance_e2) & near) > 0.5 * near.sum():
        flags.add(Flag.SPECKLE_LIMITED)
    if major > 1.05 * minor:
        flags.add(Flag.ELLIPTICAL)
    return flags


def _cut_by_frame(blocks: Blocks, center: Array, radius: float) -> bool:
    """Tell whether the blocks leave out a part of the circle of 1/e^2 intensity (the hole apart)."""
    inverse = np.linalg.inv(blocks.jacobian)
    places = inverse @ blocks.at_mm
    low, high = places.min(axis=1), places.max(axis=1)
    reach = radius * np.sqrt((inverse**2).sum(axis=1))
    place = inverse @ center
    slack = blocks.size_px
    return bool(np.any(place - reach < low - slack) or np.any(place + reach > high + slack))
