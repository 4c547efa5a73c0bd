"""Every fault code can be reached, says all that a person needs, and stands in the documents as it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from driver.faults import REMEDIES, FaultCode
from station.sweep.cases import Case
from station.sweep.plan import run_case
from station.sweep.provoked import PROVOKED, provoked
from station.sweep.reference import OF_THE_RUN, reference_text

PAGE = Path(__file__).parents[2] / "docs" / "faults.md"


def test_every_code_has_a_remedy_and_a_way_to_reach_it() -> None:
    assert set(PROVOKED) == set(REMEDIES) == set(FaultCode)


@pytest.mark.parametrize("code", list(FaultCode), ids=lambda code: code.value)
def test_every_code_is_reached_and_says_state_request_answer_and_remedy(code: FaultCode) -> None:
    fault = provoked(code)
    assert all((fault.state, fault.asked, fault.came, fault.remedy))
    for part in (code.value, fault.state, fault.asked, fault.came, fault.remedy):
        assert part in str(fault)


@pytest.mark.parametrize("code", OF_THE_RUN)
def test_every_code_of_a_run_is_reached(code: str) -> None:
    seen = run_case(Case.parse(OF_THE_RUN[code]))
    assert [fault["code"] for fault in seen.record.faults][:1] == [code]
    assert seen.finish is not None
    assert code in seen.finish.reason
    assert seen.finish.remedy


def test_a_code_that_is_not_reached_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = dict(PROVOKED)
    calls[FaultCode.STALLED] = lambda: None
    calls[FaultCode.NOT_HOMED] = PROVOKED[FaultCode.LINE_LOST]
    monkeypatch.setattr("station.sweep.provoked.PROVOKED", calls)
    for code in (FaultCode.STALLED, FaultCode.NOT_HOMED):
        with pytest.raises(LookupError, match=code.value):
            provoked(code)


def test_the_page_is_drawn_from_the_program() -> None:
    """When it fails: `python -m station.sweep.reference > docs/faults.md`."""
    assert PAGE.read_text(encoding="utf-8") == reference_text()
