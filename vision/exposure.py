"""Chooses the next exposure so that a spot fills the camera's range without saturating it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from vision.background import as_bright, flicker
from vision.blocks import above_background
from vision.frame_kernels import half_size
from vision.image import Image, held_for

_SHRINK = 2
_MANY_CELLS = 5000
_SEEN_SIGMAS = 7.0
_ROOM_UNSURE = 0.02
_DROWNED = 0.25
_SATURATED = 0.995
_MOST_SATURATED = 0.005
# In the dark, and where the spot is seen already.
_BIGGEST_STEP_UP = 10.0
_BIGGEST_STEP_SEEN = 500.0
_BIGGEST_STEP_DOWN = 30.0
# Contrast of speckle as pixels see it, and 99 % of a normal distribution.
_GRAINS, _HIGHEST = 0.5, 2.326


@dataclass(frozen=True, slots=True)
class ExposureLimits:
    """What the camera can do and what is wanted.

    Attributes
    ----------
    shortest_s, longest_s : float
    target_fill : float
        Wanted brightness of the spot as a fraction of full scale.
    lowest_fill, highest_fill : float
        Within these an exposure is good enough to stay.
    percentile : float
        Of the pixels in the bright part of the spot, the one that is called its brightness. Not the highest:
        speckle, dust and hot pixels must not rule.
    """

    shortest_s: float
    longest_s: float
    target_fill: float = 0.7
    lowest_fill: float = 0.5
    highest_fill: float = 0.85
    percentile: float = 99.0

    def __post_init__(self) -> None:
        if not 0 < self.shortest_s <= self.longest_s < math.inf:
            raise ValueError(
                f"exposure limits {self.shortest_s} s to {self.longest_s} s: 0 < shortest <= longest"
            )
        if not 0 < self.lowest_fill <= self.target_fill <= self.highest_fill < 1:
            raise ValueError(
                f"fill {self.lowest_fill} to {self.highest_fill}, target {self.target_fill}: "
                "all between 0 and 1, the target between the others"
            )
        if not 0 < self.percentile <= 100:
            raise ValueError(f"percentile {self.percentile}: between 0 and 100")

    def bounded(self, exposure_s: float) -> float:
        """Return the nearest exposure that the camera can do."""
        return min(max(exposure_s, self.shortest_s), self.longest_s)


@dataclass(frozen=True, slots=True)
class ExposureAdvice:
    """What to expose next.

    Attributes
    ----------
    next_exposure_s : float
        Within the limits. Equal to the frame's own exposure when it is good.
    good : bool
        The frame may be measured as it is.
    why : str
        One sentence for a person.
    settled : bool
        Exposing again as advised would change nothing: the frame is good, or a limit is reached.
    fill : float or None
        Brightness of the spot as a fraction of full scale; None when no light was seen.
    saturated_share : float
        Fraction of the spot's bright part that is saturated.
    """

    next_exposure_s: float
    good: bool
    why: str
    settled: bool
    fill: float | None
    saturated_share: float


def advise_exposure(
    image: Image,
    background: Image | None,
    limits: ExposureLimits,
    ignore: NDArray[np.bool_] | None = None,
) -> ExposureAdvice:
    """Look at a frame and say how to expose the next.

    Repeating it comes to rest in a few frames whatever the first exposure was.

    Parameters
    ----------
    image : Image
        A frame with the beam on.
    background : Image or None
        A shutter-closed frame, of any exposure; without it the frame's own median stands for it.
    limits : ExposureLimits
    ignore : ndarray of bool, shape (height, width), optional
        Pixels that must not rule the exposure, such as the bright rim of the hole.
    """
    bright = _bright_part(image, background, ignore)
    if bright is None:
        return _no_light(image, limits)
    sensor = image.sensor
    full = sensor.full_scale_dn - sensor.black_level_dn
    values = bright.astype(np.float64) - sensor.black_level_dn
    fill = float(np.percentile(values, limits.percentile)) / full
    saturated = float(np.mean(values >= _SATURATED * full))
    # One pixel of a small spot does not make it too bright.
    if saturated > max(_MOST_SATURATED, 1.5 / len(values)):
        return _too_bright(image, limits, fill, saturated)
    if limits.lowest_fill <= fill <= limits.highest_fill:
        why = f"the spot fills {fill:.0%} of full scale"
        return ExposureAdvice(limits.bounded(image.exposure_s), True, why, True, fill, saturated)
    return _adjust(image, limits, fill, saturated)


def _bright_part(
    image: Image, background: Image | None, ignore: NDArray[np.bool_] | None
) -> NDArray[Any] | None:
    """Return pixels above half of the spot's smoothed peak, many at most; None where there is no spot.

    The spot is looked for in the frame shrunk by half: cheap, and no spot is that small.
    """
    sensor = image.sensor
    if min(image.pixels.shape) < _SHRINK:
        return None
    # The median takes out hot pixels before the average would spread them.
    small = half_size(cv2.medianBlur(image.pixels, 3))
    ignored = None if ignore is None else half_size(ignore.astype(np.float32)) > 0
    drowned = small >= np.float32(_SATURATED * sensor.full_scale_dn)
    if ignored is not None:
        drowned &= ~ignored
    if np.count_nonzero(drowned) > _DROWNED * drowned.size:
        return _pixels_of(image, drowned)
    if background is None:
        small -= np.float32(np.median(small[::2, ::2]))
        unsure = 0.0
    else:
        room = held_for(background, _small_room)
        dark = Image(room.pixels, background.exposure_s, sensor)
        seen = Image(small, image.exposure_s, sensor, image.frames * _SHRINK**2)
        bright = as_bright(dark, flicker(seen, dark).scale)
        small = above_background(seen, bright, np.s_[:, :])
        unsure = (
            _ROOM_UNSURE
            * (image.exposure_s / bright.exposure_s)
            * (room.brightest_dn - sensor.black_level_dn)
        )
    if ignored is not None:
        small[ignored] = 0
    small = np.asarray(cv2.blur(small, (3, 3)), np.float32)
    peak = float(small.max())
    if peak <= max(_SEEN_SIGMAS * _noise_dn(small, image), unsure):
        return None
    bright_cells = small > np.float32(0.5 * peak)
    if ignored is not None:
        bright_cells &= ~ignored
    return _pixels_of(image, bright_cells) if bright_cells.any() else None


@dataclass(frozen=True, slots=True)
class _Room:
    """A background of half its size, and how far its brightest hundredth lies above black."""

    pixels: NDArray[np.float32]
    brightest_dn: float


def _small_room(background: Image) -> _Room:
    small = half_size(background.pixels)
    brightest_dn = float(np.percentile(small[::4, ::4], 99)) - background.sensor.black_level_dn
    return _Room(small, brightest_dn)


def _pixels_of(image: Image, cells: NDArray[np.bool_]) -> NDArray[Any]:
    """Return the frame's pixels in cells of the shrunk frame; of very many cells evenly some."""
    found = np.flatnonzero(cells)
    row, column = np.divmod(found[:: -(-found.size // _MANY_CELLS)], cells.shape[1])
    height, width = image.pixels.shape
    rows = np.minimum(row * _SHRINK + np.array([0, 0, 1, 1])[:, None], height - 1)
    columns = np.minimum(column * _SHRINK + np.array([0, 1, 0, 1])[:, None], width - 1)
    return np.asarray(image.pixels[rows, columns].ravel())


def _noise_dn(small: NDArray[np.float32], image: Image) -> float:
    """Noise of the smoothed frame from differences of neighbours: a spot that fills the frame is no noise."""
    apart = 4
    differences = np.abs(small[::8, apart::5] - small[::8, :-apart:5])
    noise = 1.4826 * float(np.median(differences)) / math.sqrt(2)
    return max(noise, image.sensor.read_noise_e / image.sensor.gain_e_per_dn / (2 * _SHRINK), 1e-6)


def _no_light(image: Image, limits: ExposureLimits) -> ExposureAdvice:
    wanted = limits.bounded(image.exposure_s * _BIGGEST_STEP_UP)
    settled = wanted <= image.exposure_s * (1 + 1e-9)
    why = (
        f"no light at the longest exposure of {limits.longest_s:g} s"
        if settled
        else f"no light at {image.exposure_s:g} s: expose longer"
    )
    return ExposureAdvice(wanted, False, why, settled, None, 0.0)


def _too_bright(image: Image, limits: ExposureLimits, fill: float, saturated: float) -> ExposureAdvice:
    """Estimate the brightness that saturation hides.

    For a Gaussian spot of peak P clipped at F the areas above F and above F/2 have the ratio
    x = u / (u + ln 2) with u = ln(P/F); so P/F = exp(x ln 2 / (1 - x)). Speckle spreads the light about that;
    its bright grains rule, as if it were normal: they lie so much higher than what is just saturated.
    """
    share = min(saturated, 0.99)
    grains = (1 + _GRAINS * _HIGHEST) / (1 + _GRAINS * max(-float(ndtri(share)), -1.0))
    hidden = min(math.exp(share * math.log(2) / (1 - share)) * grains, _BIGGEST_STEP_DOWN)
    wanted = limits.bounded(image.exposure_s * limits.target_fill / max(hidden, 1.1))
    settled = wanted >= image.exposure_s * (1 - 1e-9)
    why = (
        f"{saturated:.1%} of the spot is saturated at the shortest exposure ({limits.shortest_s:g} s): dim it"
        if settled
        else f"{saturated:.1%} of the spot is saturated: expose shorter"
    )
    return ExposureAdvice(wanted, False, why, settled, fill, saturated)


def _adjust(image: Image, limits: ExposureLimits, fill: float, saturated: float) -> ExposureAdvice:
    """Scale towards the target; a limit that is reached with the spot in sight is good enough."""
    step = min(limits.target_fill / max(fill, 1e-6), _BIGGEST_STEP_SEEN)
    wanted = limits.bounded(image.exposure_s * step)
    settled = math.isclose(wanted, image.exposure_s, rel_tol=1e-6)
    if settled:
        limit = "longest" if fill < limits.target_fill else "shortest"
        why = f"the spot fills {fill:.1%} of full scale at the {limit} exposure of {wanted:g} s"
        return ExposureAdvice(wanted, True, why, True, fill, saturated)
    way = "longer" if wanted > image.exposure_s else "shorter"
    why = f"the spot fills {fill:.1%} of full scale: expose {way}"
    return ExposureAdvice(wanted, False, why, False, fill, saturated)
