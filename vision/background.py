"""What a camera sees without the beam: shutter-closed frames, and how the room light flickers."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.image import Image

_TILE_PX = 16
_FEWEST_TILES = 12
_FULL_SHARE = 0.9
_LOW_QUANTILE = 0.1
_ROUNDS = 8
# How evenly a lamp's light changes over the plate, relative; from no source.
_EVEN = 1e-3
_WORST_SIGMA = 0.05
_DIMMEST, _BRIGHTEST = 0.2, 5.0


class BackgroundError(ValueError):
    """Frames that do not belong together."""


@dataclass(frozen=True, slots=True)
class Flicker:
    """How bright the room light is in a frame, as a multiple of that in the background.

    Attributes
    ----------
    scale : float
        1 where nothing can be told.
    sigma : float or None
        Standard uncertainty of ``scale``; None where nothing can be told.
    told : bool
        False where the background is too dark or too even to tell.
    """

    scale: float
    sigma: float | None
    told: bool


def mean_background(frames: Sequence[Image]) -> Image:
    """Average shutter-closed frames of one exposure into a background.

    With four frames or more the darkest and the brightest value of each pixel are left out, so that a passing
    glint does not stay.

    Parameters
    ----------
    frames : sequence of Image
        Equal in size, exposure and sensor; their own counts of averaged frames add up.

    Returns
    -------
    Image
        Pixels float32, digital numbers.

    Raises
    ------
    BackgroundError
        For no frames, or frames that differ in size, exposure or sensor.
    """
    if not frames:
        raise BackgroundError("no frames to average")
    first = frames[0]
    for frame in frames[1:]:
        if frame.pixels.shape != first.pixels.shape:
            raise BackgroundError(f"frames of {first.pixels.shape} and {frame.pixels.shape} pixels")
        if abs(frame.exposure_s - first.exposure_s) > 1e-6 * first.exposure_s or frame.sensor != first.sensor:
            raise BackgroundError(
                f"frames of {first.exposure_s} s and {frame.exposure_s} s, or of different sensors"
            )
    total = np.zeros(first.pixels.shape, np.float32)
    for frame in frames:
        cv2.accumulate(frame.pixels, total)
    count = len(frames)
    if count >= 4:
        total -= np.asarray(_each(cv2.min, frames), np.float32)
        total -= np.asarray(_each(cv2.max, frames), np.float32)
        count -= 2
    total /= np.float32(count)
    return Image(total, first.exposure_s, first.sensor, sum(frame.frames for frame in frames))


def _each(choose: Callable[[Any, Any], Any], frames: Sequence[Image]) -> NDArray[Any]:
    """Return, pixel by pixel, the value of all frames that ``choose`` chooses."""
    chosen: NDArray[Any] = functools.reduce(choose, [frame.pixels for frame in frames])
    return chosen


def scale_background(background: Image, exposure_s: float, scale: float = 1.0) -> Image:
    """Return the background as it would look at another exposure and room-light brightness.

    The black level stays; only the light above it grows with the exposure.
    """
    factor = scale * exposure_s / background.exposure_s
    pixels = background.pixels.astype(np.float32, copy=False)
    black = background.sensor.black_level_dn * (1.0 - factor)
    # One pass; the second term is there for the constant only.
    scaled = np.asarray(cv2.addWeighted(pixels, factor, pixels, 0.0, black), np.float32)
    return Image(scaled, exposure_s, background.sensor, background.frames)


def flicker(image: Image, background: Image) -> Flicker:
    """Estimate the room light's brightness in a frame with the beam on.

    Tiles that the beam reaches are left out: it can only add light.

    Parameters
    ----------
    image, background : Image
        Of one camera; exposures may differ.
    """
    sensor = image.sensor
    light, room, noise = _tiles(image, background)
    usable = (light < _FULL_SHARE * (sensor.full_scale_dn - sensor.black_level_dn)) & (room > 3 * noise)
    # Room light that drowns in the read noise cannot be told, least of all where the sensor clips at black.
    usable &= room * sensor.gain_e_per_dn > 3 * sensor.read_noise_e
    if usable.sum() < _FEWEST_TILES:
        return Flicker(1.0, None, False)
    ratio, sigma = light[usable] / room[usable], noise[usable] / room[usable]
    # The beam only adds light: the lowest ratios are the room's.
    scale = float(np.quantile(ratio, _LOW_QUANTILE))
    keep = ratio < scale
    for _ in range(_ROUNDS):
        keep = np.abs(ratio - scale) < 2.5 * np.hypot(sigma, _EVEN)
        if keep.sum() < _FEWEST_TILES:
            return Flicker(1.0, None, False)
        weight = keep / sigma**2
        scale = float((weight * ratio).sum() / weight.sum())
    uncertainty = float(np.hypot(1 / np.sqrt(weight.sum()), _EVEN))
    if uncertainty > _WORST_SIGMA or not _DIMMEST < scale < _BRIGHTEST:
        return Flicker(1.0, None, False)
    return Flicker(scale, uncertainty, True)


def _tiles(
    image: Image, background: Image
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Means over tiles, shape (T,): frame and background above black, and the noise of the frame's; in DN."""
    sensor = image.sensor
    height, width = image.pixels.shape
    size = (max(1, width // _TILE_PX), max(1, height // _TILE_PX))
    light, room = (
        cv2.resize(pixels.astype(np.float32, copy=False), size, interpolation=cv2.INTER_AREA)
        .ravel()
        .astype(np.float64)
        - sensor.black_level_dn
        for pixels in (image.pixels, background.pixels)
    )
    room *= image.exposure_s / background.exposure_s
    pixels_per_tile = height * width / (size[0] * size[1])
    electrons = np.clip(room, 0, None) * sensor.gain_e_per_dn + sensor.read_noise_e**2
    noise = np.sqrt((electrons / sensor.gain_e_per_dn**2 + 1 / 12) / (image.frames * pixels_per_tile))
    return light, room, noise
