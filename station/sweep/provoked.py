"""Every fault code, brought about on the simulated bench through the real driver, and what it says then."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import cv2
import numpy as np

from driver.camera import OpenCvCamera
from driver.faults import DeviceFault, FaultCode
from driver.phrases import PhraseTable
from driver.port import open_port
from driver.prompt import PromptLensHandler
from driver.wire import Framing
from sim.bench import SimBench
from sim.tap import LineFault, LineFaultKind
from station.campaign.inprocess import connect
from station.demo import bench_maker, example_setup
from station.frame_guard import FrameGuard
from station.wiring import Bench

_SEED = 3
_ALL_CALLS = 1_000_000


@dataclass(frozen=True, slots=True)
class Stand:
    """A simulated bench, connected and homed, with something about to go wrong."""

    sim: SimBench
    bench: Bench

    def move(self) -> None:
        """Go to a place inside the travel."""
        self.bench.motion.move_to({"X": 1.0})

    def strike(self, kind: LineFaultKind, value: float = 0.0) -> None:
        """Have a fault of the line strike at every call from now on."""
        tap = self.sim.tap
        tap.faults = (LineFault(kind, tap.calls, _ALL_CALLS, value, "X"),)

    def strike_once(self, kind: LineFaultKind, value: float = 0.0) -> None:
        """Have a fault of the line strike at the next call."""
        self.sim.tap.faults = (LineFault(kind, self.sim.tap.calls, 1, value, "X"),)

    def at_calls(self, do: Callable[[], object]) -> None:
        """Do something at every call of the line."""

        def called(_index: int, _way: str) -> None:
            do()

        self.sim.tap.on_call = called

    def somebody_sends(self, words: str) -> None:
        """Have words arrive at the controller that the driver has not sent."""
        line = PhraseTable.named(self.bench.table.motion.table).line
        self.sim.controller.receive(Framing(line).wrap(line.request, words, 9000) + line.terminator.encode())


def stand(*, homed: bool = True) -> Stand:
    """Return a bench whose controller is connected."""
    setup = example_setup()
    sim = bench_maker(setup, _SEED)(nuisances=None, rendered=False)
    made = Stand(sim, connect(setup, sim, sim.clock))
    made.bench.motion.connect()
    if homed:
        made.bench.shutter.close()
        made.bench.motion.home()
    return made


def _moves_when(strike: Callable[[Stand], object]) -> Callable[[], object]:
    def provoke() -> None:
        made = stand()
        strike(made)
        made.move()

    return provoke


def _stopped_by_hand(made: Stand) -> None:
    made.at_calls(lambda: made.somebody_sends("M00") if made.sim.mount.moving else None)


def _moved_by_hand(made: Stand) -> None:
    """Have somebody move another axis at the moment at which a move ends."""
    been: list[str] = []

    def watch() -> None:
        if made.sim.mount.moving:
            been.append("moving")
        elif been and "sent" not in been:
            been.append("sent")
            made.somebody_sends("G01 Y0.5000 F60")
            made.sim.clock.sleep_s(2.0)

    made.at_calls(watch)


def _interlock_open() -> None:
    made = stand()
    made.sim.controller.set_interlock(closed=False)
    made.bench.shutter.open()


def _shutter_stuck() -> None:
    made = stand()
    made.sim.controller.stick_shutter("closed")
    made.bench.shutter.open()


def _lamp_broken() -> None:
    made = stand()
    made.at_calls(lambda: setattr(made.sim.controller, "lamp_on", False))
    made.bench.lamp.on() if made.bench.lamp is not None else None


def _camera_gone() -> None:
    with tempfile.TemporaryDirectory() as folder:
        cv2.imwrite(str(Path(folder) / "1.png"), np.zeros((6, 8), np.uint8))
        camera = OpenCvCamera("upper", folder, fixed_exposure_s=0.01)
        camera.close()
        camera.grab(0.01)


def _frame(spoil: Callable[[Any], Any]) -> Callable[[], object]:
    def provoke() -> None:
        camera, guard = stand().bench.hole.camera, FrameGuard()
        first = guard.checked(camera.grab(0.01))
        guard.checked(spoil((first, camera.grab(0.01))))

    return provoke


PROVOKED: Mapping[FaultCode, Callable[[], object]] = MappingProxyType(
    {
        FaultCode.PORT_NOT_FOUND: lambda: open_port("nothing://here"),
        FaultCode.LINE_LOST: _moves_when(lambda made: made.strike(LineFaultKind.CUT)),
        FaultCode.NO_REPLY: _moves_when(lambda made: made.strike(LineFaultKind.SILENT)),
        FaultCode.REPLY_GARBLED: _moves_when(lambda made: made.strike(LineFaultKind.BYTE_FLIPPED, 7.0)),
        FaultCode.REPLY_MISMATCH: _moves_when(lambda made: made.strike(LineFaultKind.REPLY_OF_PREVIOUS)),
        FaultCode.REFUSED_BY_CONTROLLER: _moves_when(lambda made: made.somebody_sends("G01 X-3.0000 F60")),
        FaultCode.NOT_HOMED: lambda: stand(homed=False).move(),
        FaultCode.POSITION_LOST: _moves_when(lambda made: made.sim.controller.reset()),
        FaultCode.OUT_OF_TRAVEL: lambda: stand().bench.motion.move_to({"X": 99.0}),
        FaultCode.LIMIT_SWITCH: _moves_when(lambda made: made.strike_once(LineFaultKind.LIMIT)),
        FaultCode.STALLED: _moves_when(lambda made: made.strike_once(LineFaultKind.STALL)),
        FaultCode.MOTION_TIMEOUT: _moves_when(lambda made: made.strike_once(LineFaultKind.NEVER_ARRIVES)),
        FaultCode.MOTION_STOPPED: _moves_when(_stopped_by_hand),
        FaultCode.POSITION_MISMATCH: _moves_when(_moved_by_hand),
        FaultCode.INTERLOCK_OPEN: _interlock_open,
        FaultCode.SHUTTER_MISMATCH: _shutter_stuck,
        FaultCode.LAMP_MISMATCH: _lamp_broken,
        FaultCode.CAMERA_NOT_FOUND: lambda: OpenCvCamera("upper", "://nowhere", fixed_exposure_s=0.01),
        FaultCode.CAMERA_LOST: _camera_gone,
        FaultCode.FRAME_STALE: _frame(lambda both: both[0]),
        FaultCode.FRAME_WRONG: _frame(lambda both: replace(both[1], pixels=both[1].pixels[:100])),
        FaultCode.HANDLER_FAILED: lambda: PromptLensHandler(io.StringIO("stop\n"), io.StringIO()).lens_in(),
    }
)
"""What brings each code about."""


def provoked(code: FaultCode) -> DeviceFault:
    """Return the fault that comes when its cause is there.

    Raises
    ------
    LookupError
        When none came, or another one.
    """
    try:
        PROVOKED[code]()
    except DeviceFault as fault:
        if fault.code is code:
            return fault
        raise LookupError(f"{code.value} was to come, and {fault} came") from fault
    raise LookupError(f"{code.value} was to come, and nothing came")
