"""Requests and replies under a disturbed line."""

from collections.abc import Callable
from typing import Any

import pytest
from driver_help import code_of

from driver.exchange import Timing
from driver.faults import DeviceFault, FaultCode
from driver.phrases import PhraseTable


def first(rig: Any, asked: str, change: Callable[[bytes], bytes], times: int = 1) -> None:
    """Change the first replies to one request."""
    left = [times]

    def spoil(words: str, reply: bytes) -> bytes:
        if words == asked and left[0] > 0:
            left[0] -= 1
            return change(reply)
        return reply

    rig.controller.spoil = spoil


def flipped(reply: bytes) -> bytes:
    return reply[:1] + bytes([reply[1] ^ 1]) + reply[2:]


SPOILT: list[Callable[[bytes], bytes]] = [
    lambda reply: b"",
    flipped,
    lambda reply: reply[1:],
    lambda reply: reply[:-1],
    lambda reply: reply[:7],
    lambda reply: b"\x00" + reply,
    lambda reply: b"noise" + reply,
    lambda reply: b"x" * 1000 + b"\n",
    lambda reply: b"\xff\xfe\n",
]


@pytest.mark.parametrize("table", ["word_address", "comma_steps"])
@pytest.mark.parametrize("change", SPOILT)
def test_a_query_whose_reply_is_spoilt_is_asked_again_and_counted(make_rig: Any, table: str, change: Any):
    rig = make_rig(table)
    asked = "Q1" if table == "word_address" else "where?"
    rig.motion.move_to({"X": 0.5})
    rig.controller.heard.clear()
    first(rig, asked, change, times=2)
    assert rig.motion.positions() == {"X": 0.5, "Y": 0.0, "A": 0.0, "B": 0.0}
    assert rig.controller.heard == [asked] * 3
    assert rig.motion.counts.retried == 2
    assert rig.motion.fault is None


def test_without_a_check_word_a_pattern_catches_what_it_can(make_rig: Any):
    rig = make_rig("comma_steps")
    first(rig, "busy?", lambda reply: b"\x2f\r")
    assert rig.motion.state().activity.at_rest
    assert rig.motion.counts.retried == 1


def test_without_a_check_word_a_wrong_digit_is_caught_by_comparing_positions(make_rig: Any):
    rig = make_rig("comma_steps")
    rig.motion.move_to({"X": 1.0})
    first(rig, "where?", lambda reply: reply.replace(b"at,2", b"at,6"))
    assert code_of(lambda: rig.motion.move_to({"X": 2.0})) is FaultCode.POSITION_LOST
    assert len(rig.controller.motions()) == 1


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda reply: b"", FaultCode.NO_REPLY),
        (flipped, FaultCode.REPLY_GARBLED),
        (lambda reply: b"N9999 DONE K03B8\n", FaultCode.REPLY_GARBLED),
    ],
)
def test_after_all_attempts_there_is_a_fault_and_it_is_latched(rig: Any, change: Any, code: FaultCode):
    first(rig, "Q1", change, times=99)
    start_s = rig.clock.time_s
    assert code_of(rig.motion.positions) is code
    assert len(rig.controller.heard) == Timing().attempts
    assert rig.clock.time_s - start_s < 3 * Timing().reply_s + 0.2
    assert rig.motion.fault is not None
    rig.controller.spoil = lambda words, reply: reply
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is code


def test_replies_of_other_requests_are_a_mismatch(rig: Any):
    first(rig, "Q1", lambda reply: rig.controller.seal("N77 DONE"), times=99)
    assert code_of(rig.motion.positions) is FaultCode.REPLY_MISMATCH
    assert rig.motion.counts.stray == 3


def test_the_right_number_with_wrong_words_does_not_wait(rig: Any):
    first(rig, "Q1", lambda reply: rig.controller.seal(f"N{rig.motion.counts.requests} DONE"), times=99)
    start_s = rig.clock.time_s
    assert code_of(rig.motion.positions) is FaultCode.REPLY_MISMATCH
    assert rig.clock.time_s - start_s < Timing().reply_s
    assert rig.motion.counts.unexpected == 3


def test_a_late_reply_is_not_taken_for_the_next_answer(rig: Any):
    late: list[bytes] = []

    def hold(words: str, reply: bytes) -> bytes:
        if words == "Q1" and not late:
            late.append(reply)
            return b""
        # The old reply comes just before the new one; it says another position.
        return (late[0] if words == "Q1" else b"") + reply

    rig.controller.spoil = hold
    rig.mechanics.on_look = lambda m: None
    positions = rig.motion.positions()
    assert positions["X"] == 0.0
    assert rig.motion.counts.late == 1
    assert rig.motion.counts.retried == 1


def test_the_reply_of_the_previous_command_is_not_taken_for_this_ones(rig: Any):
    last = [b""]

    def shift(words: str, reply: bytes) -> bytes:
        out, last[0] = last[0], reply
        return out if "G01" in words else reply

    rig.controller.spoil = shift
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.REPLY_MISMATCH
    assert len(rig.controller.motions()) == 1


def test_doubled_replies_do_no_harm(rig: Any):
    rig.controller.spoil = lambda words, reply: reply + reply
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0
    assert rig.motion.counts.late > 0
    assert rig.motion.counts.retried == 0


@pytest.mark.parametrize("change", SPOILT[:6])
def test_a_move_is_never_sent_twice(rig: Any, change: Any):
    first(rig, "G01 X1.0000 F120.0000", change)
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) in (
        FaultCode.NO_REPLY,
        FaultCode.REPLY_GARBLED,
        FaultCode.REPLY_MISMATCH,
    )
    assert len(rig.controller.motions()) == 1
    assert rig.mechanics.state == "STOPPED"


def test_a_query_that_the_controller_could_not_read_is_asked_again(rig: Any):
    first(rig, "Q1", lambda reply: rig.controller.seal(f"N{rig.motion.counts.requests} ERR01 CHECK WORD"), 2)
    assert rig.motion.positions()["X"] == 0.0
    first(rig, "Q1", lambda reply: rig.controller.seal(f"N{rig.motion.counts.requests} ERR01 CHECK WORD"), 99)
    assert code_of(rig.motion.positions) is FaultCode.REPLY_GARBLED


@pytest.mark.parametrize("words", ["ERR02 NOT UNDERSTOOD", "ERR05 BUSY"])
def test_a_query_that_is_refused_is_a_fault_with_the_controllers_words(rig: Any, words: str):
    first(rig, "Q1", lambda reply: rig.controller.seal(f"N{rig.motion.counts.requests} {words}"), 99)
    with pytest.raises(DeviceFault) as fault:
        rig.motion.positions()
    assert fault.value.code is FaultCode.REFUSED_BY_CONTROLLER
    assert words in fault.value.came


def test_a_state_word_that_nobody_knows_is_a_fault(rig: Any):
    def rename(reply: bytes) -> bytes:
        body = reply.rpartition(b" K")[0].replace(b"IDLE", b"ASLEEP")
        sealed: bytes = rig.controller.seal(body.decode())
        return sealed

    first(rig, "Q2", rename)
    assert code_of(rig.motion.state) is FaultCode.REPLY_MISMATCH


def test_bytes_that_trickle_in_for_ever_cannot_keep_a_request(rig: Any):
    rig.controller.spoil = lambda words, reply: b""
    reads = [0]

    def trickle(call: str) -> None:
        reads[0] += call == "read"
        rig.port.waiting = b"x"

    rig.port.before = trickle
    assert code_of(rig.motion.positions) is FaultCode.REPLY_GARBLED
    assert reads[0] < 3 * (2 * 20 + 2 * 160 + 100)


def test_what_an_earlier_session_left_on_the_line_is_dropped(make_rig: Any):
    rig = make_rig(ready=False)
    rig.port.waiting = b"x" * 10000 + b"\nN1 DONE\n" + rig.controller.seal("N1 STATE") + b"half"
    assert rig.motion.connect() == "TEST CONTROLLER"


def test_an_identity_that_does_not_come(make_rig: Any):
    rig = make_rig(ready=False)
    first(rig, "Q3", lambda reply: b"", 99)
    assert code_of(rig.motion.connect) is FaultCode.NO_REPLY


def test_a_request_that_lost_its_end_does_not_spoil_the_next(make_rig: Any):
    rig = make_rig(timing=Timing(attempts=2, stop_attempts=2))
    rig.port.ends_to_lose = 1
    assert rig.motion.positions()["X"] == 0.0
    rig.port.ends_to_lose = 1
    rig.motion.stop()
    assert rig.controller.heard.count("M00") == 2


def test_a_command_to_a_silent_controller_waits_no_longer_than_told(make_rig: Any):
    rig = make_rig(timing=Timing(reply_s=0.3))
    first(rig, "M23", lambda reply: b"", 99)
    start_s = rig.clock.time_s
    assert code_of(rig.motion.lamp.on) is FaultCode.NO_REPLY
    assert rig.clock.time_s - start_s < 0.4
    assert rig.controller.heard == ["M23"]


def test_faults_say_state_question_answer_and_remedy(rig: Any):
    first(rig, "Q1", lambda reply: b"", 99)
    with pytest.raises(DeviceFault) as fault:
        rig.motion.positions()
    assert fault.value.state == "ready"
    assert fault.value.asked == "query the positions"
    assert fault.value.came == "nothing within 3 times 2 s"
    assert "phrase table" in fault.value.remedy


def test_the_number_wraps_in_use(make_rig: Any):
    mapping = PhraseTable.named().model_dump(exclude_none=True)
    mapping["line"]["sequence_max"] = 5
    rig = make_rig(PhraseTable.from_mapping(mapping))
    for target in (1.0, 2.0, 3.0):
        assert rig.motion.move_to({"X": target})["X"] == target
    assert rig.motion.counts.late == rig.motion.counts.retried == 0
