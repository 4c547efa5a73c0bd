"""Eyes of the run: exposures, backgrounds, averages and plate maps; vision does the measuring.

The shutter is open only while frames of the beam are taken: the beam does not sweep while the lens moves.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from driver.protocols import Frame, WatchedShutter
from station.backgrounds import ENOUGH_FRAMES, Background, Backgrounds
from station.frame_guard import FrameGuard
from station.measuring import Measures, MeasuresFrames
from station.wiring import Bench, PlateCamera
from vision.hole import Hole
from vision.image import Image
from vision.map_check import MapCheck, MapState
from vision.plate_map import NoMap, PlateMap
from vision.spots import Expectation, Sighting, SpotName

_EXPOSURE_TRIES = 8
# A second frame moves a map by a tenth of a micrometre: print and paper limit it.
_MAP_FRAMES = 1
_NEAR_ENOUGH = 0.8
_MAPS_AGAIN = 2

_MOVED_REMEDY = (
    "see that both cameras and both targets are tight and in their places and that nothing hides the marks, "
    "set the targets to the beam again if one was knocked, then align again"
)

NoteFrame = Callable[[Frame, str], None]


class PlateNotMapped(Exception):  # noqa: N818  a fault of the bench, told like a device's
    """A plate could not be mapped, or its hole was not found; the message says why and what helps."""

    code: ClassVar[str] = "plate_not_mapped"


class TargetsMoved(PlateNotMapped):
    """A camera or a plate has moved since it was mapped: what the looks measure is not where it seems."""

    code: ClassVar[str] = "targets_moved"


@dataclass(frozen=True, slots=True)
class MapValidity:
    """How the checks of one plate's map went.

    Attributes
    ----------
    checks : int
        Frames that were compared with it.
    last_s : float
        Bench time of the last one.
    last : MapCheck
    """

    checks: int
    last_s: float
    last: MapCheck


@dataclass(frozen=True, slots=True, eq=False)
class MappedPlates:
    """What mapping found; mm in the bench frame."""

    hole_center_mm: NDArray[np.float64]
    hole_covariance_mm2: NDArray[np.float64]
    hole_radius_mm: float
    map_sigma_mm: Mapping[str, float]


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """What one camera saw of the beam, with the background of the same light at any exposure."""

    image: Image
    background: Image


@dataclass(frozen=True, slots=True, eq=False)
class Glance:
    """One look at both plates, kept for the pictures of the report."""

    shots: Mapping[str, Shot]
    sightings: Mapping[SpotName, Sighting]


@dataclass(slots=True)
class Eyes:
    """Looks at both plates of a bench.

    Parameters
    ----------
    bench : Bench
    note_frame : callable
        Called with every frame and what it was taken for.
    measures : Measures
        What turns frames into spots; vision, unless a campaign says otherwise.
    """

    bench: Bench
    note_frame: NoteFrame
    measures: Measures = field(default_factory=MeasuresFrames)
    maps: dict[str, PlateMap] = field(default_factory=dict, init=False)
    hole: Hole | None = field(default=None, init=False)
    validity: dict[str, MapValidity] = field(default_factory=dict, init=False)
    first: Glance | None = field(default=None, init=False)
    last: Glance | None = field(default=None, init=False)
    compute_s: float = field(default=0.0, init=False)
    _computing: _Computing = field(init=False)
    _watched: WatchedShutter | None = field(init=False)
    _guard: FrameGuard = field(default_factory=FrameGuard, init=False)
    _exposure_s: dict[tuple[str, str], float] = field(default_factory=dict, init=False)
    _backgrounds: dict[str, Backgrounds] = field(default_factory=dict, init=False)
    _beam_hides_marks: set[tuple[str, str]] = field(default_factory=set, init=False)
    _maps_again: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        self._computing = _Computing(self)
        self._watched = self.bench.shutter if isinstance(self.bench.shutter, WatchedShutter) else None

    # --- mapping ----------------------------------------------------------------------------------------

    def map_plates(self) -> MappedPlates:
        """Light the plates, map both, find the hole, darken the plates.

        Raises
        ------
        PlateNotMapped
        DeviceFault
        """
        bench = self.bench
        bench.shutter.close()
        self._backgrounds.clear()
        self.validity.clear()
        with self._lit():
            for eye in (bench.hole, bench.reference):
                self.maps[eye.plate.name] = self._map(eye)
        hole = self.maps[bench.hole.plate.name].hole
        if not isinstance(hole, Hole):
            detail = getattr(hole, "detail", "the plate map has no hole")
            raise PlateNotMapped(f"the hole of the hole target was not found: {detail}")
        self.hole = hole
        return MappedPlates(
            hole.center_mm,
            hole.covariance_mm2,
            hole.radius_mm,
            {name: plate_map.sigma_mm for name, plate_map in self.maps.items()},
        )

    @contextmanager
    def _lit(self) -> Iterator[None]:
        lamp = self.bench.lamp
        if lamp is None:
            yield
            return
        lamp.on()
        try:
            yield
        finally:
            lamp.off()

    def _map(self, eye: PlateCamera) -> PlateMap:
        image = self._expose(eye, "map", _MAP_FRAMES, background=None)
        with self._computing:
            found = self.measures.map(image, eye)
        if isinstance(found, NoMap):
            why = f"{found.reason.value}: {found.detail}"
            raise PlateNotMapped(f"camera {eye.table.name!r} could not map {eye.plate.name}: {why}")
        return found

    # --- looking ----------------------------------------------------------------------------------------

    def bare_beam(self, frames: int, expectation: Expectation | None = None) -> Sighting:
        """Measure where the bare beam lands on the reference target.

        Raises
        ------
        TargetsMoved
        DeviceFault
        """
        eye = self.bench.reference
        shot = self._shoot_mapped({"bare beam": eye}, frames)["bare beam"]
        with self._computing:
            return self.measures.transmitted(
                shot.image, shot.background, self.maps[eye.plate.name], expectation, eye
            )

    def look(self, frames: int, expectations: Mapping[SpotName, Expectation]) -> Mapping[SpotName, Sighting]:
        """Measure all three spots, the mount standing still.

        Raises
        ------
        TargetsMoved
        DeviceFault
        """
        hole, reference = self.bench.hole, self.bench.reference
        shots = self._shoot_mapped({"returns": hole, "transmitted": reference}, frames)
        sightings = dict(self._returns(shots["returns"], expectations))
        wider = self._bracketed(shots["returns"], sightings, expectations, frames)
        if wider is not None:
            shots["returns"] = wider
            sightings = dict(self._returns(wider, expectations))
        with self._computing:
            sightings[SpotName.TRANSMITTED] = self.measures.transmitted(
                shots["transmitted"].image,
                shots["transmitted"].background,
                self.maps[reference.plate.name],
                expectations.get(SpotName.TRANSMITTED),
                reference,
            )
        self.last = Glance(shots, sightings)
        self.first = self.first or self.last
        return sightings

    def _returns(
        self, shot: Shot, expectations: Mapping[SpotName, Expectation]
    ) -> Mapping[SpotName, Sighting]:
        hole = self.bench.hole
        with self._computing:
            return self.measures.returns(
                shot.image, shot.background, self.maps[hole.plate.name], self.hole, expectations, hole
            )

    def _bracketed(
        self,
        shot: Shot,
        seen: Mapping[SpotName, Sighting],
        expectations: Mapping[SpotName, Expectation],
        frames: int,
    ) -> Shot | None:
        """Take further, longer exposures where one cannot serve both returns; None where one does."""
        eye = self.bench.hole
        plate_map, longest_s = self.maps[eye.plate.name], eye.table.exposure.longest_s
        with self._computing:
            longer = self.measures.longer(shot.image, seen, expectations, plate_map, longest_s)
        if not longer:
            return None
        self.bench.shutter.open()
        try:
            more = [[self._grab(eye, one_s, "returns") for _ in range(frames)] for one_s in longer]
        finally:
            self.bench.shutter.close()
        with self._computing:
            image = self.measures.merged([*(self.measures.mean(images) for images in more), shot.image])
        return self._with_background(eye, image)

    # --- maps that hold ---------------------------------------------------------------------------------

    def _shoot_mapped(self, eyes: Mapping[str, PlateCamera], frames: int) -> dict[str, Shot]:
        """Take frames of the beam, and see that the maps that they are measured with still hold."""
        table = self.bench.table.maps
        while True:
            shots = self._shoot(eyes, frames)
            if table.check == "never":
                return shots
            checks = [self._moved(eye, purpose, shots[purpose]) for purpose, eye in eyes.items()]
            moved = [why for why in checks if why]
            if not moved:
                return shots
            if table.when_moved == "stop" or self._maps_again >= _MAPS_AGAIN:
                raise TargetsMoved("; ".join(moved) + f". Remedy: {_MOVED_REMEDY}")
            self._maps_again += 1
            self.map_plates()

    def _moved(self, eye: PlateCamera, purpose: str, shot: Shot) -> str:
        """Return what speaks against the map of a plate; empty where nothing does."""
        key = (eye.table.name, purpose)
        check = None
        if key not in self._beam_hides_marks:
            check = self._compare(eye, shot.image)
        if check is None or check.state is MapState.NOT_VISIBLE:
            # With the beam's exposure the print of a plate behind a filter stays dark: so it does next time.
            self._beam_hides_marks.add(key)
            if self.bench.lamp is None:
                return ""
            with self._lit():
                exposure_s = self._exposure_s.get((eye.table.name, "map"), eye.table.exposure.first_s)
                image = self._grab(eye, exposure_s, "map check")
            check = self._compare(eye, image)
        if check.state is MapState.HOLDS:
            return ""
        where = f"camera {eye.table.name!r} and {eye.plate.name}"
        if check.state is MapState.NOT_VISIBLE:
            return f"{where}: the marks that were mapped do not show any more with the lamp on"
        return f"{where} have moved against each other since they were mapped: {check.detail}"

    def _compare(self, eye: PlateCamera, image: Image) -> MapCheck:
        name = eye.plate.name
        with self._computing:
            check = self.measures.check(image, self.maps[name], eye, self.bench.table.maps.moved_mm)
        if check.state is not MapState.NOT_VISIBLE:
            before = self.validity.get(name)
            checks = 1 if before is None else before.checks + 1
            self.validity[name] = MapValidity(checks, self.bench.clock.now_s(), check)
        return check

    def _shoot(self, eyes: Mapping[str, PlateCamera], frames: int) -> dict[str, Shot]:
        """Take frames of the beam for each purpose; backgrounds that have aged are renewed before."""
        bench = self.bench
        bench.shutter.close()
        for purpose, eye in eyes.items():
            self._renew_background(eye, purpose)
        bench.shutter.open()
        try:
            images = {
                purpose: self._expose(eye, purpose, frames, self._backgrounds[eye.table.name].latest.image)
                for purpose, eye in eyes.items()
            }
            if self._watched is not None:
                # One that an interlock closed meanwhile would make "no light" of a lens that was never lit.
                self._watched.require_open()
        finally:
            bench.shutter.close()
        return {purpose: self._with_background(eyes[purpose], image) for purpose, image in images.items()}

    def _with_background(self, eye: PlateCamera, image: Image) -> Shot:
        """Put the background beside a frame as it was while that frame was exposed."""
        best = self._backgrounds[eye.table.name].serving(image.exposure_s)
        best = best or self._take_background(eye, image.exposure_s, ENOUGH_FRAMES)
        with self._computing:
            return Shot(image, self.measures.beside(best.image, image))

    # --- exposures and backgrounds ----------------------------------------------------------------------

    def _expose(self, eye: PlateCamera, purpose: str, frames: int, background: Image | None) -> Image:
        """Return the mean of ``frames`` new frames at an exposure that suits what is seen now.

        The exposure that was good the last time comes first; the frame that shows that it still is, counts.
        """
        table, key = eye.table.exposure, (eye.table.name, purpose)
        exposure_s = self._exposure_s.get(key, table.first_s)
        too_long_s = math.inf
        for _ in range(_EXPOSURE_TRIES):
            image = self._grab(eye, exposure_s, purpose)
            with self._computing:
                advice = self.measures.advise(image, background, eye.limits)
            if advice.next_exposure_s < exposure_s:
                too_long_s = exposure_s
            # Coarse speckle may saturate before it looks bright: better a dim frame than round and round.
            elif advice.settled or advice.next_exposure_s > _NEAR_ENOUGH * too_long_s:
                break
            exposure_s = advice.next_exposure_s
        else:
            image = self._grab(eye, exposure_s, purpose)
        self._exposure_s[key] = exposure_s
        images = [image, *(self._grab(eye, exposure_s, purpose) for _ in range(frames - 1))]
        with self._computing:
            return self.measures.mean(images)

    def _renew_background(self, eye: PlateCamera, purpose: str) -> None:
        """Take a background where the room may have changed; one frame where no exposure is known yet."""
        held = self._backgrounds.setdefault(eye.table.name, Backgrounds())
        if not held.fresh(self.bench.clock.now_s()):
            known_s = self._exposure_s.get((eye.table.name, purpose))
            first_s, count = (eye.table.exposure.first_s, 1) if known_s is None else (known_s, ENOUGH_FRAMES)
            self._take_background(eye, first_s, count)

    def _take_background(self, eye: PlateCamera, exposure_s: float, count: int) -> Background:
        """Take a background and keep it beside those of other exposures; the shutter is closed."""
        held = self._backgrounds[eye.table.name]
        frames = held.begun(exposure_s)
        frames += [self._grab(eye, exposure_s, "background") for _ in range(count - len(frames))]
        with self._computing:
            taken = Background(self.bench.clock.now_s(), count, self.measures.background(frames))
        held.add(taken)
        return taken

    def _grab(self, eye: PlateCamera, exposure_s: float, purpose: str) -> Image:
        frame = self._guard.checked(eye.camera.grab(exposure_s))
        self.note_frame(frame, purpose)
        return self.measures.image(frame, eye.sensor)


class _Computing:
    """Adds the time inside a ``with`` block to the eyes' ``compute_s``; entered a dozen times a look."""

    def __init__(self, eyes: Eyes) -> None:
        self._eyes = eyes

    def __enter__(self) -> None:
        self._begun = time.perf_counter()

    def __exit__(self, *_: object) -> None:
        self._eyes.compute_s += time.perf_counter() - self._begun
