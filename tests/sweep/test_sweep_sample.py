"""A sample of the sweep of faults, where no rule is broken; and the oracle's own rules, broken once each."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from mutants import ROOT, Mutant, mutants

from control.messages import Outcome
from station.sweep.cases import KINDS, Case, Fault, Place, all_singles, single_faults
from station.sweep.oracle import violations
from station.sweep.plan import Sweep, cases, counts, judge, judge_all, judge_too_tight, run_case
from station.sweep.sample import SAMPLE, fitted
from station.sweep.seen import Passed, Seen


@pytest.mark.parametrize("text", SAMPLE)
def test_no_rule_is_broken(text: str) -> None:
    judged = judge(fitted(text))
    assert judged.broken == ()


def test_a_tolerance_that_nothing_can_keep_is_not_kept() -> None:
    judged = judge_too_tight()
    assert judged.broken == ()
    assert judged.outcome != "aligned"


def test_every_fault_of_the_sample_is_one_of_the_sweep() -> None:
    for text in SAMPLE:
        for fault in Case.parse(fitted(text)).faults:
            alone = replace(fault, count=1)
            assert str(alone) in {str(one) for one in single_faults(counts(), fault.place, fault.at)}


@pytest.mark.parametrize("mutant", mutants(), ids=lambda mutant: mutant.name)
def test_every_known_bug_can_still_be_put_into_the_program(mutant: Mutant) -> None:
    text = (ROOT / mutant.file).read_text(encoding="utf-8")
    assert mutant.spoilt(text) != text


BRANCHED = (
    "none",
    "line:byte_lost@582x1=-1",
    "line:reply_late@642x1=5",
    "clock:jump@40x1=3600",
    "handler:fails@1x1=0",
    "record:write_error@12x1=inf",
    "control:wild_move@20x1=99",
    "camera:beam_jumped@40x1=0.1",
    "person:stops@480x1=0",
    "camera:gone@30x1=inf+line:byte_lost@560x10=0",
    "line:cut@5000x1=0",
)


def test_branches_of_one_run_find_what_whole_runs_find() -> None:
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        branched = pool.apply(judge_all, (BRANCHED,), {"digests": True})
    assert branched == [judge(text, digest=True) for text in BRANCHED]
    assert len({found.digest for found in branched}) == len(BRANCHED) - 1  # the last one strikes nothing


def test_every_kind_of_every_place_is_swept() -> None:
    singles = [case.faults[0] for case in all_singles(counts())]
    assert {(fault.place, fault.kind) for fault in singles} == {
        (place, kind) for place, kinds in KINDS.items() for kind in kinds
    }
    indices = {fault.at for fault in singles if fault.place is Place.LINE}
    assert indices == set(range(len(counts().line_reads)))
    assert len(singles) > 20_000


@pytest.mark.parametrize("sweep", ["doubles", "bursts", "dead"])
def test_cases_are_named_by_their_text(sweep: Sweep) -> None:
    made = cases(sweep, 50, 7)
    assert [Case.parse(str(case)) for case in made] == list(made)
    assert made == cases(sweep, 50, 7)


@pytest.mark.parametrize("text", ["line:nothing@3", "nowhere:stall@3", "line:stall", "line:stall@x"])
def test_a_case_that_does_not_exist_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        Case.parse(text)


def _sent(seen: Seen, words: str, call: int = 900) -> None:
    body = b"N77 " + words.encode()
    seen.passed.append(Passed("out", body + b" K0000\n", seen.end_s, call))


def _without_verdict(seen: Seen) -> None:
    assert seen.finish is not None
    seen.finish = replace(seen.finish, verdict=None)


def _truly_off(seen: Seen) -> None:
    assert seen.at_verdict is not None
    seen.at_verdict = replace(seen.at_verdict, decenter_um=(900.0, 0.0))


def _rejected(reason: str, seen: Seen, **figures: Any) -> None:
    assert seen.finish is not None
    assert seen.finish.verdict is not None
    verdict = replace(seen.finish.verdict, **figures)
    seen.finish = replace(
        seen.finish, outcome=Outcome.REJECTED, reason=reason, remedy="none", verdict=verdict
    )


def _nameless(seen: Seen) -> None:
    assert seen.finish is not None
    seen.finish = replace(seen.finish, outcome=Outcome.STOPPED, remedy="")


BREACHES: list[tuple[str, Callable[[Seen], object]]] = [
    ("raised", lambda seen: vars_of(seen, finish=None, crash="Traceback\nValueError: x")),
    ("bound", lambda seen: vars_of(seen, end_s=5000.0)),
    ("truth", _without_verdict),
    ("truth", _truly_off),
    ("truth", lambda seen: vars_of(seen, at_verdict_s=seen.begun[-1].time_s - 1.0)),
    ("truth: rejected, but neither", lambda seen: _rejected("the null lies beyond the travel", seen)),
    ("truth: rejected with a verdict", lambda seen: _rejected("not sure enough", seen)),
    (
        "truth: rejected, but truly off",
        lambda seen: _rejected("residual decentre", seen, decenter_um=(9.5, 0.0)),
    ),
    ("cause", _nameless),
    ("alarm: stopped although", _nameless),
    ("record", lambda seen: seen.record.steps.pop()),
    ("record", lambda seen: vars_of(seen.record, saved=3)),
    ("alarm", lambda seen: seen.record.add_fault("line_lost", "lost", 1.0, "Look")),
    ("replay", lambda seen: seen.record.steps.pop(4)),
    ("write-ahead", lambda seen: seen.unsaved_calls.append(7)),
    ("frame", lambda seen: seen.wrong_frames.append("old")),
    ("positions", lambda seen: seen.untrue_positions.append("X")),
    ("limit", lambda seen: _sent(seen, "G01 X99.0")),
    ("limit", lambda seen: seen.begun.append(replace(seen.begun[-1], onto_switch=True))),
    ("beam", lambda seen: seen.begun.append(replace(seen.begun[-1], shutter_open=True))),
    ("refuse", lambda seen: (_sent(seen, "G01 X0.1"), _sent(seen, "G01 X0.2"))),
    ("reply", lambda seen: (_sent(seen, "Q1"), _sent(seen, "Q2"))),
    ("safe", lambda seen: _sent(seen, "M21")),
    ("safe", lambda seen: vars_of(seen, moving=True)),
    ("safe", lambda seen: vars_of(seen, shutter_open=True)),
]


def vars_of(what: object, **values: object) -> None:
    for name, value in values.items():
        setattr(what, name, value)


@pytest.mark.parametrize("number", range(len(BREACHES)))
def test_the_oracle_sees_what_is_broken(number: int) -> None:
    rule, breach = BREACHES[number]
    seen = run_case(Case())
    assert violations(seen) == []
    breach(seen)
    assert any(what.startswith(rule) for what in violations(seen))


def test_a_part_that_is_not_sure_enough_is_rejected_truly() -> None:
    seen = run_case(Case())
    _rejected("not sure enough", seen, expanded_decenter_um=20.0)
    assert not [what for what in violations(seen) if what.startswith("truth")]


def test_motion_after_a_fault_is_seen() -> None:
    seen = run_case(Case((Fault(Place.CAMERA, "gone", 30),)))
    assert violations(seen) == []
    seen.end_s += 1.0
    _sent(seen, "G01 X1.0")
    assert "fault" in {what.partition(":")[0] for what in violations(seen)}
