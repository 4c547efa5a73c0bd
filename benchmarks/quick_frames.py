"""Camera frames for campaigns: as `made_frames`, at a tenth of the cost.

Noise and speckle are cut from a store at random places and in random orientation instead of being drawn
anew; shot noise is normal of the right variance (the read noise of 4 e- hides that it is not Poisson's). The
light of a spot is integrated over each pixel exactly. `tests/vision/test_campaign_sample.py` holds both kinds
of frames against each other.
"""

from __future__ import annotations

import numpy as np
from made_frames import HEIGHT, WIDTH, MadeFrame, MadeSpot, speckle
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.image import Image

Image32 = NDArray[np.float32]
ROOM = 512  # by how much a stored field is larger than a frame
FIELDS = 4  # of each kind in store


class Store:
    """Fields of noise and of speckle, larger than a frame; windows of them are as good as new ones."""

    def __init__(self, seed: int, shape: tuple[int, int] = (HEIGHT, WIDTH), fields: int = FIELDS) -> None:
        self._rng = np.random.default_rng([seed, 1])
        self._shape, self._fields = shape, fields
        size = shape[0] + ROOM, shape[1] + ROOM
        self._size = size
        self._noise = [self._rng.standard_normal(size, np.float32) for _ in range(fields)]
        self._speckle: dict[float, list[Image32]] = {}

    def noise(self, rng: np.random.Generator) -> Image32:
        """Return normal deviates, one for each pixel of a frame."""
        return self._window(self._noise[rng.integers(len(self._noise))], rng)

    def speckle(self, grain_px: float, rng: np.random.Generator) -> Image32:
        """Return fully developed speckle of mean 1 over a frame."""
        if grain_px not in self._speckle:
            drawn = [speckle(self._size, grain_px, 1.0, self._rng) for _ in range(self._fields)]
            self._speckle[grain_px] = [one.astype(np.float32) for one in drawn]
        fields = self._speckle[grain_px]
        return self._window(fields[rng.integers(len(fields))], rng)

    def _window(self, whole: Image32, rng: np.random.Generator) -> Image32:
        top, left = rng.integers(0, ROOM, 2)
        part = whole[top : top + self._shape[0], left : left + self._shape[1]]
        flips = [(1, 1), (1, -1), (-1, 1), (-1, -1)]
        down, across = flips[int(rng.integers(4))]
        return part[::down, ::across]


def quick_expose(
    frame: MadeFrame, store: Store, rng: np.random.Generator, *, frames: int = 1, shutter_open: bool = True
) -> Image:
    """Make a camera frame, or the mean of several of an even scene (no speckle that changes between them)."""
    rows, columns = frame.shape
    level, across, down = frame.light_e
    x = (np.arange(columns, dtype=np.float32) / columns - 0.5) * across
    y = (np.arange(rows, dtype=np.float32) / rows - 0.5) * down + level
    light = np.add.outer(y, x).astype(np.float32)
    if shutter_open:
        _add_spots(light, frame, store, rng)
    if frame.albedo is not None:
        light *= frame.albedo.astype(np.float32, copy=False)
    if frame.hole is not None:
        cut_hole(light, frame.hole)
    variance = np.maximum(light, 0.0) + np.float32(frame.sensor.read_noise_e**2)
    np.sqrt(variance, out=variance)
    variance *= store.noise(rng)
    light += variance if frames == 1 else variance / np.float32(np.sqrt(frames))
    light /= np.float32(frame.sensor.gain_e_per_dn)
    light += np.float32(frame.sensor.black_level_dn)
    if frames > 1:
        return Image(np.clip(light, 0, frame.sensor.full_scale_dn), 0.01, frame.sensor, frames)
    np.rint(light, out=light)
    np.clip(light, 0, frame.sensor.full_scale_dn, out=light)
    return Image(light.astype(np.uint16), 0.01, frame.sensor)


def cut_hole(light: Image32, hole: tuple[float, float, float]) -> None:
    """Take the light out of a round hole, as `made_frames` does."""
    cx, cy, radius = hole
    top, left = max(0, int(cy - radius - 3)), max(0, int(cx - radius - 3))
    near = light[top : int(cy + radius + 4), left : int(cx + radius + 4)]
    y, x = np.arange(near.shape[0]) + top - cy, np.arange(near.shape[1]) + left - cx
    near *= np.clip(np.hypot(y[:, None], x) - radius + 0.5, 0.0, 1.0).astype(np.float32)


def _add_spots(light: Image32, frame: MadeFrame, store: Store, rng: np.random.Generator) -> None:
    """Add the light of spots and ghosts, with the speckle of the plate."""
    if not (frame.spots or frame.extra):
        return
    beam = np.zeros_like(light)
    for spot in (*frame.spots, *frame.extra):
        window, profile = _spot(spot, frame.shape)
        beam[window] += profile
    if frame.grain_px:
        beam *= store.speckle(frame.grain_px, rng)
    light += beam


def _spot(spot: MadeSpot, shape: tuple[int, int]) -> tuple[tuple[slice, slice], Image32]:
    """Return where a spot shows and its light, integrated over each pixel."""
    parts, sides = [], []
    for center, size in ((spot.y, shape[0]), (spot.x, shape[1])):
        low = int(np.clip(center - 6.5 * spot.sigma, 0, size))
        high = int(np.clip(center + 6.5 * spot.sigma + 1, low, size))
        edges = (np.arange(low, high + 1) - 0.5 - center) / spot.sigma
        side = np.diff(ndtr(edges)) * spot.sigma * np.sqrt(2.0 * np.pi)
        parts.append(slice(low, high))
        sides.append(side.astype(np.float32))
    return (parts[0], parts[1]), np.outer(np.float32(spot.peak_e) * sides[0], sides[1])
