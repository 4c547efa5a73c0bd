"""A frame as vision sees it: an array and the few facts about the sensor that statistics need."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is known of a camera's sensor.

    Attributes
    ----------
    full_scale_dn : int
        Value of a saturated pixel (4095 for 12 bit).
    gain_e_per_dn : float
        Photo-electrons per digital number.
    read_noise_e : float
        Standard deviation of the read noise, electrons.
    black_level_dn : float
        Value of an unexposed pixel.
    falloff : float
        Share of a plate's light that the camera loses at the middle of the frame's left or right edge. By the
        cos^4 law of illumination (handbook optics), with r the half width of the field at distance d,
        1 - 1 / (1 + (r / d)^2)^2; more where the lens vignettes.
    """

    full_scale_dn: int = 4095
    gain_e_per_dn: float = 10_000 / 4095
    read_noise_e: float = 4.0
    black_level_dn: float = 0.0
    falloff: float = 0.0


@dataclass(frozen=True, slots=True)
class Image:
    """One frame, or the mean of several equal ones.

    Attributes
    ----------
    pixels : ndarray, shape (height, width)
        Digital numbers; index [row, column], pixel (0, 0) is the centre of the first pixel.
    exposure_s : float
    sensor : Sensor
    frames : int
        How many frames were averaged (1 for a single one).
    """

    pixels: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]
    exposure_s: float
    sensor: Sensor
    frames: int = 1


@dataclass(frozen=True, eq=False, slots=True)
class _Same:
    """An array of pixels as a key: equal only to the very same array."""

    pixels: NDArray[np.generic]
    image: Image

    def __hash__(self) -> int:
        return id(self.pixels)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.pixels is other.pixels


def held_for(image: Image, work_out: Callable[[Image], T]) -> T:
    """Return what follows from the pixels of an image, kept by the very array that holds them.

    A background serves many frames. Whoever asks must not write to the pixels afterwards.
    """
    kept: T = _worked_out(_Same(image.pixels, image), work_out)
    return kept


@lru_cache(maxsize=8)
def _worked_out(same: _Same, work_out: Callable[[Image], Any]) -> Any:
    return work_out(same.image)
