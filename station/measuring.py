"""What the eyes know about pictures: averages, exposure, maps, spots.

One small seam, so that a campaign on spots runs the very same looks (shutter, exposures, backgrounds) without
rendering a picture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from driver.protocols import Frame
from station.wiring import PlateCamera
from vision.background import as_bright, flicker, mean_background
from vision.bracket import longer_exposures, merge_bracket
from vision.exposure import ExposureAdvice, ExposureLimits, advise_exposure
from vision.hole import Hole
from vision.image import Image, Sensor
from vision.look import measure_returns, measure_transmitted
from vision.map_check import MapCheck, check_map
from vision.plate_map import NoMap, PlateMap, map_plate
from vision.spots import Expectation, Sighting, SpotName


class Measures(Protocol):
    """Turns frames into what control is told. :class:`MeasuresFrames` is the one that real benches use."""

    def image(self, frame: Frame, sensor: Sensor) -> Image:
        """Return a frame as vision takes it."""
        ...

    def mean(self, images: Sequence[Image]) -> Image:
        """Return the mean of equal images, each pixel with all of them."""
        ...

    def background(self, images: Sequence[Image]) -> Image:
        """Return the background from images taken with the shutter closed."""
        ...

    def beside(self, background: Image, image: Image) -> Image:
        """Return the background as it was while ``image`` was exposed."""
        ...

    def advise(self, image: Image, background: Image | None, limits: ExposureLimits) -> ExposureAdvice:
        """Say how to expose next; ``background`` is None for a plate that the lamp lights."""
        ...

    def map(self, image: Image, eye: PlateCamera) -> PlateMap | NoMap:
        """Map a lit plate."""
        ...

    def check(self, image: Image, plate_map: PlateMap, eye: PlateCamera, limit_mm: float) -> MapCheck:
        """Say whether a map still holds for any frame of its camera."""
        ...

    def returns(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        hole: Hole | None,
        expectations: Mapping[SpotName, Expectation],
        eye: PlateCamera,
    ) -> Mapping[SpotName, Sighting]:
        """Measure both return spots."""
        ...

    def longer(
        self,
        image: Image,
        seen: Mapping[SpotName, Sighting],
        expectations: Mapping[SpotName, Expectation],
        plate_map: PlateMap,
        longest_s: float,
    ) -> tuple[float, ...]:
        """Return further exposures that a return needs which is too dim beside the other; mostly none."""
        ...

    def merged(self, images: Sequence[Image]) -> Image:
        """Return one image of a higher range from images of several exposures."""
        ...

    def transmitted(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        expectation: Expectation | None,
        eye: PlateCamera,
    ) -> Sighting:
        """Measure the transmitted spot, or the bare beam where nothing is expected."""
        ...


class MeasuresFrames:
    """Measures pictures, by :mod:`vision`."""

    def image(self, frame: Frame, sensor: Sensor) -> Image:
        """Return a frame as vision takes it."""
        return Image(frame.pixels, frame.exposure_s, sensor)

    def mean(self, images: Sequence[Image]) -> Image:
        """Return the mean of equal images, each pixel with all of them."""
        mean: NDArray[Any] = images[0].pixels
        for count, image in enumerate(images[1:], start=2):
            mean = cv2.addWeighted(mean, 1.0 - 1.0 / count, image.pixels, 1.0 / count, 0.0, dtype=cv2.CV_32F)
        return replace(images[0], pixels=mean, frames=len(images))

    def background(self, images: Sequence[Image]) -> Image:
        """Return the background from images taken with the shutter closed."""
        return mean_background(images)

    def beside(self, background: Image, image: Image) -> Image:
        """Return the background as it was while ``image`` was exposed."""
        return as_bright(background, flicker(image, background).scale)

    def advise(self, image: Image, background: Image | None, limits: ExposureLimits) -> ExposureAdvice:
        """Say how to expose next; ``background`` is None for a plate that the lamp lights."""
        return advise_exposure(image, background or _unlit(image), limits)

    def map(self, image: Image, eye: PlateCamera) -> PlateMap | NoMap:
        """Map a lit plate."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        return map_plate(image, eye.plate, eye.table.side, camera=eye.table.name, mapped_on=now)

    def check(self, image: Image, plate_map: PlateMap, eye: PlateCamera, limit_mm: float) -> MapCheck:
        """Say whether a map still holds for any frame of its camera."""
        return check_map(image, eye.plate, plate_map, limit_mm=limit_mm)

    def returns(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        hole: Hole | None,
        expectations: Mapping[SpotName, Expectation],
        eye: PlateCamera,
    ) -> Mapping[SpotName, Sighting]:
        """Measure both return spots."""
        return measure_returns(image, background, plate_map, hole, expectations, eye.plate)

    def longer(
        self,
        image: Image,
        seen: Mapping[SpotName, Sighting],
        expectations: Mapping[SpotName, Expectation],
        plate_map: PlateMap,
        longest_s: float,
    ) -> tuple[float, ...]:
        """Return further exposures that a return needs which is too dim beside the other; mostly none."""
        rows, columns = image.pixels.shape
        middle = np.array([[columns / 2.0, rows / 2.0]])
        pixel_mm2 = float(abs(np.linalg.det(plate_map.jacobian(middle)[0])))
        return longer_exposures(image.exposure_s, seen, expectations, pixel_mm2, longest_s)

    def merged(self, images: Sequence[Image]) -> Image:
        """Return one image of a higher range from images of several exposures."""
        return merge_bracket(images).image

    def transmitted(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        expectation: Expectation | None,
        eye: PlateCamera,
    ) -> Sighting:
        """Measure the transmitted spot, or the bare beam where nothing is expected."""
        return measure_transmitted(image, background, plate_map, expectation, eye.plate)


def _unlit(image: Image) -> Image:
    """Return what the camera would see in the dark; the background of a lamp-lit plate."""
    return replace(image, pixels=_dark(image.pixels.shape, image.sensor.black_level_dn), frames=1)


@lru_cache(maxsize=2)
def _dark(shape: tuple[int, ...], black_level_dn: float) -> NDArray[np.float32]:
    return np.full(shape, black_level_dn, np.float32)
