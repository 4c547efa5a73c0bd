"""Eyes for campaigns on spots: every look is made; what it would have told comes from the simulator."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from driver.protocols import Frame
from optics.trace import SpotPath
from sim.bench import SimBench
from sim.quick_spots import QuickSpot, QuickSpots
from sim.scene_state import SceneState
from sim.sighting_model import SightingModel
from station.wiring import PlateCamera
from vision.camera_lens import CameraLens
from vision.exposure import ExposureAdvice, ExposureLimits
from vision.hole import Hole
from vision.image import Image, Sensor
from vision.map_check import MapCheck, MapState
from vision.map_model import MapModel
from vision.plate_map import MapReason, NoMap, PlateMap
from vision.spots import Expectation, NoSpot, Reason, Sighting, SpotName

Light = Literal["as it is", "dark", "white"]

_REMEMBERED = 64
_SAMPLES = 5
_PLACES = ((2, 2), (1, 1), (1, 4), (4, 1), (4, 4))
_NO_MARKS = MapCheck(MapState.NOT_VISIBLE, (0.0, 0.0), 0.0, None, None, "no marks show")
_HOLDS = MapCheck(MapState.HOLDS, (0.0, 0.0), 0.0, 0.0, 0.0, "the marks are where they were")
_MOST_UP, _MOST_UP_SEEN, _MOST_DOWN = 10.0, 500.0, 30.0


@dataclass(frozen=True, slots=True)
class SpotImage(Image):
    """A frame that shows nothing but whether there was light, with the state of the bench behind it.

    Attributes
    ----------
    camera : str
    state : SceneState or None
        None where the frame is none of the simulator's.
    light : str
        "dark" or "white" where the frame was spoilt on its way.
    spots : QuickSpots or None
        Of the bench as it was then: a beam that jumps afterwards is not in this frame.
    """

    camera: str = ""
    state: SceneState | None = None
    light: Light = "as it is"
    spots: QuickSpots | None = None


class MeasuresSpots:
    """Answers for vision on a simulated bench; fulfils :class:`station.measuring.Measures`.

    Frames are still looked at as far as they go: one that came black, white or late counts as such.

    Parameters
    ----------
    sim : SimBench
    sigma_mm : float, optional
        Standard deviation per coordinate of every spot, instead of what a picture would tell.
    """

    def __init__(self, sim: SimBench, sigma_mm: float | None = None) -> None:
        self._sim = sim
        self._model = SightingModel(
            sim.true, sim.plates, sim.camera_setups, sim.nuisances.scene, sim.seed, sigma_mm=sigma_mm
        )
        self._true = sim.true
        self._spots = QuickSpots(sim.true, sim.plates, sim.nuisances.scene)
        self._taken: dict[tuple[str, int], tuple[SceneState, QuickSpots]] = {}
        self._stood: dict[str, tuple[Any, Any]] = {}

    def image(self, frame: Frame, sensor: Sensor) -> Image:
        """Return a frame with the state of the bench at its exposure."""
        if self._true is not self._sim.true:  # another lens was laid ready
            self._true = self._sim.true
            self._spots = QuickSpots(self._true, self._sim.plates, self._sim.nuisances.scene)
        sequence, state = self._sim.scene_state(frame.camera)
        self._taken[frame.camera, sequence] = state, self._spots
        while len(self._taken) > _REMEMBERED:
            del self._taken[next(iter(self._taken))]
        seen, spots = self._taken.get((frame.camera, frame.sequence), (None, None))
        light = _light(frame, sensor, seen)
        return SpotImage(
            frame.pixels,
            frame.exposure_s,
            sensor,
            camera=frame.camera,
            state=seen,
            light=light,
            spots=spots,
        )

    def mean(self, images: Sequence[Image]) -> Image:
        """Return the first of the images, which counts for all: the mount stands still meanwhile."""
        first = _as_spot_image(images[0])
        if len(images) == 1:
            return first
        return SpotImage(
            first.pixels,
            first.exposure_s,
            first.sensor,
            len(images),
            camera=first.camera,
            state=first.state,
            light=first.light,
            spots=first.spots,
        )

    def background(self, images: Sequence[Image]) -> Image:
        """Return the last of the images."""
        return images[-1]

    def beside(self, background: Image, image: Image) -> Image:
        """Return the background as it is."""
        return background

    def advise(self, image: Image, background: Image | None, limits: ExposureLimits) -> ExposureAdvice:
        """Say how to expose next, from how bright the spots truly are."""
        if background is None:
            return ExposureAdvice(image.exposure_s, True, "the lamp lights the plate", True, None, 0.0)
        seen = _as_spot_image(image)
        exposure_s = image.exposure_s
        fill = 0.0
        if seen.light == "white":
            fill = _MOST_DOWN
        elif seen.light == "as it is":
            fill = self._model.fill(seen.camera, self._on(seen), exposure_s)
        if limits.lowest_fill <= fill <= limits.highest_fill:
            return ExposureAdvice(exposure_s, True, f"the spot fills {fill:.0%}", True, fill, 0.0)
        step = _MOST_UP if fill <= 0.0 else min(limits.target_fill / fill, _MOST_UP_SEEN)
        wanted = limits.bounded(exposure_s * max(step, 1.0 / _MOST_DOWN))
        settled = abs(wanted - exposure_s) <= 1e-6 * exposure_s
        return ExposureAdvice(wanted, settled and fill > 0.0, "expose anew", settled, fill or None, 0.0)

    def map(self, image: Image, eye: PlateCamera) -> PlateMap | NoMap:
        """Map a lit plate."""
        seen = _as_spot_image(image)
        if seen.light != "as it is" or seen.state is None or not seen.state.lamp_on:
            return NoMap(MapReason.DARK, "the plate is too dark to see its marks; check the lamp")
        rows, columns = image.pixels.shape
        self._stood[seen.camera] = self._stands(seen.camera, eye, seen.state)
        setup = self._sim.camera_setups[seen.camera]
        sigma_mm = self._model.map_sigma_mm(seen.camera)
        hole = None
        if eye.plate.hole_radius_mm is not None:
            center, covariance, radius_mm = self._model.hole(seen.camera)
            hole = Hole(center, covariance, radius_mm, 0.001, "dark", 1.0)
        return PlateMap(
            plate=eye.plate.name,
            side=eye.table.side,
            image_size_px=(columns, rows),
            model=_flat(columns, rows, setup.field_mm),
            fiducials_used=tuple(eye.plate.fiducials),
            fiducials_missing=(),
            corners_mm=np.zeros((0, 2)),
            corner_residual_mm=np.zeros((0, 2)),
            edge_growth_mm=0.0,
            rms_um=1e3 * sigma_mm,
            sigma_mm=sigma_mm,
            hole=hole,
            camera=seen.camera,
        )

    def check(self, image: Image, plate_map: PlateMap, eye: PlateCamera, limit_mm: float) -> MapCheck:
        """Say whether camera and plate stand as they stood when the map was made.

        As in pictures, the beam's frames show the marks of the hole target and not those of the other one.
        """
        seen = _as_spot_image(image)
        dark = eye.plate.hole_radius_mm is None and not (seen.state is not None and seen.state.lamp_on)
        if seen.light != "as it is" or seen.state is None or dark:
            return _NO_MARKS
        stands = self._stands(seen.camera, eye, seen.state)
        if stands == self._stood.get(seen.camera, stands):
            return _HOLDS
        return MapCheck(MapState.KNOCKED, (0.0, 0.0), 0.0, limit_mm, 0.0, "the marks have moved")

    def _stands(self, camera: str, eye: PlateCamera, state: SceneState) -> tuple[Any, Any]:
        nuisances = self._sim.nuisances.scene
        return (
            self._sim.true.camera_error_at(camera, state.time_s, nuisances),
            self._sim.true.placement_at(eye.plate.name, state.time_s, nuisances),
        )

    def returns(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        hole: Hole | None,
        expectations: Mapping[SpotName, Expectation],
        eye: PlateCamera,
    ) -> Mapping[SpotName, Sighting]:
        """Answer for both returns."""
        seen = _as_spot_image(image)
        spoilt = _spoilt(seen)
        if spoilt is not None:
            return dict.fromkeys((SpotName.FRONT, SpotName.BACK), spoilt)
        if hole is None or seen.state is None or seen.spots is None:
            raise ValueError("returns are measured on a mapped plate with a hole")
        return self._model.returns(
            seen.camera,
            seen.spots.at(seen.state),
            expectations,
            (hole.center_mm, hole.radius_mm),
            image.exposure_s,
            image.frames,
        )

    def longer(
        self,
        image: Image,
        seen: Mapping[SpotName, Sighting],
        expectations: Mapping[SpotName, Expectation],
        plate_map: PlateMap,
        longest_s: float,
    ) -> tuple[float, ...]:
        """Return nothing: the model knows one exposure."""
        return ()

    def merged(self, images: Sequence[Image]) -> Image:
        """Return the longest exposed of the images."""
        return max(images, key=lambda image: image.exposure_s)

    def transmitted(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        expectation: Expectation | None,
        eye: PlateCamera,
    ) -> Sighting:
        """Answer for the transmitted spot, or the bare beam where nothing is expected."""
        seen = _as_spot_image(image)
        spoilt = _spoilt(seen)
        if spoilt is not None:
            return spoilt
        spots = self._on(seen)
        return self._model.single(
            seen.camera, spots[0] if spots else None, expectation, image.exposure_s, image.frames
        )

    def _on(self, seen: SpotImage) -> list[QuickSpot]:
        """Return the true spots on the plate that a frame shows."""
        if seen.state is None or seen.spots is None:
            return []
        with_hole = self._sim.plates[self._sim.camera_setups[seen.camera].plate].hole_radius_mm is not None
        return [
            spot
            for path, spot in seen.spots.at(seen.state).items()
            if (path is SpotPath.TRANSMITTED) != with_hole
        ]


def _as_spot_image(image: Image) -> SpotImage:
    if not isinstance(image, SpotImage):
        raise TypeError("measures on spots take the images that they made")
    return image


def _light(frame: Frame, sensor: Sensor, state: SceneState | None) -> Light:
    """Look at a few pixels: an even frame that is darker or brighter than it should be was spoilt."""
    if any(frame.pixels.strides):
        rows, columns = frame.pixels.shape
        places = [(rows * n // _SAMPLES, columns * m // _SAMPLES) for n, m in _PLACES]
        middle = float(sorted(frame.pixels.item(place) for place in places)[len(places) // 2])
    else:  # one number in memory stands for all pixels
        middle = float(frame.pixels.item(0))
    if middle >= 0.95 * sensor.full_scale_dn:
        return "white"
    lit = state is not None and (state.shutter_open or state.lamp_on)
    dark = middle <= sensor.black_level_dn + 0.1 * (sensor.full_scale_dn - sensor.black_level_dn)
    return "dark" if dark and lit else "as it is"


def _spoilt(seen: SpotImage) -> NoSpot | None:
    if seen.light == "white":
        return NoSpot(Reason.SATURATED, "the whole frame is saturated")
    if seen.light == "dark" or seen.state is None:
        return NoSpot(Reason.NO_LIGHT, "no light found")
    return None


def _flat(columns: int, rows: int, field_mm: float) -> MapModel:
    """Return a map that looks straight down; nobody measures a picture with it."""
    lens = CameraLens.ideal(columns, rows)
    scale = field_mm / columns * lens.focal_px[0]
    return MapModel(np.diag([scale, -scale, 1.0]), lens, np.zeros((8, 8)))
