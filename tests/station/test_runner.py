"""The loop and its way out: whatever happens, motion stops, the shutter closes, the record is written."""

from __future__ import annotations

import errno
import io
import signal
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from control.messages import (
    Action,
    Faulted,
    Finish,
    Home,
    Homed,
    LensIsIn,
    LensIsOut,
    Move,
    Moved,
    Observation,
    OperatorStopped,
    Outcome,
    PutLensIn,
    Started,
    TakeLensOut,
)
from driver.faults import DeviceFault, FaultCode
from station.record import read_record
from station.stopping import StopRequest


class Script:
    """Answers with a list of actions; ends as told when a fault or a stop comes instead."""

    def __init__(self, *actions: Action | Exception) -> None:
        self._actions: Iterator[Action | Exception] = iter(actions)
        self.told: list[Observation] = []

    def next_action(self, observation: Observation) -> Action:
        self.told.append(observation)
        if isinstance(observation, Faulted | OperatorStopped):
            return Finish(Outcome.STOPPED, type(observation).__name__)
        action = next(self._actions, Finish(Outcome.ALIGNED, "script at its end"))
        if isinstance(action, Exception):
            raise action
        return action


class Broken:
    """A device whose named method raises; everything else is the real one."""

    def __init__(self, device: Any, method: str, error: BaseException) -> None:
        self._device, self._method, self._error = device, method, error

    def __getattr__(self, name: str) -> Any:
        if name == self._method:
            return self._raise
        return getattr(self._device, name)

    def _raise(self, *_: Any) -> Any:
        raise self._error


A_FAULT = DeviceFault(FaultCode.STALLED, state="moving", asked="move", came="nothing moved")


def test_each_action_becomes_its_observation(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    script = Script(TakeLensOut(), Home(), PutLensIn(), Move({"X": 0.5}, "because"))
    finish = rig.runner(script).run()
    assert finish.outcome is Outcome.ALIGNED
    assert [type(seen) for seen in script.told] == [Started, LensIsOut, Homed, LensIsIn, Moved]
    moved = script.told[-1]
    assert isinstance(moved, Moved)
    assert moved.positions["X"] == pytest.approx(0.5, abs=0.003)
    assert rig.record.controller  # what the controller calls itself
    assert len(read_record(rig.record.folder)["steps"]) == 5


def test_times_come_from_the_bench_clock(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    script = Script(Home(), Home())
    rig.runner(script).run()
    times = [seen.time_s for seen in script.told]
    assert times == sorted(times)
    assert times[-1] > 1.0  # homing takes bench time, no wall time
    assert times[-1] <= rig.sim.clock.now_s()


@pytest.mark.parametrize(
    ("error", "code"), [(A_FAULT, "stalled"), (ValueError("a mistake in our own code"), "internal_error")]
)
def test_a_fault_ends_the_run_safely(make_rig: Callable[..., Any], error: Exception, code: str) -> None:
    rig = make_rig()
    rig.bench.motion = Broken(rig.bench.motion, "home", error)
    script = Script(Home())
    finish = rig.runner(script).run()
    assert finish.outcome is Outcome.STOPPED
    last = script.told[-1]
    assert isinstance(last, Faulted)
    assert last.code == code
    assert not rig.sim.truth().shutter_open
    assert read_record(rig.record.folder)["faults"][0]["code"] == code


def test_a_controller_that_does_not_answer_is_a_fault_not_a_crash(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    rig.bench.motion = Broken(rig.bench.motion, "connect", A_FAULT)
    script = Script()
    assert rig.runner(script).run().outcome is Outcome.STOPPED
    assert isinstance(script.told[0], Faulted)


def test_a_mistake_in_control_still_takes_the_way_out(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    finish = rig.runner(Script(Home(), RuntimeError("a mistake"))).run()
    assert finish.outcome is Outcome.STOPPED
    assert "internal_error" in finish.reason
    assert "RuntimeError: a mistake" in rig.record.faults[0]["message"]
    assert not rig.sim.truth().shutter_open


def test_every_step_of_the_way_out_is_tried(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    shutter = rig.bench.shutter
    rig.bench.motion = Broken(rig.bench.motion, "stop", A_FAULT)
    closed: list[int] = []

    class Counting:
        def close(self) -> None:
            closed.append(1)
            shutter.close()

        def open(self) -> None:
            shutter.open()

    rig.bench.shutter = Counting()
    finish = rig.runner(Script()).run()
    assert closed  # although stopping the motion had failed
    assert finish.outcome is Outcome.STOPPED  # and aligned is not what it is called
    assert "could not be made safe" in finish.reason
    assert rig.record.steps[-1]["action"]["outcome"] == "stopped"


def test_a_stop_during_a_move_stops_it(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    pressed: list[str] = []

    class PressingClock:
        """Presses Ctrl-C once, while the controller says that it is moving."""

        now_s = rig.sim.clock.now_s

        def sleep_s(self, duration_s: float) -> None:
            if not pressed and rig.bench.motion.state().activity.value == "moving":
                pressed.append("Ctrl-C")
                signal.raise_signal(signal.SIGINT)
            rig.sim.clock.sleep_s(duration_s)

    with rig.stop:
        rig.bench.motion._controller.clock = PressingClock()
        script = Script(Home(), Move({"X": 5.0}, "far"), Move({"X": 0.0}, "never"))
        finish = rig.runner(script).run()
    assert finish.outcome is Outcome.STOPPED
    assert isinstance(script.told[-1], OperatorStopped)
    assert abs(rig.sim.truth().positions["X"] - 5.0) > 0.5  # it did not get there
    assert not rig.sim.truth().shutter_open


def test_axes_home_and_lenses_change_behind_a_closed_shutter(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    open_during: list[bool] = []

    class Watching:
        """Notes whether the shutter is open when something moves or a hand reaches in."""

        def __init__(self, device: Any) -> None:
            self._device = device

        def __getattr__(self, name: str) -> Any:
            if name in ("home", "lens_in", "lens_out"):
                open_during.append(rig.sim.truth().shutter_open)
            return getattr(self._device, name)

    class Opening(Script):
        """Opens the shutter behind the runner's back before each action."""

        def next_action(self, observation: Observation) -> Action:
            rig.bench.shutter.open()
            return super().next_action(observation)

    rig.bench.motion, rig.bench.lens_handler = Watching(rig.bench.motion), Watching(rig.bench.lens_handler)
    rig.runner(Opening(Home(), TakeLensOut(), PutLensIn())).run()
    assert open_during == [False, False, False]


def test_the_bench_is_safe_before_control_hears_of_a_stop(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    open_when_told: list[bool] = []

    class Asked:
        """A lens handler that opens the shutter and is then stopped by a person."""

        def lens_in(self) -> None:
            rig.bench.shutter.open()
            signal.raise_signal(signal.SIGINT)

    class Noting(Script):
        def next_action(self, observation: Observation) -> Action:
            if isinstance(observation, OperatorStopped):
                open_when_told.append(rig.sim.truth().shutter_open)
            return super().next_action(observation)

    rig.bench.lens_handler = Asked()
    with rig.stop:
        rig.runner(Noting(PutLensIn())).run()
    assert open_when_told == [False]


def test_a_stop_between_actions_is_remembered(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()

    class Pressing(Script):
        def next_action(self, observation: Observation) -> Action:
            if isinstance(observation, Homed):
                signal.raise_signal(signal.SIGINT)  # while control is deciding
                signal.raise_signal(signal.SIGTERM)
            return super().next_action(observation)

    with rig.stop:
        script = Pressing(Home(), Move({"X": 1.0}, "must not happen"))
        finish = rig.runner(script).run()
    assert [type(seen) for seen in script.told] == [Started, Homed, OperatorStopped]
    assert finish.outcome is Outcome.STOPPED


def test_a_step_that_cannot_be_recorded_is_not_done(
    make_rig: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = make_rig()
    saves: list[int] = []

    def full_disk() -> None:
        saves.append(1)
        if len(saves) == 3:  # the third decision: after connecting and homing, and one move
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(type(rig.record), "save", lambda _: full_disk())
    finish = rig.runner(Script(Home(), Move({"X": 1.0}, "the last one"), Move({"X": 2.0}, "not"))).run()
    assert finish.outcome is Outcome.STOPPED
    assert "No space left" in finish.reason
    assert rig.sim.truth().positions["X"] == pytest.approx(1.0, abs=0.2)
    assert not rig.sim.truth().shutter_open
    assert rig.record.steps[-1]["action"]["outcome"] == "stopped"
    assert rig.record.steps[-1]["action_of_control"]["targets"] == {"X": 2.0}


@pytest.mark.parametrize("error", [BrokenPipeError(), OSError(errno.EIO, "the terminal was hung up")])
def test_a_closed_terminal_does_not_end_the_run(make_rig: Callable[..., Any], error: OSError) -> None:
    rig = make_rig()

    class Closed(io.StringIO):
        def write(self, _: str) -> int:
            raise error

    rig.shown = Closed()
    assert rig.runner(Script(Home())).run().outcome is Outcome.ALIGNED


def test_whatever_ends_the_loop_the_bench_is_made_safe(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    rig.bench.motion.connect()
    rig.bench.shutter.open()
    rig.record = Broken(rig.record, "add_step", KeyError("a mistake in the record"))
    with pytest.raises(KeyError):
        rig.runner(Script(Home())).run()
    assert not rig.sim.truth().shutter_open


def test_the_signal_handlers_are_put_back() -> None:
    before = signal.getsignal(signal.SIGINT)
    with StopRequest():
        assert signal.getsignal(signal.SIGINT) is not before
    assert signal.getsignal(signal.SIGINT) is before


def test_progress_is_told_off_a_terminal(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    rig.runner(Script(Home(), Move({"Y": 0.1}, "to see"))).run()
    shown = rig.shown.getvalue()
    assert "homing all axes" in shown
    assert "moving: to see" in shown
    assert "closing the shutter" in shown
