"""A bench for the station's tests: the simulated one in this process, behind the real driver."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from driver.motion import SerialMotion
from driver.phrases import PhraseTable
from driver.port import LoggedPort
from sim.bench import SimBench
from station.config import Setup
from station.demo import bench_maker, example_setup
from station.display import Display, StandardError
from station.looking import Eyes
from station.record import Record
from station.record.wire_log import WireLog
from station.runner import Decides, Runner
from station.stopping import StopRequest
from station.wiring import Bench, PlateCamera, axis_spec


@dataclass
class Rig:
    """A runner on an in-process bench, with everything a test may want to break."""

    sim: SimBench
    bench: Bench
    record: Record
    eyes: Eyes
    stop: StopRequest
    shown: io.StringIO

    def runner(self, aligner: Decides) -> Runner:
        display = Display(StandardError(file=self.shown, force_terminal=False, width=200))
        return Runner(self.bench, aligner, self.eyes, self.record, display, self.stop)


def connect(sim: SimBench) -> Bench:
    """The bench of the example file, its devices those of ``sim``."""
    table = example_setup().bench
    axes = [axis_spec(axis) for axis in table.motion.axes]
    wire_log = WireLog()
    port = LoggedPort(sim.line, wire_log, sim.clock)
    motion = SerialMotion(port, PhraseTable.named("word_address"), axes, sim.clock)
    plates = {
        "hole_target": table.plates.hole_target.spec(),
        "reference_target": table.plates.reference_target.spec(),
    }
    cameras = {
        camera.plate: PlateCamera(plates[camera.plate], sim.camera(camera.name), camera)
        for camera in table.cameras
    }
    return Bench(
        table=table,
        clock=sim.clock,
        motion=motion,
        shutter=motion.shutter,
        lamp=motion.lamp,
        hole=cameras["hole_target"],
        reference=cameras["reference_target"],
        lens_handler=sim.lens_handler,
        witness=sim.witness,
        wire_log=wire_log,
    )


@pytest.fixture
def make_rig(tmp_path: Path) -> Callable[..., Rig]:
    def make(seed: int = 3, setup: Setup | None = None, **changes: Any) -> Rig:
        sim = bench_maker(setup or example_setup(), seed)()
        bench = connect(sim)
        for name, device in changes.items():
            setattr(bench, name, device)
        folder = tmp_path / f"run{len(list(tmp_path.iterdir()))}"
        folder.mkdir()
        record = Record(folder, example_setup(), seed)
        return Rig(sim, bench, record, Eyes(bench, record.add_frame), StopRequest(), io.StringIO())

    return make
