"""The controller's own parser of docs/line.md: bytes in, requests out, one byte at a time.

Written from the description of the line alone; it shares nothing with the station's side, so that an error in
one of the two shows as a disagreement.
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Mapping
from dataclasses import dataclass

LONGEST_MESSAGE = 160
"""Bytes of a message, the terminator not counted."""

_LF, _CR = 0x0A, 0x0D
_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")


@dataclass(frozen=True, slots=True)
class Request:
    """A request that could be read.

    Attributes
    ----------
    number : int
        Sequence number, 1 to 9999.
    codes : tuple of str
        G, M and Q words in their shortest form: "G1", "M21", "Q2".
    values : mapping of str to float
        Words with a value: axes and the feed "F".
    """

    number: int
    codes: tuple[str, ...]
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A message that is no request.

    Attributes
    ----------
    number : int
        Sequence number as far as it could be read, else 0.
    error : int
        1 check word wrong, 2 not understood.
    why : str
    """

    number: int
    error: int
    why: str


def check_word(data: bytes) -> str:
    """Return the check word of ``data``: CRC-16, polynomial 0x1021, start 0xFFFF, four hexadecimal digits."""
    return f"{binascii.crc_hqx(data, 0xFFFF):04X}"


class RequestParser:
    """Collects bytes until a message is complete; never holds more than the longest message.

    Parameters
    ----------
    axis_letters : sequence of str
        Words that name an axis.
    """

    __slots__ = ("_axis_letters", "_buffer", "_overrun")

    def __init__(self, axis_letters: tuple[str, ...]) -> None:
        self._axis_letters = frozenset(axis_letters)
        self._buffer = bytearray()
        self._overrun = False

    def feed(self, byte: int) -> Request | Unreadable | None:
        """Take one byte; return what a complete message says, None while it is incomplete."""
        if byte != _LF:
            self._hold(bytes((byte,)))
            return None
        message, overrun = bytes(self._buffer), self._overrun
        self.clear()
        message = message.removesuffix(bytes([_CR]))
        if overrun or len(message) > LONGEST_MESSAGE:
            return Unreadable(0, 2, "MESSAGE TOO LONG")
        return self._read(message) if message else None

    def feed_all(self, data: bytes) -> list[Request | Unreadable]:
        """Take any number of bytes and return what they complete; the same as feeding each."""
        found = []
        start = 0
        while (end := data.find(_LF, start)) >= 0:
            self._hold(data[start:end])
            message = self.feed(_LF)
            if message is not None:
                found.append(message)
            start = end + 1
        self._hold(data[start:])
        return found

    def _hold(self, data: bytes) -> None:
        """Keep bytes of an unfinished message, up to one more than allowed: the CR before LF."""
        room = LONGEST_MESSAGE + 1 - len(self._buffer)
        self._buffer += data[:room]
        self._overrun = self._overrun or len(data) > room

    def clear(self) -> None:
        """Forget what was received of an unfinished message."""
        self._buffer.clear()
        self._overrun = False

    def _read(self, message: bytes) -> Request | Unreadable:
        number = _number_of(message)
        body, blank, check = message.rpartition(b" ")
        if not (blank and check.startswith(b"K") and check[1:] == check_word(body).encode()):
            return Unreadable(number, 1, "CHECK WORD")
        if not number:
            return Unreadable(0, 2, "SEQUENCE NUMBER")
        try:
            words = [_split(word) for word in body.decode("ascii").split(" ")[1:] if word]
            return self._sort(number, words)
        except ValueError as error:
            return Unreadable(number, 2, str(error))

    def _sort(self, number: int, words: list[tuple[str, str]]) -> Request:
        codes: list[str] = []
        values: dict[str, float] = {}
        for letter, digits in words:
            if letter in "GMQ":
                if not digits.isdigit():
                    raise ValueError(f"WORD {letter}{digits}")
                codes.append(f"{letter}{int(digits)}")
            elif letter == "F" or letter in self._axis_letters:
                if letter in values:
                    raise ValueError(f"WORD {letter} TWICE")
                values[letter] = float(digits)
            else:
                raise ValueError(f"WORD {letter}")
        if not codes:
            raise ValueError("NO G M OR Q WORD")
        return Request(number, tuple(codes), values)


def _split(word: str) -> tuple[str, str]:
    match = _WORD.fullmatch(word)
    if match is None:
        raise ValueError("WORD " + re.sub(r"[^!-~]", "?", word)[:20])
    return match[1], match[2]


def _number_of(message: bytes) -> int:
    """Return the sequence number, 0 when the message does not begin with one."""
    match = re.match(rb"N(\d{1,4})(?= |$)", message)
    return int(match[1]) if match else 0
