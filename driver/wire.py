"""Bytes to messages and back, without any input or output of its own.

A :class:`Wire` is told which request goes out and is fed what comes in; it says which message answers the
request and counts everything else.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from driver.checks import CHECKS
from driver.table_schema import LineTable, fields_of

REMEMBERED_REQUESTS = 64


class Kind(Enum):
    """What an incoming message is."""

    ANSWER = "answer"
    UNEXPECTED = "unexpected"
    LATE = "late"
    STRAY = "stray"
    GARBLED = "garbled"


@dataclass(frozen=True, slots=True)
class Message:
    """One incoming message.

    Attributes
    ----------
    kind : Kind
        ANSWER answers the open request. UNEXPECTED has its number (or there are no numbers) but is no
        reply to such a request. LATE carries the number of an earlier request, or answers it twice. STRAY
        has a number that was not given out of late, or came while nothing was asked. GARBLED cannot be read.
    words : str
        The reply's words; for GARBLED what was read, made printable.
    """

    kind: Kind
    words: str


@dataclass(slots=True)
class WireCounts:
    """What passed over the line since it was opened."""

    requests: int = 0
    answers: int = 0
    unexpected: int = 0
    late: int = 0
    stray: int = 0
    garbled: int = 0
    overlong: int = 0
    retried: int = 0


@dataclass(slots=True)
class _Open:
    sequence: int | None
    accepts: Callable[[str], bool]


class Framing:
    """Wraps words into a whole message and unwraps them, by the ``line`` part of a phrase table."""

    def __init__(self, line: LineTable) -> None:
        self.line = line
        self.numbered = line.numbered
        self._patterns = {template: _template_pattern(template) for template in (line.request, line.reply)}
        self._check: Callable[[bytes], int] | None = None
        if line.check_written is not None:
            self._check, self._digits = CHECKS[line.check]
            before, after = line.check_written.split("{check}")
            digits = f"(?P<check>[0-9A-F]{{{self._digits}}})"
            self._checked = re.compile(f"(?P<body>.*){re.escape(before)}{digits}{re.escape(after)}")

    def wrap(self, template: str, words: str, sequence: int | None) -> bytes:
        """Return a whole message with check and without terminator.

        Raises
        ------
        ValueError
            When it is not printable ASCII or longer than the line takes.
        """
        body = template.format(words=words, sequence=sequence)
        if not (body.isascii() and body.isprintable()):
            raise ValueError(f"{body!r} is not printable ASCII")
        if self._check is not None and self.line.check_written is not None:
            value = self._check(body.encode("ascii"))
            body += self.line.check_written.format(check=f"{value:0{self._digits}X}")
        if len(body) > self.line.max_bytes:
            raise ValueError(
                f"{len(body)} bytes are more than the {self.line.max_bytes} that the line takes: {body!r}"
            )
        return body.encode("ascii")

    def unwrap(self, template: str, message: bytes) -> tuple[int | None, str] | None:
        """Return sequence number and words of a message without terminator, None where it is garbled."""
        text = message.decode("ascii", errors="replace")
        if not (text.isascii() and text.isprintable()):
            return None
        if self._check is not None:
            whole = self._checked.fullmatch(text)
            if whole is None or int(whole["check"], 16) != self._check(whole["body"].encode("ascii")):
                return None
            text = whole["body"]
        match = self._patterns[template].fullmatch(text)
        if match is None:
            return None
        return (int(match["sequence"]) if self.numbered else None), match["words"]


class Wire:
    """One end of the line: at most one request is open at a time.

    Parameters
    ----------
    line : LineTable
        The ``line`` part of a phrase table.
    """

    def __init__(self, line: LineTable) -> None:
        self.counts = WireCounts()
        self._line = line
        self._framing = Framing(line)
        self._end = line.reply_terminator.encode("ascii")
        self._request_end = line.terminator.encode("ascii")
        self._ignored = line.ignored_ending.encode("ascii")
        self._ceiling = line.max_bytes + len(self._end) + len(self._ignored)
        self._buffer = bytearray()
        self._skipping = False
        self._next = line.sequence_min
        self._earlier: deque[int] = deque(maxlen=REMEMBERED_REQUESTS)
        self._open: _Open | None = None

    def request(self, words: str, accepts: Callable[[str], bool]) -> bytes:
        """Open a request and return its bytes; a request still open counts as given up.

        Parameters
        ----------
        words : str
            Words of the request.
        accepts : callable
            Says whether the words of a message can be the reply to such a request.
        """
        sequence = self._next if self._framing.numbered else None
        data = self._framing.wrap(self._line.request, words, sequence)
        self.give_up()
        if sequence is not None:
            self._next = self._line.sequence_min if sequence >= self._line.sequence_max else sequence + 1
        self._open = _Open(sequence, accepts)
        self.counts.requests += 1
        return data + self._request_end

    def give_up(self) -> None:
        """Close the open request unanswered, and forget half a message."""
        if self._open is not None and self._open.sequence is not None:
            self._earlier.append(self._open.sequence)
        self._open = None
        if self._buffer:
            # Half a message, or the rest of one that was too long and is counted already.
            self.counts.garbled += 0 if self._skipping else 1
            self._buffer.clear()
        self._skipping = False

    def feed(self, data: bytes) -> list[Message]:
        """Take in bytes and return the messages that they complete."""
        messages = []
        for start in range(0, len(data), self._ceiling):
            self._buffer += data[start : start + self._ceiling]
            while (at := self._buffer.find(self._end)) >= 0:
                message = bytes(self._buffer[:at])
                del self._buffer[: at + len(self._end)]
                if self._skipping:
                    self._skipping = False
                elif message:
                    messages.append(self._judge(message))
            if len(self._buffer) > self._ceiling:
                messages += self._overflow()
        return messages

    def _overflow(self) -> list[Message]:
        """Drop a message that is too long, up to its end: what follows may be whole again."""
        head = _printable(bytes(self._buffer[:16]))
        # The tail may hold the first half of a terminator of several characters.
        del self._buffer[: len(self._buffer) - (len(self._end) - 1)]
        if self._skipping:
            return []
        self._skipping = True
        self.counts.overlong += 1
        return [Message(Kind.GARBLED, f"{head}... without an end")]

    def _judge(self, message: bytes) -> Message:
        message = message.rstrip(self._ignored) if self._ignored else message
        unwrapped = None
        if len(message) <= self._line.max_bytes:
            unwrapped = self._framing.unwrap(self._line.reply, message)
        if unwrapped is None:
            self.counts.garbled += 1
            return Message(Kind.GARBLED, _printable(message))
        kind = self._kind(*unwrapped)
        setattr(self.counts, _COUNTED[kind], getattr(self.counts, _COUNTED[kind]) + 1)
        return Message(kind, unwrapped[1])

    def _kind(self, sequence: int | None, words: str) -> Kind:
        if self._open is None or sequence != self._open.sequence:
            return Kind.LATE if sequence in self._earlier else Kind.STRAY
        if not self._open.accepts(words):
            return Kind.UNEXPECTED
        if sequence is not None:
            self._earlier.append(sequence)
        self._open = None
        return Kind.ANSWER


_COUNTED = {Kind.ANSWER: "answers", Kind.UNEXPECTED: "unexpected", Kind.LATE: "late", Kind.STRAY: "stray"}


def _template_pattern(template: str) -> re.Pattern[str]:
    known = {"words": "(?P<words>.*)", "sequence": "(?P<sequence>[0-9]{1,9})"}
    pattern = template
    parts = []
    for name in fields_of(template):
        before, pattern = pattern.split(f"{{{name}}}", 1)
        parts += [re.escape(before.format()), known[name]]
    return re.compile("".join(parts) + re.escape(pattern.format()))


def _printable(data: bytes) -> str:
    return data[:64].decode("ascii", errors="backslashreplace")
