"""The record of one run in the archive, and what its steps add up to."""

from __future__ import annotations

from dataclasses import dataclass, field

from control.fixing import Fixer
from control.messages import (
    Action,
    Finish,
    Look,
    Looked,
    Move,
    MovePurpose,
    Observation,
    Outcome,
)
from control.unknowns import Vector
from control.verdict import TO_UM_ARCSEC
from station.archive import Ending, InHand, Phase, Pose4
from station.config import Setup
from vision.spots import Sighting, Spot, SpotName

_TO_THE_NULL = (MovePurpose.SEARCH, MovePurpose.STEP)


@dataclass(slots=True)
class PartRecord:
    """Writes the steps of a part into the archive; fulfils :class:`station.runner.Keeps`.

    Steps are written in batches and with every phase; what is not on the disk yet when the program is killed
    is measured again.

    Parameters
    ----------
    setup : Setup
    part : InHand
    fixer : Fixer or None
        While it decides, the archive hears when what is looked at is the fixed lens.
    """

    setup: Setup
    part: InHand
    controller: str = ""
    fixer: Fixer | None = None
    looks: int = field(default=0, init=False)
    last: Looked | None = field(default=None, init=False)
    faults: list[str] = field(default_factory=list, init=False)
    moves: dict[MovePurpose, int] = field(default_factory=dict, init=False)
    begun_s: float | None = field(default=None, init=False)
    last_s: float = field(default=0.0, init=False)
    _fixed: bool = field(default=False, init=False)

    def add_step(self, observation: Observation, action: Action, compute_s: float) -> None:
        """Note what control was told and what it answered."""
        del compute_s  # not part of what a run decides
        self.begun_s = observation.time_s if self.begun_s is None else self.begun_s
        self.last_s = observation.time_s
        if isinstance(observation, Looked):
            self.last = observation
        if isinstance(action, Look):
            self.looks += 1
        elif isinstance(action, Move):
            self.moves[action.purpose] = self.moves.get(action.purpose, 0) + 1
        self.part.take(observation, action)
        if self.fixer is not None and self.fixer.fixed != self._fixed:
            self._fixed = self.fixer.fixed
            self.part.enter(Phase.VERIFYING if self._fixed else Phase.FIXING)

    def replace_finish(self, finish: Finish) -> None:
        """Note that the way out made another end of it."""
        self.part.note("WayOut", finish.reason, {"outcome": finish.outcome.value}, self.last_s)

    def add_fault(self, code: str, message: str, time_s: float, during: str) -> None:
        """Note a fault."""
        self.faults.append(code)
        self.part.note("Fault", message[:2000], {"code": code, "during": during}, time_s)

    def save(self) -> None:
        """Do nothing: steps go to the disk in batches."""

    def ending(
        self, finish: Finish, compute_s: float, shift: Vector | None, targets: Targets | None
    ) -> Ending:
        """Return what the final record says."""
        aligned_or_judged = finish.verdict if finish.outcome is not Outcome.STOPPED else None
        return Ending(
            outcome=finish.outcome,
            reason=finish.reason,
            remedy=finish.remedy,
            verdict=aligned_or_judged,
            looks=self.looks,
            test_moves=self.moves.get(MovePurpose.TEST, 0),
            moves=sum(self.moves.get(purpose, 0) for purpose in _TO_THE_NULL),
            bench_seconds=self.last_s - (self.begun_s or 0.0),
            compute_seconds=compute_s,
            spots=_offsets(self.last, targets),
            shift=None if shift is None else pose4(shift),
        )


@dataclass(frozen=True, slots=True)
class Targets:
    """Where the spots belong on their plates, in mm."""

    hole_mm: tuple[float, float]
    bare_mm: tuple[float, float]


def pose4(pose: Vector) -> Pose4:
    """Return a pose (mm, mm, mrad, mrad) in the units of records."""
    return Pose4(*(float(value) for value in pose * TO_UM_ARCSEC))


def _offsets(last: Looked | None, targets: Targets | None) -> dict[str, list[float] | None]:
    offsets: dict[str, list[float] | None] = {f"{name.value}_mm": None for name in SpotName}
    if last is None or targets is None:
        return offsets
    for name in SpotName:
        seen: Sighting | None = last.sightings.get(name)
        if isinstance(seen, Spot):
            target = targets.bare_mm if name is SpotName.TRANSMITTED else targets.hole_mm
            offsets[f"{name.value}_mm"] = [
                round(float(at) - to, 6) for at, to in zip(seen.center_mm, target, strict=True)
            ]
    return offsets
