"""The controller against docs/line.md: every message, however its bytes arrive, and what follows from it."""

from __future__ import annotations

import binascii
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driver.axes import AxisSpec
from driver.faults import DeviceFault, FaultCode
from sim.clock import SimClock
from sim.firmware import SimController
from sim.line import LineNuisances, SimLine
from sim.mount import SimMount
from sim.mount_errors import MountNuisances, draw_mount
from sim.nuisances import Nuisances
from sim.requests import LONGEST_MESSAGE, Request, RequestParser, Unreadable, check_word
from sim.tap import LineFault, LineFaultKind, LineTap

AXES = ("X", "Y", "A", "B")


def framed(body: bytes, end: bytes = b"\n") -> bytes:
    return body + b" K" + check_word(body).encode() + end


def parse(data: bytes) -> list[Request | Unreadable]:
    parser = RequestParser(AXES)
    return [message for byte in data if (message := parser.feed(byte)) is not None]


def crc_by_bits(data: bytes) -> int:
    """Remainder of the polynomial division, straight from its definition."""
    value = int.from_bytes(data) << 16
    value ^= 0xFFFF << (8 * len(data))
    for bit in range(8 * len(data) + 15, 15, -1):
        if value >> bit & 1:
            value ^= 0x11021 << (bit - 16)
    return value


# --- parser ----------------------------------------------------------------------------------------

MESSAGES = {
    b"N1 G21": Request(1, ("G21",), {}),
    b"N2 G90": Request(2, ("G90",), {}),
    b"N3 G28": Request(3, ("G28",), {}),
    b"N4 G01 X1.5 Y-.25 A+2 B0. F60": Request(
        4, ("G1",), {"X": 1.5, "Y": -0.25, "A": 2.0, "B": 0.0, "F": 60.0}
    ),
    b"N5 G00 X-1": Request(5, ("G0",), {"X": -1.0}),
    b"N6 M00": Request(6, ("M0",), {}),
    b"N7 M21": Request(7, ("M21",), {}),
    b"N8 M22": Request(8, ("M22",), {}),
    b"N9 M23": Request(9, ("M23",), {}),
    b"N10 M24": Request(10, ("M24",), {}),
    b"N11 Q1": Request(11, ("Q1",), {}),
    b"N12 Q2": Request(12, ("Q2",), {}),
    b"N9999 Q3": Request(9999, ("Q3",), {}),
    b"N1 G21 G90 G00 Y2": Request(1, ("G21", "G90", "G0"), {"Y": 2.0}),
}


def test_check_word_is_the_catalogued_one():
    # Check value of "123456789" for CRC-16/IBM-3740 in the usual CRC catalogue (from memory).
    assert check_word(b"123456789") == "29B1"


@given(st.binary(max_size=60))
def test_check_word_is_the_remainder_of_the_polynomial_division(data):
    assert int(check_word(data), 16) == crc_by_bits(data)


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize("body", MESSAGES)
def test_message_whole_and_byte_by_byte(body, end):
    whole = framed(body, end)
    assert parse(whole) == [MESSAGES[body]]
    parser = RequestParser(AXES)
    *before, last = (parser.feed(byte) for byte in whole)
    assert before == [None] * (len(whole) - 1)
    assert last == MESSAGES[body]


@given(st.sampled_from(sorted(MESSAGES)), st.binary(max_size=400))
def test_message_survives_whatever_follows_it(body, junk):
    assert parse(framed(body) + junk)[0] == MESSAGES[body]


@given(st.sampled_from(sorted(MESSAGES)), st.binary(max_size=400))
def test_message_survives_whatever_came_before_its_line(body, junk):
    assert parse(junk + b"\n" + framed(body))[-1] == MESSAGES[body]


@given(st.lists(st.sampled_from(sorted(MESSAGES)), max_size=5))
def test_messages_in_a_row(bodies):
    assert parse(b"".join(framed(body) for body in bodies)) == [MESSAGES[body] for body in bodies]


@given(st.sampled_from(sorted(MESSAGES)), st.data())
def test_a_flipped_byte_is_never_executed_as_something_else(body, data):
    whole = bytearray(framed(body))
    place = data.draw(st.integers(0, len(whole) - 1))
    whole[place] ^= data.draw(st.integers(1, 255))
    for message in parse(bytes(whole)):
        assert message == MESSAGES[body] or isinstance(message, Unreadable)


@given(st.binary(max_size=2000))
def test_any_bytes_are_survived_within_the_ceiling(data):
    parser = RequestParser(AXES)
    for byte in data:
        assert isinstance(parser.feed(byte), Request | Unreadable | None)
        assert len(parser._buffer) <= LONGEST_MESSAGE + 1


def test_longest_message_is_read_and_a_longer_one_is_not():
    body = b"N1 Q1" + b" " * (LONGEST_MESSAGE - len(b"N1 Q1 KFFFF"))
    assert len(framed(body, b"")) == LONGEST_MESSAGE
    assert parse(framed(body, b"\r\n")) == [Request(1, ("Q1",), {})]
    assert parse(framed(body + b" ")) == [Unreadable(0, 2, "MESSAGE TOO LONG")]
    assert parse(framed(body, b"") + b"\rmore\n") == [Unreadable(0, 2, "MESSAGE TOO LONG")]
    assert parse(b"X" * 10_000 + b"\n" + framed(b"N2 Q1")) == [
        Unreadable(0, 2, "MESSAGE TOO LONG"),
        Request(2, ("Q1",), {}),
    ]


@pytest.mark.parametrize(
    ("raw", "number", "error"),
    [
        (b"N7 Q1 K0000", 7, 1),
        (b"N7 Q1", 7, 1),
        (b"hello", 0, 1),
        (framed(b"Q1", b""), 0, 2),
        (framed(b"N0 Q1", b""), 0, 2),
        (framed(b"N12345 Q1", b""), 0, 2),
        (framed(b"N7", b""), 7, 2),
        (framed(b"N7 X1", b""), 7, 2),
        (framed(b"N7 G00 X1 X2", b""), 7, 2),
        (framed(b"N7 G00 Z1", b""), 7, 2),
        (framed(b"N7 G00 X1e3", b""), 7, 2),
        (framed(b"N7 G00 X", b""), 7, 2),
        (framed(b"N7 G00 Xnan", b""), 7, 2),
        (framed(b"N7 G-1 X1", b""), 7, 2),
        (framed(b"N7 g00 X1", b""), 7, 2),
        (framed(b"N7 G00 X\xb2", b""), 7, 2),
    ],
)
def test_what_is_no_request_says_why(raw, number, error):
    (message,) = parse(raw + b"\n")
    assert isinstance(message, Unreadable)
    assert (message.number, message.error) == (number, error)


# --- controller ------------------------------------------------------------------------------------


def test_powers_up_not_homed_closed_and_dark(person):
    assert person.ask("Q2") == "STATE IDLE HOMED 0 LIMIT 0 LOCK 1 SHUTTER 0 LAMP 0"
    assert person.ask("Q3").startswith("ID ")
    for move in ("G00 X1", "G01 X1 F60"):
        assert person.ask(move) == "ERR03 NOT HOMED"


def test_every_message_is_answered_however_its_bytes_arrive(build, at_line):
    nuisances = Nuisances(mount=MountNuisances.none(), line=LineNuisances(read_chunk_bytes=1))
    bench = build(nuisances=nuisances, seed=0)
    person = at_line(bench.line)
    for words in ("Q3", "Q2", "G21", "G90", "M23", "M24", "M22", "M00", "Q1", "G28"):
        for byte in person.request(words):
            bench.line.write(bytes([byte]))
        number, answer = person.answer()
        assert number == person.number
        assert not answer.startswith("ERR")


def test_homes_and_says_so(bench, person):
    assert person.ask("G28") == "DONE"
    assert person.state()["STATE"] == "HOMING"
    assert person.ask("G28").startswith("ERR05")
    bench.clock.sleep_s(60.0)
    assert person.state() == person.state() | {"STATE": "IDLE", "HOMED": "1"}
    assert person.ask("Q1") == "AT X0.0000 Y0.0000 A0.0000 B0.0000"


def test_moves_there_in_distance_over_speed(bench, homed):
    began_s = bench.clock.now_s()
    assert homed.ask("G00 X4 Y-1.2347 B0.125") == "DONE"
    while homed.state()["STATE"] == "MOVING":
        bench.clock.sleep_s(0.01)
    # 4 mm at 2 mm/s and one ramp of 0.1 s; the polling is 0.02 s coarse.
    assert bench.clock.now_s() - began_s == pytest.approx(2.1, abs=0.03)
    assert homed.ask("Q1") == "AT X4.0000 Y-1.2350 A0.0000 B0.1250"
    assert bench.truth().positions["X"] == pytest.approx(4.0, abs=1e-9)


@pytest.mark.parametrize(
    ("words", "expected_s"),
    [
        ("G01 X3 Y4 F60", 5.0),  # 5 mm along the line at 60 mm/min
        ("G01 X0.5 A0.25 F60", 0.5),  # the feed is that of the linear axes
        ("G01 A0.3 B0.4 F30", 1.0),  # deg/min when only rotary axes move
        ("G01 X2 F6000", 1.0),  # never faster than the axis
    ],
)
def test_feed_is_what_the_line_describes(bench, homed, words, expected_s):
    began_s = bench.clock.now_s()
    homed.ask(words)
    while homed.state()["STATE"] == "MOVING":
        bench.clock.sleep_s(0.005)
    assert bench.clock.now_s() - began_s == pytest.approx(expected_s + 0.1, abs=0.03)


def test_feed_is_modal_and_must_be_given_once(homed, bench):
    assert homed.ask("G01 X1").startswith("ERR02")
    assert homed.ask("G01 X1 F0").startswith("ERR02")
    assert homed.ask("G01 X1 F600") == "DONE"
    bench.clock.sleep_s(10.0)
    assert homed.ask("G01 X0") == "DONE"


@pytest.mark.parametrize("words", ["G00", "Q1 X1", "M21 M23", "M99", "G91", "Q4", "G00 G01 X1", "M00 X1"])
def test_words_that_make_no_sense_are_refused(homed, words):
    assert homed.ask(words).startswith("ERR02")
    assert homed.positions()["X"] == 0.0


@pytest.mark.parametrize("words", ["G00 X6.001", "G01 X0 B-3.0005 F60"])
def test_out_of_travel_is_refused_and_nothing_moves(bench, homed, words):
    assert homed.ask(words).startswith("ERR04")
    assert homed.state()["STATE"] == "IDLE"
    assert bench.truth().positions == pytest.approx(dict.fromkeys(AXES, 0.0), abs=1e-9)


def test_busy_while_moving_but_stop_is_taken(bench, homed):
    homed.ask("G00 X4")
    assert homed.ask("G00 X0").startswith("ERR05")
    bench.clock.sleep_s(0.8)
    assert homed.ask("M00") == "DONE"
    bench.clock.sleep_s(0.05)  # docs/line.md: motion ends within 50 ms
    assert homed.state()["STATE"] == "STOPPED"
    stopped_at = homed.positions()["X"]
    assert 1.0 < stopped_at < 2.0
    assert bench.truth().positions["X"] == pytest.approx(stopped_at, abs=1e-9), "position is kept"
    bench.clock.sleep_s(5.0)
    assert homed.positions()["X"] == stopped_at
    assert homed.ask("G00 X0") == "DONE"


def test_stop_is_accepted_in_every_state(bench, person):
    for prepare in (lambda: None, lambda: person.ask("G28"), bench.controller.reset):
        prepare()
        bench.clock.sleep_s(1.0)
        assert person.ask("M00") == "DONE"
        assert person.ask("M00") == "DONE"
    person.ask("G28")
    bench.clock.sleep_s(0.2)
    person.ask("M00")
    bench.clock.sleep_s(0.1)
    assert person.state() == person.state() | {"STATE": "STOPPED", "HOMED": "0"}


def test_shutter_reports_its_own_switch(bench, person):
    assert person.ask("M21") == "DONE"
    bench.clock.sleep_s(0.05)
    assert person.state()["SHUTTER"] == "1"
    assert bench.truth().shutter_open
    bench.controller.stick_shutter("open")
    assert person.ask("M22") == "DONE"
    bench.clock.sleep_s(0.05)
    assert person.state()["SHUTTER"] == "1"
    bench.controller.stick_shutter(None)
    assert person.state()["SHUTTER"] == "0"


def test_shutter_takes_time_to_swing(bench, person):
    person.ask("M21")
    assert person.state()["SHUTTER"] == "0"
    bench.clock.sleep_s(0.03)
    assert person.state()["SHUTTER"] == "1"


def test_open_interlock_closes_the_shutter_by_itself(bench, person):
    person.ask("M21")
    bench.clock.sleep_s(0.05)
    bench.controller.set_interlock(closed=False)
    bench.clock.sleep_s(0.05)
    assert person.state() == person.state() | {"LOCK": "0", "SHUTTER": "0"}
    assert person.ask("M21").startswith("ERR06")
    assert person.ask("M22") == "DONE"
    bench.controller.set_interlock(closed=True)
    assert person.state() == person.state() | {"LOCK": "1", "SHUTTER": "0"}
    assert person.ask("M21") == "DONE"


def test_lamp_goes_on_and_off(bench, person):
    person.ask("M23")
    assert person.state()["LAMP"] == "1"
    assert bench.truth().lamp_on
    person.ask("M24")
    assert person.state()["LAMP"] == "0"


def test_stall_is_a_fault_that_only_homing_leaves(bench, homed):
    homed.ask("G00 X4")
    bench.clock.sleep_s(1.0)
    bench.controller.stall()
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "0"}
    assert homed.ask("G00 X0").startswith("ERR08")
    homed.ask("M00")
    assert homed.state()["STATE"] == "FAULT"
    assert bench.truth().positions["X"] < homed.positions()["X"] - 0.01, "steps were lost"
    assert homed.ask("G28") == "DONE"
    bench.clock.sleep_s(60.0)
    assert homed.state()["STATE"] == "IDLE"


def test_limit_switch_is_a_fault_that_only_homing_leaves(bench, homed):
    bench.mount.slip("X", 2000.0)
    homed.ask("G00 X6")
    bench.clock.sleep_s(10.0)
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "1"}
    assert homed.ask("G00 X0").startswith("ERR07")
    homed.ask("G28")
    bench.clock.sleep_s(60.0)
    assert homed.state() == homed.state() | {"STATE": "IDLE", "LIMIT": "0", "HOMED": "1"}
    assert bench.truth().positions["X"] == pytest.approx(0.0, abs=1e-9)


def test_stall_of_motors_that_stand_strikes_the_next_move(bench, homed):
    bench.controller.stall()
    assert homed.state()["STATE"] == "IDLE"
    assert homed.ask("G00 X1") == "DONE"
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "0"}


def test_request_of_no_readable_number_is_answered_with_number_0(bench, person):
    bench.line.write(b"hello\n")
    number, answer = person.answer()
    assert number == 0
    assert answer.startswith("ERR01")


def test_replies_that_nobody_reads_are_dropped_at_a_ceiling(bench, person):
    for _ in range(20):
        bench.line.write(b"".join(person.request("Q3") for _ in range(100)))
    replies = 0
    while bench.line.read(10_000, 1.0):
        replies += 1
    assert 64 <= replies <= 256
    assert person.ask("Q3").startswith("ID ")


def test_forced_limit_strikes_the_next_move(bench, homed):
    bench.controller.trip_limit()
    assert homed.state()["STATE"] == "IDLE"
    assert homed.ask("G00 X1") == "DONE"
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "1"}


def test_motion_that_never_ends_is_ended_by_stop(bench, homed):
    bench.controller.never_arrive()
    homed.ask("G00 X1")
    bench.clock.sleep_s(1000.0)
    assert homed.state()["STATE"] == "MOVING"
    assert homed.positions()["X"] == 1.0
    homed.ask("M00")
    assert homed.state()["STATE"] == "STOPPED"
    assert homed.ask("G00 X0") == "DONE"


def test_reset_loses_position_and_everything_else(bench, homed):
    homed.ask("G00 X1")
    homed.ask("M21")
    homed.ask("M23")
    bench.clock.sleep_s(5.0)
    bench.controller.reset()
    homed.port.write(homed.request("Q2"))
    assert homed.port.read(100, 0.3) == b"", "silent while it boots"
    bench.clock.sleep_s(1.0)
    assert homed.ask("Q2") == "STATE IDLE HOMED 0 LIMIT 0 LOCK 1 SHUTTER 0 LAMP 0"
    assert homed.positions()["X"] == 0.0
    assert bench.truth().positions["X"] == pytest.approx(1.0, abs=1e-9)


def test_axis_that_the_line_has_no_word_for_is_refused():
    axis = AxisSpec("F", "mm", -1.0, 1.0, 0.001, "decenter_x", 1.0, 0.0)
    mount = SimMount(
        [axis], draw_mount([axis], MountNuisances(), np.random.default_rng(0)), np.random.default_rng(0)
    )
    with pytest.raises(ValueError, match="no word on the simulated line"):
        SimController(mount, SimClock())


# --- line and tap ----------------------------------------------------------------------------------


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
