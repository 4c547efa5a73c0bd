import pytest
from hypothesis import given
from hypothesis import strategies as st

from driver.checks import CHECKS, crc16, sum8, xor8
from driver.phrases import PhraseTable
from driver.wire import Framing, Kind, Wire

WORD = PhraseTable.named("word_address").line
COMMA = PhraseTable.named("comma_steps").line
PRINTABLE = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=100)


def anything(words: str) -> bool:
    return True


def reply(sequence: int, words: str) -> bytes:
    return Framing(WORD).wrap(WORD.reply, words, sequence) + b"\n"


def test_crc_has_the_published_check_value():
    # CRC catalogues list check("123456789") = 29B1 for CRC-16/IBM-3740 (from memory).
    assert crc16(b"123456789") == 0x29B1


def test_the_other_checks_by_hand():
    assert xor8(b"\x0f\xf0\x01") == 0xFE
    assert sum8(b"\xff\x02") == 0x01
    assert {name: digits for name, (_, digits) in CHECKS.items()} == {"crc16": 4, "xor": 2, "sum8": 2}


def test_a_request_carries_number_check_and_end():
    wire = Wire(WORD)
    assert wire.request("Q1", anything) == b"N1 Q1 K08AB\n"
    assert wire.request("Q1", anything).startswith(b"N2 ")
    assert Wire(COMMA).request("where?", anything) == b"where?\r"


def test_the_number_wraps_at_its_end():
    wire = Wire(WORD.model_copy(update={"sequence_min": 7, "sequence_max": 9}))
    numbers = [wire.request("Q1", anything).split()[0] for _ in range(4)]
    assert numbers == [b"N7", b"N8", b"N9", b"N7"]


@pytest.mark.parametrize("junk", [b"", b"xx", b"N9 DO", b"\r\n\n", reply(1, "DONE")])
def test_a_whole_message_with_junk_behind_it(junk: bytes):
    wire = Wire(WORD)
    wire.request("G21", anything)
    messages = wire.feed(reply(1, "DONE") + junk)
    assert (messages[0].kind, messages[0].words) == (Kind.ANSWER, "DONE")
    assert all(message.kind is not Kind.ANSWER for message in messages[1:])


def test_a_message_byte_by_byte():
    wire = Wire(WORD)
    wire.request("G21", anything)
    data = reply(1, "DONE").replace(b"\n", b"\r\n")
    found = [message for at in range(len(data)) for message in wire.feed(data[at : at + 1])]
    assert [(message.kind, message.words) for message in found] == [(Kind.ANSWER, "DONE")]
    assert wire.counts.answers == 1


@given(PRINTABLE, st.integers(1, 9999), st.lists(st.integers(1, 30), max_size=20))
def test_framing_is_invertible_in_any_pieces(words: str, sequence: int, cuts: list[int]):
    for check in ("crc16", "xor", "sum8"):
        line = WORD.model_copy(update={"check": check})
        framing = Framing(line)
        data = framing.wrap(line.request, words, sequence)
        assert framing.unwrap(line.request, data) == (sequence, words)
        wire = Wire(line.model_copy(update={"sequence_min": sequence, "sequence_max": 9999 + 1}))
        wire.request("Q1", anything)
        rest, found = framing.wrap(line.reply, words, sequence) + b"\n", []
        for cut in cuts:
            found += wire.feed(rest[:cut])
            rest = rest[cut:]
        found += wire.feed(rest)
        assert [(message.kind, message.words) for message in found] == [(Kind.ANSWER, words)]


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_no_bytes_make_an_answer_or_break_the_wire(chunks: list[bytes]):
    wire = Wire(WORD)
    wire.request("Q1", anything)
    for chunk in chunks:
        assert all(message.kind is not Kind.ANSWER for message in wire.feed(chunk))
        assert len(wire._buffer) <= WORD.max_bytes + 3
    wire.give_up()
    wire.request("Q1", anything)
    assert [message.kind for message in wire.feed(reply(2, "AT"))] == [Kind.ANSWER]


@given(st.integers(0, 12), st.integers(0, 7))
def test_every_flipped_bit_is_noticed(byte: int, bit: int):
    data = bytearray(reply(1, "DONE"))[:-1]
    data[byte % len(data)] ^= 1 << bit
    wire = Wire(WORD)
    wire.request("G21", anything)
    assert all(message.kind is not Kind.ANSWER for message in wire.feed(bytes(data) + b"\n"))


def test_a_late_reply_is_recognised_counted_and_no_answer():
    wire = Wire(WORD)
    wire.request("Q1", anything)
    wire.request("Q2", anything)
    first, second = reply(1, "AT X0"), reply(2, "STATE")
    assert [message.kind for message in wire.feed(first + second)] == [Kind.LATE, Kind.ANSWER]
    assert wire.counts.late == 1


def test_a_doubled_reply_answers_once():
    wire = Wire(WORD)
    wire.request("Q1", anything)
    assert [message.kind for message in wire.feed(reply(1, "A") * 2)] == [Kind.ANSWER, Kind.LATE]


def test_a_number_never_given_out_is_astray():
    wire = Wire(WORD)
    wire.request("Q1", anything)
    assert [message.kind for message in wire.feed(reply(5, "A"))] == [Kind.STRAY]
    assert wire.counts.stray == 1


def test_the_right_number_with_the_wrong_words_is_unexpected():
    wire = Wire(WORD)
    wire.request("Q1", lambda words: words.startswith("AT"))
    assert [message.kind for message in wire.feed(reply(1, "DONE"))] == [Kind.UNEXPECTED]
    assert wire.counts.unexpected == 1


def test_without_numbers_only_fitting_words_answer():
    wire = Wire(COMMA)
    wire.request("where?", lambda words: words.startswith("at,"))
    kinds = [message.kind for message in wire.feed(b"ok\rat,1,2\rat,1,2\r")]
    assert kinds == [Kind.UNEXPECTED, Kind.ANSWER, Kind.STRAY]


def test_an_overlong_message_is_dropped_to_its_end_and_counted_once():
    wire = Wire(WORD)
    wire.request("G21", anything)
    messages = wire.feed(b"x" * 5000 + b"\n" + reply(1, "DONE"))
    assert [message.kind for message in messages] == [Kind.GARBLED, Kind.ANSWER]
    assert (wire.counts.overlong, wire.counts.garbled) == (1, 0)


def test_a_message_longer_than_the_line_allows_is_garbled_even_with_a_right_check():
    long = WORD.model_copy(update={"max_bytes": 400})
    data = Framing(long).wrap(long.reply, "A" * 155, 1) + b"\n"
    wire = Wire(WORD)
    wire.request("Q1", anything)
    assert [message.kind for message in wire.feed(data)] == [Kind.GARBLED]


def test_an_end_of_two_characters_may_come_apart_even_after_too_much():
    line = COMMA.model_copy(update={"reply_terminator": "\r\n", "ignored_ending": ""})
    wire = Wire(line)
    wire.request("where?", anything)
    assert wire.feed(b"y" * 200 + b"\r")[0].kind is Kind.GARBLED
    assert [message.words for message in wire.feed(b"\nat,1\r\n")] == ["at,1"]


def test_half_a_message_is_forgotten_when_the_request_is_given_up():
    wire = Wire(WORD)
    wire.request("Q1", anything)
    wire.feed(b"N1 AT X1")
    wire.request("Q1", anything)
    assert [message.words for message in wire.feed(reply(2, "AT X2"))] == ["AT X2"]
    assert wire.counts.garbled == 1


def test_the_rest_of_an_overlong_message_is_not_counted_again():
    wire = Wire(WORD)
    wire.feed(b"x" * 5000)
    wire.give_up()
    assert (wire.counts.overlong, wire.counts.garbled) == (1, 0)


@pytest.mark.parametrize("words", ["Q1\n", "\x07", "grün"])
def test_only_printable_ascii_goes_out(words: str):
    with pytest.raises(ValueError, match="not printable ASCII"):
        Wire(WORD).request(words, anything)


def test_too_long_a_request_does_not_go_out():
    with pytest.raises(ValueError, match="more than the 160"):
        Wire(WORD).request("X" * 160, anything)


def test_replies_that_are_not_ascii_or_not_framed_are_garbled():
    wire = Wire(WORD)
    wire.request("Q1", anything)
    assert [m.kind for m in wire.feed(b"\xffN1\n" + b"Q K" + b"0000\n")] == [Kind.GARBLED] * 2
    # A right check over something that is no reply.
    body = b"M1 DONE"
    assert wire.feed(body + f" K{crc16(body):04X}\n".encode())[0].kind is Kind.GARBLED


def test_literal_braces_and_pattern_characters_in_templates():
    line = COMMA.model_copy(update={"request": "{{{words}}}*", "reply": "({words})+"})
    framing = Framing(line)
    assert framing.wrap(line.request, "a", None) == b"{a}*"
    assert framing.unwrap(line.request, b"{a}*") == (None, "a")
    assert framing.unwrap(line.reply, b"(b)+") == (None, "b")
    assert framing.unwrap(line.reply, b"((b)") is None
