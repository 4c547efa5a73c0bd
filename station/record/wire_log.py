"""The bytes of the line, both ways, as they passed."""

from __future__ import annotations

from pathlib import Path
from typing import TextIO


class WireLog:
    """Writes one line for every piece of bytes: bench time, direction, hexadecimal, ASCII.

    Fulfils :data:`driver.port.OnBytes`. Nothing is written before :meth:`open`; every line is flushed, so
    that the log is whole up to the last byte whatever happens to the program. A log that cannot be written
    (a full disk) does not stand in the way of what has to be said on the line.

    Attributes
    ----------
    problem : str
        Why lines are missing; empty while none are.
    """

    def __init__(self) -> None:
        self.problem = ""
        self._stream: TextIO | None = None

    def open(self, path: Path, head: str) -> None:
        """Begin a log file with lines of ``head`` as comments."""
        self._stream = path.open("w", encoding="ascii", errors="backslashreplace", buffering=1, newline="\n")
        for line in head.splitlines():
            self._stream.write(f"# {line}\n")

    def __call__(self, direction: str, data: bytes, time_s: float) -> None:
        """Note bytes that have passed: ``direction`` is "out" to the controller or "in" from it."""
        if self._stream is None:
            return
        plain = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in data)
        try:
            self._stream.write(f"{time_s:14.6f} {direction:>3} {data.hex(' ')} | {plain}\n")
        except OSError as error:
            self.problem = self.problem or str(error)

    def close(self) -> None:
        """End the file; may be called twice."""
        stream, self._stream = self._stream, None
        if stream is not None:
            try:
                stream.close()
            except OSError as error:
                self.problem = self.problem or str(error)
