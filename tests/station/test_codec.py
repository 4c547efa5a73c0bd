"""Control's messages go to JSON and back without any loss."""

from __future__ import annotations

import dataclasses
import json
import math
import typing
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from control import messages
from control.messages import Action, Finish, Looked, Move, MovePurpose, Observation, Outcome, Verdict
from station.record.codec import CodecError, decode, decode_action, decode_observation, encode
from vision.spots import Expectation, Flag, NoSpot, Reason, Spot, SpotName

FINITE = st.floats(allow_nan=False, allow_infinity=False)
PAIRS = st.tuples(FINITE, FINITE)
VECTORS = PAIRS.map(np.array)
MATRICES = st.tuples(PAIRS, PAIRS).map(np.array)
AXES = st.dictionaries(st.sampled_from("XYAB"), FINITE)
SPOTS = st.builds(
    Spot, VECTORS, MATRICES, PAIRS, FINITE, st.frozensets(st.sampled_from(Flag)), st.none() | MATRICES
)
NO_SPOTS = st.builds(NoSpot, st.sampled_from(Reason), st.text(), st.none() | FINITE)
EXPECTATIONS = st.builds(Expectation, VECTORS, MATRICES, FINITE, FINITE, FINITE)
SIGHTINGS = SPOTS | NO_SPOTS
VERDICTS = st.builds(
    Verdict,
    PAIRS,
    PAIRS,
    st.tuples(*[st.tuples(*[FINITE] * 4)] * 4),
    *[FINITE] * 5,
    st.booleans(),
    st.text(),
    st.dictionaries(st.text(), PAIRS),
)
OBSERVATIONS: dict[type, st.SearchStrategy[Any]] = {
    messages.Started: st.builds(messages.Started, FINITE),
    messages.Homed: st.builds(messages.Homed, AXES, FINITE),
    messages.PlatesMapped: st.builds(
        messages.PlatesMapped,
        PAIRS,
        st.tuples(PAIRS, PAIRS),
        FINITE,
        st.dictionaries(st.text(), FINITE),
        FINITE,
    ),
    messages.BareBeamSeen: st.builds(messages.BareBeamSeen, SIGHTINGS, FINITE),
    messages.LensIsIn: st.builds(messages.LensIsIn, FINITE),
    messages.LensIsOut: st.builds(messages.LensIsOut, FINITE),
    messages.Moved: st.builds(messages.Moved, AXES, FINITE),
    Looked: st.builds(
        Looked, st.dictionaries(st.sampled_from(SpotName), SIGHTINGS), AXES, st.integers(), FINITE
    ),
    messages.Switched: st.builds(messages.Switched, st.text(), st.booleans(), FINITE),
    messages.Waited: st.builds(messages.Waited, FINITE),
    messages.Faulted: st.builds(messages.Faulted, st.text(), st.text(), FINITE),
    messages.OperatorStopped: st.builds(messages.OperatorStopped, FINITE),
}
ACTIONS: dict[type, st.SearchStrategy[Any]] = {
    messages.Home: st.builds(messages.Home),
    messages.HomeAgain: st.builds(messages.HomeAgain, st.text()),
    messages.MapPlates: st.builds(messages.MapPlates),
    messages.TakeLensOut: st.builds(messages.TakeLensOut),
    messages.PutLensIn: st.builds(messages.PutLensIn),
    messages.RecordBareBeam: st.builds(messages.RecordBareBeam, st.integers(), st.none() | EXPECTATIONS),
    Move: st.builds(Move, AXES, st.text(), st.sampled_from(MovePurpose)),
    messages.Look: st.builds(
        messages.Look, st.integers(), st.dictionaries(st.sampled_from(SpotName), EXPECTATIONS), st.text()
    ),
    messages.SwitchOutput: st.builds(messages.SwitchOutput, st.text(), st.booleans(), st.text()),
    messages.Wait: st.builds(messages.Wait, FINITE, st.text()),
    Finish: st.builds(Finish, st.sampled_from(Outcome), st.text(), st.text(), st.none() | VERDICTS),
}


def same(one: Any, other: Any) -> bool:
    """Equal in value and in kind; arrays element by element."""
    if isinstance(one, np.ndarray):
        return isinstance(other, np.ndarray) and one.dtype == other.dtype and np.array_equal(one, other)
    if type(one) is not type(other):
        return False
    if dataclasses.is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in dataclasses.fields(one))
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(one == other)


def through_json(message: Any) -> Any:
    return json.loads(json.dumps(encode(message), allow_nan=False))


@given(st.one_of(*OBSERVATIONS.values()))
def test_observations_come_back_the_same(message: Observation) -> None:
    assert same(decode_observation(through_json(message)), message)


@given(st.one_of(*ACTIONS.values()))
def test_actions_come_back_the_same(message: Action) -> None:
    assert same(decode_action(through_json(message)), message)


def test_every_message_has_a_strategy_here() -> None:
    assert set(OBSERVATIONS) == set(typing.get_args(Observation))
    assert set(ACTIONS) == set(typing.get_args(Action))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_refused(bad: float) -> None:
    with pytest.raises(CodecError, match="not finite"):
        encode(messages.Started(bad))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"is": "Startd", "time_s": 0.0}, "'Startd' is not a message"),
        ({"time_s": 0.0}, "None is not a message"),
        ([], "'list' is not a message"),
        ({"is": "Started", "time_s": 0.0, "who": 1}, "no field 'who'"),
        ({"is": "Started"}, "time_s"),
        ({"is": "Finish", "outcome": "alined", "reason": ""}, "alined"),
        ({"is": "Started", "time_s": "soon"}, "soon"),
    ],
)
def test_what_is_no_message_is_refused(data: Any, words: str) -> None:
    with pytest.raises(CodecError, match=words):
        decode(data)


def test_an_action_is_no_observation() -> None:
    with pytest.raises(CodecError, match="not an observation"):
        decode_observation(encode(messages.Home()))
    with pytest.raises(CodecError, match="not an action"):
        decode_action(encode(messages.Started(0.0)))


def test_an_unknown_type_is_refused() -> None:
    with pytest.raises(CodecError, match="object"):
        encode(object())
