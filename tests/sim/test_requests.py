"""The parser of requests against docs/line.md: every message, however its bytes arrive."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.requests import LONGEST_MESSAGE, Request, RequestParser, Unreadable, check_word

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
