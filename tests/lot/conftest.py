"""A line in this process: the night's bench, an archive in a file, and everything between."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from night_bench import RECIPES, NightBench, PlannedPart, setup_for

from station.archive import Archive
from station.lot.line import Line
from station.lot.lot import LotEnd, LotRun
from station.lot.order import Order, create_order, open_again, recalled_order
from station.lot.parts_file import PartLine
from station.lot.recovery import recover
from station.lot.settings import LotTable
from station.lot.watch.alarms import Bell
from station.stopping import StopRequest

START = datetime(2026, 1, 15, 18, 0, tzinfo=UTC)
PLAIN, LOCK, BOND = "biconvex f200", "biconvex f100", "plano-convex, convex first"


@dataclass
class Cell:
    """A station, its bench, and a lot of planned parts."""

    path: Path
    planned: list[PlannedPart]
    settings: LotTable = field(default_factory=LotTable)
    seed: int = 5
    told: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.night = NightBench({part.serial: part for part in self.planned}, self.seed)
        self.stop = StopRequest()
        self.archive = Archive(self.path, station="cell", now=self.now)
        self.line = self.new_line()
        setups = {}
        for name in dict.fromkeys(part.recipe for part in self.planned):
            setup = setup_for(name)
            version = self.archive.recipes.add(name, setup.recipe_file.text, who="A", why="test").version
            self.archive.recipes.release(name, version, who="B", why="test")
            setups[name] = (self.archive.recipes.for_run(name), setup)
        parts = [PartLine(part.serial, part.recipe, line) for line, part in enumerate(self.planned, 2)]
        self.order: Order = create_order(self.archive, "lot", parts, setups, self.settings, "A")

    def now(self) -> datetime:
        return START + timedelta(seconds=self.night.sim.clock.now_s())

    def new_line(self) -> Line:
        return Line(
            bench=self.night.bench,
            eyes=self.night.eyes,
            archive=self.archive,
            handling=self.night,
            settings=self.settings,
            bell=Bell(self.archive, self.told.append),
            stop=self.stop,
            log=self.told.append,
            local_now=self.now,
            beat=lambda: None,
        )

    def run(self) -> LotEnd:
        return LotRun(self.line, self.order).run()

    def resume(self) -> LotEnd:
        """Start again as after a crash or a stop: all that is known is in the archive."""
        self.archive.close()
        self.archive = Archive(self.path, station="cell", now=self.now)
        self.line = self.new_line()
        first = next(iter(self.order.recipes.values()))
        text = first.setup.bench_file.text
        self.order, self.settings = recalled_order(self.archive, first.lot, text, "BENCH")
        self.line.settings = self.settings
        open_again(self.archive, self.order, "A", "resumed")
        self.line.recall_beginning(first.setup)
        self.line.recall_learned(first.setup)
        return LotRun(self.line, self.order).run(recovering=lambda: recover(self.line, self.order))

    def outcomes(self) -> dict[str, str]:
        found = [
            part for one in self.order.recipes.values() for part in self.archive.parts.of_lot(one.lot.id)
        ]
        return {part.serial: part.final.outcome for part in found if part.final is not None}


MakeCell = Callable[..., Cell]


@pytest.fixture
def make_cell(tmp_path: Path) -> Iterator[MakeCell]:
    cells: list[Cell] = []

    def make(planned: list[PlannedPart], **more: object) -> Cell:
        cell = Cell(tmp_path / f"archive {len(cells)}.sqlite", planned, **more)
        cells.append(cell)
        return cell

    yield make
    for cell in cells:
        cell.archive.close()


def parts(count: int, recipe: str = PLAIN, **more: object) -> list[PlannedPart]:
    assert recipe in RECIPES
    return [PlannedPart(f"P{number}", recipe, number, **more) for number in range(count)]
