"""Merges several exposures into one frame of a higher range."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.image import Image
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot, SpotName

_CLIP = 0.995
# Peak in electrons below which shot and read noise move a centre more than the speckle of a diffuse plate
# does (about 0.2 px: sqrt(2 / pi) sqrt(peak + background + read noise^2) / peak).
_DIM_E = 30.0
_BRIGHT_ENOUGH_E = 1000.0
_NOT_SEEN = (Reason.NO_LIGHT, Reason.TOO_UNCERTAIN, Reason.UNRESOLVED)


def bracket_exposures(shortest_s: float, longest_s: float, step: float = 6.0) -> tuple[float, ...]:
    """Return exposures from the longest to the shortest, each at most ``step`` times the next."""
    if not 0 < shortest_s <= longest_s < math.inf or step <= 1:
        raise ValueError(
            f"exposures {shortest_s} s to {longest_s} s in steps of {step}: 0 < shortest <= longest"
        )
    count = math.ceil(math.log(longest_s / shortest_s) / math.log(step) - 1e-9)
    if count <= 0:
        return (longest_s,)
    return tuple(longest_s * (shortest_s / longest_s) ** (index / count) for index in range(count + 1))


def longer_exposures(
    exposure_s: float,
    sightings: Mapping[SpotName, Sighting],
    expectations: Mapping[SpotName, Expectation],
    pixel_mm2: float,
    longest_s: float,
) -> tuple[float, ...]:
    """Return further exposures, the longest first, where one exposure cannot serve both returns.

    The exposure suits the brighter return. The other is too dim at it when its peak, measured or, where it is
    not seen, expected from the power of the one that is, stays below what noise asks for.

    Parameters
    ----------
    exposure_s : float
        At which the returns were looked at.
    sightings, expectations : mapping
        Of ``FRONT`` and ``BACK``.
    pixel_mm2 : float
        Area of a pixel on the plate.
    longest_s : float
        What the camera can do.
    """
    pair = (SpotName.FRONT, SpotName.BACK)
    peaks = [
        _peak_e(
            sightings[own], expectations[own], sightings[other], expectations[other], exposure_s * pixel_mm2
        )
        for own, other in (pair, pair[::-1])
    ]
    dim = [peak for peak in peaks if peak is not None and peak < _DIM_E]
    if not dim:
        return ()
    wanted_s = min(longest_s, exposure_s * _BRIGHT_ENOUGH_E / max(min(dim), 1e-3))
    return bracket_exposures(exposure_s, wanted_s)[:-1] if wanted_s > 1.5 * exposure_s else ()


def _peak_e(
    own: Sighting, expected: Expectation, other: Sighting, other_expected: Expectation, area_s_mm2: float
) -> float | None:
    """Return the peak of a return, electrons per pixel; None where nothing tells it."""
    if isinstance(own, Spot):
        power, radii = own.power_e_per_s, own.radius_mm
    elif isinstance(own, NoSpot) and own.reason in _NOT_SEEN and isinstance(other, Spot):
        power = other.power_e_per_s * expected.relative_power / other_expected.relative_power
        radii = (expected.radius_mm, expected.radius_mm)
    else:
        return None
    return 2.0 * power * area_s_mm2 / (math.pi * radii[0] * radii[1])


@dataclass(frozen=True, slots=True, eq=False)
class Bracket:
    """Several exposures merged into one frame of a higher range.

    Attributes
    ----------
    image : Image
        As one frame of the longest exposure from a sensor of a higher range: float32 digital numbers, full
        scale raised to what the shortest exposure could hold. Where only a shorter exposure was valid the
        noise is higher than the sensor's model says; ``sigma_e_per_s`` tells.
    rate_e_per_s : ndarray of float32, shape (height, width)
        Photo-electrons per second.
    sigma_e_per_s : ndarray of float32, shape (height, width)
        Standard uncertainty of each pixel's rate (shot and read noise).
    valid : ndarray of bool, shape (height, width)
        False where even the shortest exposure was saturated; the rate there is a lower bound.
    """

    image: Image
    rate_e_per_s: NDArray[np.float32]
    sigma_e_per_s: NDArray[np.float32]
    valid: NDArray[np.bool_]


def merge_bracket(images: Sequence[Image]) -> Bracket:
    """Merge frames of different exposures, each pixel weighted by its information, saturated ones left out.

    Parameters
    ----------
    images : sequence of Image
        Of one camera and one scene that stood still; one or more.

    Raises
    ------
    ValueError
        For no images, or images of different sizes or sensors.
    """
    if not images:
        raise ValueError("no images to merge")
    shape, sensor = images[0].pixels.shape, images[0].sensor
    if any(image.pixels.shape != shape or image.sensor != sensor for image in images):
        raise ValueError("images of different sizes or sensors cannot be merged")
    black, gain = np.float32(sensor.black_level_dn), np.float32(sensor.gain_e_per_dn)
    clip = np.float32(_CLIP * sensor.full_scale_dn)
    first = _first_guess(images, clip)
    total, weights = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for image in images:
        electrons = (image.pixels.astype(np.float32) - black) * gain
        # The expected signal, not the measured one, sets the weight: measured ones favour low values.
        expected = np.clip(first, 0, None) * np.float32(image.exposure_s)
        variance = (
            expected + np.float32(sensor.read_noise_e**2 + sensor.gain_e_per_dn**2 / 12)
        ) / np.float32(image.frames)
        weight = np.where(image.pixels < clip, np.float32(image.exposure_s**2) / variance, np.float32(0))
        total += weight * electrons / np.float32(image.exposure_s)
        weights += weight
    valid = weights > 0
    safe = np.where(valid, weights, np.float32(1))
    rate = np.where(valid, total / safe, first).astype(np.float32)
    sigma = np.where(valid, 1 / np.sqrt(safe), np.float32(0)).astype(np.float32)
    return Bracket(_as_one_frame(images, rate), rate, sigma, np.asarray(valid))


def _first_guess(images: Sequence[Image], clip: np.float32) -> NDArray[np.float32]:
    """Rate of each pixel from the longest exposure that holds it, smoothed a little."""
    rate = np.zeros(images[0].pixels.shape, np.float32)
    for image in sorted(images, key=lambda image: image.exposure_s):
        black, gain = np.float32(image.sensor.black_level_dn), np.float32(image.sensor.gain_e_per_dn)
        own = (image.pixels.astype(np.float32) - black) * gain / np.float32(image.exposure_s)
        rate = np.where((image.pixels < clip) | (rate == 0), own, rate)
    return np.asarray(cv2.blur(rate, (3, 3)), np.float32)


def _as_one_frame(images: Sequence[Image], rate_e_per_s: NDArray[np.float32]) -> Image:
    sensor = images[0].sensor
    longest = max(images, key=lambda image: image.exposure_s)
    shortest_s = min(image.exposure_s for image in images)
    reach = (sensor.full_scale_dn - sensor.black_level_dn) * longest.exposure_s / shortest_s
    raised = replace(sensor, full_scale_dn=int(sensor.black_level_dn + reach))
    pixels = rate_e_per_s * np.float32(longest.exposure_s / sensor.gain_e_per_dn) + np.float32(
        sensor.black_level_dn
    )
    return Image(pixels.astype(np.float32), longest.exposure_s, raised, longest.frames)
