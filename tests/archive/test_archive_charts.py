"""Reports, series and exports against numpy, csv and json."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from archive_help import FakeClock, aligned, finish_one, lot_of, rejected

from control.messages import Outcome
from station.archive import COLUMNS, QUANTITIES, Archive, ArchiveError, Ending, Problem, Refused, Severity
from station.archive.store.tables import final_record
from station.archive.views.export import documentation

Opened = Callable[..., Archive]
# A mean that is large against the spread: the sum of squares alone would lose it (Chan, Golub, LeVeque,
# The American Statistician 37, 242 (1983), from memory).
VALUES = [1e6 + value for value in (0.25, -0.5, 0.75, 0.125, -0.0625)]


def _a_lot(archive: Archive, clock: FakeClock) -> int:
    lot_id, setup = lot_of(archive, *(f"A{number}" for number in range(9)))
    for value in VALUES:
        finish_one(archive, lot_id, setup, aligned(value))
    finish_one(archive, lot_id, setup, rejected("surface dirty"))
    finish_one(archive, lot_id, setup, rejected("surface dirty"))
    finish_one(archive, lot_id, setup, Ending(Outcome.STOPPED, "line lost", bench_seconds=3.5))
    archive.alarms.note("dim", Severity.NOTE, cause="c", remedy="r", lot_id=lot_id)
    archive.alarms.note("dim", Severity.NOTE, cause="c", remedy="r", lot_id=lot_id)
    return lot_id


def test_a_lot_report_adds_up(opened: Opened) -> None:
    clock = FakeClock()
    archive = opened(now=clock)
    begun = clock.at
    report = archive.charts.lot(_a_lot(archive, clock))
    assert report.finished == 8
    assert report.outcomes == {"aligned": 5, "rejected": 2, "stopped": 1, "timed_out": 0}
    assert report.by_station == {"cell 1": report.outcomes}
    assert report.reasons == (("rejected", "surface dirty", 2), ("stopped", "line lost", 1))
    assert report.alarms == (("note", "dim", 2),)
    spread = report.residuals["decenter_x_um"]
    assert (spread.count, spread.lowest, spread.highest) == (5, min(VALUES), max(VALUES))
    assert spread.mean == pytest.approx(np.mean(VALUES), rel=1e-15)
    assert spread.standard_deviation == pytest.approx(np.std(VALUES, ddof=1), rel=1e-9)
    assert report.effort["bench_seconds"].count == 8
    assert report.effort["bench_seconds"].mean == pytest.approx((5 * 61.5 + 3.5) / 8)
    assert report.first_utc is not None
    assert report.last_utc is not None
    assert begun < report.first_utc < report.last_utc < clock.at


def test_a_period_has_a_first_and_an_excluded_last_instant(opened: Opened) -> None:
    clock = FakeClock()
    archive = opened(now=clock)
    _a_lot(archive, clock)
    ends = [point.ended_utc for point in archive.charts.series("f100", "decenter_x_um")]
    assert archive.charts.period(ends[1], ends[3]).finished == 2
    assert archive.charts.period(ends[1], ends[3], station="cell 2").finished == 0
    empty = archive.charts.period(clock.at, clock.at + timedelta(days=1))
    assert (empty.finished, empty.residuals, empty.first_utc) == (0, {}, None)


def test_a_series_is_the_last_parts_in_the_order_in_which_they_ended(opened: Opened) -> None:
    clock = FakeClock()
    archive = opened(now=clock)
    _a_lot(archive, clock)
    points = archive.charts.series("f100", "decenter_x_um", last=3)
    assert [point.value for point in points] == VALUES[-3:]
    assert [point.serial for point in points] == ["A2", "A3", "A4"]
    assert [point.sigma for point in points] == [1.0] * 3
    assert [point.value for point in archive.charts.series("f100", "bench_seconds")][-1] == 3.5
    assert archive.charts.series("f100", "shift_tilt_x_arcsec") == ()
    assert archive.charts.series("f100", "decenter_x_um", station="cell 2") == ()
    assert archive.charts.series("another", "decenter_x_um") == ()
    with pytest.raises(Refused, match="there is no such quantity; known are decenter_x_um"):
        archive.charts.series("f100", "decenter")


def test_a_series_spans_versions_and_stations(opened: Opened) -> None:
    one, other = opened("cell 1"), opened("cell 2")
    lot_id, setup = lot_of(one)
    finish_one(one, lot_id, setup, aligned(1.0))
    one.recipes.add("f100", "two", who="A. Person", why="x")
    one.recipes.release("f100", 2, who="B. Person", why="x")
    second = one.lots.create("lot 2", ["B1", "B2"], one.recipes.for_run("f100"), who="A. Person")
    finish_one(other, second.id, setup, aligned(2.0))
    finish_one(one, lot_id, setup, aligned(3.0))
    finish_one(one, second.id, setup, aligned(4.0))
    assert [point.value for point in one.charts.series("f100", "decenter_x_um")] == [1.0, 2.0, 3.0, 4.0]
    assert [point.value for point in one.charts.series("f100", "decenter_x_um", last=2)] == [3.0, 4.0]
    assert [point.value for point in one.charts.series("f100", "decenter_x_um", station="cell 2")] == [2.0]
    assert set(one.charts.lot(second.id).by_station) == {"cell 1", "cell 2"}


def test_every_quantity_is_a_column() -> None:
    assert set(QUANTITIES) <= set(final_record.columns.keys())


def test_csv_holds_every_column_and_reads_back(opened: Opened, tmp_path: Path) -> None:
    clock = FakeClock()
    archive = opened(now=clock)
    lot_id = _a_lot(archive, clock)
    file = tmp_path / "lot.csv"
    assert archive.export.csv(file, lot_id=lot_id) == 8
    with file.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert list(rows[0]) == [column.name for column in COLUMNS]
    assert [float(row["decenter_x_um"]) for row in rows[:5]] == VALUES
    assert rows[5]["decenter_x_um"] == ""
    assert (rows[0]["verified"], rows[5]["verified"]) == ("true", "false")
    assert json.loads(rows[0]["covariance"])[3][3] == 1.0
    assert json.loads(rows[0]["software"]) == {"coincide": "0.1.0"}
    assert rows[0]["record_sha256"] == archive.parts.find("A0")[0].final.sha256


def test_json_holds_the_meaning_of_its_keys(opened: Opened, tmp_path: Path) -> None:
    clock = FakeClock()
    archive = opened(now=clock)
    _a_lot(archive, clock)
    file = tmp_path / "all.json"
    assert archive.export.json(file) == 8
    data = json.loads(file.read_text(encoding="utf-8"))
    assert data["trail_head_sha256"] == archive.trail.head_sha256()
    assert set(data["records"][0]) == set(data["columns"])
    assert data["columns"]["tilt_x_arcsec"]["unit"] == "arcsec"
    assert math.isclose(data["records"][2]["decenter_x_um"], VALUES[2])
    later = archive.parts.find("A3")[0].final.ended_utc
    assert archive.export.json(file, start=later) == 5
    assert archive.export.json(file, end=later) == 3


def test_an_empty_export_is_a_whole_file(archive: Archive, tmp_path: Path) -> None:
    assert archive.export.csv(tmp_path / "none.csv") == 0
    assert archive.export.json(tmp_path / "none.json") == 0
    assert json.loads((tmp_path / "none.json").read_text())["records"] == []
    assert len((tmp_path / "none.csv").read_text().splitlines()) == 1


def test_an_export_in_pages_is_complete(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = FakeClock()
    _a_lot(archive, clock)
    monkeypatch.setattr("station.archive.views.export._PAGE", 3)
    assert archive.export.csv(tmp_path / "all.csv") == 8


def test_an_export_that_cannot_be_written_leaves_the_old_file(archive: Archive, tmp_path: Path) -> None:
    (tmp_path / "kept.csv").mkdir()
    with pytest.raises(ArchiveError) as caught:
        archive.export.csv(tmp_path / "kept.csv")
    assert caught.value.problem is Problem.STORAGE
    assert [path.name for path in tmp_path.iterdir() if path.suffix == ".part"] == []


def test_the_document_has_every_column() -> None:
    document = (Path(__file__).parents[2] / "docs" / "records.md").read_text(encoding="utf-8")
    assert documentation() in document
