"""What people sign at a desk: alarms, doubts, recipes; the trail keeps who and why."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from station import cli
from station.archive import Archive, RecipeState, Severity
from station.stopping import StopRequest


def coincide(*arguments: object) -> int:
    return cli.run([str(argument) for argument in arguments], StopRequest())


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    path = tmp_path / "a.sqlite"
    with Archive(path, station="cell") as opened:
        for _ in range(3):
            opened.alarms.note("line_lost", Severity.WARNING, cause="no answer", remedy="see the plug")
        opened.recipes.add("f200", "x", who="A. Person", why="trial")
        opened.recipes.release("f200", 1, who="B. Person", why="trial was good")
    return path


def test_alarms_are_listed_and_acknowledged(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert coincide("alarms", "--archive", archive) == 0
    assert "x3     cell: line_lost: no answer\n       remedy: see the plug" in capsys.readouterr().out
    assert coincide("alarms", "--archive", archive, "--json") == 0
    (alarm,) = json.loads(capsys.readouterr().out)
    assert coincide("alarms", "--archive", archive, "--acknowledge", alarm["id"], "--who", "C. Person") == 2
    signed = ("--acknowledge", alarm["id"], "--who", "C. Person", "--why", "plug was loose")
    assert coincide("alarms", "--archive", archive, *signed) == 0
    with Archive(archive, read_only=True) as opened:
        assert not opened.alarms.open()
        entry = opened.trail.entries(kind="alarm")[-1]
    assert (entry.who, entry.why) == ("C. Person", "plug was loose")
    capsys.readouterr()
    assert coincide("alarms", "--archive", archive) == 0
    assert capsys.readouterr().out == "no alarm is open\n"


def test_an_alarm_that_is_not_there_is_bad_input(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert coincide("alarms", "--archive", archive, "--acknowledge", 99, "--why", "seen") == 2
    assert "none of this number" in capsys.readouterr().err


def test_doubts_need_grounds_and_a_number(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert coincide("doubts", "--archive", archive) == 0
    assert capsys.readouterr().out == "no part is in doubt\n"
    assert coincide("doubts", "--archive", archive, "--clear", 1) == 2
    assert coincide("doubts", "--archive", archive, "--clear", 1, "--why", "measured again") == 2


def test_a_recipe_is_withdrawn(archive: Path) -> None:
    signed = ("--who", "B. Person", "--why", "wrong radius")
    assert coincide("withdraw", "--archive", archive, "--recipe", "f200", "--version", 1, *signed) == 0
    with Archive(archive, read_only=True) as opened:
        assert opened.recipes.get("f200").state is RecipeState.WITHDRAWN
    assert coincide("withdraw", "--archive", archive, "--recipe", "f201", "--version", 1, *signed) == 2
