"""What stands at the end of a run, also when the disk is full or the witness is silent."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from control.messages import Finish, Home, LensIsIn, Outcome, Started, Verdict
from driver.faults import DeviceFault, FaultCode
from station import session
from station.demo import example_setup
from station.record import Record, read_record

VERDICT = Verdict(
    (1.0, 0.0), (1.0, 0.0), ((1.0,),), 2.0, 9.0, 2.45, 10.0, 20.0, True, "spots", {"spots": (1.0, 1.0)}
)
ALIGNED = Finish(Outcome.ALIGNED, "inside the tolerance", verdict=VERDICT)


@pytest.fixture
def record(tmp_path: Path) -> Record:
    record = Record(tmp_path, example_setup(), 1)
    record.add_step(Started(0.0), Home(), 0.0)
    record.add_step(LensIsIn(1.0), ALIGNED, 0.0)
    return record


def test_the_result_is_what_the_record_holds(record: Record) -> None:
    session._conclude(record, ALIGNED, 1.0, None)
    assert record.result is not None
    assert record.result["outcome"] == "aligned"
    assert read_record(record.folder)["result"] == record.result


def test_a_lens_whose_record_cannot_be_written_is_not_called_aligned(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full_disk(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("station.record.folder.write_atomically", full_disk)
    session._conclude(record, ALIGNED, 1.0, None)
    assert record.result is not None
    assert record.result["outcome"] == "stopped"
    assert "No space left" in record.result["reason"]
    session._illustrate(record, None)  # fails at once; must not raise


def test_a_report_that_fails_is_noted_and_changes_no_result(record: Record) -> None:
    session._conclude(record, ALIGNED, 1.0, None)
    session._illustrate(record, None)  # no eyes: no pictures can be made
    kept = read_record(record.folder)
    assert kept["faults"][-1]["code"] == "no_report"
    assert kept["result"]["outcome"] == "aligned"


def test_a_silent_witness_is_noted(record: Record, make_rig: Callable[..., Any]) -> None:
    class Silent:
        def pose(self) -> Any:
            raise DeviceFault(FaultCode.HANDLER_FAILED, state="", asked="pose", came="nothing")

    rig = make_rig(witness=Silent())
    assert session._witness(rig.bench, record) is None
    assert record.faults[-1]["code"] == "no_witness"
    rig.bench.witness = None
    assert session._witness(rig.bench, record) is None
