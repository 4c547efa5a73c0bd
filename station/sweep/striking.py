"""How the faults outside the line come about: cameras, clock, lens handler, record, the person who stops."""

from __future__ import annotations

import errno
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from control.messages import Action, Finish, Move, Observation
from driver.faults import DeviceFault, FaultCode
from driver.protocols import Clock, Frame, LensHandler
from sim.bench import SimBench
from station.campaign.inprocess import MemoryRecord
from station.runner import Decides
from station.stopping import StopRequest
from station.sweep.cases import Fault

OnCall = Callable[[int], None]
"""Told the index of a call before anything strikes; may put other faults in place."""


def _nothing(index: int) -> None:
    """Do nothing at a call."""


def lost(code: FaultCode, asked: str, came: str) -> DeviceFault:
    """Return the fault of a device that is gone."""
    return DeviceFault(code, state="in use", asked=asked, came=came)


class StruckClock:
    """The bench's clock as it is seen from outside; its sleeps are numbered.

    ``jump``: from this sleep on, it reads value seconds more. ``stands_still``: it reads the same for this
    sleep, or for ever. ``fails``: it raises LINE_LOST, as the clock of a bench that is gone does.
    """

    def __init__(self, clock: Clock, faults: Sequence[Fault], on_call: OnCall) -> None:
        self._clock, self.faults = clock, tuple(faults)
        self._on_call = on_call
        self._ahead_s = 0.0
        self._held_s: float | None = None
        self._broken = False
        self.calls = 0

    def now_s(self) -> float:
        """Return what it reads."""
        if self._broken:
            raise lost(FaultCode.LINE_LOST, "the time", "the clock does not answer")
        return self._clock.now_s() + self._ahead_s if self._held_s is None else self._held_s

    def sleep_s(self, duration_s: float) -> None:
        """Let time pass; faults strike here."""
        index = self.calls
        self.calls += 1
        self._on_call(index)
        for fault in self.faults:
            if fault.strikes(index):
                self._strike(fault)
        self._clock.sleep_s(duration_s)
        if self._held_s is not None and not any(
            fault.kind == "stands_still" and (fault.value == math.inf or fault.strikes(index + 1))
            for fault in self.faults
        ):
            self._held_s = None

    def _strike(self, fault: Fault) -> None:
        if fault.kind == "jump":
            self._ahead_s += fault.value
        elif fault.kind == "stands_still":
            self._held_s = self.now_s()
        else:
            self._broken = fault.value == math.inf
            raise lost(FaultCode.LINE_LOST, "let time pass", "the clock does not answer")


@dataclass(slots=True)
class StruckCameras:
    """Spoils frames; the grabs of all cameras are numbered together.

    ``late``: value seconds pass before the frame is handed out. ``stale``: the camera's frame before is
    handed out again. ``gone``: CAMERA_LOST for value seconds (0: this call only). ``beam_dimmed`` leaves the
    value's part of the light above black; ``beam_jumped`` moves the beam by value millimetres,
    ``camera_knocked`` the camera, both for good. On spots, where there is no camera, everything seems to lie
    that much aside from then on (:attr:`off_mm`).
    """

    sim: SimBench
    faults: tuple[Fault, ...]
    on_call: OnCall
    calls: int = 0
    off_mm: dict[str, float] = field(default_factory=dict, init=False)
    _gone_until_s: float = field(default=-math.inf, init=False)
    _before: dict[str, Frame] = field(default_factory=dict, init=False)

    def attach(self) -> None:
        """See the frames of all cameras from now on."""
        for name in self.sim.camera_names:
            self.sim.camera(name).frame_hook = self._seen

    def _seen(self, frame: Frame) -> Frame:
        index = self.calls
        self.calls += 1
        self.on_call(index)
        before = self._before.get(frame.camera)
        self._before[frame.camera] = frame
        for fault in self.faults:
            if fault.strikes(index):
                frame = self._strike(fault, frame, before)
        if self.sim.clock.now_s() < self._gone_until_s:
            raise lost(FaultCode.CAMERA_LOST, "a frame", "the camera does not answer")
        return frame

    def _strike(self, fault: Fault, frame: Frame, before: Frame | None) -> Frame:
        if fault.kind == "late":
            self.sim.clock.sleep_s(fault.value)
        elif fault.kind == "stale":
            return before or frame
        elif fault.kind == "gone":
            self._gone_until_s = self.sim.clock.now_s() + fault.value
            raise lost(FaultCode.CAMERA_LOST, "a frame", "the camera does not answer")
        elif fault.kind == "beam_jumped":
            beam = self.sim.true.beam
            x_mm, y_mm = beam.offset_mm
            self.sim.alter(beam=replace(beam, offset_mm=(x_mm + fault.value, y_mm)))
        elif fault.kind == "camera_knocked":
            self._knock(frame.camera, fault.value)
        else:
            return replace(frame, pixels=self._spoilt(fault, frame))
        return frame

    def _knock(self, camera: str, by_mm: float) -> None:
        if self.sim.rendered:
            errors = self.sim.true.camera_errors
            x_mm, y_mm, z_mm = errors[camera].shift_mm
            knocked = replace(errors[camera], shift_mm=(x_mm + by_mm, y_mm, z_mm))
            self.sim.alter(camera_errors={**errors, camera: knocked})
            return
        self.off_mm[camera] = self.off_mm.get(camera, 0.0) + by_mm
        plate, placements = self.sim.camera_setups[camera].plate, self.sim.true.placements
        # It shows in the marks too: against the camera, the plate has moved the other way.
        self.sim.alter(placements={**placements, plate: placements[plate].then((-by_mm, 0.0), 0.0)})

    def _spoilt(self, fault: Fault, frame: Frame) -> Any:
        sensor = self.sim.camera_setups[frame.camera].sensor
        black, pixels = round(sensor.black_level_dn), frame.pixels
        rows, columns = pixels.shape
        if fault.kind == "wrong_size":
            return np.array(pixels[: rows // 2, : columns // 2])
        if fault.kind in ("black", "beam_blocked"):
            return np.broadcast_to(np.uint16(black), pixels.shape)
        if fault.kind == "white":
            return np.broadcast_to(np.uint16(sensor.full_scale_dn), pixels.shape)
        if fault.kind == "half":
            half = np.array(pixels)
            half[rows // 2 :] = 0
            return half
        dimmed = black + (pixels.astype(np.float64) - black) * fault.value
        return np.clip(np.rint(dimmed), 0, sensor.full_scale_dn).astype(np.uint16)


@dataclass(slots=True)
class StruckHandler:
    """A lens handler that fails, or says that it has done what it has not."""

    handler: LensHandler
    faults: tuple[Fault, ...]
    on_call: OnCall
    calls: int = 0

    def lens_in(self) -> None:
        """Put the lens in, or not."""
        self._do(self.handler.lens_in)

    def lens_out(self) -> None:
        """Take the lens out, or not."""
        self._do(self.handler.lens_out)

    def _do(self, work: Callable[[], None]) -> None:
        index = self.calls
        self.calls += 1
        self.on_call(index)
        kinds = [fault.kind for fault in self.faults if fault.strikes(index)]
        if "fails" in kinds:
            raise lost(FaultCode.HANDLER_FAILED, "handle the lens", "the handler does not answer")
        if not kinds:
            work()


@dataclass(slots=True)
class StruckRecord(MemoryRecord):
    """A record in memory whose saves are numbered and may fail.

    Attributes
    ----------
    saved : int
        Steps that the last save that went well holds; -1 before the first.
    saved_end : Action or None
        The last action that it holds.
    failed : bool
        A save has failed.
    """

    faults_of_saves: tuple[Fault, ...] = ()
    on_call: OnCall = _nothing
    calls: int = 0
    saved: int = -1
    saved_end: Action | None = None
    failed: bool = False
    on_step: Callable[[Observation], None] | None = None

    def add_step(self, observation: Observation, action: Action, compute_s: float) -> None:
        """Note a step."""
        # The class is made anew for its slots: there is no bare super() in it.
        MemoryRecord.add_step(self, observation, action, compute_s)
        if self.on_step is not None:
            self.on_step(observation)

    def save(self) -> None:
        """Make it safe, or fail as a disk does."""
        index = self.calls
        self.calls += 1
        self.on_call(index)
        for fault in self.faults_of_saves:
            if fault.strikes(index) or (fault.value == math.inf and index >= fault.at):
                self.failed = True
                number = errno.ENOSPC if fault.kind == "disk_full" else errno.EIO
                raise OSError(number, os.strerror(number))
        self.saved = len(self.steps)
        self.saved_end = self.steps[-1][1] if self.steps else None

    @property
    def end(self) -> Finish | None:
        """How the run ended as far as the record knows."""
        last = self.steps[-1][1] if self.steps else None
        return last if isinstance(last, Finish) else None


@dataclass(slots=True)
class StruckControl:
    """Control that makes mistakes: ``wild_move`` sends an axis to value, ``raises`` raises."""

    inner: Decides
    faults: tuple[Fault, ...]
    axis: str
    on_call: OnCall
    calls: int = 0

    def next_action(self, observation: Observation) -> Action:
        """Answer, or make a mistake."""
        index = self.calls
        self.calls += 1
        self.on_call(index)
        action = self.inner.next_action(observation)
        for fault in self.faults:
            if fault.strikes(index) and not isinstance(action, Finish):
                if fault.kind == "raises":
                    raise RuntimeError("a mistake in control, made on purpose")
                return Move({self.axis: fault.value}, "a mistake in control, made on purpose")
        return action


class StruckStop(StopRequest):
    """A person who stops at a call of the line, as a signal would arrive there."""

    def arrive(self) -> None:
        """Have the signal arrive now."""
        self._handle(0, None)
