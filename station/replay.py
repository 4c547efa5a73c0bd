"""Replay: what a record tells is fed to the control logic again; it has to decide the same again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from control.characterise import CharacterisingPlan
from control.messages import Action, Observation
from station.config.loading import Setup, setup_from_record
from station.config.problems import BadInput
from station.planning import aligner_of, characteriser_of
from station.record.codec import CodecError, JsonValue, decode_observation, encode
from station.runner import Decides, gave_up


@dataclass(frozen=True, slots=True)
class Difference:
    """The first thing that control decided otherwise.

    Attributes
    ----------
    step : int
        Number of the step, from 0.
    where : str
        Place in the action, such as ``targets.X``; ``is`` where it is another action altogether.
    recorded, now : JsonValue
    """

    step: int
    where: str
    recorded: JsonValue
    now: JsonValue

    def text(self) -> str:
        """Say it in one line."""
        return f"step {self.step}, {self.where}: recorded {self.recorded!r}, now {self.now!r}"


@dataclass(frozen=True, slots=True)
class Replayed:
    """What came of a replay.

    Attributes
    ----------
    steps : int
        Decisions that were compared.
    difference : Difference or None
    """

    steps: int
    difference: Difference | None

    @property
    def identical(self) -> bool:
        """Tell whether all decisions are the same."""
        return self.difference is None

    def text(self) -> str:
        """Say it for a person."""
        if self.difference is None:
            return f"identical: {self.steps} decisions"
        return f"different: {self.difference.text()}"

    def data(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        first = self.difference
        return {
            "identical": self.identical,
            "steps": self.steps,
            "difference": None
            if first is None
            else {"step": first.step, "where": first.where, "recorded": first.recorded, "now": first.now},
        }


def replay(record: Mapping[str, Any]) -> Replayed:
    """Feed a record's observations to the control logic and compare its answers with those of the record.

    Parameters
    ----------
    record : mapping
        As :func:`station.record.read_record` returns it.

    Returns
    -------
    Replayed
        It ends at the first difference: what control was told after it belongs to another course of things.

    Raises
    ------
    BadInput
        When the record does not hold what a replay needs.
    """
    decides = _decides(record)
    count = 0
    for number, (observation, recorded) in enumerate(_steps(record)):
        answered = encode(_decision(decides, observation))
        count += 1
        found = _first_difference(recorded, answered)
        if found is not None:
            return Replayed(count, Difference(number, *found))
    return Replayed(count, None)


def _decides(record: Mapping[str, Any]) -> Decides:
    setup, spent = _setup(record), record.get("characterising")
    if spent is None:
        return aligner_of(setup)
    try:
        how = CharacterisingPlan(**spent)
    except (TypeError, ValueError) as error:
        raise BadInput("record.json", "characterising", found=str(error), allowed="rounds, frames") from error
    return characteriser_of(setup, how)


def _decision(decides: Decides, observation: Observation) -> Action:
    try:
        return decides.next_action(observation)
    except Exception:  # the runner makes the same end of a mistake in control
        return gave_up("deciding what to do next")


def _setup(record: Mapping[str, Any]) -> Setup:
    try:
        return setup_from_record(record["configuration"])
    except (KeyError, TypeError, AttributeError) as error:
        raise BadInput(
            "record.json", "configuration", found=f"no {error}", allowed="both configuration files"
        ) from error


def _steps(record: Mapping[str, Any]) -> Iterator[tuple[Observation, JsonValue]]:
    """Return what control was told and what it answered, before the way out changed anything."""
    steps = record.get("steps")
    if not isinstance(steps, list) or not steps:
        raise BadInput("record.json", "steps", found="no steps", allowed="a run that has begun")
    for number, step in enumerate(steps):
        try:
            observation = decode_observation(step["observation"])
            yield observation, step.get("action_of_control", step["action"])
        except (CodecError, KeyError, TypeError, AttributeError) as error:
            raise BadInput(
                "record.json", f"steps[{number}]", found=str(error), allowed="a step as coincide writes it"
            ) from error


def _first_difference(recorded: JsonValue, now: JsonValue) -> tuple[str, JsonValue, JsonValue] | None:
    """Return where two JSON values differ first, and both sides there; None for what one side lacks."""
    one, other = dict(_leaves(recorded)), dict(_leaves(now))
    for where in [*other, *(where for where in one if where not in other)]:
        left, right = one.get(where), other.get(where)
        # A bool is no number here, although Python takes True for 1.
        if left != right or type(left) is not type(right) or (where in one) != (where in other):
            return where, left, right
    return None


def _leaves(value: JsonValue, where: str = "") -> Iterator[tuple[str, JsonValue]]:
    """Return every place in a JSON value with what stands there, in order."""
    if isinstance(value, dict):
        for key, part in value.items():
            yield from _leaves(part, f"{where}.{key}" if where else key)
    elif isinstance(value, list):
        for number, part in enumerate(value):
            yield from _leaves(part, f"{where}[{number}]")
    else:
        yield where, value
