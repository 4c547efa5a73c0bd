"""From the lens in the mount to the verdict: what to do after each look."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from typing import Final

import numpy as np
from scipy.special import chdtrc

from control.causes import contributions
from control.diagnose import suspicions
from control.expect import expectations
from control.identify import Identified, identify
from control.learn import LearnedModel
from control.messages import Action, Finish, HomeAgain, Look, Looked, MovePurpose, Outcome, Verdict
from control.mount import Mount
from control.moves import (
    bounded_step,
    on_steps,
)
from control.plan import AlignmentPlan, BenchModel, Prescription
from control.questions import (
    expanded_ahead,
    is_lost,
    knows_the_lens,
    lens_is_checked,
    more_looks_help,
    steps_are_doubted,
    test_moves_pay,
    unseen_loss,
)
from control.states import Event, State
from control.suspicion import SURE, SWAPPED_WORDS, Fault, Suspicion, certain
from control.turns import Tally, Turn
from control.unknowns import Vector, as_rows
from control.verdict import judge, returns_against_transmitted, scatter
from control.ways import Ways, next_test
from control.words import (
    remedy_for,
    why_beyond_travel,
    why_contradictory,
    why_not_found,
    why_not_there,
    why_passed,
    why_rejected,
)
from optics.observability import observe
from vision.spots import NoSpot, Reason, Sighting, Spot, SpotName

_NEAR: Final = 0.3
_MOST_STEPS: Final = 12
_OTHER_CURVATURES: Final = (-0.025, -0.008, 0.008, 0.025)
_MOST_RESTARTS: Final = 3
_MOST_SCANS: Final = 60
_MOST_SWAPS: Final = 3
_LOOKS_AFTER_HOMING: Final = 4
_MOST_RETURNS: Final = 2
_MOST_WEIGHED: Final = 6
"""So often suspicions are weighed without certainty (each time by many fits); then the verdict decides."""


class ClosingIn:
    """Finds the spots, learns the Jacobian, steps, verifies and settles.

    Parameters
    ----------
    plan : AlignmentPlan
    bench : BenchModel
    model : LearnedModel
    hole_radius_mm : float
    axes : ndarray, shape (4,)
        Where the mount stands.
    """

    def __init__(
        self, plan: AlignmentPlan, bench: BenchModel, model: LearnedModel, hole_radius_mm: float, axes: Vector
    ) -> None:
        self.plan, self.bench, self.model = plan, bench, model
        self.mount = Mount(bench, axes)
        self.tally = Tally(due=plan.verification_looks)
        self.notes: list[str] = []
        self.ways = Ways(plan, bench, self.mount, model, hole_radius_mm)
        self._returned = False
        self._verdict: Verdict | None = None
        self._judged_at = self._suspected_at = -1
        self._suspected: list[Suspicion] = []

    # --- called by the aligner ----------------------------------------------------------------------

    def begin(self) -> Action:
        """Return the first action with the lens in: to the nominal null, where the search begins."""
        null = on_steps(self.bench, np.asarray(self.bench.null_axes, dtype=np.float64))
        if self.mount.stands_at(null):
            return self._look(State.FINDING, "see where the spots are")
        return self.mount.move_to(null, "to where the lens should be on the beam", MovePurpose.SEARCH)

    def moved(self, state: State, positions: Vector) -> Action:
        """Take note of a finished move; look, or make the second half of a move that takes up backlash."""
        self.model.moved()
        second_half = self.mount.arrived(positions)
        if second_half is not None:
            return second_half
        return self._look(state, "see what the move did")

    def homed_again(self, positions: Vector) -> Action:
        """Verify anew with the axes homed: a step lost before stands out between the looks on either side."""
        self.model.moved()
        self.mount.homed(positions)
        self.tally.due = self.tally.verified + max(self.plan.verification_looks, _LOOKS_AFTER_HOMING)
        return self._look_round()

    def looked(self, state: State, looked: Looked, positions: Vector) -> Turn:
        """Learn from a look and decide."""
        self.mount.axes = positions
        found = self._identified(looked.sightings)
        if found.clearly:
            self.tally.swapped += 1
            self.notes.append(f"{SWAPPED_WORDS}; put right by the model")
        if found.spots:
            rows = found.rows or as_rows(found.spots)
            self.model.add_look(positions, self.mount.sides, rows, renamed=found.swapped)
            if self.plan.prescription is Prescription.UNKNOWN:
                self._look_for_better_lens()
            # Between the two looks of a pair nothing is decided.
            halfway = state is State.VERIFYING and self.tally.verified % 2 == 0 and not self._returned
            trouble = None if halfway else self._trouble(final=False)
            if trouble is not None:
                return trouble
        if self.tally.swapped >= _MOST_SWAPS:
            remedy = remedy_for(Fault.RETURNS_SWAPPED)
            return self._finish(Event.BENCH_WRONG, Outcome.STOPPED, SWAPPED_WORDS, remedy)
        if state in (State.VERIFYING, State.SETTLING):
            self.ways.note_swallowed(looked.sightings)
            return self._verified() if state is State.VERIFYING else self._judged_by(found)
        by_state = {State.FINDING: self._found, State.TESTING: self._tested, State.STEPPING: self._stepped}
        return by_state[state](looked.sightings, found)

    def _look_for_better_lens(self) -> None:
        """Start the fit from other lenses when the one found does not explain the looks."""
        cost = self.model.cost()
        if chdtrc(max(self.model.misfit()[1], 1), cost) >= SURE:
            return
        count = len(self.model.lens.lens.surfaces)
        for curvatures in product(_OTHER_CURVATURES, repeat=count):
            other = self.model.restarted(np.array(curvatures))
            if other.cost() < cost:
                self.model, cost = other, other.cost()

    def _identified(self, sightings: Mapping[SpotName, Sighting]) -> Identified:
        """Return the spots under the names that the model finds believable, once it knows the lens."""
        if not knows_the_lens(self.plan, self.model):
            return Identified(
                {name: seen for name, seen in sightings.items() if isinstance(seen, Spot)}, False
            )
        doubtful = self.tally.swapped > 0
        return identify(self.model, self.mount.axes, self.mount.sides, sightings, doubtful=doubtful)

    def _trouble(self, *, final: bool) -> Turn | None:
        """End the run when the looks show that something is wrong with part or bench."""
        if self.plan.prescription is Prescription.UNKNOWN and not final:
            return None
        if self._suspected_at != len(self.model.looks):
            if self.tally.weighed >= _MOST_WEIGHED and not final:
                return None
            self._suspected_at, self._suspected = len(self.model.looks), suspicions(self.model, self.plan)
            self.tally.weighed += bool(self._suspected)
        found = self._suspected
        cause = found[0] if final and found else certain(found)
        if cause is None:
            return None
        lens = cause.fault in (Fault.WRONG_LENS, Fault.LENS_REVERSED)
        if self.tally.swapped and not lens:  # names that were wrong before make every later misfit theirs
            cause = Suspicion(Fault.RETURNS_SWAPPED, cause.gain, 1, SWAPPED_WORDS)
        if lens:
            return self._finish(Event.WRONG_LENS, Outcome.REJECTED, cause.words, remedy_for(cause.fault))
        return self._finish(Event.BENCH_WRONG, Outcome.STOPPED, cause.words, remedy_for(cause.fault))

    def _contradiction(self) -> Turn | None:
        """End the run when the returns say yes and the transmitted spot says no."""
        if not np.any(self.model.looks.seen[:, 4]):
            return None
        agreement = returns_against_transmitted(self.model)
        if agreement.holds:
            return None
        return self._finish(Event.BENCH_WRONG, Outcome.STOPPED, *why_contradictory(agreement))

    # --- one method per state -----------------------------------------------------------------------

    def _found(self, sightings: Mapping[SpotName, Sighting], found: Identified) -> Turn:
        if _undecided(sightings) and self.tally.scans < _MOST_SCANS:
            return self._part_the_returns()
        if not is_lost(self.model):
            if self._test_moves_pay():
                return self._test_next((Event.SPOTS_FOUND,))
            return self._step_or_verify((Event.MODEL_TRUSTED,))
        self.tally.scans += 1
        target = self.ways.towards_null(self.model)
        if found.spots and float(np.max(np.abs(target - self.mount.axes))) > 0.01:
            return Turn((), self.mount.move_to(target, "bring what is seen to its place", MovePurpose.SEARCH))
        if self.tally.scans <= _MOST_SCANS:
            return Turn((), self.ways.searching())
        why = why_not_found(self.tally.scans, sightings)
        return self._finish(Event.SEARCH_EXHAUSTED, Outcome.REJECTED, *why)

    def _tested(self, _: Mapping[SpotName, Sighting], found: Identified) -> Turn:
        if is_lost(self.model) and not found.spots:
            return self._search_from_here()
        if self._test_moves_pay():
            return self._test_next(())
        return self._step_or_verify((Event.JACOBIAN_KNOWN,))

    def _stepped(self, sightings: Mapping[SpotName, Sighting], found: Identified) -> Turn:
        if is_lost(self.model) and not found.spots:
            return self._search_from_here()
        if found.probability < SURE and self.tally.doubts == 0 and len(self.tally.tests) == 0:
            self.tally.doubts = 1
            self.notes.append("the spots did not answer as predicted; test moves made")
            return self._test_next((Event.MODEL_DOUBTED,))
        undecided = _undecided(sightings) and self.tally.scans < _MOST_SCANS
        return self._step_or_verify((), undecided=undecided)

    def _verified(self) -> Turn:
        if self._returned:
            self._returned = False
            back = self._back_to_an_earlier_place()
            return Turn((), back) if back is not None else self._settle((Event.ENOUGH_LOOKS,))
        self.tally.verified += 1
        if self.ways.middle is None:  # the hole has just swallowed a spot: look again, leaning out farther
            return Turn((), self._look_round())
        pairs_complete = self.tally.verified % 2 == 0
        if not pairs_complete or self.tally.verified < self.tally.due:
            return Turn((), self._look_round())
        away = self.model.mount() @ (self._null() - self.ways.middle)
        sigma = np.sqrt(np.diag(self.model.pose_at(self._null(), self.mount.sides).covariance))
        if self.tally.restarts < _MOST_RESTARTS and np.any(
            np.abs(away) > 3.0 * (self.plan.tolerances + sigma)
        ):
            self.tally.restarts += 1
            self.ways.middle = None
            return self._step_or_verify((Event.NOT_NULL,))
        if self._more_looks_help() or not lens_is_checked(self.plan, self.model, self.tally.verified):
            return Turn((), self._look_round())
        back = self._back_to_an_earlier_place()
        return Turn((), back) if back is not None else self._settle((Event.ENOUGH_LOOKS,))

    def _judged_by(self, found: Identified) -> Turn:
        """Look round once more before a verdict that would rest on a look that nobody can believe."""
        if found.probability < SURE and not self.tally.looked_again:
            self.tally.looked_again = True
            self.notes.append("the last look did not show what was predicted; looked round once more")
            return Turn((Event.NOT_NULL,), self._look_round())
        return self._settled()

    def _settled(self) -> Turn:
        verdict = self._judged()
        wrong = self._trouble(final=True) or self._contradiction()
        if wrong is not None:
            return wrong
        if verdict.passed and steps_are_doubted(self.plan, self.model, self.tally.homed_again):
            self.tally.homed_again = True
            self.notes.append("homed again, to see whether steps had been lost")
            return Turn((Event.STEPS_DOUBTED,), HomeAgain("see whether steps were lost"))
        if verdict.passed:
            return self._finish(Event.PASSED, Outcome.ALIGNED, why_passed(verdict), "")
        if self.tally.settles < 3 and self._moving_helps(verdict):
            return self._settle(())
        if self._more_looks_help():
            return Turn((Event.NOT_NULL,), self._look_round())
        return self._finish(
            Event.FAILED, Outcome.REJECTED, *why_rejected(verdict, observe(self.model.sensitivities(), 0.02))
        )

    # --- pieces -------------------------------------------------------------------------------------

    def _step_or_verify(self, before: tuple[Event, ...], *, undecided: bool = False) -> Turn:
        pose = self.model.pose_here()
        target = self._null()
        off = np.abs(self.model.mount() @ (target - self.mount.axes)) / self.plan.tolerances
        sigma = np.sqrt(np.diag(pose.covariance)) / self.plan.tolerances
        if np.all(off <= np.maximum(_NEAR, np.minimum(sigma, 1.0))) or self._judged().passed:
            return self._verify((*before, Event.NEAR_NULL))
        if self.tally.steps >= _MOST_STEPS:
            if expanded_ahead(self.plan, self.model, target, self.mount.sides) >= 1.0:
                return self._settle((*before, Event.NEAR_NULL, Event.ENOUGH_LOOKS))
            why = why_not_there(self.tally.steps, pose)
            return self._finish(Event.FAILED, Outcome.REJECTED, *why, before)
        if undecided:
            return self._part_the_returns(before)
        step = bounded_step(self.plan, self.bench, self.mount.axes, target)
        if step.stopped_by:
            why = why_beyond_travel(step.stopped_by)
            return self._finish(Event.OUT_OF_TRAVEL, Outcome.REJECTED, *why, before)
        self.tally.steps += 1
        return Turn(
            before, self.mount.move_to(step.axes, f"step {self.tally.steps} to the null", MovePurpose.STEP)
        )

    def _verify(self, before: tuple[Event, ...]) -> Turn:
        """Look round the null, unless the plan asks for no more than what is known already."""
        if self._suffices():
            back = self._back_to_an_earlier_place()
            if back is not None:
                return Turn(before, back)
            turn = self._settled()
            return Turn((*before, Event.ENOUGH_LOOKS, *turn.concluded), turn.action)
        return Turn(before, self._look_round())

    def _back_to_an_earlier_place(self) -> Action | None:
        """Return the way to an earlier look's place where lost steps would not show without it."""
        place = unseen_loss(self.model) if self.tally.returns < _MOST_RETURNS else None
        if place is None or self.mount.stands_at(place):
            return None
        self.tally.returns += 1
        self._returned = True
        why = "back to an earlier place, to see whether steps were lost"
        return self.ways.go(place, why, MovePurpose.VERIFY)

    def _suffices(self) -> bool:
        """Say whether the plan leaves the looks round the null to need, and there is none."""
        if self.plan.verification_looks > 0 or not len(self.model.looks):
            return False
        if not lens_is_checked(self.plan, self.model, self.tally.verified):
            return False
        return self._judged().passed

    def _judged(self) -> Verdict:
        """Return the verdict on the pose of the last look."""
        if self._verdict is None or self._judged_at != len(self.model.looks):
            parts = contributions(self.model)
            self._verdict = judge(self.plan, self.model.pose_here(), parts, scatter(self.model))
            self._judged_at = len(self.model.looks)
        return self._verdict

    def _test_next(self, before: tuple[Event, ...]) -> Turn:
        number = next_test(self.bench, self.tally.tests)
        self.tally.tests.append(number)
        return Turn(before, self.ways.test(self.model, number))

    def _look_round(self) -> Action:
        wide = 0 if lens_is_checked(self.plan, self.model, self.tally.verified) else 2
        return self.ways.round_null(self.model, wide)

    def _part_the_returns(self, before: tuple[Event, ...] = ()) -> Turn:
        self.tally.scans += 1
        return Turn(before, self.ways.parting_the_returns(self.model))

    def _null(self) -> Vector:
        return self.ways.null(self.model)

    def _settle(self, before: tuple[Event, ...]) -> Turn:
        self.tally.settles += 1
        # The first one only returns from the looks beside the null; a second one corrects.
        purpose = MovePurpose.VERIFY if self.tally.settles == 1 else MovePurpose.STEP
        return Turn(before, self.ways.go(self._null(), "to the best estimate of the null", purpose))

    def _search_from_here(self) -> Turn:
        turn = self._found({}, Identified({}, False))
        return Turn((Event.SPOTS_LOST, *turn.concluded), turn.action)

    def _test_moves_pay(self) -> bool:
        made, doubted = len(self.tally.tests), self.tally.doubts > 0
        return test_moves_pay(self.plan, self.bench, self.model, made, doubted=doubted)

    def _more_looks_help(self) -> bool:
        left = self.tally.verified < self.plan.max_verification_looks
        return left and more_looks_help(self.plan, self.model, self._null(), self.mount.sides)

    def _moving_helps(self, verdict: Verdict) -> bool:
        away = self.model.mount() @ (self._null() - self.mount.axes)
        worth = np.max(np.abs(away) / self.plan.tolerances) > 0.1
        room = (
            verdict.expanded_decenter_um < 0.9 * self.plan.tolerance_decenter_um
            and verdict.expanded_tilt_arcsec < 0.9 * self.plan.tolerance_tilt_arcsec
        )
        return bool(worth and room)

    def _look(self, state: State, why: str) -> Look:
        careful = state in (State.VERIFYING, State.SETTLING)
        frames = self.plan.frames_at_verification if careful else self.plan.frames_per_look
        expected = expectations(self.model, self.mount.axes, self.mount.sides, self._radius_sigma())
        return Look(frames, expected, why)

    def _radius_sigma(self) -> float:
        """Relative uncertainty of the radii of curvature; a first guess says nothing of the spots' size."""
        known = self.plan.prescription is Prescription.KNOWN
        return self.plan.radius_sigma_relative if known else 0.5

    def _finish(
        self, event: Event, outcome: Outcome, reason: str, remedy: str, before: tuple[Event, ...] = ()
    ) -> Turn:
        return Turn((*before, event), Finish(outcome, reason, remedy, self._verdict))


def _undecided(sightings: Mapping[SpotName, Sighting]) -> bool:
    """Say whether vision cannot tell the returns apart."""
    return any(isinstance(seen, NoSpot) and seen.reason is Reason.UNDECIDED for seen in sightings.values())
