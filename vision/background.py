"""What a camera sees without the beam: shutter-closed frames, and how the room light flickers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frame_kernels import add_between, take_ends_off, tile_means
from vision.image import Image, held_for

_TRIMMED = 3
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

    With three frames or more the darkest and the brightest value of each pixel are left out, so that a
    passing glint does not stay.

    Parameters
    ----------
    frames : sequence of Image
        Equal in size, exposure and sensor; their own counts of averaged frames add up.

    Returns
    -------
    Image
        Pixels float32, digital numbers; a single frame as it is.

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
    if len(frames) == 1:
        return first
    total = first.pixels.astype(np.float32)
    if len(frames) >= _TRIMMED:
        low, high = first.pixels.copy(), first.pixels.copy()
        for frame in frames[1:]:
            add_between(np.ascontiguousarray(frame.pixels), total, low, high)
        take_ends_off(low, high, len(frames) - 2, total)
    else:
        for frame in frames[1:]:
            cv2.accumulate(frame.pixels, total)
        total /= np.float32(len(frames))
    return Image(total, first.exposure_s, first.sensor, sum(frame.frames for frame in frames))


def as_bright(background: Image, scale: float) -> Image:
    """Return the background of room light that is ``scale`` times as bright.

    No pixel is touched: it is as if the same light had been caught in a shorter exposure.
    """
    return replace(background, exposure_s=background.exposure_s / scale)


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
    near, inverse = 2.5 * np.hypot(sigma, _EVEN), sigma**-2
    for _ in range(_ROUNDS):
        before, keep = keep, np.abs(ratio - scale) < near
        if keep.sum() < _FEWEST_TILES:
            return Flicker(1.0, None, False)
        weight = keep * inverse
        scale = float((weight @ ratio) / weight.sum())
        if np.array_equal(before, keep):
            break
    uncertainty = float(np.hypot(1 / np.sqrt(weight.sum()), _EVEN))
    if uncertainty > _WORST_SIGMA or not _DIMMEST < scale < _BRIGHTEST:
        return Flicker(1.0, None, False)
    return Flicker(scale, uncertainty, True)


def _tiles(
    image: Image, background: Image
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Means over tiles, shape (T,): frame and background above black, and the noise of the frame's; in DN."""
    sensor = image.sensor
    light = _tile_means(image) - sensor.black_level_dn
    room = held_for(background, _tile_means) - sensor.black_level_dn
    room *= image.exposure_s / background.exposure_s
    pixels_per_tile = image.pixels.size / light.size
    electrons = np.clip(room, 0, None) * sensor.gain_e_per_dn + sensor.read_noise_e**2
    noise = np.sqrt((electrons / sensor.gain_e_per_dn**2 + 1 / 12) / (image.frames * pixels_per_tile))
    return light, room, noise


def _tile_means(image: Image) -> NDArray[np.float64]:
    """Return the means of a frame's tiles, shape (T,), DN."""
    height, width = image.pixels.shape
    means = np.empty((max(1, height // _TILE_PX), max(1, width // _TILE_PX)))
    tile_means(np.ascontiguousarray(image.pixels), means)
    return means.ravel()
