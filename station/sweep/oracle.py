"""The oracle: what holds of every run, whatever struck it. Each rule that is broken is told in words.

It reads the line by a parser of its own, and asks the simulator for the truth; it shares no code with the
driver that it judges.
"""

from __future__ import annotations

import binascii
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from control.messages import Faulted, Finish, OperatorStopped, Outcome
from driver.faults import FaultCode
from sim.truth import BenchTruth
from station.planning import aligner_of
from station.record.codec import encode
from station.runner import Decides
from station.sweep.cases import Place
from station.sweep.remembered import Memory, Remembered
from station.sweep.rig import Passed, Seen
from station.wiring import axis_spec

LAST_ACTION_S = 120.0
"""A budget is looked at between actions; one action and the way out take less than this."""
TO_THE_END_S = 60.0
"""From the first fault that is told to the end of the run, in bench time."""

_NAMED = {code.value for code in FaultCode} | {"plate_not_mapped", "targets_moved", "record_not_written"}
_MOVES = ("G00", "G01", "G28")
_SAFER = {"M00", "M22", "M24"}
_WORD = re.compile(r"([A-Z])(-?\d+\.?\d*)")


def violations(seen: Seen, again: Again | None = None) -> list[str]:
    """Return every rule that a run broke, as ``rule: what was seen``; empty where it broke none.

    ``again`` may have decided the beginning of this record already.
    """
    again = Again(seen) if again is None else again
    found = [*_ended(seen), *_recorded(seen, again), *_line(seen), *_safe(seen)]
    found += [f"frame: {what}" for what in seen.wrong_frames]
    found += [f"positions: {what}" for what in seen.untrue_positions]
    if seen.unsaved_calls:
        found.append(
            f"write-ahead: the line was used at call {seen.unsaved_calls[0]} before the step was safe"
        )
    found += [
        f"beam: a motion began at {begun.time_s:.2f} s with the shutter open"
        for begun in seen.begun
        if begun.shutter_open and not begun.shutter_stuck
    ]
    return found


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
    if finish.outcome is Outcome.ALIGNED:
        yield from _agrees(seen)
        return
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
    """Compare with the truth when the last frame was taken; what moves afterwards nobody can have seen."""
    tolerance = seen.setup.recipe.tolerance
    verdict = seen.finish.verdict if seen.finish else None
    if verdict is None or not verdict.passed:
        yield "truth: aligned without a verdict that passed"
    else:
        far_um = math.hypot(*verdict.decenter_um) + verdict.expanded_decenter_um
        far_arcsec = math.hypot(*verdict.tilt_arcsec) + verdict.expanded_tilt_arcsec
        if far_um > tolerance.decenter_um or far_arcsec > tolerance.tilt_arcsec:
            yield f"truth: passed with {far_um:.1f} um and {far_arcsec:.1f} arcsec by its own figures"
    off = _residual(seen.at_verdict)
    if off is None or off[0] > tolerance.decenter_um or off[1] > tolerance.tilt_arcsec:
        yield f"truth: called aligned, but truly off by {off}"


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
    """Decides the steps of a record again, with a new aligner.

    Parameters
    ----------
    seen : Seen
        Of a run that has not begun, is under way, or has ended.
    memory : Memory, optional
        What other runs decided again; not shared with those that decided first.
    """

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


# --- the line -----------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Told:
    """What the controller has said of itself in replies that came through whole."""

    words: dict[str, str] | None = None
    fresh: bool = False
    open_number: str = ""
    open_words: tuple[str, ...] = ()

    def asks(self, number: str, words: list[str]) -> str:
        """Open a request; return what is wrong with sending it now, or "".

        Where the request before was not answered, only the same again or something safer may follow.
        """
        before, self.open_number, number_before = self.open_words, number, self.open_number
        self.open_words = tuple(words)
        if number_before and before != self.open_words and not _SAFER & set(words):
            return f"{' '.join(words)} was sent although {number_before} {' '.join(before)} was not answered"
        return ""

    def forbids(self, word: str) -> str:
        """Return why a request must not be sent after this, or ""."""
        if self.words is None or not self.fresh:
            return "without asking the state since the motion before and since it was decided"
        must: dict[str, tuple[str, ...]] = {"LOCK": ("1",)}
        if word != "G28":
            must |= {"HOMED": ("1",)}
        if word in ("G00", "G01"):
            must |= {"LIMIT": ("0",), "STATE": ("IDLE", "STOPPED")}
        if word != "M21":
            must |= {"SHUTTER": ("0",)}
        wrong = {
            key: self.words.get(key) for key, allowed in must.items() if self.words.get(key) not in allowed
        }
        return f"although the controller says {wrong}" if wrong else ""


def _line(seen: Seen) -> Iterator[str]:
    told, rest = _Told(), b""
    faulted = False
    decided = iter([*seen.decided_calls, math.inf])
    next_decided = next(decided)
    for passed in seen.passed:
        while passed.call >= next_decided:
            told.fresh, next_decided = False, next(decided)
        if passed.way == "in":
            *lines, rest = (rest + passed.data).split(b"\n")
            for line in lines:
                _hear(line, told)
            continue
        # The driver has waited for the end of what began to arrive; what comes now is another message.
        rest = b""
        faulted = faulted or passed.time_s > seen.first_fault_s
        for number, words in _requests(passed):
            if why := told.asks(number, words):
                yield f"reply: {why}"
            for word in ("M21", *_MOVES):
                if word not in words:
                    continue
                if faulted:
                    yield f"fault: {word} was sent after a fault was told"
                if why := told.forbids(word):
                    yield f"refuse: {word} was sent {why}"
                told.fresh = told.fresh and word not in _MOVES
            yield from _within_limits(seen, words)


def _hear(line: bytes, told: _Told) -> None:
    body, _, check = line.rpartition(b" K")
    if check.decode("latin-1") != f"{binascii.crc_hqx(body, 0xFFFF):04X}":
        return
    number, *words = body.decode("ascii").split()
    if number == told.open_number:
        told.open_number = ""
    if words[:1] == ["STATE"]:
        told.words = dict(zip(words[::2], words[1::2], strict=False))
        told.fresh = True


def _requests(passed: Passed) -> Iterator[tuple[str, list[str]]]:
    """Return number and words of every request."""
    for line in passed.data.decode("latin-1").split("\n"):
        if line:
            number, *words, _ = line.split()
            yield number, words


def _within_limits(seen: Seen, words: list[str]) -> Iterator[str]:
    if not {"G00", "G01"} & set(words):
        return
    axes = [axis_spec(axis) for axis in seen.setup.bench.motion.axes]
    travel = {axis.name: (axis.travel_min, axis.travel_max) for axis in axes}
    for word in words:
        found = _WORD.fullmatch(word)
        if found is None or found[1] not in travel:
            continue
        least, most = travel[found[1]]
        if not least <= float(found[2]) <= most:
            yield f"limit: {word} lies outside {least:g} to {most:g}"


# --- safe in the end ------------------------------------------------------------------------------------


def _safe(seen: Seen) -> Iterator[str]:
    told = [str(f["message"]) for f in seen.record.faults if str(f["during"]).startswith("way out")]
    never_connected = not any(passed.way == "out" for passed in seen.passed)
    for what, danger, remedy in (("stop motion", _MOVES, "M00"), ("close the shutter", ("M21",), "M22")):
        named = any(message.startswith(what) for message in told)
        if not named and not never_connected and not _commanded_last(seen, danger, remedy):
            yield f"safe: {remedy} was not sent at the end, and nobody was told"
    if seen.moving and not any(message.startswith("stop motion") for message in told):
        yield "safe: something still moves after the end, and nobody was told"
    if seen.shutter_open and not any(message.startswith("close the shutter") for message in told):
        yield "safe: the shutter is open after the end, and nobody was told"
    if seen.finish is not None and seen.finish.outcome is Outcome.ALIGNED and (seen.moving or told):
        yield f"safe: called aligned although the way out failed: {told}"


def _commanded_last(seen: Seen, danger: tuple[str, ...], remedy: str) -> bool:
    """Tell whether ``remedy`` was sent after the last dangerous request, and in the end at all."""
    safe = False
    for passed in seen.passed:
        if passed.way == "out":
            for _, words in _requests(passed):
                if remedy in words:
                    safe = True
                elif any(word in words for word in danger):
                    safe = False
    return safe
