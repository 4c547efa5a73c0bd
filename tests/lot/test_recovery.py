"""Killed at writes of a part, with the bench as it was left: nothing lost, doubled or accepted unverified."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from night_bench import PlannedPart

from station.archive import Archive, Phase
from station.archive.store.database import Database

if TYPE_CHECKING:
    from conftest import Cell, MakeCell

PLAIN, LOCK, BOND = "biconvex f200", "biconvex f100", "plano-convex, convex first"


class Killed(BaseException):
    """Stands for the end of the process; no handler may make anything of it."""


def kill_at_write(monkeypatch: pytest.MonkeyPatch, number: int, *, after: bool) -> list[int]:
    """End everything at the n-th write to the archive, before or after it is on the disk."""
    real, count = Database.write, [0]

    def write(self: Database, *arguments: object, **more: object) -> object:
        count[0] += 1
        if count[0] == number and not after:
            raise Killed
        made = real(self, *arguments, **more)
        if count[0] == number:
            raise Killed
        return made

    monkeypatch.setattr(Database, "write", write)
    return count


def run_killed(cell: Cell, monkeypatch: pytest.MonkeyPatch, number: int, *, after: bool) -> bool:
    with monkeypatch.context() as patch:
        kill_at_write(patch, number, after=after)
        try:
            cell.run()
        except Killed:
            return True
    return False


def check(cell: Cell) -> None:
    outcomes = cell.outcomes()
    assert set(outcomes) == {part.serial for part in cell.planned}
    assert cell.archive.audit().clean
    for serial, outcome in outcomes.items():
        truth = cell.night.truths.get(serial)
        if outcome == "aligned":
            assert truth is not None
            assert truth.decenter_um is not None
            assert truth.tilt_arcsec is not None
            assert math.hypot(*truth.decenter_um) <= 20.0
            assert math.hypot(*truth.tilt_arcsec) <= 30.0


@pytest.mark.parametrize(("recipe", "after"), [(PLAIN, True), (LOCK, False)])
def test_killed_at_every_third_write(
    make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch, recipe: str, after: bool
) -> None:
    """`make crash` does it at more places, with the real signal."""
    number, hit = 1 + after, True
    while hit:
        cell = make_cell([PlannedPart("P0", recipe, 0), PlannedPart("P1", PLAIN, 1)])
        hit = run_killed(cell, monkeypatch, number, after=after)
        if hit:
            assert cell.resume().done, f"write {number}"
        check(cell)
        number += 3
    assert number > 10


def killed_in(cell: Cell, monkeypatch: pytest.MonkeyPatch, phase: Phase) -> None:
    """Kill the run just after a part has entered a phase."""
    from station.archive import InHand

    real = InHand.enter

    def enter(self: InHand, entered: Phase, *arguments: object, **more: object) -> None:
        real(self, entered, *arguments, **more)
        if entered is phase:
            raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(InHand, "enter", enter)
        with pytest.raises(Killed):
            cell.run()


def test_killed_while_verifying_is_verified_where_it_lies(
    make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = make_cell([PlannedPart("P0", BOND, 0)])
    killed_in(cell, monkeypatch, Phase.VERIFYING)
    homed: list[int] = []
    real = cell.night.bench.motion.home
    monkeypatch.setattr(cell.night.bench.motion, "home", lambda: (homed.append(1), real()))
    moved: list[object] = []
    monkeypatch.setattr(cell.night.bench.motion, "move_to", moved.append)
    assert cell.resume().done
    assert cell.outcomes() == {"P0": "aligned"}
    assert not moved
    assert not homed  # nothing was left to align, so nothing moved
    assert "verified after a restart" in cell.archive.parts.find("P0")[0].final.reason
    check(cell)


def test_killed_while_verifying_and_the_lens_is_gone(
    make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = make_cell([PlannedPart("P0", BOND, 0)])
    killed_in(cell, monkeypatch, Phase.VERIFYING)
    cell.night.sim.lens_handler.lens_out()
    assert cell.resume().done
    assert cell.outcomes() == {"P0": "stopped"}


def test_a_reject_that_was_not_taken_out_yet_is_set_aside(
    make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = make_cell([PlannedPart("P0", LOCK, 0, "another lens"), PlannedPart("P1", LOCK, 1)])
    with monkeypatch.context() as patch:
        patch.setattr(cell.night.sim.lens_handler, "lens_out", _kill_once_finished(cell))
        with pytest.raises(Killed):
            cell.run()
    assert cell.outcomes() == {"P0": "rejected"}
    asides: list[tuple[str, bool]] = []
    real = cell.night.unload
    monkeypatch.setattr(
        type(cell.night),
        "unload",
        lambda night, serial, *, aside: (asides.append((serial, aside)), real(serial, aside=aside)),
    )
    assert cell.resume().done
    assert asides == [("P0", True), ("P1", False)]


def _kill_once_finished(cell: Cell) -> object:
    real = cell.night.sim.lens_handler.lens_out

    def lens_out() -> None:
        if cell.outcomes():
            raise Killed
        real()

    return lens_out


def test_killed_while_fixing_is_set_aside(make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch) -> None:
    cell = make_cell([PlannedPart("P0", LOCK, 0)])
    killed_in(cell, monkeypatch, Phase.FIXING)
    assert cell.resume().done
    assert cell.outcomes() == {"P0": "stopped"}


def test_killed_while_aligning_is_homed_and_aligned_anew(
    make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = make_cell([PlannedPart("P0", PLAIN, 0)])
    killed_in(cell, monkeypatch, Phase.ALIGNING)
    homed: list[int] = []
    real = cell.night.bench.motion.home
    monkeypatch.setattr(cell.night.bench.motion, "home", lambda: (homed.append(1), real()))
    assert cell.resume().done
    assert homed == [1]
    assert cell.outcomes() == {"P0": "aligned"}
    attempts = cell.archive.parts.attempts(cell.archive.parts.find("P0")[0].part_id)
    assert [attempt.number for attempt in attempts] == [1, 2]


def test_an_archive_that_fails_stops_the_lot_and_loses_nothing(
    make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    from station.archive import ArchiveError, Problem

    cell = make_cell([PlannedPart("P0", PLAIN, 0)])
    real, count = Database.write, [0]

    def full(self: Database, asked: str, *rest: object) -> object:
        count[0] += 1
        if count[0] > 6:
            raise ArchiveError(Problem.FULL, where="here", asked=asked, found="no room")
        return real(self, asked, *rest)

    with monkeypatch.context() as patch:
        patch.setattr(Database, "write", full)
        with pytest.raises(ArchiveError):
            cell.run()
    assert not cell.night.sim.truth().shutter_open
    assert isinstance(cell.archive, Archive)
    assert cell.resume().done
    assert cell.outcomes() == {"P0": "aligned"}
