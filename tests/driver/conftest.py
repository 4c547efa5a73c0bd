"""A controller at the far end of a real byte stream, written for these tests alone.

It has two tongues: that of docs/line.md and the invented one of tables/comma_steps.toml. Motion ends after a
number of state queries, so nothing here depends on the time of the day.
"""

from __future__ import annotations

import os
import select
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest

from driver.axes import AxisSpec
from driver.exchange import Timing
from driver.motion import SerialMotion
from driver.phrases import PhraseTable

AXES = (
    AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002),
    AxisSpec("Y", "mm", -6.0, 6.0, 0.001, "decenter_y", 2.0, 0.002),
    AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 1.0, 0.001),
    AxisSpec("B", "deg", -3.0, 3.0, 0.0005, "tilt_y", 1.0, 0.001),
)


class StepClock:
    """Bench time passes only by sleeping."""

    def __init__(self) -> None:
        self.time_s = 0.0
        self.sleeps = 0
        self.on_sleep: Callable[[], None] = lambda: None

    def now_s(self) -> float:
        return self.time_s

    def sleep_s(self, duration_s: float) -> None:
        assert duration_s >= 0
        self.sleeps += 1
        self.time_s += duration_s
        self.on_sleep()


def crc_bit_by_bit(data: bytes) -> int:
    """CRC-16 as a shift register, apart from the driver's way."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1) ^ (0x1021 if register & 0x8000 else 0)
            register &= 0xFFFF
    return register


@dataclass
class Mechanics:
    """What the far end moves."""

    at: dict[str, float] = field(default_factory=lambda: dict.fromkeys("XYAB", 0.0))
    state: str = "IDLE"
    homed: bool = False
    limit: bool = False
    interlock: bool = True
    shutter: bool = False
    lamp: bool = False
    looks_per_motion: int = 2
    looks_left: int = 0
    goal: dict[str, float] = field(default_factory=dict)
    shutter_stuck: bool | None = None
    lamp_works: bool = True
    lost: dict[str, float] = field(default_factory=dict)
    on_look: Callable[[Mechanics], None] = lambda self: None

    def look(self) -> None:
        self.on_look(self)
        if self.state in ("MOVING", "HOMING"):
            self.looks_left -= 1
            if self.looks_left < 0:
                self.arrive()

    def arrive(self) -> None:
        self.homed = self.homed or self.state == "HOMING"
        self.state = "IDLE"
        self.at |= self.goal
        for name, off in self.lost.items():
            self.at[name] += off

    def begin(self, state: str, goal: dict[str, float]) -> None:
        self.state, self.goal, self.looks_left = state, goal, self.looks_per_motion

    def stop(self) -> None:
        self.state = "STOPPED" if self.state in ("MOVING", "HOMING") else self.state

    def reset(self) -> None:
        self.state, self.homed, self.at = "IDLE", False, dict.fromkeys("XYAB", 0.0)

    @property
    def shutter_switch(self) -> bool:
        return self.shutter if self.shutter_stuck is None else self.shutter_stuck


class FakeController:
    """Takes bytes, gives bytes; keeps what it was asked in ``heard``."""

    end = b"\n"

    def __init__(self) -> None:
        self.mechanics = Mechanics()
        self.heard: list[str] = []
        # Sees each request's words and its whole reply; returns what goes out instead.
        self.spoil: Callable[[str, bytes], bytes] = lambda words, reply: reply
        self._buffer = b""

    def receive(self, data: bytes) -> bytes:
        self._buffer += data
        out = b""
        while self.end in self._buffer:
            message, _, self._buffer = self._buffer.partition(self.end)
            if not message:
                continue
            words, reply = self.answer(message.decode("ascii", errors="replace"))
            self.heard.append(words)
            out += self.spoil(words, reply)
        return out

    def answer(self, message: str) -> tuple[str, bytes]:
        raise NotImplementedError

    def motions(self) -> list[str]:
        """Return what was heard that moves an axis."""
        return [words for words in self.heard if words.startswith(("G01", "G00", "G28", "go", "find"))]


class WordController(FakeController):
    """Speaks docs/line.md."""

    def answer(self, message: str) -> tuple[str, bytes]:
        body, _, check = message.rpartition(" K")
        number, _, words = body.partition(" ")
        if check != f"{crc_bit_by_bit(body.encode()):04X}":
            return words, self.seal("N0 ERR01 CHECK WORD")
        return words, self.seal(f"{number} {self.execute(words)}")

    @staticmethod
    def seal(body: str) -> bytes:
        return f"{body} K{crc_bit_by_bit(body.encode()):04X}\n".encode()

    def execute(self, words: str) -> str:
        m = self.mechanics
        code, *rest = words.split(" ")
        if code == "Q1":
            return "AT " + " ".join(f"{name}{value:.4f}" for name, value in m.at.items())
        if code == "Q2":
            m.look()
            return (
                f"STATE {m.state} HOMED {m.homed:d} LIMIT {m.limit:d} LOCK {m.interlock:d} "
                f"SHUTTER {m.shutter_switch:d} LAMP {m.lamp:d}"
            )
        if code == "Q3":
            return "ID TEST CONTROLLER"
        if code == "G01":
            if not m.homed:
                return "ERR03 NOT HOMED"
            m.begin("MOVING", {word[0]: float(word[1:]) for word in rest if word[0] != "F"})
        if code == "G28":
            m.limit = False
            m.begin("HOMING", dict.fromkeys("XYAB", 0.0))
        if code == "M00":
            m.stop()
        if code == "M21" and not m.interlock:
            return "ERR06 INTERLOCK OPEN"
        if code in ("M21", "M22"):
            m.shutter = code == "M21"
        if code in ("M23", "M24") and m.lamp_works:
            m.lamp = code == "M23"
        return "DONE"


class CommaController(FakeController):
    """Speaks tables/comma_steps.toml: whole steps, carriage return, busy told by one character."""

    end = b"\r"
    steps = (2000.0, 2000.0, 4000.0, 4000.0)

    def answer(self, message: str) -> tuple[str, bytes]:
        return message, self.execute(message).encode() + b"\r"

    def execute(self, words: str) -> str:
        m = self.mechanics
        code, *rest = words.split(",")
        if code == "where?":
            return "at," + ",".join(
                str(round(value * scale)) for value, scale in zip(m.at.values(), self.steps, strict=True)
            )
        if code == "busy?":
            m.look()
            if m.state == "FAULT":
                return "!"
            return "*" if m.state in ("MOVING", "HOMING") else ("." if m.homed else "?")
        if code == "beam?":
            return "beam,open" if m.shutter_switch else "beam,shut"
        if code == "door?":
            return "door,shut" if m.interlock else "door,ajar"
        if code == "find":
            m.begin("HOMING", dict.fromkeys("XYAB", 0.0))
            m.arrive()
        elif code == "go":
            if not m.homed:
                return "no,lost"
            values = [int(step) / scale for step, scale in zip(rest, self.steps, strict=True)]
            m.begin("MOVING", dict(zip("XYAB", values, strict=True)))
        elif code == "halt":
            m.stop()
        elif code == "beam":
            m.shutter = rest == ["open"]
        else:
            return "no,what"
        return "ok"


class MemoryPort:
    """A port without a system underneath, where silence must cost no time and no race may be."""

    def __init__(self, controller: FakeController, clock: StepClock) -> None:
        self.controller, self.clock = controller, clock
        self.waiting = b""
        self.writes = 0
        self.closed = 0
        self.piecewise = False
        self.ends_to_lose = 0
        self.before: Callable[[str], None] = lambda call: None

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        self.before("read")
        if not self.waiting:
            self.clock.time_s += timeout_s
        size = 1 if self.piecewise else max_bytes
        data, self.waiting = self.waiting[:size], self.waiting[size:]
        return data

    def write(self, data: bytes) -> None:
        self.before("write")
        self.writes += 1
        if self.ends_to_lose:
            self.ends_to_lose -= 1
            data = data[:-1]
        self.waiting += self.controller.receive(data)

    def discard_input(self) -> None:
        self.waiting = b""

    def close(self) -> None:
        self.closed += 1


class FarEnd:
    """A thread that gives a controller a real stream: a TCP port or the master side of a pty."""

    def __init__(self, controller: FakeController, kind: str) -> None:
        self.controller = controller
        self._over = threading.Event()
        self._hung_up = threading.Event()
        if kind == "socket":
            self._server = socket.create_server(("127.0.0.1", 0))
            self.name = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        else:
            self._master, self._slave = os.openpty()
            self.name = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._tcp if kind == "socket" else self._pty)
        self._thread.start()

    def hang_up(self) -> None:
        """Close the connection at the far end."""
        self._hung_up.set()

    def close(self) -> None:
        self._over.set()
        self._thread.join()

    def _tcp(self) -> None:
        with self._server:
            self._server.settimeout(0.02)
            while not self._over.is_set():
                try:
                    connection, _ = self._server.accept()
                except TimeoutError:
                    continue
                with connection:
                    self._serve_socket(connection)

    def _serve_socket(self, connection: socket.socket) -> None:
        connection.settimeout(0.02)
        while not self._over.is_set() and not self._hung_up.is_set():
            try:
                data = connection.recv(4096)
                if not data:
                    return
                connection.sendall(self.controller.receive(data))
            except TimeoutError:
                continue
            except OSError:
                return

    def _pty(self) -> None:
        while not self._over.is_set() and not self._hung_up.is_set():
            ready, _, _ = select.select([self._master], [], [], 0.02)
            if ready:
                os.write(self._master, self.controller.receive(os.read(self._master, 4096)))
        os.close(self._master)
        os.close(self._slave)


@pytest.fixture
def axes() -> tuple[AxisSpec, ...]:
    return AXES


@pytest.fixture
def clock() -> StepClock:
    return StepClock()


@pytest.fixture
def far_end() -> Iterator[Callable[[FakeController, str], FarEnd]]:
    made: list[FarEnd] = []

    def make(controller: FakeController, kind: str) -> FarEnd:
        if kind == "pty" and not hasattr(os, "openpty"):
            pytest.skip("this system has no ptys")
        made.append(FarEnd(controller, kind))
        return made[-1]

    yield make
    for end in made:
        end.close()


@dataclass
class Rig:
    """A SerialMotion on a memory port."""

    motion: SerialMotion
    controller: FakeController
    port: MemoryPort
    clock: StepClock

    @property
    def mechanics(self) -> Mechanics:
        return self.controller.mechanics


@pytest.fixture
def make_rig(clock: StepClock) -> Callable[..., Rig]:
    def make(
        table: str | PhraseTable = "word_address",
        axes: tuple[AxisSpec, ...] = AXES,
        ready: bool = True,
        reopens: bool = True,
        **options: object,
    ) -> Rig:
        named = PhraseTable.named(table) if isinstance(table, str) else table
        controller = WordController() if named.line.numbered else CommaController()
        port = MemoryPort(controller, clock)
        options.setdefault("timing", Timing())
        motion = SerialMotion((lambda: port) if reopens else port, named, axes, clock, **options)
        if ready:
            motion.connect()
            motion.home()
            controller.heard.clear()
        return Rig(motion, controller, port, clock)

    return make


@pytest.fixture
def rig(make_rig: Callable[..., Rig]) -> Rig:
    """Homed, on the default table."""
    return make_rig()


@pytest.fixture
def controllers() -> dict[str, type[FakeController]]:
    return {"word_address": WordController, "comma_steps": CommaController}
