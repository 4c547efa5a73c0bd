"""Requests and their replies over one port, every wait bounded."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TypeVar

from driver.faults import DeviceFault, FaultCode
from driver.phrases import PhraseTable, Refusal, UnreadableError
from driver.port import Port
from driver.wire import Kind, Wire, WireCounts

T = TypeVar("T")
READ_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Timing:
    """How long the driver waits. Waits for bytes are the port's own (wall) time, all others bench time.

    Attributes
    ----------
    reply_s, slice_s : float
        Longest wait for a reply, and of a single read.
    attempts : int
        How often a query is asked; commands are sent once.
    quiet_s : float
        Silence after which a line counts as settled before a query is asked again.
    stop_reply_s, stop_attempts
        The same for stop and shutter closed, which are sent again because they make things safer.
    poll_s : float
        Shortest time between two looks at a motion, a shutter or a lamp.
    glance_s : float
        Longest time between two looks at a motion that takes long anyway: a slow line is not kept busy.
    margin, constant_s : float
        A motion may last its computed time times ``margin`` plus ``constant_s``.
    move_s : float or None
        Longest leg of a move where that is less.
    home_s : float or None
        Longest homing; None computes it from travel and speed.
    settle_polls : int
        How often positions are read again before they count as wrong.
    shutter_s : float
        Longest wait for the shutter's switch or the lamp.
    """

    reply_s: float = 2.0
    slice_s: float = 0.1
    attempts: int = 3
    quiet_s: float = 0.05
    stop_reply_s: float = 0.5
    stop_attempts: int = 6
    poll_s: float = 0.05
    glance_s: float = 0.25
    margin: float = 2.0
    constant_s: float = 2.0
    move_s: float | None = None
    home_s: float | None = None
    settle_polls: int = 5
    shutter_s: float = 1.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise ValueError(f"timing: {field.name} {value} must be finite and greater than 0")


class Trouble:
    """What went wrong while waiting for one answer, and which fault it amounts to."""

    def __init__(self) -> None:
        self._seen: list[tuple[Kind, str]] = []
        self.refusal: Refusal | None = None

    def note(self, kind: Kind, words: str) -> None:
        """Remember a message that was not the answer."""
        self._seen.append((kind, words))

    def fault(self, state: str, asked: str, waited: str) -> DeviceFault:
        """Return the fault: garbled before mismatched before silent."""
        if self.refusal is not None:
            code, came = FaultCode.REPLY_GARBLED, f"the controller could not read it: {self.refusal.words!r}"
        elif garbled := [words for kind, words in self._seen if kind is Kind.GARBLED]:
            code, came = FaultCode.REPLY_GARBLED, f"unreadable {garbled[-1]!r}, no answer within {waited}"
        elif self._seen:
            kind, words = self._seen[-1]
            code, came = FaultCode.REPLY_MISMATCH, f"{kind.value} reply {words!r}, no answer within {waited}"
        else:
            code, came = FaultCode.NO_REPLY, f"nothing within {waited}"
        return DeviceFault(code, state=state, asked=asked, came=came)


class Exchange:
    """The line to one controller; one request at a time, from any thread.

    Parameters
    ----------
    open_port : callable
        Opens the port anew.
    table : PhraseTable
        How messages look.
    timing : Timing
        How long to wait.
    describe : callable
        Returns the controller's state in words, for faults.
    """

    def __init__(
        self, open_port: Callable[[], Port], table: PhraseTable, timing: Timing, describe: Callable[[], str]
    ) -> None:
        self._open_port = open_port
        self._table = table
        self._timing = timing
        self._describe = describe
        self._wire = Wire(table.line)
        self._port: Port | None = None
        self.lock = threading.RLock()

    @property
    def counts(self) -> WireCounts:
        """What passed over the line since it was opened first."""
        return self._wire.counts

    @property
    def is_open(self) -> bool:
        """Say whether there is a port to talk to."""
        return self._port is not None

    def open(self) -> None:
        """Open the port if it is not open, and drop what an earlier session left on it."""
        with self.lock:
            if self._port is None:
                self._port = self._open_port()
                self._quieten()

    def close(self) -> None:
        """Release the port; may be called twice."""
        with self.lock:
            port, self._port = self._port, None
            self._wire.give_up()
            if port is not None:
                port.close()

    def query(self, words: str, parse: Callable[[str], T], asked: str) -> T:
        """Ask until the answer can be read, at most ``timing.attempts`` times.

        Raises
        ------
        DeviceFault
            NO_REPLY, REPLY_GARBLED, REPLY_MISMATCH, LINE_LOST, or REFUSED_BY_CONTROLLER.
        """
        trouble = Trouble()
        timing = self._timing
        for attempt in range(timing.attempts):
            with self.lock:
                if attempt:
                    self.counts.retried += 1
                    self._quieten()
                answer = self.once(
                    words,
                    lambda reply: _readable(parse, reply),
                    timing.reply_s,
                    trouble,
                    again=attempt > 0,
                )
            if answer is None:
                continue
            trouble.refusal = self._table.read_refusal(answer)
            if trouble.refusal is None:
                return parse(answer)
            if trouble.refusal.meaning not in ("check_wrong", "not_understood"):
                break
        if trouble.refusal is not None and trouble.refusal.meaning != "check_wrong":
            came = f"{trouble.refusal.words!r} ({trouble.refusal.meaning})"
            code = FaultCode.REFUSED_BY_CONTROLLER
            raise DeviceFault(code, state=self._describe(), asked=asked, came=came)
        waited = f"{timing.attempts} times {timing.reply_s:g} s"
        raise trouble.fault(self._describe(), asked, waited)

    def once(
        self,
        words: str,
        accepts: Callable[[str], bool],
        reply_s: float,
        trouble: Trouble,
        *,
        again: bool = False,
    ) -> str | None:
        """Send one request and return the words of its answer or refusal, None where there is none."""
        with self.lock:
            self.send(words, accepts, again=again)
            timing = self._timing
            waited_s = 0.0
            # Bytes that trickle in must not keep us here: the reads are numbered too.
            reads = 2 * round(reply_s / timing.slice_s) + 2 * self._table.line.max_bytes
            while waited_s < reply_s and reads > 0:
                slice_s = min(timing.slice_s, reply_s - waited_s)
                data = self._read(slice_s)
                reads -= 1
                if not data:
                    waited_s += slice_s
                    continue
                answer, hopeless = self._take(data, trouble)
                if answer is not None:
                    return answer
                if hopeless:
                    break
            self._wire.give_up()
            return None

    def send(self, words: str, accepts: Callable[[str], bool], *, again: bool = False) -> None:
        """Send one request without waiting; what came before it cannot be its answer.

        Where it is sent ``again``, the end of the first may not have arrived; an empty line makes up for it.
        """
        with self.lock:
            for _ in range(8):
                unasked = self._read(0.0)
                if not unasked:
                    break
                self._wire.feed(unasked)
            is_refusal = self._table.read_refusal
            data = self._wire.request(words, lambda reply: accepts(reply) or is_refusal(reply) is not None)
            if again and self._table.line.blank_line_ignored:
                data = self._table.line.terminator.encode("ascii") + data
            self._alive(lambda port: port.write(data))

    def poll(self, trouble: Trouble) -> str | None:
        """Look once for the answer to what was sent."""
        with self.lock:
            data = self._read(self._timing.slice_s)
            return self._take(data, trouble)[0] if data else None

    def write_blindly(self, words: str) -> None:
        """Send a last request without looking for an answer; a dead line is no further trouble."""
        try:
            with self.lock:
                data = self._wire.request(words, lambda _: False)
                self._alive(lambda port: port.write(data))
        except DeviceFault:
            return

    def _take(self, data: bytes, trouble: Trouble) -> tuple[str | None, bool]:
        """Return the answer among the bytes, and whether it is no use to wait on."""
        answer, hopeless = None, False
        for message in self._wire.feed(data):
            if message.kind is Kind.ANSWER:
                answer = message.words
            else:
                trouble.note(message.kind, message.words)
                hopeless = hopeless or (message.kind is Kind.UNEXPECTED and self._table.line.numbered)
        return answer, hopeless

    def _quieten(self) -> None:
        """Read until nothing comes any more, so that half a message cannot spoil the next."""
        for _ in range(50):
            data = self._read(self._timing.quiet_s)
            if not data:
                break
            self._wire.feed(data)
        self._wire.give_up()

    def _read(self, timeout_s: float) -> bytes:
        return self._alive(lambda port: port.read(READ_BYTES, timeout_s))

    def _alive(self, use: Callable[[Port], T]) -> T:
        """Use the port; a port that fails is closed, so that it is never taken for a live one."""
        if self._port is None:
            code, came = FaultCode.LINE_LOST, "the line is closed"
            raise DeviceFault(code, state=self._describe(), asked="use the line", came=came)
        try:
            return use(self._port)
        except DeviceFault:
            self.close()
            raise


def _readable(parse: Callable[[str], T], reply: str) -> bool:
    try:
        parse(reply)
    except UnreadableError:
        return False
    return True
