"""One alignment with faults, and everything about it that the oracle wants to know."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from control.messages import BareBeamSeen, Homed, Looked, Moved, Observation
from driver.port import Direction
from driver.protocols import Frame
from sim.tap import LineFault, LineFaultKind
from station.campaign.inprocess import InProcess, Measurement
from station.config import Setup
from station.measuring import Measures
from station.runner import Decides
from station.sweep.cases import LOSING_STEPS, Case, Counts, Fault, Place
from station.sweep.seen import Begun, Passed, Seen
from station.sweep.striking import (
    StruckCameras,
    StruckClock,
    StruckControl,
    StruckHandler,
    StruckRecord,
    StruckStop,
)
from station.wiring import PlateCamera
from vision.hole import Hole
from vision.image import Image, Sensor
from vision.plate_map import NoMap, PlateMap
from vision.spots import Expectation, Sighting, Spot, SpotName

_STRUCK_AXIS = "X"
_AFTER_S = 2.0


class Watched:
    """Measures that look at every frame before it is measured: whether it is new, and whole.

    Fulfils :class:`station.measuring.Measures`; ``off_mm`` of the cameras shifts what is seen.
    """

    def __init__(self, inner: Measures, rig: Rig) -> None:
        self._inner, self._rig = inner, rig
        self._measured: dict[str, int] = {}
        self._size: dict[str, tuple[int, ...]] = {}
        self._lit: list[bool] = []
        self._off_in_map_mm: dict[str, float] = {}

    def __getattr__(self, name: str) -> Any:
        """Leave everything else to the measures that are watched."""
        return getattr(self._inner, name)

    def image(self, frame: Frame, sensor: Sensor) -> Image:
        """Note what is wrong with a frame that is about to be measured."""
        rig = self._rig
        if frame.sequence <= self._measured.get(frame.camera, 0):
            rig.seen.wrong_frames.append(f"{frame.camera} frame {frame.sequence} is not new")
        # The bench file does not say how large frames are: the first one of a camera does.
        if frame.pixels.shape != self._size.setdefault(frame.camera, frame.pixels.shape):
            rig.seen.wrong_frames.append(f"{frame.camera} frame {frame.sequence} has {frame.pixels.shape}")
        self._measured[frame.camera] = frame.sequence
        state = rig.made.sim.scene_state(frame.camera)[1]
        self._lit.append(state.shutter_open or state.lamp_on)
        rig.seen.at_verdict = shown = rig.made.sim.shown
        rig.seen.at_verdict_s = 0.0 if shown is None else shown.time_s
        return self._inner.image(frame, sensor)

    def mean(self, images: Sequence[Image]) -> Image:
        """Put frames together."""
        self._rig.note_mean()
        if not all(self._lit[-len(images) :]):
            self._rig.dark = True
        return self._inner.mean(images)

    def map(self, image: Image, eye: PlateCamera) -> PlateMap | NoMap:
        """Map a plate; a camera that was knocked before is mapped as it stands."""
        self._rig.note_map()
        self._off_in_map_mm[eye.table.name] = self._rig.cameras.off_mm.get(eye.table.name, 0.0)
        return self._inner.map(image, eye)

    def returns(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        hole: Hole | None,
        expectations: Mapping[SpotName, Expectation],
        eye: PlateCamera,
    ) -> Mapping[SpotName, Sighting]:
        """Measure both returns."""
        found = self._inner.returns(image, background, plate_map, hole, expectations, eye)
        return {name: self._shifted(sighting, eye) for name, sighting in found.items()}

    def transmitted(
        self,
        image: Image,
        background: Image,
        plate_map: PlateMap,
        expectation: Expectation | None,
        eye: PlateCamera,
    ) -> Sighting:
        """Measure the transmitted spot."""
        return self._shifted(self._inner.transmitted(image, background, plate_map, expectation, eye), eye)

    def _shifted(self, sighting: Sighting, eye: PlateCamera) -> Sighting:
        name = eye.table.name
        off_mm = self._rig.cameras.off_mm.get(name, 0.0) - self._off_in_map_mm.get(name, 0.0)
        if not off_mm or not isinstance(sighting, Spot):
            return sighting
        return replace(sighting, center_mm=np.asarray(sighting.center_mm) + np.array([off_mm, 0.0]))


class Rig:
    """An in-process alignment with the faults of one case, watched.

    Parameters
    ----------
    setup : Setup
    seed : int
    case : Case
    measurement : {"spots", "frames"}
    on_call : callable, optional
        Told place and index of every call before anything strikes there; a case that it returns takes the
        place of the present one.
    aligner : Decides, optional
        Instead of the one that the files make.
    """

    def __init__(
        self,
        setup: Setup,
        seed: int,
        case: Case,
        *,
        measurement: Measurement = "spots",
        on_call: Callable[[Place, int], Case | None] | None = None,
        aligner: Decides | None = None,
    ) -> None:
        self._on_call = on_call
        self._at_line = self._at(Place.LINE)
        self.record = StruckRecord(setup, on_step=self._stepped, on_call=self._at(Place.RECORD))
        self.seen = Seen(case, setup, self.record)
        self._clocks: list[StruckClock] = []
        self._stops: set[int] = set()
        self._reads: list[bool] = []
        self._first_beam: int | None = None
        self._last_map = 0
        self._open_when_asked = False
        self._home_at: NDArray[np.float64] = np.zeros(1)
        self.dark = False
        self.made = InProcess(
            setup,
            seed,
            measurement=measurement,
            aligner=aligner,
            record=self.record,
            clock=self._clock,
            on_bytes=self._passed,
        )
        sim = self.made.sim
        sim.tap.on_call = self._called
        sim.keep_shown()
        self.cameras = StruckCameras(sim, (), self._at(Place.CAMERA))
        self.cameras.attach()
        self.handler = StruckHandler(sim.lens_handler, (), self._at(Place.HANDLER))
        self.made.bench = replace(self.made.bench, lens_handler=self.handler)
        self.made.runner.bench = self.made.eyes.bench = self.made.bench
        self.made.eyes.measures = cast("Measures", Watched(self.made.eyes.measures, self))
        self._note_frame, self.made.eyes.note_frame = self.made.eyes.note_frame, self._noted
        self.control = StruckControl(self.made.runner.aligner, (), _STRUCK_AXIS, self._at(Place.CONTROL))
        self.made.runner.aligner = self.control
        self._stop = StruckStop()
        self.made.runner.stop = self._stop
        self._watch_mount()
        self.strike(case)

    def strike(self, case: Case) -> None:
        """Put the faults of a case in place, instead of those that were."""
        at: dict[Place, tuple[Fault, ...]] = {
            place: tuple(fault for fault in case.faults if fault.place is place) for place in Place
        }
        self.seen.case = case
        self.made.sim.tap.faults = tuple(_on_the_line(fault) for fault in at[Place.LINE])
        self.record.faults_of_saves = at[Place.RECORD]
        for clock in self._clocks:
            clock.faults = at[Place.CLOCK]
        self.cameras.faults = at[Place.CAMERA]
        self.handler.faults = at[Place.HANDLER]
        self.control.faults = at[Place.CONTROL]
        self._stops = {fault.at for fault in at[Place.PERSON]}

    def run(self) -> Seen:
        """Align, and return what was seen."""
        seen, sim = self.seen, self.made.sim
        try:
            seen.finish = self.made.runner.run()
        except Exception:
            seen.crash = traceback.format_exc()
        seen.end_s = sim.clock.now_s()
        seen.at_end = sim.truth()
        sim.tap.faults = ()
        sim.clock.sleep_s(_AFTER_S)
        sim.controller.update()
        seen.moving = sim.mount.moving
        # What opens after the controller has told its state for the last time, nobody can know.
        seen.shutter_open = sim.controller.shutter.is_open and self._open_when_asked
        with_bytes = {passed.call for passed in seen.passed}
        seen.counts = Counts(
            tuple(self._reads),
            tuple(call in with_bytes for call in range(len(self._reads))),
            self.cameras.calls,
            self._last_map,
            self.cameras.calls if self._first_beam is None else self._first_beam,
            self._clocks[0].calls,
            self.handler.calls,
            self.record.calls,
            self.control.calls,
        )
        return seen

    def note_map(self) -> None:
        """Note the last frame of the first maps."""
        if self._first_beam is None:
            self._last_map = self.cameras.calls - 1

    def note_mean(self) -> None:
        """Note the last frame in which the first place of the beam is measured."""
        if self.made.sim.controller.shutter.is_open and self._first_beam is None:
            self._first_beam = self.cameras.calls - 1

    # --- watching -----------------------------------------------------------------------------------

    def _clock(self, clock: Any) -> StruckClock:
        self._clocks.append(StruckClock(clock, (), self._at(Place.CLOCK)))
        return self._clocks[-1]

    def _at(self, place: Place) -> Callable[[int], None]:
        def called(index: int) -> None:
            case = self._on_call(place, index) if self._on_call is not None else None
            if case is not None:
                self.strike(case)

        return called

    def _noted(self, frame: Frame, purpose: str) -> None:
        self.seen.frames.append((self.cameras.calls - 1, purpose))
        self._note_frame(frame, purpose)

    def _called(self, index: int, way: Literal["write", "read"]) -> None:
        self._at_line(index)
        self._reads.append(way == "read")
        if self.record.steps and self.record.saved != len(self.record.steps) and not self.record.failed:
            self.seen.unsaved_calls.append(index)
        if index in self._stops:
            self._stop.arrive()

    def _passed(self, way: Direction, data: bytes, time_s: float) -> None:
        sim = self.made.sim
        if way == "out":
            self._open_when_asked = sim.controller.shutter.is_open
        self.seen.passed.append(Passed(way, data, sim.clock.now_s(), sim.tap.calls - 1))

    def _stepped(self, observation: Observation) -> None:
        seen, sim = self.seen, self.made.sim
        if self.dark and isinstance(observation, BareBeamSeen | Looked):
            seen.wrong_frames.append(
                f"the look that ended at {observation.time_s:.2f} s was taken in the dark"
            )
        self.dark = False
        seen.decided_calls.append(sim.tap.calls)
        if type(observation).__name__ in ("Faulted", "OperatorStopped"):
            seen.first_fault_s = min(seen.first_fault_s, sim.clock.now_s())
        if isinstance(observation, Homed | Moved | Looked):
            self._compare(observation)

    def _compare(self, observation: Homed | Moved | Looked) -> None:
        """Hold the positions that were told against the motors, which a reset of the counters does not move.

        Where steps are lost, nobody but the motors can know; then the counters have to agree.
        """
        mount = self.made.sim.mount
        counter = mount.counter_steps(self.made.sim.clock.now_s())
        counted = np.array(counter) * [axis.step for axis in mount.axes]
        motors = np.array(mount.motor_positions())
        told = np.array([observation.positions[axis.name] for axis in mount.axes])
        if isinstance(observation, Homed):
            self._home_at = motors - counted
        kinds = {fault.kind for fault in self.seen.case.faults}
        true = counted if kinds & LOSING_STEPS else motors - self._home_at
        if kinds & LOSING_STEPS and "reset" in kinds:
            return
        for axis, one, other in zip(mount.axes, told, true, strict=True):
            if abs(one - other) > axis.step / 2:
                self.seen.untrue_positions.append(f"{axis.name} told {one:g}, stands at {other:g}")

    def _watch_mount(self) -> None:
        sim, begun = self.made.sim, self.seen.begun
        move, home = sim.mount.begin_move, sim.mount.begin_homing

        def note(homing: bool) -> None:
            shutter = sim.controller.shutter
            stuck = shutter.stuck == "open"
            onto = sim.mount.meets_switch()
            begun.append(Begun(homing, sim.clock.now_s(), shutter.is_open, stuck, onto))

        def begin_move(*args: Any) -> None:
            move(*args)
            note(False)

        def begin_homing(time_s: float) -> None:
            home(time_s)
            note(True)

        vars(sim.mount).update(begin_move=begin_move, begin_homing=begin_homing)


def _on_the_line(fault: Fault) -> LineFault:
    return LineFault(LineFaultKind(fault.kind), fault.at, fault.count, fault.value, _STRUCK_AXIS)
