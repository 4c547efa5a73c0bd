"""Control as a machine that is told anything at any time: every event in every state, in any order."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from spot_bench import SpotBench, nominal_bench

from control import messages as m
from control.aligner import Aligner
from control.plan import AlignmentPlan
from control.states import EXPECTED, TABLE, TERMINAL, Event, Progress, State
from optics.families import FAMILIES

AT = {"X": 0.0, "Y": 0.0, "A": 0.0, "B": 0.0}
EVENTS: dict[Event, m.Observation] = {
    Event.STARTED: m.Started(1.0),
    Event.HOMED: m.Homed(AT, 1.0),
    Event.PLATES_MAPPED: m.PlatesMapped((0.0, 0.0), ((1e-6, 0.0), (0.0, 1e-6)), 1.0, {"h": 1e-3}, 1.0),
    Event.LENS_OUT: m.LensIsOut(1.0),
    Event.LENS_IN: m.LensIsIn(1.0),
    Event.MOVED: m.Moved(AT, 1.0),
    Event.LOOKED: m.Looked({}, AT, 1, 1.0),
    Event.FAULTED: m.Faulted("stalled", "stalled: it stalled", 1.0),
    Event.OPERATOR_STOPPED: m.OperatorStopped(1.0),
}


class TableMachine(RuleBasedStateMachine):
    """The table by itself: any event, whatever came before."""

    def __init__(self) -> None:
        super().__init__()
        self.progress, self.told = Progress(), list[Event]()

    @rule(event=st.sampled_from(Event))
    def fire(self, event: Event) -> None:
        before = self.progress.now
        after = self.progress.fire(event)
        self.told.append(event)
        assert after is self.progress.now is TABLE[before, event]
        if before in TERMINAL:
            assert after is before
        elif event in (Event.FAULTED, Event.OPERATOR_STOPPED):
            assert after is State.STOPPED

    @invariant()
    def nothing_is_aligned_that_was_not_looked_at(self) -> None:
        if self.progress.now is State.ALIGNED:
            assert {Event.STARTED, Event.HOMED, Event.PLATES_MAPPED, Event.LENS_IN} <= set(self.told)
            assert Event.FAULTED not in self.told[: self.told.index(Event.PASSED)]


class AlignerMachine(RuleBasedStateMachine):
    """The whole of control against a bench that does what it is told, until something else is reported."""

    @initialize(name=st.sampled_from(sorted(FAMILIES)), seed=st.integers(0, 20))
    def begin(self, name: str, seed: int) -> None:
        self.bench = SpotBench(FAMILIES[name], np.random.default_rng(seed))
        self.aligner = Aligner(AlignmentPlan(FAMILIES[name]), nominal_bench())
        self.action = self.aligner.next_action(m.Started(0.0))

    def tell(self, observation: m.Observation) -> None:
        self.action = self.aligner.next_action(observation)

    def ended(self) -> bool:
        return isinstance(self.action, m.Finish)

    @precondition(lambda self: not self.ended())
    @rule(times=st.integers(1, 12))
    def go_on(self, times: int) -> None:
        for _ in range(times):
            if not self.ended():
                self.tell(self.bench.do(self.action))

    @rule(event=st.sampled_from(sorted(EVENTS, key=lambda event: event.value)))
    def report(self, event: Event) -> None:
        before, was = self.aligner.state, self.action
        self.tell(EVENTS[event])
        if before in TERMINAL:
            assert self.aligner.state is before
            assert isinstance(self.action, m.Finish)
            assert isinstance(was, m.Finish)
            assert self.action.outcome is was.outcome
        elif event in (Event.FAULTED, Event.OPERATOR_STOPPED) or event not in EXPECTED[before]:
            assert isinstance(self.action, m.Finish)
            assert self.action.outcome is m.Outcome.STOPPED
            assert self.action.reason
            assert self.action.remedy

    @invariant()
    def an_end_is_an_end(self) -> None:
        assert self.ended() == (self.aligner.state in TERMINAL)
        assert "internal error" not in getattr(self.action, "reason", "")


QUICK = settings(max_examples=40, stateful_step_count=25, suppress_health_check=list(HealthCheck))
TestTable = TableMachine.TestCase
TestTable.settings = settings(QUICK, max_examples=100, stateful_step_count=60)
TestAligner = AlignerMachine.TestCase
TestAligner.settings = QUICK
