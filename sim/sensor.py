"""From mean photo-electrons to digital numbers: shot and read noise, full well, fixed pattern."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sim.plate_art import Map
from sim.scene_nuisances import SceneNuisances
from vision.image import Sensor


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
        gain = rng.standard_normal(shape, dtype=np.float32)
        gain *= np.float32(nuisances.photo_response_sigma)
        gain += np.float32(1.0)
        offset = rng.standard_normal(shape, dtype=np.float32)
        offset *= np.float32(nuisances.dark_offset_sigma_e)
        count = int(rng.poisson(nuisances.hot_pixels))
        index = rng.integers(0, shape[0] * shape[1], count)
        rate = rng.exponential(nuisances.hot_rate_e_per_s, count).astype(np.float32)
        return cls(gain, offset, index, rate)


def expose(
    electrons: Map,
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
    electrons : ndarray of float32, shape (height, width)
        Mean photo-electrons per pixel; used as work space.
    pattern : FixedPattern
        Its gain is expected to be in ``electrons`` already.
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
    if pattern.hot_index.size:
        electrons.reshape(-1)[pattern.hot_index] += pattern.hot_e_per_s * np.float32(exposure_s)
    # OpenCV's generator is twice as fast as numpy's and belongs to the thread; it is seeded for every frame.
    cv2.setRNGSeed(seed & 0x7FFFFFFF)
    noise = np.empty_like(electrons)
    cv2.randn(noise, 0.0, 1.0)  # type: ignore[call-overload]  # the stubs know no scalars
    deviation = electrons + np.float32(sensor.read_noise_e**2)
    cv2.sqrt(deviation, dst=deviation)
    cv2.multiply(noise, deviation, dst=noise)
    cv2.add(electrons, noise, dst=electrons)
    np.minimum(electrons, np.float32(full_well_e), out=electrons)
    gain = 1.0 / sensor.gain_e_per_dn
    frame = cv2.addWeighted(electrons, gain, pattern.offset_e, gain, sensor.black_level_dn, dtype=cv2.CV_16U)
    return np.minimum(frame, np.uint16(sensor.full_scale_dn), out=frame)
