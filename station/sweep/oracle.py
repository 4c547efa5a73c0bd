"""The oracle: what holds of every run, whatever struck it. Each rule that is broken is told in words.

It asks the simulator for the truth, and judges the line by :mod:`station.sweep.line_rules`; it shares no code
with the driver that it judges.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from control.messages import Faulted, Finish, OperatorStopped, Outcome
from driver.faults import FaultCode
from sim.truth import BenchTruth
from station.planning import aligner_of
from station.record.codec import encode
from station.runner import Decides
from station.sweep.cases import LOSING_STEPS, Place
from station.sweep.line_rules import LineRules
from station.sweep.remembered import Memory, Remembered
from station.sweep.seen import Seen

LAST_ACTION_S = 120.0
"""A budget is looked at between actions; one action and the way out take less than this."""
TO_THE_END_S = 60.0
"""From the first fault that is told to the end of the run, in bench time."""

_NOTHING_CAN_BE_SENT = {"cut", "fails"}
_PLACES_THAT_CHANGE_THE_LOOK = {Place.CAMERA, Place.HANDLER, Place.CONTROL}
_BY_ITS_FIGURES = ("not sure enough", "residual decentre")
"""How the reasons of rejections begin that rest on the verdict alone; every other blames lens or mount."""
_NAMED = {code.value for code in FaultCode} | {"plate_not_mapped", "targets_moved", "record_not_written"}


class Oracle:
    """Judges one run, which it may follow while it is under way.

    Parameters
    ----------
    seen : Seen
        Of a run that has not begun, is under way, or has ended.
    memory : Memory, optional
        What other runs decided again; not shared with those that decided first.
    """

    def __init__(self, seen: Seen, memory: Memory | None = None) -> None:
        self._again = Again(seen, memory)
        self._line = LineRules(seen)

    def follow(self, seen: Seen) -> None:
        """Judge what cannot change any more; the last step may still get another end."""
        self._again.follow(seen, len(seen.record.steps) - 1)
        self._line.follow(seen)

    def violations(self, seen: Seen) -> list[str]:
        """Return every rule that a run broke that has ended, as ``rule: what was seen``."""
        self._line.follow(seen)
        found = [*_ended(seen), *_recorded(seen, self._again), *self._line.broken, *_safe(seen, self._line)]
        found += [f"frame: {what}" for what in seen.wrong_frames]
        found += [f"positions: {what}" for what in seen.untrue_positions]
        if seen.unsaved_calls:
            call = seen.unsaved_calls[0]
            found.append(f"write-ahead: the line was used at call {call} before the step was safe")
        found += [
            f"beam: a motion began at {begun.time_s:.2f} s with the shutter open"
            for begun in seen.begun
            if begun.shutter_open and not begun.shutter_stuck
        ]
        found += [
            f"limit: a motion began at {begun.time_s:.2f} s that ends on a limit switch"
            for begun in seen.begun
            if begun.onto_switch
        ]
        return found


def violations(seen: Seen) -> list[str]:
    """Return every rule that a run broke; empty where it broke none."""
    return Oracle(seen).violations(seen)


# --- the end ------------------------------------------------------------------------------------------


def _ended(seen: Seen) -> Iterator[str]:
    finish = seen.finish
    if finish is None:
        yield f"raised: {seen.crash.strip().splitlines()[-1]}"
        return
    if seen.end_s > seen.setup.recipe.budget.bench_seconds + LAST_ACTION_S:
        yield f"bound: it took {seen.end_s:.0f} s of bench time"
    if seen.end_s - seen.first_fault_s > TO_THE_END_S:
        yield f"bound: {seen.end_s - seen.first_fault_s:.0f} s from the first fault to the end"
    if not seen.case.faults and finish.outcome not in (Outcome.ALIGNED, Outcome.REJECTED):
        yield f"alarm: {finish.outcome.value} although nothing was wrong: {finish.reason}"
    if finish.outcome is Outcome.ALIGNED:
        yield from _agrees(seen)
        return
    if finish.outcome is Outcome.REJECTED and not _look_is_changed(seen):
        yield from _is_truly_rejected(seen, finish)
    if not finish.reason or not finish.remedy:
        yield f"cause: {finish.outcome.value} with reason {finish.reason!r} and remedy {finish.remedy!r}"
    if any(fault.place is Place.CONTROL for fault in seen.case.faults):
        return
    if "internal" in finish.reason or "calling program" in finish.remedy:
        yield f"cause: {finish.reason}"
    told = [obs for obs, _ in seen.record.steps if isinstance(obs, Faulted)]
    if told and told[0].code not in _NAMED:
        yield f"cause: {told[0].code} is no code"
    if told and told[0].code not in finish.reason and not seen.record.failed:
        yield f"cause: {told[0].code} was told, but the run ended with {finish.reason!r}"


def _agrees(seen: Seen) -> Iterator[str]:
    """Compare with the truth that the last frame could show; what moves afterwards nobody can have seen."""
    tolerance = seen.setup.recipe.tolerance
    verdict = seen.finish.verdict if seen.finish else None
    if verdict is None or not verdict.passed:
        yield "truth: aligned without a verdict that passed"
    else:
        far_um = math.hypot(*verdict.decenter_um) + verdict.expanded_decenter_um
        far_arcsec = math.hypot(*verdict.tilt_arcsec) + verdict.expanded_tilt_arcsec
        if far_um > tolerance.decenter_um or far_arcsec > tolerance.tilt_arcsec:
            yield f"truth: passed with {far_um:.1f} um and {far_arcsec:.1f} arcsec by its own figures"
    if any(begun.time_s > seen.at_verdict_s for begun in seen.begun):
        yield "truth: called aligned, but a motion began after the last look"
    off = _residual(seen.at_verdict)
    if off is None or off[0] > tolerance.decenter_um or off[1] > tolerance.tilt_arcsec:
        yield f"truth: called aligned, but truly off by {off}"


def _look_is_changed(seen: Seen) -> bool:
    """Tell whether a fault may have had a good part on a good bench look like something else."""
    return any(
        fault.place in _PLACES_THAT_CHANGE_THE_LOOK or fault.kind in LOSING_STEPS
        for fault in seen.case.faults
    )


def _is_truly_rejected(seen: Seen, finish: Finish) -> Iterator[str]:
    """See that a right lens within reach was not sure enough, truly; the guard band is ISO 14253-1's."""
    verdict, off = finish.verdict, _residual(seen.at_verdict)
    if verdict is None or off is None or not finish.reason.startswith(_BY_ITS_FIGURES):
        yield f"truth: rejected, but neither lens nor mount is at fault: {finish.reason}"
        return
    tolerance = seen.setup.recipe.tolerance
    sides = (
        (off[0], verdict.decenter_um, verdict.expanded_decenter_um, tolerance.decenter_um),
        (off[1], verdict.tilt_arcsec, verdict.expanded_tilt_arcsec, tolerance.tilt_arcsec),
    )
    if all(math.hypot(*told) + expanded <= limit for _, told, expanded, limit in sides):
        yield "truth: rejected with a verdict that passes by its own figures"
    if all(true + expanded <= limit for true, _, expanded, limit in sides):
        yield f"truth: rejected, but truly off by {off} only, and as sure as that"


def _residual(truth: BenchTruth | None) -> tuple[float, float] | None:
    if truth is None or truth.decenter_um is None or truth.tilt_arcsec is None:
        return None
    return math.hypot(*truth.decenter_um), math.hypot(*truth.tilt_arcsec)


# --- the record ---------------------------------------------------------------------------------------


def _recorded(seen: Seen, again: Again) -> Iterator[str]:
    record = seen.record
    if seen.finish is None:
        return
    if record.end != seen.finish:
        yield f"record: it ends with {record.end}, the run with {seen.finish}"
    ends = [number for number, (_, action) in enumerate(record.steps) if isinstance(action, Finish)]
    if ends != [len(record.steps) - 1]:
        yield f"record: ends at steps {ends} of {len(record.steps)}"
    if not record.failed and record.saved != len(record.steps):
        yield f"record: {record.saved} of {len(record.steps)} steps are safe"
    if record.failed and seen.finish.outcome is Outcome.ALIGNED:
        yield "record: called aligned although the record was not written"
    if any(fault.place is Place.CONTROL for fault in seen.case.faults):
        return  # mistakes made on purpose are not decided again
    yield from _told_once(seen)
    again.follow(seen, len(record.steps))
    if again.differs:
        yield f"replay: {again.differs}"


def _told_once(seen: Seen) -> Iterator[str]:
    record = seen.record
    told = [obs.code for obs, _ in record.steps if isinstance(obs, Faulted)]
    noted = [
        fault["code"]
        for fault in record.faults
        if not str(fault["during"]).startswith("way out") and fault["code"] != "record_not_written"
    ]
    if told != noted:
        yield f"alarm: control was told {told}, the record has {noted}"
    if len(told) > 1:
        yield f"alarm: raised {len(told)} times: {told}"
    outs = [(f["code"], f["message"], f["during"]) for f in record.faults if "way out" in str(f["during"])]
    if len(outs) != len(set(outs)):
        yield f"alarm: the same failure of a way out is noted twice: {outs}"
    stops = [obs for obs, _ in record.steps if isinstance(obs, Faulted | OperatorStopped)]
    if stops and seen.finish is not None and seen.finish.outcome is Outcome.ALIGNED:
        yield "alarm: aligned in spite of a fault"


class Again:
    """Decides the steps of a record again, with a new aligner; made of the same as :class:`Oracle`."""

    def __init__(self, seen: Seen, memory: Memory | None = None) -> None:
        aligner = aligner_of(seen.setup)
        self._decides: Decides = aligner if memory is None else Remembered(aligner, memory)
        self._done = 0
        self.differs = ""

    def follow(self, seen: Seen, steps: int) -> None:
        """Decide again up to the first ``steps`` steps, from where it was left; stops where they differ."""
        record = seen.record
        while self._done < steps and not self.differs:
            observation, recorded = record.steps[self._done]
            if self._done == len(record.steps) - 1 and record.answered is not None:
                recorded = record.answered
            if encode(self._decides.next_action(observation)) != encode(recorded):
                self.differs = f"step {self._done} is decided otherwise"
            self._done += 1


# --- safe in the end ------------------------------------------------------------------------------------


def _safe(seen: Seen, line: LineRules) -> Iterator[str]:
    told = [str(f["message"]) for f in seen.record.faults if str(f["during"]).startswith("way out")]
    kinds = {fault.kind for fault in seen.case.faults}
    for what, remedy in (("stop motion", "M00"), ("close the shutter", "M22")):
        # Only where nothing can be sent is it enough to tell.
        named = kinds & _NOTHING_CAN_BE_SENT and any(message.startswith(what) for message in told)
        if line.any_sent and not line.last[remedy] and not named:
            yield f"safe: {remedy} was not sent at the end"
    if seen.moving and not any(message.startswith("stop motion") for message in told):
        yield "safe: something still moves after the end, and nobody was told"
    if seen.shutter_open and not any(message.startswith("close the shutter") for message in told):
        yield "safe: the shutter is open after the end, and nobody was told"
    if seen.finish is not None and seen.finish.outcome is Outcome.ALIGNED and (seen.moving or told):
        yield f"safe: called aligned although the way out failed: {told}"
