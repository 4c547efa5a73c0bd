"""Small pieces that the tests of the archive share."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from control.messages import Outcome, Verdict
from station.archive import Archive, Ending, InHand, LookStep, MoveStep, RecipeForRun, Setup

UNIT = tuple(tuple(float(row == column) for column in range(4)) for row in range(4))


@dataclass
class FakeClock:
    """A wall clock that is set by hand and goes on by a second with every look."""

    at: datetime = datetime(2026, 5, 4, 22, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


def verdict(x_um: float = 1.0, *, passed: bool = True) -> Verdict:
    return Verdict(
        (x_um, -2.0), (3.0, 0.5), UNIT, 2.5, 2.5, 2.4477, 20.0, 30.0, passed, "spots", {"spots": (1.0, 2.0)}
    )


def aligned(x_um: float = 1.0, **more: object) -> Ending:
    return Ending(
        Outcome.ALIGNED,
        "within tolerance",
        verdict=verdict(x_um),
        looks=3,
        moves=2,
        bench_seconds=61.5,
        **more,
    )


def rejected(reason: str = "the lens is not the one of the recipe") -> Ending:
    return Ending(Outcome.REJECTED, reason, "set it aside")


def move(part: InHand) -> None:
    part.add(lambda number: MoveStep(number, 1.0, "to the null", "step", {"X": 1.5}, {"X": 1.4995}))


def look(part: InHand) -> None:
    part.add(
        lambda number: LookStep(
            number, 2.0, "verify", "verify", 2, {"X": 1.4995}, {"front": {"reason": "no_light"}}
        )
    )


def finish_one(archive: Archive, lot_id: int, setup: Setup, ending: Ending | None = None) -> InHand:
    part = archive.claims.claim_next(lot_id, setup)
    assert part is not None
    move(part)
    look(part)
    part.finish(aligned() if ending is None else ending)
    return part


def released(archive: Archive, name: str = "f100") -> RecipeForRun:
    archive.recipes.add(name, f"name = {name!r}", who="A. Person", why="test")
    archive.recipes.release(name, 1, who="B. Person", why="test")
    return archive.recipes.for_run(name)


def a_setup(archive: Archive) -> Setup:
    return archive.calibrations.setup("bench 1", "0" * 64, controller="none", software={"coincide": "0.1.0"})


def lot_of(archive: Archive, *serials: str, name: str = "lot 1") -> tuple[int, Setup]:
    """Make a lot of a released recipe; return its number and a setup."""
    lot = archive.lots.create(name, serials or ("A1", "A2", "A3"), released(archive), who="A. Person")
    return lot.id, a_setup(archive)
