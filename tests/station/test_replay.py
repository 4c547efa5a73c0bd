"""Replay: recorded runs decide the same again; what was changed is found and named."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from control.messages import Outcome
from driver.faults import DeviceFault, FaultCode
from sim.tap import LineFault, LineFaultKind
from station.campaign.inprocess import InProcess
from station.campaign.outcomes import bench_of
from station.campaign.plan import CampaignPlan, setup_of
from station.cli import run
from station.config import BadInput
from station.record import Record, read_record
from station.replay import replay
from station.stopping import StopRequest

PLAN = CampaignPlan(benches=100, seed=11, line=True)
Change = Callable[[InProcess], None]


def recorded(folder: Path, index: int = 1, change: Change | None = None) -> Outcome:
    """Run one bench of a campaign into a run folder."""
    folder.mkdir(exist_ok=True)
    made = bench_of(PLAN, index, record=Record(folder, setup_of(PLAN, index), PLAN.seed_of(index)))
    if change is not None:
        change(made)
    return made.run().finish.outcome


@pytest.fixture(scope="module")
def aligned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("aligned")
    assert recorded(folder) is Outcome.ALIGNED
    return folder


@pytest.fixture
def folder(aligned: Path, tmp_path: Path) -> Path:
    """A recorded run of one's own."""
    shutil.copy(aligned / "record.json", tmp_path)
    return tmp_path


def cut_line(made: InProcess) -> None:
    made.sim.tap.faults = (LineFault(LineFaultKind.CUT, 250, value=float("inf")),)


def stalled(made: InProcess) -> None:
    made.sim.tap.faults = (LineFault(LineFaultKind.STALL, 200),)


def lose_camera(made: InProcess) -> None:
    def lost(_: Any) -> Any:
        raise DeviceFault(FaultCode.CAMERA_LOST, state="exposing", asked="a frame", came="nothing")

    made.sim.camera("hole_camera").frame_hook = lost


def press_stop(made: InProcess) -> None:
    made.stop.request()


def break_control(made: InProcess) -> None:
    """Control makes a mistake of its own after a few decisions; what is replayed makes it again."""
    aligner = made.runner.aligner

    class Breaking:
        count = 0

        def next_action(self, observation: Any) -> Any:
            Breaking.count += 1
            if Breaking.count == 4:
                raise RuntimeError("a mistake")
            return aligner.next_action(observation)

    made.runner.aligner = Breaking()


def break_way_out(made: InProcess) -> None:
    """The lens is aligned, but the shutter cannot be closed any more."""
    made.sim.controller.stick_shutter(None)
    motion = made.bench.motion

    class Stuck:
        def __getattr__(self, name: str) -> Any:
            return getattr(motion, name)

        def stop(self) -> None:
            raise DeviceFault(FaultCode.NO_REPLY, state="ready", asked="stop", came="nothing")

    made.bench.motion = Stuck()


@pytest.mark.parametrize(
    ("change", "outcome"),
    [
        (cut_line, Outcome.STOPPED),
        (stalled, Outcome.STOPPED),
        (lose_camera, Outcome.STOPPED),
        (press_stop, Outcome.STOPPED),
        (break_way_out, Outcome.STOPPED),
    ],
    ids=["cut line", "stalled", "camera lost", "Ctrl-C", "way out fails"],
)
def test_decisions_are_the_same_again(tmp_path: Path, change: Change, outcome: Outcome) -> None:
    assert recorded(tmp_path, change=change) is outcome
    found = replay(read_record(tmp_path))
    assert found.identical, found.text()
    assert found.steps == len(read_record(tmp_path)["steps"])


def test_an_aligned_run_decides_the_same_again(aligned: Path) -> None:
    assert replay(read_record(aligned)).identical


def test_a_mistake_of_control_that_is_put_right_shows(tmp_path: Path) -> None:
    recorded(tmp_path, change=break_control)
    found = replay(read_record(tmp_path))
    assert not found.identical
    assert found.difference is not None
    assert (found.difference.step, found.difference.where) == (3, "is")
    assert found.difference.recorded == "Finish"


def changed(folder: Path, edit: Callable[[dict[str, Any]], None]) -> None:
    data = json.loads((folder / "record.json").read_text())
    edit(data)
    (folder / "record.json").write_text(json.dumps(data))


def first_move(data: dict[str, Any]) -> dict[str, Any]:
    return next(step for step in data["steps"] if step["action"]["is"] == "Move")


def test_the_first_difference_is_named(folder: Path) -> None:

    def edit(data: dict[str, Any]) -> None:
        first_move(data)["action"]["targets"]["Y"] += 1e-9
        data["steps"][-1]["action"]["reason"] = "another"

    changed(folder, edit)
    found = replay(read_record(folder))
    assert found.difference is not None
    assert found.difference.where == "targets.Y"
    assert found.difference.recorded == pytest.approx(found.difference.now, abs=1e-8)
    assert f"step {found.difference.step}, targets.Y: recorded" in found.text()


def test_another_observation_leads_to_other_decisions(folder: Path) -> None:

    def edit(data: dict[str, Any]) -> None:
        look = next(step for step in data["steps"] if step["observation"]["is"] == "Looked")
        look["observation"]["sightings"]["front"]["center_mm"][0] += 1e-6

    changed(folder, edit)
    assert not replay(read_record(folder)).identical


def test_a_step_that_is_missing_shows(folder: Path) -> None:
    changed(folder, lambda data: data["steps"].pop(3))
    assert not replay(read_record(folder)).identical


def test_fields_that_came_or_went_are_named(folder: Path) -> None:
    changed(folder, lambda data: first_move(data)["action"].pop("why"))
    found = replay(read_record(folder))
    assert found.difference is not None
    assert found.difference.where == "why"


@pytest.mark.parametrize(
    "edit",
    [
        lambda data: data.pop("configuration"),
        lambda data: data["configuration"]["recipe"].pop("text"),
        lambda data: data["configuration"]["recipe"].update(text="name = 3"),
        lambda data: data.update(steps=[]),
        lambda data: data.update(steps=None),
        lambda data: data["steps"][2].pop("observation"),
        lambda data: data["steps"][2]["observation"].update({"is": "Nothing"}),
        lambda data: data["steps"].__setitem__(1, "text"),
        lambda data: data.update(format=99),
    ],
)
def test_what_is_no_run_is_bad_input(folder: Path, edit: Callable[[dict[str, Any]], None]) -> None:
    changed(folder, edit)
    with pytest.raises(BadInput):
        replay(read_record(folder))


def test_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with StopRequest() as stop:
        assert run(["replay", str(folder)], stop) == 0
        assert capsys.readouterr().out.startswith("identical: ")
        assert run(["replay", str(folder), "--json"], stop) == 0
        assert json.loads(capsys.readouterr().out)["identical"] is True
        changed(folder, lambda data: first_move(data)["action"].update(why="because"))
        assert run(["replay", str(folder), "--json"], stop) == 1
        told = json.loads(capsys.readouterr().out)
        assert told["difference"]["where"] == "why"
        assert told["difference"]["recorded"] == "because"
        assert run(["replay", str(folder / "nowhere")], stop) == 2
        assert "no such file" in capsys.readouterr().err
        (folder / "record.json").write_text("{")
        assert run(["replay", str(folder)], stop) == 2


@pytest.mark.long
def test_a_hundred_runs_replay_among_them_faulty_ones(tmp_path: Path) -> None:
    changes: list[Change | None] = [None, cut_line, None, stalled, None, lose_camera, None, break_way_out]
    outcomes = set()
    for index in range(100):
        outcomes.add(recorded(tmp_path / str(index), index, changes[index % len(changes)]))
        found = replay(read_record(tmp_path / str(index)))
        assert found.identical, f"bench {index}: {found.text()}"
    assert {Outcome.ALIGNED, Outcome.STOPPED} <= outcomes
