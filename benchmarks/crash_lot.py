"""A whole station at work on a lot, as a child that may be killed; says what it was told is on record.

``READY``; ``DONE serial outcome``; ``END``. ``TROUBLE problem words`` and status 3 when the archive could not
do what was asked. Started again it resumes. Its bench is as after a loss of power: not homed, the mount
empty.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
from night_bench import NightBench, PlannedPart, setup_for

from station.archive import Archive, ArchiveError
from station.lot.line import Line, StationStopError
from station.lot.lot import LotRun
from station.lot.order import create_order, open_again, recalled_order
from station.lot.parts_file import PartLine
from station.lot.recovery import recover
from station.lot.settings import LotTable
from station.lot.watch.alarms import Bell
from station.stopping import StopRequest

LOT, STATION = "crash lot", "cell 1"
RECIPES = ("biconvex f100", "biconvex f100", "plano-convex, convex first", "biconvex f100")
_OUTCOMES = ("aligned", "rejected", "stopped", "timed_out")

Say = Callable[[str], None]


def say(line: str) -> None:
    """Write a line with a single system call: it is out when this returns, whatever comes next."""
    os.write(1, f"{line}\n".encode())


def planned(count: int) -> dict[str, PlannedPart]:
    """Every fourth lens is another one; the checker knows it too."""
    parts = [
        PlannedPart(f"P{n:03d}", RECIPES[n % 4], n, "another lens" if n % 4 == 3 else "")
        for n in range(count)
    ]
    return {part.serial: part for part in parts}


def make_archive(path: Path | str, parts: int, settings: LotTable | None = None) -> None:
    with Archive(path, station=STATION) as archive:
        setups = {}
        for name in dict.fromkeys(RECIPES):
            setup = setup_for(name)
            version = archive.recipes.add(name, setup.recipe_file.text, who="benchmark", why="crash").version
            archive.recipes.release(name, version, who="benchmark", why="crash")
            setups[name] = (archive.recipes.for_run(name), setup)
        lines = [PartLine(part.serial, part.recipe, n) for n, part in enumerate(planned(parts).values(), 2)]
        create_order(archive, LOT, lines, setups, settings or LotTable(), "benchmark")


def work(
    path: Path | str,
    at_most: int,
    say: Say = say,
    parts: int = 12,
    seed: int = 0,
    *,
    station: str = STATION,
    patience_s: float = 0.5,
) -> None:
    """Go on with the lot, at most that many parts; the one in hand first."""
    night = NightBench(planned(parts), seed)
    begun = datetime.now(UTC)

    def now() -> datetime:
        return begun + timedelta(seconds=night.sim.clock.now_s())

    with Archive(path, station=station, patience_s=patience_s, now=now) as archive, StopRequest() as stop:
        say("READY")
        left = [at_most]

        def log(words: str) -> None:
            serial, _, rest = words.partition(": ")
            if serial in night.planned and rest.split(":")[0] in _OUTCOMES:
                say(f"DONE {serial} {rest.split(':')[0]}")
                left[0] -= 1
                if not left[0]:
                    stop.request()

        setup = setup_for(RECIPES[0])
        lot = next(one for one in archive.lots.recent() if one.name.startswith(LOT))
        order, settings = recalled_order(archive, lot, setup.bench_file.text, "BENCH")
        open_again(archive, order, "benchmark", "started again")
        line = Line(
            bench=night.bench,
            eyes=night.eyes,
            archive=archive,
            handling=night,
            settings=settings,
            bell=Bell(archive, log),
            stop=stop,
            log=log,
            local_now=now,
            beat=lambda: None,
        )
        line.recall_beginning(setup)
        line.recall_learned(setup)
        LotRun(line, order).run(recovering=lambda: recover(line, order))
    say("END")


def main() -> int:
    cv2.setNumThreads(1)
    try:
        work(Path(sys.argv[2]), int(sys.argv[3]))
    except (ArchiveError, StationStopError) as error:
        say(f"TROUBLE {error}")
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())
