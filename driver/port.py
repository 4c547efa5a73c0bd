"""The port that carries bytes; nothing here knows what they mean."""

from __future__ import annotations

from typing import Protocol, runtime_checkable


@runtime_checkable
class Port(Protocol):
    """A two-way stream of bytes. Failures are :class:`driver.faults.DeviceFault` with LINE_LOST."""

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """Return what is there, at most ``max_bytes``; ``b""`` when nothing came within ``timeout_s``."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of ``data``."""
        ...

    def discard_input(self) -> None:
        """Throw away what was received and not yet read."""
        ...

    def close(self) -> None:
        """Release the line; may be called twice."""
        ...
