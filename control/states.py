"""States, events and targets of one alignment: one table, from which machine and diagram are made."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType
from typing import Final

from transitions import Machine


class State(Enum):
    """Where an alignment stands; the value is the name in records and in the diagram."""

    READY = "ready"
    HOMING = "homing"
    MAPPING_PLATES = "mapping_plates"
    TAKING_LENS_OUT = "taking_lens_out"
    CHECKING_BARE_BEAM = "checking_bare_beam"
    PUTTING_LENS_IN = "putting_lens_in"
    FINDING = "finding"
    TESTING = "testing"
    STEPPING = "stepping"
    VERIFYING = "verifying"
    SETTLING = "settling"
    HOMING_AGAIN = "homing_again"
    ALIGNED = "aligned"
    REJECTED = "rejected"
    STOPPED = "stopped"
    TIMED_OUT = "timed_out"

    __hash__ = object.__hash__  # members are single objects; Enum's own hash is a call in Python


TERMINAL: Final = frozenset({State.ALIGNED, State.REJECTED, State.STOPPED, State.TIMED_OUT})
"""A run that has ended stays ended, whatever it is told."""


class Event(Enum):
    """What can happen: first what the runner reports, then what control concludes from it."""

    # reported by the runner, one per observation
    STARTED = "started"
    HOMED = "homed"
    PLATES_MAPPED = "plates_mapped"
    LENS_OUT = "lens_out"
    BARE_BEAM_SEEN = "bare_beam_seen"
    LENS_IN = "lens_in"
    MOVED = "moved"
    LOOKED = "looked"
    FAULTED = "faulted"
    OPERATOR_STOPPED = "operator_stopped"
    # concluded by control
    SPOTS_FOUND = "spots_found"
    SPOTS_LOST = "spots_lost"
    SEARCH_EXHAUSTED = "search_exhausted"
    JACOBIAN_KNOWN = "jacobian_known"
    MODEL_TRUSTED = "model_trusted"
    MODEL_DOUBTED = "model_doubted"
    NEAR_NULL = "near_null"
    NOT_NULL = "not_null"
    STEPS_DOUBTED = "steps_doubted"
    ENOUGH_LOOKS = "enough_looks"
    PASSED = "passed"
    FAILED = "failed"
    OUT_OF_TRAVEL = "out_of_travel"
    WRONG_LENS = "wrong_lens"
    BENCH_WRONG = "bench_wrong"
    BUDGET_SPENT = "budget_spent"
    OUT_OF_TURN = "out_of_turn"

    __hash__ = object.__hash__  # as above


REPORTED: Final = frozenset(
    {
        Event.STARTED,
        Event.HOMED,
        Event.PLATES_MAPPED,
        Event.LENS_OUT,
        Event.BARE_BEAM_SEEN,
        Event.LENS_IN,
        Event.MOVED,
        Event.LOOKED,
        Event.FAULTED,
        Event.OPERATOR_STOPPED,
    }
)

ROWS: Final[tuple[tuple[State, Event, State], ...]] = (
    (State.READY, Event.STARTED, State.HOMING),
    (State.HOMING, Event.HOMED, State.MAPPING_PLATES),
    (State.MAPPING_PLATES, Event.PLATES_MAPPED, State.TAKING_LENS_OUT),
    (State.TAKING_LENS_OUT, Event.LENS_OUT, State.CHECKING_BARE_BEAM),
    (State.CHECKING_BARE_BEAM, Event.BARE_BEAM_SEEN, State.PUTTING_LENS_IN),
    (State.PUTTING_LENS_IN, Event.LENS_IN, State.FINDING),
    (State.FINDING, Event.MOVED, State.FINDING),
    (State.FINDING, Event.LOOKED, State.FINDING),
    (State.FINDING, Event.SPOTS_FOUND, State.TESTING),
    (State.FINDING, Event.MODEL_TRUSTED, State.STEPPING),
    (State.FINDING, Event.SEARCH_EXHAUSTED, State.REJECTED),
    (State.TESTING, Event.MOVED, State.TESTING),
    (State.TESTING, Event.LOOKED, State.TESTING),
    (State.TESTING, Event.JACOBIAN_KNOWN, State.STEPPING),
    (State.TESTING, Event.SPOTS_LOST, State.FINDING),
    (State.STEPPING, Event.MOVED, State.STEPPING),
    (State.STEPPING, Event.LOOKED, State.STEPPING),
    (State.STEPPING, Event.NEAR_NULL, State.VERIFYING),
    (State.STEPPING, Event.MODEL_DOUBTED, State.TESTING),
    (State.STEPPING, Event.SPOTS_LOST, State.FINDING),
    (State.STEPPING, Event.FAILED, State.REJECTED),
    (State.VERIFYING, Event.MOVED, State.VERIFYING),
    (State.VERIFYING, Event.LOOKED, State.VERIFYING),
    (State.VERIFYING, Event.ENOUGH_LOOKS, State.SETTLING),
    (State.VERIFYING, Event.NOT_NULL, State.STEPPING),
    (State.VERIFYING, Event.SPOTS_LOST, State.FINDING),
    (State.SETTLING, Event.MOVED, State.SETTLING),
    (State.SETTLING, Event.LOOKED, State.SETTLING),
    (State.SETTLING, Event.PASSED, State.ALIGNED),
    (State.SETTLING, Event.FAILED, State.REJECTED),
    (State.SETTLING, Event.NOT_NULL, State.VERIFYING),
    (State.SETTLING, Event.STEPS_DOUBTED, State.HOMING_AGAIN),
    (State.HOMING_AGAIN, Event.HOMED, State.VERIFYING),
)
"""The ways through an alignment that are particular to one state."""

_LENS_IS_IN = (
    *(State.FINDING, State.TESTING, State.STEPPING, State.VERIFYING, State.SETTLING),
    State.HOMING_AGAIN,
)
_WORKING = tuple(state for state in State if state not in TERMINAL)

RULES: Final[tuple[tuple[tuple[State, ...], Event, State], ...]] = (
    (_WORKING, Event.FAULTED, State.STOPPED),
    (_WORKING, Event.OPERATOR_STOPPED, State.STOPPED),
    (_WORKING, Event.OUT_OF_TURN, State.STOPPED),
    (_WORKING, Event.BENCH_WRONG, State.STOPPED),
    (_WORKING, Event.BUDGET_SPENT, State.TIMED_OUT),
    (_LENS_IS_IN, Event.WRONG_LENS, State.REJECTED),
    (_LENS_IS_IN, Event.OUT_OF_TRAVEL, State.REJECTED),
)
"""The ways to stop that are the same in many states."""


def _complete_table() -> Mapping[tuple[State, Event], State]:
    """Give every state an answer to every event: what is neither a row nor a rule stops the run."""
    table = {
        (state, event): state if state in TERMINAL else State.STOPPED for state in State for event in Event
    }
    for states, event, target in RULES:
        table.update({(state, event): target for state in states})
    table.update({(state, event): target for state, event, target in ROWS})
    return MappingProxyType(table)


TABLE: Final = _complete_table()
"""Target of every (state, event); total."""

EXPECTED: Final[Mapping[State, frozenset[Event]]] = MappingProxyType(
    {state: frozenset(e for s, e, _ in ROWS if s is state and e in REPORTED) for state in State}
)
"""Which reports each state waits for; any other report but a fault or a stop is out of turn."""


class _Shared(Machine):
    """One machine for all runs: it holds the table only, each run holds its state."""


_MACHINE: Final = _Shared(
    model=None,
    states=State,
    transitions=[
        {"trigger": event.value, "source": state, "dest": target} for (state, event), target in TABLE.items()
    ],
    initial=State.READY,
    auto_transitions=False,
    send_event=False,
)


_AFTER: Final[Mapping[tuple[State, Event], State]] = MappingProxyType(
    {
        (state, event): State[str(_MACHINE.events[event.value].transitions[state.name][0].dest)]
        for state in State
        for event in Event
    }
)
"""Where the machine's transitions lead: without callbacks and conditions that is all there is to them."""


class Progress:
    """The state of one run, moved only by :meth:`fire`.

    No callback hangs on the machine: an exception in an ``on_enter`` would leave it in the new state with
    the work of that state undone. Whoever fires does the work, and fires again if the work fails.
    """

    __slots__ = ("state",)

    def __init__(self) -> None:
        self.state = State.READY

    def fire(self, event: Event) -> State:
        """Answer ``event`` by the table and return the new state."""
        self.state = _AFTER[self.state, event]
        return self.state

    @property
    def now(self) -> State:
        """The present state."""
        return self.state
