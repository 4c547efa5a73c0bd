"""The commands: bad input ends with status 2 and nothing lost; a report of a lot that was run."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from station import cli
from station.archive import Archive
from station.demo import BENCH_FILE, RECIPE_FILE, example_text
from station.lot.command.reports import report_lot, report_part, report_period
from station.stopping import StopRequest

if TYPE_CHECKING:
    from conftest import MakeCell


def coincide(*arguments: object) -> int:
    return cli.run([str(argument) for argument in arguments], StopRequest())


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for name in (BENCH_FILE, RECIPE_FILE):
        (tmp_path / name).write_text(example_text(name))
    (tmp_path / "PARTS.csv").write_text("serial\nA1\nA2\n")
    return tmp_path


def lot(folder: Path, *more: object) -> int:
    common = ("--bench", folder / BENCH_FILE, "--recipe", folder / RECIPE_FILE, "--name", "lot 1")
    return coincide("lot", *common, "--archive", folder / "a.sqlite", *more)


def test_a_bad_list_ends_with_2_and_its_line(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (files / "PARTS.csv").write_text("serial\nA1\nA1\n")
    assert lot(files, "--parts", files / "PARTS.csv") == 2
    assert "line 3" in capsys.readouterr().err
    assert not (files / "a.sqlite").exists()


def test_a_recipe_that_nobody_released_is_refused(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert lot(files, "--parts", files / "PARTS.csv") == 2
    assert "nobody has signed off" in capsys.readouterr().err


def test_a_bench_that_is_not_there_leaves_no_lot_behind(files: Path) -> None:
    archive = files / "a.sqlite"
    signed = ("--why", "trial", "--who", "B. Person", "--archive", archive)
    assert coincide("release", "--recipe", files / RECIPE_FILE, *signed) == 0
    assert lot(files, "--parts", files / "PARTS.csv") == 2
    with Archive(archive, read_only=True) as opened:
        assert not opened.lots.recent()


def test_nothing_to_resume(files: Path) -> None:
    assert coincide("resume", "--bench", files / BENCH_FILE, "--archive", files / "a.sqlite") == 0


def test_a_report_needs_to_know_of_what(files: Path) -> None:
    assert coincide("report", "--out", files / "out", "--archive", files / "a.sqlite") == 2


def test_reports_of_a_lot_a_period_and_a_part(make_cell: MakeCell, tmp_path: Path) -> None:
    from datetime import UTC, datetime, timedelta

    from night_bench import PlannedPart

    start = datetime(2026, 1, 15, 18, 0, tzinfo=UTC)
    recipe = "biconvex f200"
    cell = make_cell([PlannedPart(f"P{n}", recipe, n, "another lens" if n == 1 else "") for n in range(3)])
    cell.run()
    html, pdf, table, _ = report_lot(cell.archive, "lot", tmp_path / "lot")
    assert "P1" in html.read_text()
    assert pdf.read_bytes().startswith(b"%PDF")
    with table.open(encoding="utf-8", newline="") as stream:
        assert [row["outcome"] for row in csv.DictReader(stream)] == ["aligned", "rejected", "aligned"]
    files = report_period(cell.archive, start, start + timedelta(hours=12), tmp_path / "period")
    assert json.loads(files[-1].read_text())["records"][1]["serial"] == "P1"
    html, pdf, part = report_part(cell.archive, "P1", tmp_path / "part")
    assert "Part P1: rejected" in html.read_text()
    assert "wrong lens" in html.read_text()
    assert pdf.read_bytes().startswith(b"%PDF")
    (told,) = json.loads(part.read_text())
    assert told["final"]["outcome"] == "rejected"
    assert len(told["attempts"]) >= 2  # rejected twice, the bench checked in between
    assert any(step["is"] == "LookStep" for step in told["attempts"][0]["steps"])
