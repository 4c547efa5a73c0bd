"""What a camera sees without the beam: shutter-closed frames, and how the room light flickers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.image import Image

_DIM_SHARE = 0.7
_STRIDE = 4


class BackgroundError(ValueError):
    """Frames that do not belong together."""


@dataclass(frozen=True, slots=True)
class Flicker:
    """How bright the room light is in a frame, as a multiple of that in the background.

    Attributes
    ----------
    scale : float
        1 where nothing can be told.
    sigma : float
        Standard uncertainty of ``scale``.
    told : bool
        False where the background is too dark or too even to tell.
    """

    scale: float
    sigma: float
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
    lowest = np.full(first.pixels.shape, np.inf, np.float32)
    highest = np.full(first.pixels.shape, -np.inf, np.float32)
    for frame in frames:
        pixels = frame.pixels.astype(np.float32)
        total += pixels
        np.minimum(lowest, pixels, out=lowest)
        np.maximum(highest, pixels, out=highest)
    count = len(frames)
    if count >= 4:
        total -= lowest + highest
        count -= 2
    return Image(
        total / np.float32(count), first.exposure_s, first.sensor, sum(frame.frames for frame in frames)
    )


def scale_background(background: Image, exposure_s: float, scale: float = 1.0) -> Image:
    """Return the background as it would look at another exposure and room-light brightness.

    The black level stays; only the light above it grows with the exposure.
    """
    black = np.float32(background.sensor.black_level_dn)
    factor = np.float32(scale * exposure_s / background.exposure_s)
    pixels = black + (background.pixels.astype(np.float32) - black) * factor
    return Image(pixels, exposure_s, background.sensor, background.frames)


def flicker(image: Image, background: Image) -> Flicker:
    """Estimate the room light's brightness in a frame with the beam on.

    Only the dimmer part of the frame's excess over the background is used, refined until the pixels that the
    beam reaches are out.

    Parameters
    ----------
    image, background : Image
        Of one camera; exposures may differ.
    """
    sensor = image.sensor
    black = sensor.black_level_dn
    light = image.pixels[::_STRIDE, ::_STRIDE].astype(np.float64).ravel() - black
    room = (
        scale_background(background, image.exposure_s).pixels[::_STRIDE, ::_STRIDE].astype(np.float64).ravel()
        - black
    )
    usable = image.pixels[::_STRIDE, ::_STRIDE].ravel() < 0.98 * sensor.full_scale_dn
    light, room = light[usable], room[usable]
    # Room light that drowns in the read noise cannot be told, least of all where the sensor clips at black.
    if len(room) < 100 or np.median(room) * sensor.gain_e_per_dn < 3 * sensor.read_noise_e:
        return Flicker(1.0, np.inf, False)
    noise = _noise_dn(room, image)
    scale = float(
        np.median(light[room >= np.median(room)]) / max(np.median(room[room >= np.median(room)]), 1e-9)
    )
    keep = np.ones(len(room), bool)
    for _ in range(6):
        excess = (light - scale * room) / noise
        limit = max(3.0, 3.0 * 1.4826 * float(np.quantile(np.abs(excess), _DIM_SHARE / 2)))
        keep = np.abs(excess) < limit
        weight = keep / noise**2
        information = float((weight * room**2).sum())
        if information <= 0 or keep.sum() < 100:
            return Flicker(1.0, np.inf, False)
        scale = float((weight * room * light).sum()) / information
    sigma = 1 / np.sqrt(information)
    told = bool(sigma < 0.05 and 0.2 < scale < 5.0)
    return Flicker(scale, float(sigma), True) if told else Flicker(1.0, np.inf, False)


def _noise_dn(room_dn: NDArray[np.float64], image: Image) -> NDArray[np.float64]:
    """Return the standard deviation of a pixel's value under room light alone, digital numbers."""
    sensor = image.sensor
    electrons = np.clip(room_dn, 0, None) * sensor.gain_e_per_dn + sensor.read_noise_e**2
    return np.asarray(np.sqrt((electrons / sensor.gain_e_per_dn**2 + 1 / 12) / image.frames))
