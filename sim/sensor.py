"""From mean photo-electrons to digital numbers: shot and read noise, full well, fixed pattern."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sim.plate_art import Map
from sim.scene_nuisances import SceneNuisances
from vision.image import Sensor

_BANK_SEED = 20_012
_BANK_SIZE = 1 << 22
_STRIP_PIXELS = 64 * 1024


@dataclass(frozen=True, slots=True)
class FixedPattern:
    """What is the same in every frame of one sensor.

    Attributes
    ----------
    gain : ndarray of float32, shape (height, width)
        Response of each pixel relative to the mean.
    offset_e : ndarray of float32, shape (height, width)
    hot_index : ndarray of int, shape (n,)
        Flat index of the hot pixels.
    hot_e_per_s : ndarray of float32, shape (n,)
    """

    gain: Map
    offset_e: Map
    hot_index: NDArray[np.intp]
    hot_e_per_s: Map

    @classmethod
    def draw(
        cls, shape: tuple[int, int], nuisances: SceneNuisances, rng: np.random.Generator
    ) -> FixedPattern:
        """Draw the pattern of one sensor."""
        # OpenCV's generator is faster than numpy's and belongs to the thread, so it is seeded here.
        cv2.setRNGSeed(int(rng.integers(1 << 31)))
        gain, offset = np.empty(shape, np.float32), np.empty(shape, np.float32)
        cv2.randn(gain, 1.0, nuisances.photo_response_sigma)  # type: ignore[call-overload]  # the stubs know no scalars
        cv2.randn(offset, 0.0, nuisances.dark_offset_sigma_e)  # type: ignore[call-overload]  # the same
        count = int(rng.poisson(nuisances.hot_pixels))
        index = rng.integers(0, shape[0] * shape[1], count)
        rate = rng.exponential(nuisances.hot_rate_e_per_s, count).astype(np.float32)
        return cls(gain, offset, index, rate)


@functools.lru_cache(maxsize=1)
def _noise_bank() -> Map:
    """Return a long row of standard normal numbers; every strip of every frame takes its own stretch of it.

    The stretches are so many that frames repeat no noise at the same pixels; drawing every number anew
    would take as long as all the rest of a frame.
    """
    bank = np.random.default_rng(_BANK_SEED).standard_normal(_BANK_SIZE, dtype=np.float32)
    bank -= bank.mean(dtype=np.float64)
    bank.setflags(write=False)
    return bank


def expose(
    light: Sequence[tuple[Map, float]],
    pattern: FixedPattern,
    sensor: Sensor,
    full_well_e: float,
    exposure_s: float,
    seed: int,
) -> NDArray[np.uint16]:
    """Return the frame that a sensor reads out.

    Shot noise is Gaussian with the variance of the mean: with read noise of a few electrons the skewness of
    the Poisson law cannot be seen.

    Parameters
    ----------
    light : sequence of (ndarray of float32, shape (height, width), float)
        Maps whose sum, each times its factor, is the mean photo-electrons per pixel.
    pattern : FixedPattern
        Its gain is expected to be in the maps already.
    sensor : vision.image.Sensor
    full_well_e : float
    exposure_s : float
    seed : int
        Of this frame's noise.

    Returns
    -------
    ndarray of uint16, shape (height, width)
        0 to ``sensor.full_scale_dn``.
    """
    rows, columns = pattern.gain.shape
    frame = np.empty((rows, columns), np.uint16)
    gain = 1.0 / sensor.gain_e_per_dn
    bank = _noise_bank()
    step = max(1, min(_STRIP_PIXELS // columns, rows))
    strips = range(0, rows, step)
    starts = np.random.default_rng(seed).integers(0, bank.size - step * columns, len(strips))
    hot_row = pattern.hot_index // columns
    # Strip by strip: what the steps hand to each other stays in the processor's cache.
    for first, start in zip(strips, starts.tolist(), strict=True):
        strip = slice(first, min(first + step, rows))
        electrons = total(light, strip)
        hot = (hot_row >= strip.start) & (hot_row < strip.stop)
        if hot.any():
            at = pattern.hot_index[hot] - first * columns
            electrons.reshape(-1)[at] += pattern.hot_e_per_s[hot] * np.float32(exposure_s)
        deviation = electrons + np.float32(sensor.read_noise_e**2)
        cv2.sqrt(deviation, dst=deviation)
        noise = bank[start : start + electrons.size].reshape(electrons.shape)
        cv2.accumulateProduct(deviation, noise, electrons)
        np.minimum(electrons, np.float32(full_well_e), out=electrons)
        cv2.addWeighted(
            electrons,
            gain,
            pattern.offset_e[strip],
            gain,
            sensor.black_level_dn,
            dst=frame[strip],
            dtype=cv2.CV_16U,
        )
        top = float(sensor.full_scale_dn)
        cv2.threshold(frame[strip], top, top, cv2.THRESH_TRUNC, dst=frame[strip])
    return frame


def total(light: Sequence[tuple[Map, float]], rows: slice) -> Map:
    """Return the weighted sum of maps over some rows."""
    (first, factor), *others = light
    if not others:
        return first[rows] * np.float32(factor)
    (second, other_factor), *others = others
    electrons = np.asarray(cv2.addWeighted(first[rows], factor, second[rows], other_factor, 0.0), np.float32)
    for more, weight in others:
        cv2.scaleAdd(more[rows], weight, electrons, dst=electrons)
    return electrons
