"""What holds of every request on the line, whatever struck it; read by a parser of its own.

It shares no code with the driver that it judges.
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Iterator
from dataclasses import dataclass

from station.sweep.seen import Passed, Seen
from station.wiring import axis_spec

_MOVES = ("G00", "G01", "G28")
_SAFER = {"M00", "M22", "M24"}
_REMEDIES = {"M00": _MOVES, "M22": ("M21",)}
_WORD = re.compile(r"([A-Z])(-?\d+\.?\d*)")


@dataclass(slots=True)
class _Told:
    """What the controller has said of itself in replies that came through whole."""

    words: dict[str, str] | None = None
    fresh: bool = False
    open_number: str = ""
    open_words: tuple[str, ...] = ()

    def asks(self, number: str, words: list[str]) -> str:
        """Open a request; return what is wrong with sending it now, or "".

        Where the request before was not answered, only the same again or something safer may follow.
        """
        before, self.open_number, number_before = self.open_words, number, self.open_number
        self.open_words = tuple(words)
        if number_before and before != self.open_words and not _SAFER & set(words):
            return f"{' '.join(words)} was sent although {number_before} {' '.join(before)} was not answered"
        return ""

    def forbids(self, word: str) -> str:
        """Return why a request must not be sent after this, or ""."""
        if self.words is None or not self.fresh:
            return "without asking the state since the motion before and since it was decided"
        must: dict[str, tuple[str, ...]] = {"LOCK": ("1",)}
        if word != "G28":
            must |= {"HOMED": ("1",)}
        if word in ("G00", "G01"):
            must |= {"LIMIT": ("0",), "STATE": ("IDLE", "STOPPED")}
        if word != "M21":
            must |= {"SHUTTER": ("0",)}
        wrong = {
            key: self.words.get(key) for key, allowed in must.items() if self.words.get(key) not in allowed
        }
        return f"although the controller says {wrong}" if wrong else ""


class LineRules:
    """Judges what passed on the line, once each.

    Parameters
    ----------
    seen : Seen
        Of a run that has not begun, is under way, or has ended.

    Attributes
    ----------
    broken : list of str
        Rules that were broken so far.
    last : dict of str to bool
        For "M00" and "M22": whether it was sent after the last request that it undoes.
    any_sent : bool
    """

    def __init__(self, seen: Seen) -> None:
        axes = [axis_spec(axis) for axis in seen.setup.bench.motion.axes]
        self._travel = {axis.name: (axis.travel_min, axis.travel_max) for axis in axes}
        self._told, self._rest = _Told(), b""
        self._done = self._decided = 0
        self._faulted = False
        self.broken: list[str] = []
        self.last = dict.fromkeys(_REMEDIES, False)
        self.any_sent = False

    def follow(self, seen: Seen) -> None:
        """Judge what has passed since it was left."""
        for passed in seen.passed[self._done :]:
            while (
                self._decided < len(seen.decided_calls) and passed.call >= seen.decided_calls[self._decided]
            ):
                self._told.fresh = False
                self._decided += 1
            if passed.way == "in":
                self._hear(passed.data)
            else:
                self.any_sent = True
                # The driver has waited for the end of what began to arrive; what comes now is new.
                self._rest = b""
                self._faulted = self._faulted or passed.time_s > seen.first_fault_s
                for number, words in _requests(passed):
                    self.broken += self._asked(number, words)
        self._done = len(seen.passed)

    def _hear(self, data: bytes) -> None:
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            _hear(line, self._told)

    def _asked(self, number: str, words: list[str]) -> Iterator[str]:
        told = self._told
        if why := told.asks(number, words):
            yield f"reply: {why}"
        for word in ("M21", *_MOVES):
            if word not in words:
                continue
            if self._faulted:
                yield f"fault: {word} was sent after a fault was told"
            if why := told.forbids(word):
                yield f"refuse: {word} was sent {why}"
            told.fresh = told.fresh and word not in _MOVES
        yield from self._within_limits(words)
        for remedy, dangers in _REMEDIES.items():
            if remedy in words or any(word in words for word in dangers):
                self.last[remedy] = remedy in words

    def _within_limits(self, words: list[str]) -> Iterator[str]:
        if not {"G00", "G01"} & set(words):
            return
        for word in words:
            found = _WORD.fullmatch(word)
            if found is None or found[1] not in self._travel:
                continue
            least, most = self._travel[found[1]]
            if not least <= float(found[2]) <= most:
                yield f"limit: {word} lies outside {least:g} to {most:g}"


def _hear(line: bytes, told: _Told) -> None:
    body, _, check = line.rpartition(b" K")
    if check.decode("latin-1") != f"{binascii.crc_hqx(body, 0xFFFF):04X}":
        return
    number, *words = body.decode("ascii").split()
    if number == told.open_number:
        told.open_number = ""
    if words[:1] == ["STATE"]:
        told.words = dict(zip(words[::2], words[1::2], strict=False))
        told.fresh = True


def _requests(passed: Passed) -> Iterator[tuple[str, list[str]]]:
    """Return number and words of every request."""
    for line in passed.data.decode("latin-1").split("\n"):
        if line:
            number, *words, _ = line.split()
            yield number, words
