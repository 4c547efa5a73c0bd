"""The fixing of a lens that is aligned: one observation in, one action out, like the aligner.

The lens is set off by the shift that earlier parts had; each step's output is switched on, the spots are
watched while it locks or bonds, a lens that is still pliable is corrected; in the end it is looked at and
judged anew. A lock that shifted too much is released and tried again. Nothing is called aligned on what was
known before fixing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from control.messages import (
    Action,
    Faulted,
    Finish,
    Look,
    Looked,
    Move,
    Moved,
    MovePurpose,
    Observation,
    OperatorStopped,
    Outcome,
    Started,
    Switched,
    SwitchOutput,
    Verdict,
    Wait,
    Waited,
)
from control.still import Found, StillLens
from control.unknowns import Vector
from control.verdict import TO_UM_ARCSEC
from control.words import why_contradictory, why_passed

_DEAD_BAND: Final = np.array([3e-3, 3e-3, 0.02, 0.02])
"""Smaller offsets are not corrected (mm, mm, mrad, mrad): the mount repeats no better."""

_BLIND_LOOKS: Final = 3
"""So many looks in a row without spots end it: a single frame can come black."""


@dataclass(frozen=True, slots=True)
class FixStep:
    """One step of fixing; see the recipe's table of the same keys."""

    kind: Literal["lock", "bond"]
    output: str
    dwell_s: float
    look_every_s: float = 5.0
    stays_on: bool = False
    compensate: bool = True
    pliable_s: float = 0.0
    correct_um: float = 30.0
    correct_arcsec: float = 60.0
    tries: int = 2


class Fixer:
    """Decides the fixing of one lens.

    Parameters
    ----------
    steps : sequence of FixStep
        At least one.
    lens : StillLens
    positions : mapping of str to float
        Where the mount stands, axis units.
    usual_shift : ndarray, shape (4,), or None
        What all steps together did to earlier parts (mm, mm, mrad, mrad); None while nothing is known.
    max_seconds : float
        Budget; spending it ends the fixing as timed out.

    Attributes
    ----------
    fixed : bool
        True once the last step is done: what is seen from now on is the fixed lens.
    shift : ndarray, shape (4,), or None
        How far the lens moved while it was fixed; None before it was looked at afterwards.
    """

    def __init__(
        self,
        steps: Sequence[FixStep],
        lens: StillLens,
        positions: Mapping[str, float],
        usual_shift: Vector | None,
        max_seconds: float = math.inf,
    ) -> None:
        self.steps, self.lens, self.max_seconds = tuple(steps), lens, max_seconds
        self.fixed = False
        self.shift: Vector | None = None
        self._usual = usual_shift if any(step.compensate for step in steps) else None
        self.axes = np.array([float(positions[name]) for name in lens.bench.axis_names])
        self._number = self._tries = self._blind = 0
        self._before: Vector | None = None
        self._corrected = np.zeros(4)
        self._since_s = self._started_s = 0.0
        self._on = self._done_with_step = False
        self._back = np.zeros(4)
        self._asked: Action | None = None
        self._finished: Finish | None = None

    @property
    def outputs_on(self) -> tuple[str, ...]:
        """Outputs that stay on until the lens is taken out."""
        return tuple(step.output for step in self.steps if step.stays_on) if self.fixed else ()

    def next_action(self, observation: Observation) -> Action:
        """Answer an observation; ``Finish`` once it has ended, and the same ever after. Raises nothing."""
        if self._finished is not None:
            return self._finished
        try:
            action = self._answer(observation)
        except (
            Exception
        ) as error:  # as in the aligner: whatever fails in here, the mount must be told to stop
            action = Finish(Outcome.STOPPED, f"internal error: {type(error).__name__}: {error}", "report it")
        self._asked = action
        if isinstance(action, Finish):
            self._finished = action
        return action

    # --- one turn -------------------------------------------------------------------------------------------

    def _answer(self, seen: Observation) -> Action:
        match seen:
            case Faulted(code=code, message=message):
                return Finish(Outcome.STOPPED, f"{code}: {message}", "clear the fault, set the part aside")
            case OperatorStopped():
                return Finish(
                    Outcome.STOPPED, "stopped by the operator while the lens was fixed", "set it aside"
                )
            case Started(time_s=time_s):
                self._started_s = time_s
                return self._begin()
        if seen.time_s - self._started_s > self.max_seconds:
            why = f"fixing took more than {self.max_seconds:g} s"
            return Finish(Outcome.TIMED_OUT, why, "raise the time of the part, or see why it takes so long")
        return self._go_on(seen)

    def _go_on(self, seen: Observation) -> Action:
        match seen, self._asked:
            case Moved(positions=positions), Move():
                self.axes = self._vector(positions)
                return self._look("after the correction" if self._on else "before fixing")
            case Switched(), SwitchOutput():
                return self._switched(seen)
            case Waited(), Wait():
                return self._look(f"watch while it {self._step.kind}s")
            case Looked(positions=positions), Look():
                self.axes = self._vector(positions)
                return self._looked(seen)
        asked = type(self._asked).__name__
        return Finish(
            Outcome.STOPPED, f"{type(seen).__name__} came after {asked}", "a mistake of the program"
        )

    def _begin(self) -> Action:
        if self._usual is None or bool(np.all(np.abs(self._usual) < _DEAD_BAND)):
            return self._look("before fixing")
        return self._move(-self._usual, "set off by the shift of earlier parts")

    def _switched(self, seen: Switched) -> Action:
        self._on = seen.on
        if seen.on:
            self._since_s = seen.time_s
            return self._wait(seen.time_s)
        return self._next_step() if self._done_with_step else self._release_and_step_back()

    def _looked(self, seen: Looked) -> Action:
        found = self.lens.found(self.axes, seen.sightings)
        self._blind = 0 if found is not None else self._blind + 1
        if found is None:
            if self._blind < _BLIND_LOOKS:
                return self._look("nothing was seen: look again")
            why = "the lens was not seen any more while it was fixed"
            return self._give_up(Outcome.STOPPED, why, "see whether it is in the mount")
        if self.fixed:
            return self._judge(found)
        if self._before is None:
            self._before = found.pose.mean
        if not self._on:
            step = self._step
            return SwitchOutput(step.output, on=True, why=f"{step.kind} the lens")
        return self._watch(found, seen.time_s)

    def _watch(self, found: Found, now_s: float) -> Action:
        step, elapsed_s = self._step, now_s - self._since_s
        if elapsed_s < step.pliable_s:
            away = found.pose.mean - self._still_to_come(found)
            if bool(np.any(np.abs(away) > _DEAD_BAND)):
                return self._correct(away, "correct while it is pliable")
        if elapsed_s < step.dwell_s:
            return self._wait(now_s)
        self._done_with_step = True
        if step.stays_on:
            return self._next_step()
        return SwitchOutput(step.output, on=False, why=f"the time to {step.kind} is over")

    def _judge(self, found: Found) -> Action:
        assert self._before is not None
        self.shift = found.pose.mean - self._before - self._corrected
        verdict = found.verdict
        if found.agreement is not None and not found.agreement.holds:
            return Finish(Outcome.STOPPED, *why_contradictory(found.agreement), verdict)
        if verdict.passed:
            return Finish(Outcome.ALIGNED, f"fixed: {why_passed(verdict)}", verdict=verdict)
        step = self.steps[-1]
        if step.kind == "lock" and step.stays_on and self._tries + 1 < step.tries and self._within(found):
            self._tries += 1
            self._back = found.pose.mean
            self.fixed = self._done_with_step = False
            return SwitchOutput(step.output, on=False, why="release: the lock shifted the lens too far")
        return self._reject(verdict)

    # --- pieces ---------------------------------------------------------------------------------------------

    @property
    def _step(self) -> FixStep:
        return self.steps[self._number]

    def _next_step(self) -> Action:
        self._done_with_step = False
        if self._number + 1 < len(self.steps):
            self._number += 1
            self._on = False
            step = self._step
            return SwitchOutput(step.output, on=True, why=f"{step.kind} the lens")
        self.fixed = True
        return Look(
            self.lens.plan.frames_at_verification, self.lens.expected(self.axes), "verify after it was fixed"
        )

    def _release_and_step_back(self) -> Action:
        self._before = None
        self._corrected = np.zeros(4)
        return self._move(-self._back, "step back by what the lock had shifted")

    def _still_to_come(self, found: Found) -> Vector:
        """Return where the lens should stand now, so that what is still to come ends at the null."""
        if self._usual is None or self._before is None:
            return np.zeros(4)
        so_far = found.pose.mean - self._before - self._corrected
        target: Vector = -(self._usual - so_far)
        return target

    def _correct(self, away: Vector, why: str) -> Action:
        if not self._small_enough(away, self._step):
            um, arcsec = _sizes(away)
            why = f"fixing moved the lens by {um:.0f} um and {arcsec:.0f} arcsec, more than may be corrected"
            return self._give_up(Outcome.REJECTED, why, "look at the clamp, the adhesive and its amount")
        self._corrected = self._corrected - away
        return self._move(-away, why)

    def _within(self, found: Found) -> bool:
        return self._small_enough(found.pose.mean, self.steps[-1])

    @staticmethod
    def _small_enough(away: Vector, step: FixStep) -> bool:
        um, arcsec = _sizes(away)
        return um <= step.correct_um and arcsec <= step.correct_arcsec

    def _move(self, change: Vector, why: str) -> Action:
        bench = self.lens.bench
        target = self.axes + np.linalg.solve(self.lens.mount(), change)
        for axis, value in zip(bench.axes, target, strict=True):
            if not axis.can_end_at(float(value)):
                words = f"axis {axis.name} would have to go to {value:.3f} {axis.unit}, beyond its travel"
                return self._give_up(
                    Outcome.REJECTED, words, "place the lens nearer to the beam in the mount"
                )
        targets = {name: float(value) for name, value in zip(bench.axis_names, target, strict=True)}
        return Move(targets, why, MovePurpose.STEP)

    def _look(self, why: str) -> Action:
        return Look(self.lens.plan.frames_at_verification, self.lens.expected(self.axes), why)

    def _wait(self, now_s: float) -> Action:
        step = self._step
        left_s = step.dwell_s - (now_s - self._since_s)
        return Wait(
            max(0.0, min(step.look_every_s, left_s)), f"{step.kind}: {max(0.0, left_s):.0f} s are left"
        )

    def _reject(self, verdict: Verdict) -> Finish:
        um, arcsec = math.hypot(*verdict.decenter_um), math.hypot(*verdict.tilt_arcsec)
        reason = (
            f"after fixing: decentre {um:.1f} +- {verdict.expanded_decenter_um:.1f} um and tilt "
            f"{arcsec:.1f} +- {verdict.expanded_tilt_arcsec:.1f} arcsec do not lie within tolerance"
        )
        return Finish(
            Outcome.REJECTED, reason, "look at the clamp, the adhesive and the learned shift", verdict
        )

    def _give_up(self, outcome: Outcome, reason: str, remedy: str) -> Finish:
        return Finish(outcome, f"fixing: {reason}", remedy)

    def _vector(self, positions: Mapping[str, Any]) -> Vector:
        return np.array([float(positions[name]) for name in self.lens.bench.axis_names])


def _sizes(pose: Vector) -> tuple[float, float]:
    """Return decentre in um and tilt in arcsec."""
    sizes = np.abs(pose * TO_UM_ARCSEC)
    return math.hypot(*sizes[:2]), math.hypot(*sizes[2:])
