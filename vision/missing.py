"""Why an expected spot is not seen: in the hole, off the plate, or no light at all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vision.blocks import Array
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot

if TYPE_CHECKING:
    from vision.scene import Scene

FRACTION_SEEN = 1e-3  # of a spot's power: with that much outside the hole it would have been seen


def why_missing(
    scene: Scene, expected: Expectation, other: Sighting | None, other_expected: Expectation | None
) -> NoSpot:
    """Say why a spot that was looked for was not found."""
    center = np.asarray(expected.center_mm, float)
    sigma = float(np.sqrt(np.max(np.linalg.eigvalsh(expected.covariance_mm2))))
    bound = _hole_bound_mm(scene, expected, other, other_expected)
    if bound is not None and scene.hole is not None:
        away = float(np.hypot(*(center - scene.hole.center_mm)))
        if away < bound + 2.0 * sigma:
            detail = f"no light outside the hole; the centre lies within {bound:.2f} mm of the hole's centre"
            return NoSpot(Reason.IN_THE_HOLE, detail, bound)
    if not _inside(scene, center, 0.0):
        return NoSpot(Reason.OFF_THE_PLATE, "the expected place lies outside what the camera sees")
    lit = isinstance(other, Spot)
    if lit and not _inside(scene, center, 2.0 * sigma + expected.radius_mm):
        return NoSpot(Reason.OFF_THE_PLATE, "not on the part of the plate that the camera sees")
    return NoSpot(Reason.NO_LIGHT, "no light found where the spot could be")


def _hole_bound_mm(
    scene: Scene, expected: Expectation, other: Sighting | None, other_expected: Expectation | None
) -> float | None:
    """Return how far from the hole's centre a spot could lie unseen; None when it could not hide there."""
    if scene.hole is None:
        return None
    share = FRACTION_SEEN
    if isinstance(other, Spot) and other_expected is not None:
        power = other.power_e_per_s * scene.image.exposure_s
        power *= expected.relative_power / other_expected.relative_power
        # Light beside the rim competes with the noise of a ring as wide as the spot.
        area = 2.0 * np.pi * (scene.hole.radius_mm + expected.radius_mm) * expected.radius_mm
        noise = scene.image.sensor.read_noise_e**2 * area / scene.pitch_mm**2
        share = float(np.clip(10.0 * np.sqrt(noise + 25.0) / max(power, 1.0), 1e-5, 0.2))
    reach = _unseen_distance(scene.hole.radius_mm, expected.radius_mm, share)
    return reach if reach > 0.0 else None


def _unseen_distance(hole_mm: float, radius_mm: float, share: float) -> float:
    """Return the largest distance at which less than ``share`` of the power misses the hole; 0 if none."""
    s = radius_mm / 2.0
    step = np.linspace(-5.0, 5.0, 101)
    x, y = np.meshgrid(step, step)
    weight = np.exp(-0.5 * (x**2 + y**2))
    weight /= weight.sum()
    best = 0.0
    for distance in np.linspace(0.0, hole_mm, 21):
        outside = np.hypot(x * s + distance, y * s) > hole_mm
        if weight[outside].sum() > share:
            break
        best = max(float(distance), 0.05 * hole_mm)
    return best


def _inside(scene: Scene, center_mm: Array, margin_mm: float) -> bool:
    """Tell whether a place lies in the frame and on the plate, with a margin to every edge."""
    pixel = scene.plate_map.to_px(center_mm[None, :])[0]
    rows, columns = scene.image.pixels.shape
    margin_px = margin_mm / scene.pitch_mm
    in_frame = bool(
        margin_px <= pixel[0] <= columns - 1 - margin_px and margin_px <= pixel[1] <= rows - 1 - margin_px
    )
    if scene.plate is None:
        return in_frame
    half = np.array([scene.plate.width_mm, scene.plate.height_mm]) / 2.0 - margin_mm
    return in_frame and bool(np.all(np.abs(center_mm) <= half))
