"""Serves a simulated bench to another process: its line on TCP and a pty, the rest on the bench port.

Loopback only. Bench time is simulated: requests are answered at once in real time, and what they would take
is charged to the bench clock. One lock serialises line and bench port, so bench time is consistent. A reply
that a fault makes late by ``d`` seconds of bench time comes ``d`` real seconds later.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import select
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import IO, Any, Self

from driver.faults import DeviceFault
from sim.bench import SimBench
from sim.framing import FramingError, receive_message, send_message

_PROMPT_S = 0.25  # bench time that the line may run ahead to fetch a reply at once
_LONGEST_WAIT_S = 3600.0
_SEND_TIMEOUT_S = 10.0


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where a served bench listens.

    Attributes
    ----------
    line_url : str
        The line, for ``serial_for_url``: "socket://127.0.0.1:PORT".
    bench_address : str
        The bench port, for the factories of :mod:`sim.remote`: "127.0.0.1:PORT".
    pty_path : str or None
        The line as a pseudo-terminal, where the system has them.
    """

    line_url: str
    bench_address: str
    pty_path: str | None


# --- serving ----------------------------------------------------------------------------------------


def serve_bench(
    bench: SimBench,
    *,
    line_port: int = 0,
    bench_port: int = 0,
    ready: Callable[[Addresses], None] | None = None,
    until: threading.Event | None = None,
) -> None:
    """Serve ``bench`` until ``until`` is set (for ever without it).

    Parameters
    ----------
    bench : SimBench
    line_port, bench_port : int
        TCP ports on the loopback interface; 0 lets the system choose.
    ready : callable, optional
        Called with the addresses as soon as both ports listen.
    until : threading.Event, optional
    """
    server = _Server(bench)
    with contextlib.ExitStack() as stack:
        line, port = _listen(line_port, stack), _listen(bench_port, stack)
        pty_path = server.start_pty(stack)
        _start(server.accept, line, server.serve_line)
        _start(server.accept, port, server.serve_requests)
        if ready is not None:
            ready(Addresses(f"socket://{_name(line)}", _name(port), pty_path))
        (until or threading.Event()).wait()


class _Server:
    def __init__(self, bench: SimBench) -> None:
        self._bench = bench
        self._lock = threading.Lock()
        self._line_taken = threading.Lock()

    def accept(self, listener: socket.socket, serve: Callable[[socket.socket], None]) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            _start(serve, connection)

    # --- the line ----------------------------------------------------------------------------------

    def serve_line(self, connection: socket.socket) -> None:
        """Carry bytes; like a plug, the line takes one at a time, a second is turned away."""
        with connection, contextlib.suppress(OSError, DeviceFault):
            if self._line_taken.acquire(blocking=False):
                try:
                    self._carry(connection.fileno(), connection.recv, connection.sendall)
                finally:
                    self._line_taken.release()

    def start_pty(self, stack: contextlib.ExitStack) -> str | None:
        """Offer the line as a pseudo-terminal too; None where the system has none."""
        try:
            import pty  # noqa: PLC0415  only where the system has them
            import tty  # noqa: PLC0415  only where the system has them
        except ImportError:
            return None
        try:
            ours, theirs = pty.openpty()
        except OSError:
            return None
        tty.setraw(theirs)
        # Held open so that the line outlives a station that closes and opens it again; once it is closed,
        # the thread on the other end reads an error and closes that.
        stack.callback(os.close, theirs)
        _start(self._serve_pty, ours)
        return os.ttyname(theirs)

    def _serve_pty(self, ours: int) -> None:
        with os.fdopen(ours, "r+b", buffering=0) as terminal, contextlib.suppress(OSError):
            ended = False
            while not ended:
                with contextlib.suppress(DeviceFault):  # a cut line: a terminal cannot be hung up on
                    self._carry(ours, terminal.read, lambda data: _write_all(ours, data))
                    ended = True

    def _carry(self, descriptor: int, receive: Callable[[int], bytes], send: Callable[[bytes], None]) -> None:
        wait_s: float | None = None
        while True:
            data = b""
            if select.select([descriptor], [], [], wait_s)[0]:
                data = receive(4096)
                if not data:
                    return
            with self._lock:
                answer, wait_s = self._exchange(data)
            if answer:
                send(answer)

    def _exchange(self, data: bytes) -> tuple[bytes, float | None]:
        """Pass bytes to the controller; return its answer and how long the next one still takes."""
        line, clock = self._bench.line, self._bench.clock
        answer = b""
        if data:
            line.write(data)
        elif (due_s := line.next_due_s()) is not None:  # a late reply's time has come
            answer += line.read(65536, max(due_s - clock.now_s(), 0.0))
        while (due_s := line.next_due_s()) is not None:
            left_s = max(due_s - clock.now_s(), 0.0)
            if left_s > _PROMPT_S:
                return answer, min(left_s, _LONGEST_WAIT_S)
            answer += line.read(65536, left_s)
        return answer, None

    # --- the bench port ----------------------------------------------------------------------------

    def serve_requests(self, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError, FramingError):
            while True:
                header, _ = receive_message(connection)
                with self._lock:
                    answer, payload = self._answer(header)
                connection.settimeout(_SEND_TIMEOUT_S)
                send_message(connection, answer, payload)
                connection.settimeout(None)

    def _answer(self, header: Mapping[str, Any]) -> tuple[dict[str, Any], bytes]:
        try:
            return self._execute(header)
        except DeviceFault as fault:
            told = {key: getattr(fault, key) for key in ("state", "asked", "came", "remedy")}
            return {"fault": {"code": fault.code.value, **told}}, b""
        except (ValueError, KeyError, TypeError) as error:
            return {"mistake": f"{type(error).__name__}: {error}"}, b""

    def _execute(self, header: Mapping[str, Any]) -> tuple[dict[str, Any], bytes]:
        bench, asked = self._bench, header.get("ask")
        if asked == "grab":
            frame = bench.camera(header["camera"]).grab(header["exposure_s"])
            told = {key: getattr(frame, key) for key in ("exposure_s", "time_s", "sequence")}
            told |= {"shape": frame.pixels.shape, "dtype": frame.pixels.dtype.str}
            return told, frame.pixels.tobytes()
        if asked == "cameras":
            return {"cameras": bench.camera_names}, b""
        if asked == "witness":
            return {"pose": bench.witness.pose()}, b""
        if asked == "sleep":
            bench.clock.sleep_s(header["duration_s"])
        elif asked == "lens_in":
            bench.lens_handler.lens_in()
        elif asked == "lens_out":
            bench.lens_handler.lens_out()
        elif asked == "switch":
            output = bench.output(header["kind"])
            (output.on if header["on"] else output.off)()
        elif asked == "is_on":
            return {"on": bench.output(header["kind"]).is_on()}, b""
        elif asked != "now":
            raise ValueError(f"the bench port does not know {asked!r}")
        return {"now_s": bench.clock.now_s()}, b""


def _listen(port: int, stack: contextlib.ExitStack) -> socket.socket:
    listener = stack.enter_context(socket.create_server(("127.0.0.1", port)))
    stack.callback(_wake, listener)
    return listener


def _wake(listener: socket.socket) -> None:
    """Let the thread that waits for connections see that there will be none."""
    with contextlib.suppress(OSError):
        listener.shutdown(socket.SHUT_RDWR)


def _name(listener: socket.socket) -> str:
    host, port = listener.getsockname()
    return f"{host}:{port}"


def _start(target: Callable[..., None], *args: object) -> None:
    threading.Thread(target=target, args=args, daemon=True).start()


def _write_all(descriptor: int, data: bytes) -> None:
    while data:
        data = data[os.write(descriptor, data) :]


# --- a child process --------------------------------------------------------------------------------


class BenchStartError(RuntimeError):
    """The simulated bench's process did not start; the message says why."""


@dataclass(frozen=True, slots=True)
class ServedBench:
    """A simulated bench in a child process.

    Attributes
    ----------
    line_url : str
        "socket://127.0.0.1:PORT", for the motion controller's port.
    bench_address : str
        "127.0.0.1:PORT", for the factories of :mod:`sim.remote`.
    pty_path : str or None
        The line as a pseudo-terminal, where the system has them.
    process : subprocess.Popen
    """

    line_url: str
    bench_address: str
    pty_path: str | None
    process: subprocess.Popen[bytes]

    def stop(self, timeout_s: float = 5.0) -> None:
        """End the process; bounded in time, may be called twice."""
        _end(self.process, timeout_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def start_served_bench(
    build: Callable[[], SimBench] | Sequence[str], *, timeout_s: float = 60.0
) -> ServedBench:
    """Start a simulated bench in a child process and return once it listens.

    The child leaves when this process does, however that ends: it holds the other end of a pipe. It ignores
    Ctrl-C, so that the station can still stop its motion and close its shutter.

    Parameters
    ----------
    build : callable or sequence of str
        A picklable callable that makes the bench, for example ``functools.partial(SimBench, lens, ...)``; or
        the command line of a program that calls :func:`serve_for_parent`.
    timeout_s : float
        Longest wait for it to listen.

    Raises
    ------
    BenchStartError
        When the child does not come to listen; the message carries its own reason.
    """
    if callable(build):
        command, parcel = [sys.executable, "-P", "-c", "from sim.serve import _child; _child()"], build
    else:
        command, parcel = list(build), None
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    try:
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, bufsize=0
        )
    except OSError as error:
        raise BenchStartError(f"the simulated bench did not start: {error}") from error
    try:
        if parcel is not None:
            _hand_over(process, pickle.dumps(parcel))
        told = _first_line(process, timeout_s)
    except BaseException:
        _end(process, 0.0)
        raise
    return ServedBench(**told, process=process)


def serve_for_parent(make: Callable[[], SimBench]) -> None:
    """Serve as the child of :func:`start_served_bench`: tell the addresses, leave when the parent does."""
    with contextlib.suppress(ValueError):  # only the main thread may
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Whatever else prints goes to stderr; the parent reads one line.
    with os.fdopen(os.dup(1), "w", encoding="utf-8") as teller:
        os.dup2(2, 1)

        def tell(message: Mapping[str, Any]) -> None:
            teller.write(json.dumps(message) + "\n")
            teller.flush()

        _start(_leave_with_parent)
        try:
            bench = make()
        except Exception as error:  # whatever it is, the parent must hear of it
            tell({"error": f"{type(error).__name__}: {error}"})
            raise
        serve_bench(bench, ready=lambda addresses: tell(asdict(addresses)))


def _child() -> None:
    parcel = sys.stdin.buffer.read(int.from_bytes(sys.stdin.buffer.read(8)))

    def make() -> SimBench:
        bench: SimBench = pickle.loads(parcel)()
        return bench

    serve_for_parent(make)


def _leave_with_parent() -> None:
    with contextlib.suppress(OSError):
        while os.read(0, 4096):
            pass
    os._exit(0)


def _hand_over(process: subprocess.Popen[bytes], parcel: bytes) -> None:
    pipe = _pipe(process.stdin)
    with contextlib.suppress(BrokenPipeError):  # it died; its first line, or the lack of one, says so
        pipe.write(len(parcel).to_bytes(8) + parcel)


def _first_line(process: subprocess.Popen[bytes], timeout_s: float) -> dict[str, Any]:
    lines: list[bytes] = []
    reader = threading.Thread(target=lambda: lines.append(_pipe(process.stdout).readline()), daemon=True)
    reader.start()
    reader.join(timeout_s)
    if not lines:
        raise BenchStartError(f"the simulated bench does not listen after {timeout_s} s")
    try:
        told = json.loads(lines[0])
    except ValueError:
        raise BenchStartError("the simulated bench ended before it listened; see its message above") from None
    if "error" in told:
        raise BenchStartError(f"the simulated bench did not start: {told['error']}")
    return dict(told)


def _pipe(stream: IO[bytes] | None) -> IO[bytes]:
    if stream is None:
        raise BenchStartError("the child has no pipe")
    return stream


def _end(process: subprocess.Popen[bytes], timeout_s: float) -> None:
    if process.stdin is not None:
        with contextlib.suppress(OSError):
            process.stdin.close()
    try:
        process.wait(timeout_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()
