"""One alignment on a simulated bench in this process: no sockets, no child process, no file, no wall clock.

The line is the simulator's in-memory one behind the real driver, or left out; runner, eyes and control are
those of every run. What comes out depends on the configuration and one seed only, bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

from control.messages import Action, Finish, Observation
from driver.exchange import Timing
from driver.motion import SerialMotion
from driver.phrases import PhraseTable
from driver.port import LoggedPort, OnBytes, Port
from driver.protocols import Clock, Frame
from sim.bench import SimBench
from sim.direct import DirectMount
from sim.nuisances import Nuisances
from sim.truth import BenchTruth
from station.campaign.digest import digest_of
from station.campaign.measures_spots import MeasuresSpots
from station.config import Setup
from station.demo import bench_maker, plates_of
from station.looking import Eyes
from station.measuring import Measures, MeasuresFrames
from station.planning import aligner_of
from station.record.codec import encode
from station.record.wire_log import WireLog
from station.runner import Decides, Keeps, Runner
from station.stopping import StopRequest
from station.wiring import Bench, PlateCamera, axis_spec

Measurement = Literal["frames", "spots"]


@dataclass(slots=True)
class MemoryRecord:
    """The record of a run in memory; holds nothing that differs between two runs of one seed.

    Attributes
    ----------
    steps : list of (Observation, Action)
    faults : list of dict
    controller : str
    answered : Finish or None
        What control had answered last, where the way out made another end of it.
    """

    setup: Setup
    controller: str = ""
    steps: list[tuple[Observation, Action]] = field(default_factory=list)
    faults: list[dict[str, Any]] = field(default_factory=list)
    answered: Action | None = None

    def add_step(self, observation: Observation, action: Action, compute_s: float) -> None:
        """Note what control was told and what it answered; the time that it took is left out."""
        del compute_s
        self.steps.append((observation, action))

    def replace_finish(self, finish: Finish) -> None:
        """Put another end in the place of the last step's."""
        observation, self.answered = self.steps[-1]
        self.steps[-1] = (observation, finish)

    def add_fault(self, code: str, message: str, time_s: float, during: str) -> None:
        """Note a fault."""
        self.faults.append({"code": code, "message": message, "time_s": time_s, "during": during})

    def save(self) -> None:
        """There is nothing to make safe."""

    def data(self) -> dict[str, Any]:
        """Return the record as plain JSON values."""
        steps: list[dict[str, Any]] = [
            {"number": number, "observation": encode(observation), "action": encode(action)}
            for number, (observation, action) in enumerate(self.steps)
        ]
        if self.answered is not None:
            steps[-1]["action_of_control"] = encode(self.answered)
        return {"controller": self.controller, "steps": steps, "faults": self.faults}

    def digest(self) -> str:
        """Return the SHA-256 of the whole record; equal records have equal digests."""
        return digest_of([self.controller, self.steps, self.answered, self.faults])


class Silent:
    """Shows nothing; fulfils :class:`station.runner.Shows`."""

    def acting(self, action: Action, bench_s: float) -> None:
        """Show nothing."""

    def noticed(self, observation: Observation, bench_s: float) -> None:
        """Show nothing."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How an in-process run ended.

    Attributes
    ----------
    finish : Finish
    truth : BenchTruth
        The simulator's, at the end.
    """

    finish: Finish
    truth: BenchTruth


class InProcess:
    """A runner on a simulated bench, ready to go; everything may be exchanged before :meth:`run`.

    Parameters
    ----------
    setup : Setup
        Both configuration files; the bench is simulated as the bench file describes it, its factories and
        addresses are not used.
    seed : int
        Repeats everything.
    nuisances : Nuisances, optional
    measurement : {"frames", "spots"}
        Rendered frames and vision, or vision replaced by its noise model; all device calls are the same.
    spot_sigma_mm : float, optional
        With "spots": this standard deviation per coordinate for every spot instead of what vision does.
    aligner : Decides, optional
        Instead of control's aligner for this setup.
    record : Keeps, optional
        Instead of one in memory.
    clock : callable, optional
        Wraps the bench's clock for everything outside the simulator: the seam for faults of the clock.
    timing : Timing, optional
        Of the driver.
    on_bytes : OnBytes, optional
        Sees the bytes of the line, both ways.
    line : bool
        False: mount, shutter and lamp are told what to do without words on a line; the outcomes are the same,
        and half of the time of a run on spots is saved.

    Attributes
    ----------
    sim : SimBench
        Its tap numbers the calls of the line and takes their faults; its cameras have hooks.
    bench : Bench
        The devices as the runner has them.
    eyes : Eyes
    record : Keeps
    stop : StopRequest
        Not entered: no signal is caught; ``stop.request()`` asks for a stop.
    runner : Runner
    """

    def __init__(
        self,
        setup: Setup,
        seed: int,
        *,
        nuisances: Nuisances | None = None,
        measurement: Measurement = "spots",
        spot_sigma_mm: float | None = None,
        aligner: Decides | None = None,
        record: Keeps | None = None,
        clock: Callable[[Clock], Clock] | None = None,
        timing: Timing | None = None,
        on_bytes: OnBytes | None = None,
        line: bool = True,
    ) -> None:
        spots = measurement == "spots"
        self.sim = bench_maker(setup, seed)(nuisances=nuisances, rendered=not spots)
        outside: Clock = self.sim.clock if clock is None else clock(self.sim.clock)
        if line:
            self.bench = connect(setup, self.sim, outside, timing=timing, on_bytes=on_bytes)
        else:
            self.bench = connect_directly(setup, self.sim, outside)
        self.record = MemoryRecord(setup) if record is None else record
        measures: Measures = MeasuresSpots(self.sim, spot_sigma_mm) if spots else MeasuresFrames()
        self.eyes = Eyes(self.bench, _forget, measures)
        self.stop = StopRequest()
        decides = aligner_of(setup) if aligner is None else aligner
        self.runner = Runner(self.bench, decides, self.eyes, self.record, Silent(), self.stop)

    def run(self) -> Ended:
        """Align; the simulator's truth is asked after the verdict."""
        finish = self.runner.run()
        return Ended(finish, self.sim.truth())


def connect(
    setup: Setup,
    sim: SimBench,
    clock: Clock,
    *,
    timing: Timing | None = None,
    on_bytes: OnBytes | None = None,
) -> Bench:
    """Return the devices of a simulated bench in this process, behind the real driver."""
    table = setup.bench
    axes = [axis_spec(axis) for axis in table.motion.axes]
    timing = timing or Timing(reply_s=table.motion.reply_timeout_s, home_s=table.motion.home_timeout_s)

    def opened() -> Port:
        line = sim.open_line()
        return line if on_bytes is None else LoggedPort(line, on_bytes, clock)

    motion = SerialMotion(opened, _phrases(table.motion.table), axes, clock, timing=timing)
    return _bench(setup, sim, clock, motion)


def connect_directly(setup: Setup, sim: SimBench, clock: Clock) -> Bench:
    """Return the devices of a simulated bench in this process, without a line."""
    motion = sim.without_line(_phrases(setup.bench.motion.table), clock)
    return _bench(setup, sim, clock, motion)


def _bench(setup: Setup, sim: SimBench, clock: Clock, motion: SerialMotion | DirectMount) -> Bench:
    table = setup.bench
    plates = plates_of(setup)
    eyes = {
        camera.plate: PlateCamera(plates[camera.plate], sim.camera(camera.name), camera)
        for camera in table.cameras
    }
    return Bench(
        table=table,
        clock=clock,
        motion=motion,
        shutter=motion.shutter,
        lamp=motion.lamp,
        hole=eyes["hole_target"],
        reference=eyes["reference_target"],
        lens_handler=sim.lens_handler,
        witness=sim.witness,
        wire_log=WireLog(),
        outputs={output.name: sim.output(str(output.options["kind"])) for output in table.outputs},
    )


@lru_cache(maxsize=4)
def _phrases(name: str) -> PhraseTable:
    """Read a shipped phrase table once; it is frozen."""
    return PhraseTable.named(name)


def _forget(frame: Frame, purpose: str) -> None:
    """Keep no frame."""
