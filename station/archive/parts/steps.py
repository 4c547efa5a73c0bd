"""What is kept of each step of a run: what was seen, how the mount moved, what was decided and why.

The run folder's record holds every message in full and replays the run; these rows are the short form that
can be searched over all parts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from control.messages import Action, Finish, Look, Looked, Move, Moved, MovePurpose, Observation
from station.archive.store.columns import JsonValue
from station.archive.store.tables import decision, look, move
from vision.spots import Sighting, Spot


@dataclass(frozen=True, slots=True)
class LookStep:
    """One look at both plates.

    Attributes
    ----------
    number : int
        Counts all steps of an attempt, whatever their kind.
    time_s : float
        Bench time.
    why, purpose : str
        The reason that was given, and what the move before it was for.
    frames : int
        Frames averaged.
    positions : mapping of str to float
        Of the axes, in their own units.
    spots : JSON object
        By name: ``center_mm`` [x, y], ``covariance_mm2`` [xx, xy, yy], ``radius_mm`` [major, minor],
        ``power_e_per_s``, ``flags``; or ``reason`` and ``detail`` where there is no measurement.
    """

    number: int
    time_s: float
    why: str
    purpose: str
    frames: int
    positions: Mapping[str, float]
    spots: JsonValue


@dataclass(frozen=True, slots=True)
class MoveStep:
    """One move: where to, where the mount came to stand (axis units), and what for."""

    number: int
    time_s: float
    why: str
    purpose: str
    targets: Mapping[str, float]
    positions: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class DecisionStep:
    """What was decided next: by control (kind is the name of its action) or by the lot."""

    number: int
    time_s: float
    why: str
    kind: str
    details: JsonValue


Step = LookStep | MoveStep | DecisionStep

TABLES = {LookStep: look, MoveStep: move, DecisionStep: decision}


def row_of(step: Step) -> dict[str, Any]:
    """Return a step as the columns of its table."""
    row = {one.name: getattr(step, one.name) for one in fields(step)}
    return {name: dict(value) if isinstance(value, Mapping) else value for name, value in row.items()}


@dataclass(slots=True)
class StepTaker:
    """Turns what control was told and what it answered into steps, in the order in which it happened."""

    _asked: Action | None = field(default=None, init=False)
    _moved_for: str = field(default="start", init=False)

    def take(self, seen: Observation, action: Action, number: int) -> tuple[Step, ...]:
        """Return the steps of one turn; they are numbered from ``number`` on."""
        steps: list[Step] = []
        asked = self._asked
        if isinstance(seen, Moved) and isinstance(asked, Move):
            steps.append(_moved(seen, asked, number))
            if asked.purpose is not MovePurpose.TAKE_UP:
                self._moved_for = asked.purpose.value
        elif isinstance(seen, Looked):
            why = asked.why if isinstance(asked, Look) else ""
            spots = {name.value: spot_json(sighting) for name, sighting in seen.sightings.items()}
            steps.append(
                LookStep(number, seen.time_s, why, self._moved_for, seen.frames, dict(seen.positions), spots)
            )
        steps.append(_decided(seen, action, number + len(steps)))
        self._asked = action
        return tuple(steps)


def _moved(seen: Moved, asked: Move, number: int) -> MoveStep:
    return MoveStep(
        number, seen.time_s, asked.why, asked.purpose.value, dict(asked.targets), dict(seen.positions)
    )


def _decided(seen: Observation, action: Action, number: int) -> DecisionStep:
    details: dict[str, JsonValue] = {"after": type(seen).__name__}
    why = getattr(action, "why", "")
    if isinstance(action, Finish):
        details |= {"outcome": action.outcome.value, "remedy": action.remedy}
        why = action.reason
    elif isinstance(action, Move):
        details |= {"targets": dict(action.targets), "purpose": action.purpose.value}
    elif isinstance(action, Look):
        details["frames"] = action.frames
    return DecisionStep(number, seen.time_s, why, type(action).__name__, details)


def spot_json(sighting: Sighting) -> dict[str, JsonValue]:
    """Return a sighting in the short form of :class:`LookStep`."""
    if not isinstance(sighting, Spot):
        return {"reason": sighting.reason.value, "detail": sighting.detail}
    (xx, xy), (_, yy) = sighting.covariance_mm2.tolist()
    power = float(sighting.power_e_per_s)
    return {
        "center_mm": [float(value) for value in sighting.center_mm],
        "covariance_mm2": [xx, xy, yy],
        "radius_mm": [float(value) for value in sighting.radius_mm],
        "power_e_per_s": power if math.isfinite(power) else None,
        "flags": sorted(flag.value for flag in sighting.flags),
    }
