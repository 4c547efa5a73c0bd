"""What a lot rests on has a validity: asked before it starts, never in the middle of a part."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from night_bench import PlannedPart, setup_for

from station.archive import Archive, Problem, Refused
from station.lot.command.lots import note_settings
from station.lot.line import BEAM
from station.lot.part.learned import Learned
from station.lot.settings import LotTable

if TYPE_CHECKING:
    from conftest import Cell, MakeCell

SETUP = setup_for("biconvex f200")


def parts(count: int) -> list[PlannedPart]:
    return [PlannedPart(f"P{number}", "biconvex f200", number) for number in range(count)]


def settings(**checks: object) -> LotTable:
    return LotTable.model_validate({"checks": checks})


def sleep(cell: Cell, **time: float) -> None:
    cell.night.sim.clock.sleep_s(timedelta(**time).total_seconds())


def test_a_bare_beam_that_was_never_recorded_is_refused(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1), settings=settings(when_expired="refuse"))
    with pytest.raises(Refused, match="bare_beam of beam: never made") as caught:
        cell.line.require_valid(SETUP)
    assert caught.value.problem is Problem.EXPIRED


def test_it_lasts_as_long_as_the_settings_say(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1), settings=settings(when_expired="refuse", bare_beam_valid_hours=3.0))
    assert cell.run().done
    sleep(cell, hours=2.9)
    cell.line.require_valid(SETUP)
    sleep(cell, hours=0.2)
    with pytest.raises(Refused, match="expired at 2026"):
        cell.line.require_valid(SETUP)


def test_what_is_expired_is_made_anew_and_said(make_cell: MakeCell) -> None:
    cell = make_cell(parts(2), settings=settings(bare_beam_valid_hours=3.0))
    cell.line.require_valid(SETUP)
    assert any("never made: it is made anew" in line for line in cell.told)
    assert cell.run().done
    found = cell.archive.calibrations.newest(cell.line.known_as(SETUP), BEAM)
    assert found is not None
    assert not found.why_not_valid(cell.now())


def test_it_may_expire_while_the_lot_runs(make_cell: MakeCell) -> None:
    cell = make_cell(parts(3), settings=settings(when_expired="refuse", bare_beam_valid_hours=0.001))
    assert cell.run().done
    assert set(cell.outcomes().values()) == {"aligned"}


def test_what_parts_taught_about_the_mount_is_forgotten_in_time(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1), settings=settings(mount_valid_days=2.0))
    assert cell.run().done
    for days, remembers in ((1.9, True), (0.2, False)):
        sleep(cell, days=days)
        line = cell.new_line()
        line.recall_learned(SETUP)
        assert (line.learned.memory is not None) is remembers


def test_a_setting_that_changes_from_lot_to_lot_is_in_the_trail(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1))
    note_settings(cell.archive, LotTable(), SETUP, who="A. Person", why="lot 1")
    before = len(cell.archive.trail.entries(kind="setting"))
    note_settings(cell.archive, LotTable(), SETUP, who="A. Person", why="lot 2")
    assert len(cell.archive.trail.entries(kind="setting")) == before
    changed = LotTable.model_validate({"rejects": {"in_a_row": 5}, "limits": {"lot_seconds": 60.0}})
    note_settings(cell.archive, changed, SETUP, who="B. Person", why="lot 3")
    told = cell.archive.trail.entries(kind="setting")[before:]
    assert {(one.subject, one.old, one.new, one.who, one.why) for one in told} == {
        ("cell: rejects.in_a_row", 3, 5, "B. Person", "lot 3"),
        ("cell: limits.lot_seconds", "none", 60.0, "B. Person", "lot 3"),
    }


def test_stations_with_copies_of_a_bench_file_share_no_calibration(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1))
    assert cell.run().done
    cell.archive.close()
    with Archive(cell.path, station="another cell", now=cell.now) as archive:
        line = replace(cell.line, archive=archive, learned=Learned())
        assert line.recall_beginning(SETUP) is None
        line.recall_learned(SETUP)
        assert line.learned.memory is None
