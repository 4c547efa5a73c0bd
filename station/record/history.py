"""What the steps of a run add up to: looks, moves, distances of the spots from their targets."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from control.messages import (
    BareBeamSeen,
    Finish,
    Look,
    Looked,
    Move,
    Moved,
    MovePurpose,
    Observation,
    PlatesMapped,
)
from station.record.codec import decode_action, decode_observation
from vision.spots import Spot, SpotName

Offset = tuple[float, float]


@dataclass(frozen=True, slots=True)
class LookPoint:
    """One look: where each spot was, seen from its target.

    Attributes
    ----------
    number : int
        Counts the looks from 1.
    time_s : float
        Bench time.
    why : str
        Control's reason for looking.
    after : MovePurpose or None
        What the last move before it was for; None before the first move.
    offset_mm : mapping of SpotName to (x, y)
        Returns from the hole's centre, transmitted from the bare beam; only the spots that were measured.
    sigma_mm : mapping of SpotName to float
        Standard uncertainty per coordinate (root mean square of both).
    missing : mapping of SpotName to str
        Reason why a spot has no measurement.
    """

    number: int
    time_s: float
    why: str
    after: MovePurpose | None
    offset_mm: Mapping[SpotName, Offset]
    sigma_mm: Mapping[SpotName, float]
    missing: Mapping[SpotName, str]

    def distance_mm(self, name: SpotName) -> float | None:
        """Return the distance of a spot from its target; None where it was not measured."""
        offset = self.offset_mm.get(name)
        return None if offset is None else math.hypot(*offset)


@dataclass(frozen=True, slots=True)
class History:
    """The course of one run in short."""

    looks: tuple[LookPoint, ...]
    moves: int
    test_moves: int
    started_s: float | None
    ended_s: float | None
    hole_center_mm: Offset | None
    hole_radius_mm: float | None
    bare_beam_mm: Offset | None
    finish: Finish | None

    @property
    def bench_seconds(self) -> float:
        """Bench time from the first to the last observation."""
        if self.started_s is None or self.ended_s is None:
            return 0.0
        return self.ended_s - self.started_s


def history_of(steps: Iterable[Mapping[str, Any]]) -> History:
    """Add up the steps of a record."""
    builder = _Builder()
    for step in steps:
        builder.take(decode_observation(step["observation"]), decode_action(step["action"]))
    return builder.history()


class _Builder:
    def __init__(self) -> None:
        self.looks: list[LookPoint] = []
        self.moves = self.test_moves = 0
        self.times: list[float] = []
        self.hole: PlatesMapped | None = None
        self.bare_mm: Offset | None = None
        self.finish: Finish | None = None
        self.asked: Any = None
        self.moved_for: MovePurpose | None = None

    def take(self, seen: Observation, action: Any) -> None:
        self.times.append(seen.time_s)
        if isinstance(seen, PlatesMapped):
            self.hole = seen
        elif isinstance(seen, BareBeamSeen) and isinstance(seen.transmitted, Spot):
            self.bare_mm = _pair(seen.transmitted.center_mm)
        elif isinstance(seen, Moved) and isinstance(self.asked, Move):
            is_test = self.asked.purpose is MovePurpose.TEST
            self.test_moves += is_test
            self.moves += not is_test
            if self.asked.purpose is not MovePurpose.TAKE_UP:
                self.moved_for = self.asked.purpose
        elif isinstance(seen, Looked):
            self.looks.append(self._look(seen))
        if isinstance(action, Finish):
            self.finish = action
        self.asked = action

    def _look(self, seen: Looked) -> LookPoint:
        hole = self.hole.hole_center_mm if self.hole else (0.0, 0.0)
        targets = {SpotName.FRONT: hole, SpotName.BACK: hole, SpotName.TRANSMITTED: self.bare_mm}
        offsets, sigmas, missing = {}, {}, {}
        for name, sighting in seen.sightings.items():
            target = targets[name]
            if not isinstance(sighting, Spot):
                missing[name] = sighting.reason.value
            elif target is not None:
                x_mm, y_mm = _pair(sighting.center_mm)
                offsets[name] = (x_mm - target[0], y_mm - target[1])
                sigmas[name] = math.sqrt(float(sighting.covariance_mm2.trace()) / 2)
        why = self.asked.why if isinstance(self.asked, Look) else ""
        return LookPoint(len(self.looks) + 1, seen.time_s, why, self.moved_for, offsets, sigmas, missing)

    def history(self) -> History:
        return History(
            looks=tuple(self.looks),
            moves=self.moves,
            test_moves=self.test_moves,
            started_s=self.times[0] if self.times else None,
            ended_s=self.times[-1] if self.times else None,
            hole_center_mm=self.hole.hole_center_mm if self.hole else None,
            hole_radius_mm=self.hole.hole_radius_mm if self.hole else None,
            bare_beam_mm=self.bare_mm,
            finish=self.finish,
        )


def _pair(values: Any) -> Offset:
    return float(values[0]), float(values[1])
