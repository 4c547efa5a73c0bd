"""The loop of one run: control decides, the runner does it on the devices and tells control what came.

Whatever happens, the run ends on the same way out: motion stopped, shutter closed, record written.
"""

from __future__ import annotations

import contextlib
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from control.messages import (
    Action,
    BareBeamSeen,
    Faulted,
    Finish,
    Home,
    HomeAgain,
    Homed,
    LensIsIn,
    LensIsOut,
    Look,
    Looked,
    MapPlates,
    Move,
    Moved,
    Observation,
    OperatorStopped,
    Outcome,
    PlatesMapped,
    PutLensIn,
    RecordBareBeam,
    Started,
    TakeLensOut,
)
from driver.faults import DeviceFault, FaultCode
from station.config import Setup
from station.looking import MappedPlates, PlateNotMapped
from station.stopping import OperatorStop, StopRequest
from station.wiring import Bench
from vision.spots import Expectation, Sighting, SpotName

INTERNAL_ERROR = "internal_error"
RECORD_NOT_WRITTEN = "record_not_written"


class Decides(Protocol):
    """What the runner needs of control's aligner."""

    def next_action(self, observation: Observation) -> Action:
        """Answer an observation with the next action."""
        ...


class Sees(Protocol):
    """What the runner needs of eyes; :class:`station.looking.Eyes` fulfils it."""

    @property
    def compute_s(self) -> float:
        """Seconds spent on images."""
        ...

    def map_plates(self) -> MappedPlates:
        """Map both plates, find the hole."""
        ...

    def bare_beam(self, frames: int, expectation: Expectation | None) -> Sighting:
        """Measure where the bare beam lands on the reference target."""
        ...

    def look(self, frames: int, expectations: Mapping[SpotName, Expectation]) -> Mapping[SpotName, Sighting]:
        """Measure all three spots."""
        ...


class Keeps(Protocol):
    """What the runner needs of a record; :class:`station.record.Record` fulfils it."""

    setup: Setup
    controller: str

    def add_step(self, observation: Observation, action: Action, compute_s: float) -> None:
        """Note what control was told and what it answered."""
        ...

    def replace_finish(self, finish: Finish) -> None:
        """Put another end in the place of the last step's."""
        ...

    def add_fault(self, code: str, message: str, time_s: float, during: str) -> None:
        """Note a fault."""
        ...

    def save(self) -> None:
        """Make what was noted so far safe."""
        ...


class Shows(Protocol):
    """What the runner needs of a display; :class:`station.display.Display` fulfils it."""

    def acting(self, action: Action, bench_s: float) -> None:
        """Show what is being done from now on."""
        ...

    def noticed(self, observation: Observation, bench_s: float) -> None:
        """Show what came of it."""
        ...


@dataclass(slots=True)
class Runner:
    """Runs one alignment.

    Parameters
    ----------
    bench : Bench
        Connected devices.
    aligner : Decides
    eyes : Sees
    record : Keeps
    display : Shows
    stop : StopRequest
        Entered.
    """

    bench: Bench
    aligner: Decides
    eyes: Sees
    record: Keeps
    display: Shows
    stop: StopRequest
    decide_s: float = field(default=0.0, init=False)

    @property
    def compute_s(self) -> float:
        """Seconds spent on decisions and on images."""
        return self.decide_s + self.eyes.compute_s

    def run(self) -> Finish:
        """Align, and return how it ended; whatever ends it, motion is stopped and the shutter closed."""
        try:
            return self._loop()
        except BaseException:
            self._make_safe("a mistake of the program")
            raise

    def _loop(self) -> Finish:
        observation = self._guarded("Connect", self._connect)
        while True:
            action = self._decide(observation)
            self._show(self.display.acting, action, observation.time_s)
            if isinstance(action, Finish):
                return self._way_out(action)
            observation = self._do(action)
            self._show(self.display.noticed, observation, observation.time_s)

    def _show(self, show: Callable[[Any, float], None], what: Observation | Action, time_s: float) -> None:
        # A terminal that was closed must not end the run in the middle of a move.
        with contextlib.suppress(OSError):
            show(what, time_s)

    def _decide(self, observation: Observation) -> Action:
        begun = time.perf_counter()
        try:
            action = self.aligner.next_action(observation)
        except Exception:
            # A mistake in our own code must still end in the way out, and be told as what it is.
            self.record.add_fault(INTERNAL_ERROR, traceback.format_exc(), observation.time_s, "deciding")
            action = gave_up("deciding what to do next")
        spent_s = time.perf_counter() - begun
        self.decide_s += spent_s
        self.record.add_step(observation, action, spent_s)
        return self._saved(action, observation.time_s)

    def _saved(self, action: Action, time_s: float) -> Action:
        """Make the step safe before it is done; what cannot be recorded is not done."""
        try:
            self.record.save()
        except OSError as error:
            self.record.add_fault(RECORD_NOT_WRITTEN, str(error), time_s, "writing the record")
            action = record_lost(error)
            self.record.replace_finish(action)
        return action

    def _do(self, action: Action) -> Observation:
        return self._guarded(type(action).__name__, lambda: self._carry_out(action))

    def _connect(self) -> Observation:
        self.record.controller = self.bench.motion.connect()
        return Started(self._now_s())

    def _guarded(self, during: str, work: Callable[[], Observation]) -> Observation:
        """Do something on the devices; faults, stops and mistakes become observations."""
        try:
            with self.stop.interruptible():
                return work()
        except OperatorStop:
            self._make_safe(during)
            return OperatorStopped(self._now_s())
        except DeviceFault as fault:
            return self._faulted(fault.code.value, str(fault), during)
        except PlateNotMapped as fault:
            return self._faulted(fault.code, str(fault), during)
        except Exception as error:
            self.record.add_fault(INTERNAL_ERROR, traceback.format_exc(), self._now_s(), during)
            return self._faulted(INTERNAL_ERROR, f"{type(error).__name__}: {error}", during)

    def _faulted(self, code: str, message: str, during: str) -> Faulted:
        self._make_safe(during)
        now_s = self._now_s()
        self.record.add_fault(code, message, now_s, during)
        return Faulted(code, message, now_s)

    def _carry_out(self, action: Action) -> Observation:
        match action:
            case Home() | HomeAgain():
                self.bench.shutter.close()
                self.bench.motion.home()
                return Homed(self._positions(), self._now_s())
            case Move(targets=targets):
                positions = dict(self.bench.motion.move_to(targets))
                self.bench.clock.sleep_s(self.record.setup.recipe.look.settle_s)
                return Moved(positions, self._now_s())
            case TakeLensOut() | PutLensIn():
                return self._handle_lens(action)
            case _:
                return self._see(action)

    def _see(self, action: Action) -> Observation:
        match action:
            case MapPlates():
                return self._map_plates()
            case RecordBareBeam(frames=frames, expectation=expectation):
                sighting = self.eyes.bare_beam(frames, expectation)
                return BareBeamSeen(sighting, self._now_s())
            case Look(frames=frames, expectations=expectations):
                sightings = self.eyes.look(frames, expectations)
                return Looked(sightings, self._positions(), frames, self._now_s())
            case _:
                raise TypeError(f"{type(action).__name__} is no action for the devices")

    def _handle_lens(self, action: TakeLensOut | PutLensIn) -> Observation:
        self.bench.shutter.close()
        if isinstance(action, TakeLensOut):
            self.bench.lens_handler.lens_out()
            return LensIsOut(self._now_s())
        self.bench.lens_handler.lens_in()
        return LensIsIn(self._now_s())

    def _positions(self) -> dict[str, float]:
        return dict(self.bench.motion.positions())

    def _map_plates(self) -> PlatesMapped:
        found = self.eyes.map_plates()
        (xx, xy), (yx, yy) = found.hole_covariance_mm2.tolist()
        x_mm, y_mm = found.hole_center_mm.tolist()
        return PlatesMapped(
            hole_center_mm=(x_mm, y_mm),
            hole_covariance_mm2=((xx, xy), (yx, yy)),
            hole_radius_mm=float(found.hole_radius_mm),
            map_sigma_mm=found.map_sigma_mm,
            time_s=self._now_s(),
        )

    # --- the way out ------------------------------------------------------------------------------------

    def _way_out(self, finish: Finish) -> Finish:
        """Stop and close, and let a fault on the way out change an outcome that it makes untrue."""
        failures = self._make_safe("Finish")
        if failures and finish.outcome is Outcome.ALIGNED:
            finish = Finish(
                Outcome.STOPPED,
                f"the lens was aligned, but the bench could not be made safe: {failures[0]}",
                "Close the shutter by hand, find the cause, and align again before the lens is used.",
                finish.verdict,
            )
            self.record.replace_finish(finish)
        return finish

    def _make_safe(self, during: str) -> list[str]:
        """Stop motion, close the shutter, darken the lamp; each is tried whatever became of the others."""
        bench = self.bench
        steps: list[tuple[str, Callable[[], Any]]] = [
            ("stop motion", bench.motion.stop),
            ("close the shutter", bench.shutter.close),
        ]
        if bench.lamp is not None:
            steps.append(("darken the plates", bench.lamp.off))
        failures = []
        for what, step in steps:
            try:
                step()
            except Exception as error:
                code = error.code.value if isinstance(error, DeviceFault) else INTERNAL_ERROR
                self.record.add_fault(code, f"{what}: {error}", self._now_s(), f"way out of {during}")
                failures.append(f"{what}: {error}")
                if code == FaultCode.SHUTTER_MISMATCH.value and step != bench.shutter.close:
                    # It was closed and has opened since: it is told to close once more.
                    steps.append(("close the shutter", bench.shutter.close))
        return failures

    def _now_s(self) -> float:
        """Return the bench time; the last known one when the clock itself has failed."""
        try:
            self._last_s = self.bench.clock.now_s()
        except Exception:
            # The clock of a bench may be remote; its loss is found by the device that fails next.
            return self._last_s
        return self._last_s

    _last_s: float = field(default=0.0, init=False)


def record_lost(error: OSError) -> Finish:
    """Return the end of a run whose record cannot be written."""
    return Finish(
        Outcome.STOPPED,
        f"{RECORD_NOT_WRITTEN}: {error.strerror or error}",
        "Make room on the disk, or choose another folder; then align again.",
    )


def gave_up(what: str) -> Finish:
    """Return the end of a run in which the program itself failed."""
    return Finish(
        Outcome.STOPPED,
        f"{INTERNAL_ERROR}: the program made a mistake while {what}",
        "Keep the run folder and report it; the record holds the details.",
    )
