"""Why an expected spot is not seen: in the hole, off the plate, or no light at all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vision.blocks import Array, Blocks, HoleLike, circle
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot

if TYPE_CHECKING:
    from vision.scene import Scene

CLEAR = 30.0  # standard deviations from which light beside the rim could not have been overlooked
DIRECTIONS = 8  # in which a spot is moved off the hole's centre
FEWEST_BLOCKS = 20
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
    if isinstance(other, Spot) and other_expected is not None:
        return _bound_beside(scene, scene.hole, expected, other, other_expected)
    reach = _unseen_distance(scene.hole.radius_mm, expected.radius_mm, FRACTION_SEEN)
    return reach if reach > 0.0 else None


def _bound_beside(
    scene: Scene, hole: HoleLike, expected: Expectation, other: Spot, other_expected: Expectation
) -> float | None:
    """Return the bound where the other return is seen: it gives the power, and its glare is the noise.

    A spot of the expected power at some distance would throw so much light beside the rim. It is
    excluded from where that light, in any direction, stands out clearly from what is left there once the
    other's light is taken off (speckle and errors of its shape included).
    """
    blocks = scene.blocks([hole.center_mm], [expected.radius_mm], 2.0, reach=_reach(hole, expected))
    if blocks is None:
        return None
    away = np.hypot(*(blocks.at_mm - hole.center_mm[:, None]))
    near = blocks.take(away < hole.radius_mm + 2.0 * expected.radius_mm)
    if near.value_e.size < FEWEST_BLOCKS:
        return None
    exposure_s, pixel_mm2 = scene.image.exposure_s, near.pitch_mm**2
    left = near.value_e - _profile(near, other.center_mm, other.radius_mm) * (
        other.power_e_per_s * exposure_s * pixel_mm2
    )
    left = left - np.median(left)
    noise_e = max(float(np.sqrt(np.mean(left**2))), float(np.sqrt(np.median(near.base_e2 / near.pixels))))
    power_e = other.power_e_per_s * exposure_s * expected.relative_power / other_expected.relative_power
    # A ratio of powers is good to about a factor of two (dust, coating, uneven scatter of the plate).
    peak_e = 0.5 * power_e * pixel_mm2
    bound = None
    for distance in np.linspace(0.0, hole.radius_mm, 21):
        clearest = min(
            float(np.sqrt(np.sum((peak_e * _profile(near, place, (expected.radius_mm,) * 2)) ** 2))) / noise_e
            for place in circle(hole.center_mm, max(float(distance), 1e-6), DIRECTIONS)
        )
        if clearest > CLEAR:
            break
        # The next step is not excluded yet.
        bound = min(float(distance) + 0.05 * hole.radius_mm, hole.radius_mm)
    return bound


def _reach(hole: HoleLike, expected: Expectation) -> float:
    """Return how far the blocks must go from the hole's centre, in standard deviations of the spot."""
    return (hole.radius_mm + 2.0 * expected.radius_mm) / (0.5 * expected.radius_mm)


def _profile(blocks: Blocks, center_mm: Array, radii_mm: tuple[float, float]) -> Array:
    """Return the share of a spot's power per mm2 at each block, for a round spot of its mean radius."""
    square = float(radii_mm[0] * radii_mm[1])
    away = blocks.at_mm - np.asarray(center_mm)[:, None]
    share: Array = 2.0 / (np.pi * square) * np.exp(-2.0 * (away**2).sum(axis=0) / square)
    return share


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
