"""The line between station and controller: bytes take time, replies arrive when they are due."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from driver.faults import DeviceFault, FaultCode
from sim.clock import SimClock
from sim.firmware import SimController
from sim.tap import LineTap

_MOST_UNREAD = 256  # replies
BITS_PER_BYTE = 10  # eight data bits, start and stop


@dataclass(frozen=True, slots=True)
class LineNuisances:
    """Time that the line and what hangs on it take.

    Attributes
    ----------
    baud : int
        Bits per second, ten bits a byte.
    reply_latency_s : float
        From the last byte of a request to the first byte of its reply.
    shutter_swing_s : float
        From the shutter's command to its arrival.
    read_chunk_bytes : int
        A read hands out at most this many bytes (0: as many as are there); 1 makes every message arrive byte
        by byte.
    """

    baud: int = 115_200
    reply_latency_s: float = 0.002
    shutter_swing_s: float = 0.03
    read_chunk_bytes: int = 0

    def __post_init__(self) -> None:
        if self.baud <= 0 or self.read_chunk_bytes < 0:
            raise ValueError("line nuisances: baud must be greater than 0, read_chunk_bytes not negative")
        for key in ("reply_latency_s", "shutter_swing_s"):
            value = getattr(self, key)
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"line nuisances: {key} is {value}; it must be finite and not negative")


class SimLine:
    """The station's end of the line, in memory; fulfils :class:`driver.port.Port`.

    Time-outs pass on the bench clock, so a test of a dead line takes no time. Deterministic.

    Parameters
    ----------
    controller : SimController
    clock : SimClock
    tap : LineTap
        Numbers the calls and brings faults.
    nuisances : LineNuisances
    """

    def __init__(
        self, controller: SimController, clock: SimClock, tap: LineTap, nuisances: LineNuisances
    ) -> None:
        self._controller, self._clock, self.tap = controller, clock, tap
        self._byte_s = BITS_PER_BYTE / nuisances.baud
        self._chunk_bytes = nuisances.read_chunk_bytes
        self._under_way: deque[tuple[float, bytes, bool]] = deque()
        self._free_s = 0.0
        self._arrived = bytearray()
        self._closed = False

    def write(self, data: bytes) -> None:
        """Send all of ``data``; takes the time of its bits.

        Raises
        ------
        DeviceFault
            LINE_LOST when the line is closed or cut.
        """
        self._begin("write")
        arriving = self.tap.pass_request(data)
        self._clock.sleep_s(len(data) * self._byte_s)
        self._controller.receive(arriving)
        self._collect()

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """Return what is there, at most ``max_bytes``; ``b""`` when nothing came within ``timeout_s``.

        Raises
        ------
        DeviceFault
            LINE_LOST when the line is closed or cut.
        """
        self._begin("read")
        deadline_s = self._clock.now_s() + max(timeout_s, 0.0)
        while not self._arrived:
            due_s = self.next_due_s()
            if due_s is None or due_s > deadline_s:
                self._clock.advance_to(deadline_s)
                break
            self._clock.advance_to(due_s)
            self._arrive()
        count = min(max_bytes, self._chunk_bytes or max_bytes)
        data = bytes(self._arrived[:count])
        del self._arrived[:count]
        return data

    def next_due_s(self) -> float | None:
        """Return the bench time at which the next reply arrives, None when none is under way."""
        if self._arrived:
            return self._clock.now_s()
        return self._under_way[0][0] if self._under_way else None

    def discard_input(self) -> None:
        """Throw away what has arrived and was not yet read."""
        while self._under_way and self._under_way[0][0] <= self._clock.now_s():
            self._under_way.popleft()
        self._arrived.clear()

    def close(self) -> None:
        """Release the line; the controller goes on as it is."""
        self._closed = True

    def reopen(self) -> None:
        """Plug the line in again, nothing of the past in its buffers."""
        self._closed = False
        self._under_way.clear()
        self._arrived.clear()

    def _begin(self, way: str) -> None:
        if self._closed:
            raise DeviceFault(
                FaultCode.LINE_LOST,
                state="closed",
                asked=f"{way} on the line",
                came="the line was closed before",
                remedy="Connect again.",
            )
        self.tap.begin("write" if way == "write" else "read")

    def _collect(self) -> None:
        while (reply := self._controller.take_reply()) is not None:
            if len(self._under_way) >= _MOST_UNREAD:  # nobody reads: a real port drops them too
                continue
            self._free_s = max(self._free_s, reply.due_s) + len(reply.data) * self._byte_s
            self._under_way.append((self._free_s, reply.data, False))

    def _arrive(self) -> None:
        due_s, data, was_late = self._under_way.popleft()
        if was_late:  # it is late once, whatever call it meets next
            self._arrived += data
            return
        arriving, late_s = self.tap.pass_reply(data)
        if late_s:
            self._under_way.append((due_s + late_s, arriving, True))
            self._under_way = deque(sorted(self._under_way, key=lambda item: item[0]))
        else:
            self._arrived += arriving
