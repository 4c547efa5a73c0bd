"""From mean photo-electrons to digital numbers: shot and read noise, full well, fixed pattern."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled
from sim.drawing import Map
from sim.scene_nuisances import SceneNuisances
from vision.image import Sensor

_BANK_SEED = 20_012
_BANK_SIZE = 1 << 22
_BANK_STEPS = 4096  # of a number of the bank to 1
_STRIP_PIXELS = 64 * 1024

Steps = NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class FixedPattern:
    """What is the same in every frame of one sensor.

    Attributes
    ----------
    gain_steps : ndarray of int16, shape (height, width)
    gain_step : float
        Their product is by how much the response of each pixel, relative to the mean, is more than 1.
    offset_steps : ndarray of int16, shape (height, width)
    offset_step_e : float
        Their product is the offset of each pixel.
    hot_index : ndarray of int, shape (n,)
        Flat index of the hot pixels, in rising order.
    hot_e_per_s : ndarray of float32, shape (n,)
    """

    gain_steps: Steps
    gain_step: float
    offset_steps: Steps
    offset_step_e: float
    hot_index: NDArray[np.intp]
    hot_e_per_s: Map

    @classmethod
    def draw(
        cls, shape: tuple[int, int], nuisances: SceneNuisances, rng: np.random.Generator
    ) -> FixedPattern:
        """Draw the pattern of one sensor; of the pictures it takes no memory of its own."""
        gain, offset = _noise(shape, rng), _noise(shape, rng)
        count = int(rng.poisson(nuisances.hot_pixels))
        index = rng.integers(0, shape[0] * shape[1], count)
        rate = rng.exponential(nuisances.hot_rate_e_per_s, count).astype(np.float32)
        order = np.argsort(index)
        return cls(
            gain,
            nuisances.photo_response_sigma / _BANK_STEPS,
            offset,
            nuisances.dark_offset_sigma_e / _BANK_STEPS,
            index[order],
            rate[order],
        )


@functools.lru_cache(maxsize=1)
def _noise_bank() -> Steps:
    """Return a long row of standard normal numbers; sensors and strips of frames take stretches of it.

    The stretches are so many that frames repeat no noise at the same pixels; drawing every number anew
    would take as long as all the rest of a frame. Half the bytes of a float come in half the time.
    """
    bank = np.random.default_rng(_BANK_SEED).standard_normal(_BANK_SIZE, dtype=np.float32)
    bank -= bank.mean(dtype=np.float64)
    bank *= _BANK_STEPS
    steps = np.rint(bank, out=bank).astype(np.int16)  # 32 767 of them are eight sigma
    steps.setflags(write=False)
    return steps


def _noise(shape: tuple[int, int], rng: np.random.Generator) -> Steps:
    """Return a stretch of the bank as a picture."""
    bank, size = _noise_bank(), shape[0] * shape[1]
    start = int(rng.integers(0, bank.size - size))
    return bank[start : start + size].reshape(shape)


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
        One to three maps whose sum, each times its factor, is the mean photo-electrons per pixel.
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
    rows, columns = pattern.offset_steps.shape
    frame = np.empty((rows, columns), np.uint16)
    bank = _noise_bank()
    step = max(1, min(_STRIP_PIXELS // columns, rows))
    strips = range(0, rows, step)
    starts = np.random.default_rng(seed).integers(0, bank.size - step * columns, len(strips))
    row = np.arange(rows)
    maps = [layer for layer, _ in light]
    factors = [factor for _, factor in light]
    # Half a digit on top makes cutting off rounding.
    numbers = (
        sensor.read_noise_e**2,
        full_well_e,
        1.0 / sensor.gain_e_per_dn,
        sensor.black_level_dn + 0.5,
        sensor.full_scale_dn,
        1.0 / _BANK_STEPS,
        pattern.offset_step_e,
    )
    _read_out(
        frame,
        len(light),
        maps[0],
        maps[min(1, len(light) - 1)],
        maps[-1],
        np.array([*factors, 0.0, 0.0][:3], np.float32),
        pattern.offset_steps,
        pattern.hot_index,
        pattern.hot_e_per_s * np.float32(exposure_s),
        bank,
        starts[row // step] + row % step * columns,
        np.array(numbers, np.float32),
    )
    return frame


@compiled(any_order=True)
def _read_out(
    frame: NDArray[np.uint16],
    layers: int,
    one: Map,
    two: Map,
    three: Map,
    factors: Map,
    offsets: Steps,
    hot_index: NDArray[np.int64],
    hot_e: Map,
    bank: Steps,
    starts: NDArray[np.int64],
    numbers: Map,
) -> None:
    """Fill a frame: the sum of one to three layers, hot pixels, noise, full well, gain, offset, clip.

    One pass over all that is as large as a frame, for the way to the memory is what takes the time.
    ``starts`` says where in the bank the noise of each row begins; ``numbers`` are variance of the read
    noise, full well, digits per electron, black level, full scale, the steps of the bank and of the offsets.
    """
    rows, columns = frame.shape
    variance, well, gain, black, top = numbers[0], numbers[1], numbers[2], numbers[3], numbers[4]
    noise_step, offset_step = numbers[5], numbers[6]
    by_one, by_two, by_three = factors[0], factors[1], factors[2]
    zero, hot = np.float32(0.0), 0
    electrons = np.empty(columns, np.float32)
    for row in range(rows):
        for column in range(columns):
            electrons[column] = one[row, column] * by_one
        if layers > 1:
            for column in range(columns):
                electrons[column] += two[row, column] * by_two
        if layers > 2:
            for column in range(columns):
                electrons[column] += three[row, column] * by_three
        while hot < hot_index.size and hot_index[hot] < (row + 1) * columns:
            electrons[hot_index[hot] - row * columns] += hot_e[hot]
            hot += 1
        # A slice counted from 0: an index that could be negative for all the compiler knows is slow.
        noise = bank[starts[row] : starts[row] + columns]
        for column in range(columns):
            mean = electrons[column]
            seen = mean + np.sqrt(mean + variance) * (np.float32(noise[column]) * noise_step)
            kept = min(seen, well) + np.float32(offsets[row, column]) * offset_step
            frame[row, column] = np.int32(min(max(kept * gain + black, zero), top))


def total(light: Sequence[tuple[Map, float]]) -> Map:
    """Return the weighted sum of maps."""
    electrons = np.zeros_like(light[0][0])
    for layer, factor in light:
        electrons += layer * np.float32(factor)
    return electrons
