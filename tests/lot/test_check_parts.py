"""The check part: when it is measured, and what its failure means for the parts since it passed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from night_bench import PlannedPart

from station.archive import Archive, PartKind
from station.archive.doubt import Doubts
from station.config.problems import BadInput
from station.lot.command.lots import _check_part_is_no_other
from station.lot.parts_file import PartLine
from station.lot.settings import CheckPartTable, LotTable

if TYPE_CHECKING:
    from conftest import Cell, MakeCell

LOCK = "biconvex f100"
MASTER = "MASTER 1"


def parts(count: int, recipe: str) -> list[PlannedPart]:
    return [PlannedPart(f"P{number}", recipe, number) for number in range(count)]


def a_cell(make_cell: MakeCell, count: int, recipe: str = "biconvex f200", **table: object) -> Cell:
    settings = LotTable(check_part=CheckPartTable(serial=MASTER, **table))
    cell = make_cell(parts(count, recipe), settings=settings)
    cell.night.planned = {**cell.night.planned, MASTER: PlannedPart(MASTER, recipe, 1000)}
    return cell


def order_of_records(archive: Archive, cell: Cell) -> list[str]:
    found = [part for lot_id in cell.order.lot_ids for part in archive.parts.of_lot(lot_id) if part.final]
    return [part.serial for part in sorted(found, key=lambda part: part.final.id if part.final else 0)]


def test_it_is_measured_at_the_start_every_so_many_parts_and_at_the_end(make_cell: MakeCell) -> None:
    cell = a_cell(make_cell, 3, every_parts=2)
    end = cell.run()
    assert (end.done, end.parts) == (True, 3)
    assert order_of_records(cell.archive, cell) == [MASTER, "P0", "P1", MASTER, "P2", MASTER]
    checks = cell.archive.parts.find(MASTER)
    assert [(part.kind, part.repeat) for part in checks] == [("check", n) for n in (1, 2, 3)]
    assert not cell.archive.doubts.open()


def test_it_is_not_fixed(make_cell: MakeCell) -> None:
    cell = a_cell(make_cell, 1, LOCK, at_end=False)
    assert cell.run().done
    shifted = {
        part.kind: part.final.shift_decenter_x_um for part in cell.archive.parts.of_lot(1) if part.final
    }
    assert shifted["check"] is None
    assert shifted["product"] is not None


def spoil_the_second_check(cell: Cell) -> None:
    """Let the check part come back as another lens, once two parts are done."""
    done: list[str] = []

    def count(serial: str) -> None:
        done.append(serial)
        if len(done) == 3:
            master = replace(cell.night.planned[MASTER], bad="another lens")
            cell.night.planned = {**cell.night.planned, MASTER: master}

    cell.night.on_unload = count


def test_its_failure_stops_the_lot_and_puts_the_parts_since_it_passed_in_doubt(make_cell: MakeCell) -> None:
    cell = a_cell(make_cell, 3, every_parts=2)
    spoil_the_second_check(cell)
    end = cell.run()
    assert (end.done, end.cause) == (False, "check_part_failed")
    assert [one.serial for one in cell.archive.doubts.open()] == ["P0", "P1"]
    assert cell.outcomes() == {MASTER: "rejected", "P0": "aligned", "P1": "aligned"}
    # Seen to: it has to pass before the next part is begun.
    cell.night.on_unload = None
    cell.night.planned = {**cell.night.planned, MASTER: replace(cell.night.planned[MASTER], bad="")}
    assert cell.resume().done
    assert order_of_records(cell.archive, cell)[-3:] == [MASTER, "P2", MASTER]
    assert [one.serial for one in cell.archive.doubts.open()] == ["P0", "P1"]


def test_killed_between_failure_and_doubt(make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch) -> None:
    cell = a_cell(make_cell, 3, every_parts=2, at_start=False)
    spoil_the_second_check(cell)
    cell.night.on_unload("none before")

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Doubts, "raise_since_last_pass", killed)
        with pytest.raises(KeyboardInterrupt):
            cell.run()
    assert not cell.archive.doubts.open()
    cell.night.planned = {**cell.night.planned, MASTER: replace(cell.night.planned[MASTER], bad="")}
    cell.night.on_unload = None
    assert cell.resume().done
    assert [one.serial for one in cell.archive.doubts.open()] == ["P0", "P1"]
    assert order_of_records(cell.archive, cell)[2:] == [MASTER, MASTER, "P2", MASTER]


def test_a_check_part_that_only_waits_is_no_part_of_the_list(make_cell: MakeCell) -> None:
    """As a crash between announcing and claiming leaves it."""
    cell = a_cell(make_cell, 1, at_start=False, at_end=False)
    cell.archive.lots.announce(cell.order.lot_ids[0], MASTER, kind=PartKind.CHECK)
    end = cell.run()
    assert (end.done, cell.outcomes()) == (True, {"P0": "aligned"})


@pytest.mark.parametrize(("table", "key"), [({"serial": "A1"}, "serial"), ({"recipe": "f9"}, "recipe")])
def test_a_check_part_that_makes_no_sense(table: dict[str, str], key: str) -> None:
    settings = LotTable(check_part=CheckPartTable(**table))
    with pytest.raises(BadInput, match=f"check_part.{key}"):
        _check_part_is_no_other(settings, Path("LOT.toml"), (PartLine("A1", "f1", 2),), ["f1"])
