"""The port that carries bytes; nothing here knows what they mean."""

from __future__ import annotations

import contextlib
import difflib
import errno
from collections.abc import Callable, Iterator
from typing import Any, Literal, Protocol, runtime_checkable

import serial
from serial.tools import list_ports

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Clock

Direction = Literal["out", "in"]
OnBytes = Callable[[Direction, bytes, float], None]
"""Called with direction ("out" to the controller, "in" from it), bytes, and time on the run's clock (s)."""

WRITE_TIMEOUT_S = 2.0
# A flooded line must not keep discard_input for ever.
MOST_DISCARDED_BYTES = 1 << 20
URL_KINDS = "socket://HOST:PORT, spy://DEVICE, loop://"


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


class SerialPort:
    """A port of the serial library: device name, ``socket://``, ``spy://`` or ``loop://``.

    Made by :func:`open_port`. Whatever the library raises becomes LINE_LOST.

    Parameters
    ----------
    device : serial.SerialBase
        Opened.
    name : str
        As the bench file names it.
    """

    def __init__(self, device: Any, name: str) -> None:
        self._device = device
        self.name = name
        self._closed = False

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """Return what is there, at most ``max_bytes``; ``b""`` when nothing came within ``timeout_s``."""
        with self._guarded("read"):
            if timeout_s <= 0 and self._device.in_waiting == 0:
                return b""
            if self._device.timeout != timeout_s:
                self._device.timeout = timeout_s
            data: bytes = self._device.read(1)
        return data + self._rest(max_bytes - 1) if data else data

    def _rest(self, max_bytes: int) -> bytes:
        data = b""
        # What came before the line broke is still worth having; the next read shows the break.
        with contextlib.suppress(Exception):
            while len(data) < max_bytes and (waiting := self._device.in_waiting):
                data += self._device.read(min(waiting, max_bytes - len(data)))
        return data

    def write(self, data: bytes) -> None:
        """Send all of ``data``."""
        with self._guarded(f"send {data!r}"):
            self._device.write(data)

    def discard_input(self) -> None:
        """Throw away what was received and not yet read."""
        left = MOST_DISCARDED_BYTES
        while left > 0 and (data := self.read(4096, 0.0)):
            left -= len(data)

    def close(self) -> None:
        """Release the line; may be called twice."""
        if self._closed:
            return
        self._closed = True
        # The library forgets to close a socket whose far end is gone.
        left_open = getattr(self._device, "_socket", None)
        # A device that is gone cannot be closed any better; it is released all the same.
        with contextlib.suppress(Exception):
            self._device.close()
        if left_open is not None:
            left_open.close()

    @contextlib.contextmanager
    def _guarded(self, asked: str) -> Iterator[None]:
        asked = f"{asked} on {self.name}"
        if self._closed:
            code, came = FaultCode.LINE_LOST, "the port is closed"
            raise DeviceFault(code, state="closed", asked=asked, came=came)
        try:
            yield
        # Besides its own errors the library lets through bare OSError, termios.error (no OSError), and
        # TypeError or AttributeError where another thread has closed the port under it.
        except Exception as problem:
            came = f"{type(problem).__name__}: {problem}"
            raise DeviceFault(FaultCode.LINE_LOST, state="open", asked=asked, came=came) from problem


class LoggedPort:
    """A port whose bytes are told to a hook, both ways.

    A hook that fails must not stand in the way of a stop: the line goes on, ``log_problem`` keeps the first
    exception, and whoever owns the log asks for it.

    Parameters
    ----------
    port : Port
        Carries the bytes.
    on_bytes : callable
        Called with direction, bytes and time after they have passed.
    clock : Clock
        The run's clock.
    """

    def __init__(self, port: Port, on_bytes: OnBytes, clock: Clock) -> None:
        self._port = port
        self._on_bytes = on_bytes
        self._clock = clock
        self.log_problem: Exception | None = None

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """Return what is there, at most ``max_bytes``; ``b""`` when nothing came within ``timeout_s``."""
        data = self._port.read(max_bytes, timeout_s)
        if data:
            self._tell("in", data)
        return data

    def write(self, data: bytes) -> None:
        """Send all of ``data``."""
        self._port.write(data)
        self._tell("out", data)

    def discard_input(self) -> None:
        """Throw away what was received and not yet read; it is told all the same."""
        left = MOST_DISCARDED_BYTES
        while left > 0 and (data := self.read(4096, 0.0)):
            left -= len(data)

    def close(self) -> None:
        """Release the line; may be called twice."""
        self._port.close()

    def _tell(self, direction: Direction, data: bytes) -> None:
        try:
            self._on_bytes(direction, data, self._clock.now_s())
        # A full disk must not stop the stop.
        except Exception as problem:
            self.log_problem = self.log_problem or problem


def open_port(name: str, *, baud: int = 115200) -> SerialPort:
    """Open a port, for this program alone where the system can do that.

    Parameters
    ----------
    name : str
        Device name ("COM3", "/dev/ttyUSB0", a pty) or URL of the serial library.
    baud : int
        Speed of a serial line (8 data bits, no parity, 1 stop bit); a socket has none.

    Raises
    ------
    DeviceFault
        PORT_NOT_FOUND, naming the ports that exist and the nearest name.
    """
    try:
        device = serial.serial_for_url(
            name, baudrate=baud, timeout=0, write_timeout=WRITE_TIMEOUT_S, exclusive=True
        )
    except (OSError, ValueError, ImportError) as problem:
        came, remedy = _why_not(name, problem)
        raise DeviceFault(
            FaultCode.PORT_NOT_FOUND,
            state="not connected",
            asked=f"open port {name!r}",
            came=came,
            remedy=remedy,
        ) from problem
    return SerialPort(device, name)


def _why_not(name: str, problem: Exception) -> tuple[str, str | None]:
    reason = getattr(problem, "errno", None)
    if reason in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return "it is in use by another program", "end the program that holds the port"
    if reason == errno.EACCES:
        return "no permission", "give this user access to serial ports (often the group dialout)"
    if "://" in name:
        return f"{problem} (URLs: {URL_KINDS})", "start the far end, or correct the port in the bench file"
    ports = sorted(str(port.device) for port in list_ports.comports())
    near = difflib.get_close_matches(name, ports, n=1, cutoff=0.5)
    there = f"ports that exist: {', '.join(ports)}" if ports else "no serial port exists on this machine"
    nearest = f"; nearest: {near[0]}" if near else ""
    return f"{problem}; {there}{nearest}", None
