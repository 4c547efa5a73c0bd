"""A tiny station that works through a lot, and says on its standard output what it was told is kept.

``READY``; ``CLAIMED serial attempt``; ``STEPS serial attempt count``; ``DONE serial attempt outcome``;
``END``. ``TROUBLE problem words`` and status 3 when the archive could not do what was asked. Killed at any
instant, started again, it resumes what was in hand and measures it anew.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

from control.messages import Outcome, Verdict
from station.archive import (
    Archive,
    ArchiveError,
    CalibrationKind,
    DecisionStep,
    Ending,
    InHand,
    LookStep,
    LotState,
    MoveStep,
    Need,
    Phase,
)
from station.archive.store import sqlite
from station.archive.store.database import Database
from station.archive.store.upgrade import REVISIONS, upgrade

LOT, STATION = "lot 1", "cell 1"
BATCH = 6
_IDENTITY = tuple(tuple(1.0 if row == column else 0.0 for column in range(4)) for row in range(4))

Say = Callable[[str], None]


def say(line: str) -> None:
    """Write a line with a single system call: it is out when this returns, whatever comes next."""
    os.write(1, f"{line}\n".encode())


def make_archive(path: Path, parts: int) -> None:
    """Make an archive with one released recipe and one lot."""
    with Archive(path, station=STATION) as archive:
        archive.recipes.add("crash", "lens", who="benchmark", why="crash test")
        archive.recipes.release("crash", 1, who="benchmark", why="crash test")
        beam = Need(CalibrationKind.BARE_BEAM, "beam")
        archive.calibrations.add("bench", beam, "{}", who="benchmark", why="crash test")
        serials = [f"P{number:03d}" for number in range(parts)]
        archive.lots.create(LOT, serials, archive.recipes.for_run("crash"), who="benchmark")


def is_good(serial: str) -> bool:
    """Say whether a part can be aligned; known to the checker as well."""
    return int(serial[1:]) % 4 != 3


def work(path: Path, at_most: int, say: Say = say) -> None:
    """Finish ``at_most`` parts, the one in hand first."""
    with Archive(path, station=STATION, patience_s=0.5) as archive:
        say("READY")
        setup = archive.calibrations.setup("bench", "0" * 64, controller="none", software={})
        lot = archive.lots.get(LOT)
        held = [archive.claims.resume(one.part_id, setup, why="restart") for one in archive.claims.in_hand()]
        # Killed between the lot's end and the word of it, there is nothing left to do.
        for _ in range(at_most if lot.state is LotState.OPEN else 0):
            part = held.pop() if held else archive.claims.claim_next(lot.id, setup)
            if part is None:
                break
            _do(part, say)
        if not archive.lots.counts(lot.id)["waiting"]:
            archive.lots.finish(lot.id, who=STATION, why="all parts are done")
    say("END")


def _do(part: InHand, say: Say) -> None:
    serial, attempt = part.claim.serial, part.claim.attempt
    say(f"CLAIMED {serial} {attempt}")
    part.enter(Phase.ALIGNING, why="the lens is in")
    _steps(part, say)
    if not is_good(serial):
        part.finish(Ending(Outcome.REJECTED, "cannot be aligned", "set it aside"))
        say(f"DONE {serial} {attempt} rejected")
        return
    part.enter(Phase.FIXING, why="aligned")
    part.enter(Phase.VERIFYING, why="fixed")
    _steps(part, say)
    number = int(serial[1:])
    verdict = Verdict((1.0, 2.0), (3.0, float(number)), _IDENTITY, 2.4, 2.4, 2.4, 20.0, 99.0, True, "spots")
    part.finish(Ending(Outcome.ALIGNED, "within tolerance", verdict=verdict, looks=2 * BATCH // 3))
    say(f"DONE {serial} {attempt} aligned")


def _steps(part: InHand, say: Say) -> None:
    for _ in range(BATCH // 3):
        part.add(lambda number: MoveStep(number, 1.0, "to the null", "step", {"X": 1.0}, {"X": 1.0}))
        part.add(lambda number: LookStep(number, 2.0, "verify", "verify", 2, {"X": 1.0}, {}))
        part.add(lambda number: DecisionStep(number, 2.0, "near the null", "Look", {}))
    part.flush()
    say(f"STEPS {part.claim.serial} {part.claim.attempt} {BATCH}")


def main() -> int:
    """Run ``work PATH PARTS [SYNCHRONOUS]`` or ``upgrade PATH``.

    SYNCHRONOUS weakens the journal on purpose, to see that the crash tests notice.
    """
    command, path = sys.argv[1], Path(sys.argv[2])
    if len(sys.argv) > 4:
        sqlite.journal_for = lambda _version: sqlite.Journal("delete", sys.argv[4])
    try:
        if command == "upgrade":
            database = Database(path, patience_s=0.5)
            say("READY")
            upgrade(database)
            database.close()
            say(f"DONE {REVISIONS[-1]}")
        else:
            work(path, int(sys.argv[3]))
    except ArchiveError as error:
        say(f"TROUBLE {error.problem.value} {error}")
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())
