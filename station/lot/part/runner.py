"""The runner of a part in a lot: what control asks for before the first look is ready already."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from control.messages import (
    Action,
    Faulted,
    Finish,
    Looked,
    Observation,
    OperatorStopped,
    Outcome,
    Started,
    Switched,
    SwitchOutput,
    Wait,
    Waited,
)
from driver.faults import DeviceFault
from station.lot.part.references import References
from station.lot.settings import BENCH_WRONG
from station.runner import Runner

_SLICE_S = 1.0


def _nothing() -> None:
    """Do nothing."""


@dataclass(slots=True, kw_only=True)
class PartRunner(Runner):
    """Runs the alignment or the fixing of one part.

    A dataclass with slots is made anew, so its methods name the class that they extend instead of super().

    Parameters
    ----------
    references : References
        Ready.
    beat : callable
        Called with every step: the loop goes round.
    stays_on : callable
        Names the outputs that the way out has to leave on.
    first_look : callable or None
        Called once, when the first look was taken.

    Attributes
    ----------
    cause : str
        Code of what stopped the run; empty while nothing has.
    """

    references: References
    beat: Callable[[], None] = _nothing
    stays_on: Callable[[], tuple[str, ...]] = tuple
    first_look: Callable[[], None] | None = None
    cause: str = field(default="", init=False)

    def _connect(self) -> Observation:
        # The station is connected already; a part does not begin with a line opened anew.
        self.record.controller = self.references.controller
        return Started(self._now_s())

    def _do(self, action: Action) -> Observation:
        self.beat()
        seen = Runner._do(self, action)
        if isinstance(seen, Faulted):
            self.cause = seen.code
        elif isinstance(seen, OperatorStopped):
            self.cause = "operator"
        elif isinstance(seen, Looked) and self.first_look is not None:
            self.first_look()
            self.first_look = None
        return seen

    def _carry_out(self, action: Action) -> Observation:
        match action:
            case SwitchOutput(output=name, on=on):
                self.bench.shutter.close()
                output = self.bench.outputs[name]
                (output.on if on else output.off)()
                return Switched(name, on, self._now_s())
            case Wait(seconds=seconds):
                self._wait(seconds)
                return Waited(self._now_s())
        answer = self.references.answer(action, self._now_s())
        return Runner._carry_out(self, action) if answer is None else answer

    def _wait(self, seconds: float) -> None:
        """Let time pass in slices, so that the watchdog hears of it."""
        while seconds > 0:
            self.beat()
            self.bench.clock.sleep_s(min(seconds, _SLICE_S))
            seconds -= _SLICE_S

    def _way_out(self, finish: Finish) -> Finish:
        finish = Runner._way_out(self, finish)
        if finish.outcome is Outcome.STOPPED and not self.cause:
            self.cause = BENCH_WRONG
        return finish

    def _make_safe(self, during: str) -> list[str]:
        failures = Runner._make_safe(self, during)
        for name in set(self.bench.outputs) - set(self.stays_on()):
            try:
                self.bench.outputs[name].off()
            except DeviceFault as fault:
                self.record.add_fault(fault.code.value, f"switch off {name}: {fault}", self._now_s(), during)
                failures.append(f"switch off {name}: {fault}")
        return failures
