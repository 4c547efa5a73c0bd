"""Merges several exposures into one frame of a higher range."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.image import Image

_CLIP = 0.995


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
    raised = type(sensor)(
        full_scale_dn=int(sensor.black_level_dn + reach),
        gain_e_per_dn=sensor.gain_e_per_dn,
        read_noise_e=sensor.read_noise_e,
        black_level_dn=sensor.black_level_dn,
    )
    pixels = rate_e_per_s * np.float32(longest.exposure_s / sensor.gain_e_per_dn) + np.float32(
        sensor.black_level_dn
    )
    return Image(pixels.astype(np.float32), longest.exposure_s, raised, longest.frames)
