"""Frames of a lot: first and last look are kept, what went wrong too, old ones go, the record stays."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from night_bench import PlannedPart

from station.archive import KeepRule, Severity
from station.archive.frames import Frames
from station.lot.part.frames import NOT_KEPT, FrameKeeper
from station.lot.settings import FramesTable, LotTable
from station.lot.watch.alarms import Cause

if TYPE_CHECKING:
    from conftest import Cell, MakeCell


def parts(count: int) -> list[PlannedPart]:
    return [PlannedPart(f"P{number}", "biconvex f200", number) for number in range(count)]


def keeping(cell: Cell, folder: Path, **table: object) -> FrameKeeper:
    cell.archive.frames = Frames(cell.archive.context, folder)
    keeper = FrameKeeper(cell.archive, FramesTable.model_validate(table))
    cell.night.eyes.note_frame = keeper.note
    cell.line.frames = keeper
    return keeper


def kept(cell: Cell, serial: str) -> list[tuple[KeepRule, str, int]]:
    (found,) = cell.archive.parts.find(serial)
    return [(one.rule, one.purpose, one.attempt) for one in cell.archive.frames.of_part(found.part_id)]


def test_frames_of_the_first_and_the_last_look_are_kept(make_cell: MakeCell, tmp_path: Path) -> None:
    cell = make_cell(parts(1))
    keeping(cell, tmp_path / "frames")
    assert cell.run().done
    for rule in (KeepRule.FIRST, KeepRule.LAST):
        purposes = Counter(purpose for one, purpose, _ in kept(cell, "P0") if one is rule)
        assert purposes["returns"] == purposes["transmitted"] == 1
    assert not any(rule is KeepRule.ANOMALY for rule, _, _ in kept(cell, "P0"))
    files = list((tmp_path / "frames").rglob("*.png"))
    assert len(files) == len(kept(cell, "P0"))


def test_frames_of_what_went_wrong_are_kept_for_each_try(make_cell: MakeCell, tmp_path: Path) -> None:
    cell = make_cell([PlannedPart("P0", "biconvex f200", 0, "another lens")])
    keeping(cell, tmp_path / "frames")
    cell.run()
    assert cell.outcomes() == {"P0": "rejected"}
    assert {attempt for rule, _, attempt in kept(cell, "P0") if rule is KeepRule.ANOMALY} == {1, 2}


def test_old_frames_go_and_the_record_stays(make_cell: MakeCell, tmp_path: Path) -> None:
    cell = make_cell(parts(2))
    keeper = keeping(cell, tmp_path / "frames", max_age_days=1.0)
    assert cell.run().done
    before = kept(cell, "P0")
    cell.night.sim.clock.sleep_s(2 * 24 * 3600.0)
    keeper.prune(lambda *_: pytest.fail("nothing is wrong"), now=True)
    assert not list((tmp_path / "frames").rglob("*.png"))
    assert kept(cell, "P0") == before
    assert cell.archive.audit().clean


@pytest.mark.parametrize("table", [{"keep": False}, {}])
def test_none_are_kept_where_none_are_wanted_or_can_be(
    make_cell: MakeCell, tmp_path: Path, table: dict[str, bool]
) -> None:
    cell = make_cell(parts(1))
    keeper = keeping(cell, tmp_path / "frames", **table)
    if not table:
        cell.archive.frames = Frames(cell.archive.context, None)
    assert cell.run().done
    assert not keeper.keeps
    assert kept(cell, "P0") == []


def test_a_disk_without_room_for_frames_costs_no_part(
    make_cell: MakeCell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = make_cell(parts(2), settings=LotTable())
    keeping(cell, tmp_path / "frames")

    def full(_path: Path, _data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("station.archive.frames._write", full)
    assert cell.run().done
    assert set(cell.outcomes().values()) == {"aligned"}
    (alarm,) = [one for one in cell.archive.alarms.open() if one.code == NOT_KEPT]
    assert alarm.severity is Severity.WARNING
    assert alarm.count > 1
    assert sum(NOT_KEPT in line for line in cell.told) <= 2  # told once, and the tenth time


def test_what_cannot_be_pruned_is_told(
    make_cell: MakeCell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = make_cell(parts(1))
    keeper = keeping(cell, tmp_path / "frames")
    rung: list[Cause] = []

    def fails(_frames: Frames, **_: object) -> None:
        raise PermissionError("no right to remove")

    monkeypatch.setattr(Frames, "prune", fails)
    keeper.prune(lambda _severity, cause: rung.append(cause), now=True)
    assert [cause.code for cause in rung] == [NOT_KEPT]
