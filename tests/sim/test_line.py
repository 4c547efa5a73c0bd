"""The simulated line, and faults at its calls."""

from __future__ import annotations

import binascii
from pathlib import Path

import pytest

from driver.faults import DeviceFault, FaultCode
from sim.line import LineNuisances, SimLine
from sim.mount_errors import MountNuisances
from sim.nuisances import Nuisances
from sim.requests import check_word
from sim.tap import LineFault, LineFaultKind, LineTap


def framed(body: bytes, end: bytes = b"\n") -> bytes:
    return body + b" K" + check_word(body).encode() + end


def test_bytes_take_their_time(build, at_line):
    line = LineNuisances(baud=9600, reply_latency_s=0.01)
    bench = build(nuisances=Nuisances(mount=MountNuisances.none(), line=line), seed=0)
    person = at_line(bench.line)
    request = person.request("Q1")
    bench.line.write(request)
    reply = bench.line.read(200, 1.0)
    assert bench.clock.now_s() == pytest.approx((len(request) + len(reply)) * 10 / 9600 + 0.01)


def test_read_waits_no_longer_than_its_timeout(bench):
    began_s = bench.clock.now_s()
    assert bench.line.read(10, 0.75) == b""
    assert bench.clock.now_s() - began_s == pytest.approx(0.75)


def test_read_hands_out_no_more_than_asked_and_discard_empties(bench, person):
    bench.line.write(person.request("Q1"))
    assert len(bench.line.read(3, 1.0)) == 3
    bench.line.discard_input()
    assert bench.line.read(100, 0.1) == b""


def test_closed_line_is_lost_until_reopened(bench, person):
    bench.line.close()
    bench.line.close()
    for call in (lambda: bench.line.write(b"x"), lambda: bench.line.read(1, 0.1)):
        with pytest.raises(DeviceFault) as caught:
            call()
        assert caught.value.code is FaultCode.LINE_LOST
    bench.line.reopen()
    assert person.ask("Q3").startswith("ID")


def strike(bench, kind: LineFaultKind, ahead: int, **words) -> None:
    """Let a fault strike ``ahead`` calls from now."""
    bench.tap.faults = (LineFault(kind, bench.tap.calls + ahead, **words),)


WRITE, READ = 0, 1  # the next call and the one after it


def test_journal_numbers_every_call_and_its_bytes(bench):
    tap = LineTap(bench.controller, bench.clock, journal=True)
    line = SimLine(bench.controller, bench.clock, tap, LineNuisances())
    request = framed(b"N1 Q3")
    line.write(request)
    reply = line.read(200, 1.0)
    line.read(200, 0.1)
    assert [(call.index, call.way, call.byte_count) for call in tap.journal] == [
        (0, "write", len(request)),
        (1, "read", len(reply)),
        (2, "read", 0),
    ]


def test_request_byte_lost_or_flipped_is_answered_as_check_word_error(bench, person):
    for kind in (LineFaultKind.BYTE_LOST, LineFaultKind.BYTE_FLIPPED):
        strike(bench, kind, WRITE, value=4)
        assert person.ask("Q3").startswith("ERR01")
        assert person.ask("Q3").startswith("ID")


def test_reply_byte_lost_or_flipped_breaks_the_check_word(bench, person):
    for kind, change in ((LineFaultKind.BYTE_LOST, -1), (LineFaultKind.BYTE_FLIPPED, 0)):
        good = framed(b"N%d ID COINCIDE SIMULATED CONTROLLER 1" % (person.number + 1))
        strike(bench, kind, READ, value=5)
        bench.line.write(person.request("Q3"))
        got = bench.line.read(200, 1.0)
        assert len(got) == len(good) + change
        body, _, check = got.rstrip().rpartition(b" K")
        assert binascii.crc_hqx(body, 0xFFFF) != int(check, 16)


def test_late_reply_misses_its_timeout_and_arrives_afterwards(bench, person):
    strike(bench, LineFaultKind.REPLY_LATE, READ, value=2.0)
    bench.line.write(person.request("Q3"))
    assert bench.line.read(200, 1.0) == b""
    number, answer = person.answer(timeout_s=1.5)
    assert number == person.number
    assert answer.startswith("ID")


def test_doubled_reply_comes_twice(bench, person):
    strike(bench, LineFaultKind.REPLY_DOUBLED, READ)
    bench.line.write(person.request("Q3"))
    got = bench.line.read(400, 1.0)
    assert got[: len(got) // 2] == got[len(got) // 2 :]


def test_reply_of_the_previous_request(bench, person):
    person.ask("Q3")
    strike(bench, LineFaultKind.REPLY_OF_PREVIOUS, READ)
    bench.line.write(person.request("Q2"))
    number, answer = person.answer()
    assert number == person.number - 1
    assert answer.startswith("ID")
    assert person.ask("Q2").startswith("STATE")


def test_silent_line_is_silent_for_its_time(bench, person):
    strike(bench, LineFaultKind.SILENT, WRITE, value=2.0)
    bench.line.write(person.request("M23"))
    assert bench.line.read(200, 1.0) == b""
    assert not bench.truth().lamp_on, "the request vanished"
    assert bench.line.read(200, 1.5) == b""
    assert person.ask("Q3").startswith("ID")


def test_lost_reply_leaves_the_request_executed(bench, person):
    strike(bench, LineFaultKind.SILENT, READ)
    bench.line.write(person.request("M23"))
    assert bench.line.read(200, 1.0) == b""
    assert bench.truth().lamp_on


def test_cut_line_is_lost_for_its_time_and_for_as_many_calls_as_said(bench, person):
    strike(bench, LineFaultKind.CUT, 0, count=3)
    for _ in range(3):
        with pytest.raises(DeviceFault) as caught:
            bench.line.write(b"x")
        assert caught.value.code is FaultCode.LINE_LOST
    bench.line.write(b"\n")
    bench.line.read(200, 1.0)
    strike(bench, LineFaultKind.CUT, 0, value=2.0)
    with pytest.raises(DeviceFault):
        bench.line.write(b"x")
    bench.clock.sleep_s(1.9)
    with pytest.raises(DeviceFault):
        bench.line.read(1, 0.0)
    bench.clock.sleep_s(0.2)
    assert person.ask("Q3").startswith("ID")


@pytest.mark.parametrize(
    ("kind", "words", "shows"),
    [
        (LineFaultKind.RESET, {}, {"HOMED": "0"}),
        (LineFaultKind.STALL, {}, {"STATE": "FAULT", "LIMIT": "0"}),
        (LineFaultKind.LIMIT, {}, {"STATE": "FAULT", "LIMIT": "1"}),
        (LineFaultKind.NEVER_ARRIVES, {}, {"STATE": "MOVING"}),
        (LineFaultKind.INTERLOCK_OPEN, {}, {"LOCK": "0", "SHUTTER": "0"}),
        (LineFaultKind.INTERLOCK_OPEN, {"value": 3.0}, {"LOCK": "1", "SHUTTER": "0"}),
        (LineFaultKind.SHUTTER_STUCK_OPEN, {}, {"SHUTTER": "1"}),
        (LineFaultKind.SHUTTER_STUCK_CLOSED, {}, {"SHUTTER": "0"}),
    ],
)
def test_fault_of_the_controller_at_a_call_shows_in_its_state(bench, homed, kind, words, shows):
    homed.ask("M21")
    homed.ask("G00 X4")
    bench.clock.sleep_s(0.5)
    assert homed.state() == homed.state() | {"STATE": "MOVING", "SHUTTER": "1", "LOCK": "1"}
    strike(bench, kind, 0, **words)
    bench.line.read(1, 0.0)
    bench.clock.sleep_s(10.0)
    bench.line.read(1, 0.0)
    assert homed.state() == homed.state() | shows


def test_interlock_that_has_closed_again_may_be_opened_by_hand(bench, person):
    strike(bench, LineFaultKind.INTERLOCK_OPEN, 0, value=1.0)
    bench.line.read(1, 2.0)
    assert person.state()["LOCK"] == "1"
    bench.controller.set_interlock(closed=False)
    assert person.state()["LOCK"] == "0"


def test_lost_steps_and_slipped_screw_at_a_call(bench, homed):
    strike(bench, LineFaultKind.SCREW_SLIPS, 0, value=50.0, axis="Y")
    bench.line.read(1, 0.0)
    assert bench.truth().positions["Y"] == pytest.approx(0.05)
    strike(bench, LineFaultKind.STEPS_LOST, 0, value=100.0, axis="X")
    homed.ask("G00 X1")
    bench.clock.sleep_s(10.0)
    assert homed.positions()["X"] == 1.0
    assert bench.truth().positions["X"] == pytest.approx(0.9)


def test_every_kind_of_fault_is_tested_here():
    text = Path(__file__).read_text(encoding="utf-8")
    assert [kind.name for kind in LineFaultKind if f"LineFaultKind.{kind.name}" not in text] == []
