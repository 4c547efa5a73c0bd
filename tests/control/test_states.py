import subprocess
import sys

import pytest

from control.diagram import draw_states
from control.states import EXPECTED, REPORTED, ROWS, RULES, TABLE, TERMINAL, Event, Progress, State


def test_every_state_answers_every_event() -> None:
    assert set(TABLE) == {(state, event) for state in State for event in Event}
    for state in State:
        for event in Event:
            progress = Progress()
            progress.state = state
            assert progress.fire(event) is TABLE[state, event]


@pytest.mark.parametrize("state", sorted(TERMINAL, key=lambda state: state.value))
def test_what_has_ended_stays_ended(state: State) -> None:
    assert {TABLE[state, event] for event in Event} == {state}


@pytest.mark.parametrize("state", [state for state in State if state not in TERMINAL])
def test_every_working_state_stops_when_told(state: State) -> None:
    assert TABLE[state, Event.FAULTED] is State.STOPPED
    assert TABLE[state, Event.OPERATOR_STOPPED] is State.STOPPED
    assert TABLE[state, Event.BUDGET_SPENT] is State.TIMED_OUT


def test_a_report_that_is_not_expected_stops_the_run() -> None:
    for state in set(State) - TERMINAL:
        for event in REPORTED - EXPECTED[state]:
            assert TABLE[state, event] is State.STOPPED


def test_every_state_is_reached_and_every_row_is_particular() -> None:
    reached = {State.READY}
    for _ in State:
        reached |= {target for source, _, target in ROWS if source in reached}
        reached |= {target for sources, _, target in RULES if reached & set(sources)}
    assert reached == set(State)
    pairs = [(source, event) for source, event, _ in ROWS]
    assert len(pairs) == len(set(pairs))


def test_two_runs_share_the_table_but_not_the_state() -> None:
    one, other = Progress(), Progress()
    one.fire(Event.STARTED)
    assert (one.now, other.now) == (State.HOMING, State.READY)


def test_the_diagram_shows_every_row_and_is_what_the_command_prints() -> None:
    text = draw_states()
    for source, event, target in ROWS:
        assert f"{source.value} --> {target.value}: {event.value}\n" in text
    for _, event, target in RULES:
        assert f"--> {target.value}: {event.value}\n" in text
    printed = subprocess.run(
        [sys.executable, "-m", "control.diagram"], capture_output=True, text=True, check=True
    ).stdout
    assert printed == text
