import os
import socket
import struct
import threading
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from serial.tools import list_ports

from driver.clock import SystemClock
from driver.faults import DeviceFault, FaultCode
from driver.port import LoggedPort, Port, SerialPort, open_port

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no ptys")


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    master, slave = os.openpty()
    ends = [master, slave]
    yield master, os.ttyname(slave)
    for end in ends:
        try:
            os.close(end)
        except OSError:
            continue


@pytest.fixture
def far_socket() -> Iterator[SimpleNamespace]:
    """A TCP port that accepts one connection and does what the test does with it."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        far = SimpleNamespace(name=f"socket://127.0.0.1:{server.getsockname()[1]}", connection=None)
        accepting = threading.Thread(target=lambda: setattr(far, "connection", server.accept()[0]))
        accepting.start()
        far.accepted = accepting.join
        yield far
    accepting.join(5)
    if far.connection is not None:
        far.connection.close()


def lost(call: Any) -> DeviceFault:
    with pytest.raises(DeviceFault) as fault:
        call()
    assert fault.value.code is FaultCode.LINE_LOST
    return fault.value


def test_bytes_both_ways_over_a_pty(pty: tuple[int, str]):
    master, name = pty
    port = open_port(name, baud=9600)
    assert isinstance(port, Port)
    port.write(b"N1 Q1 K08AB\n")
    assert os.read(master, 100) == b"N1 Q1 K08AB\n"
    os.write(master, b"\x00\r\nabc\xff")
    got = b""
    while len(got) < 7:
        got += port.read(100, 1.0)
    assert got == b"\x00\r\nabc\xff"
    port.close()
    port.close()


def test_no_more_bytes_than_asked_for(pty: tuple[int, str]):
    port = open_port(pty[1])
    os.write(pty[0], b"abcdef")
    got = [port.read(4, 1.0)]
    while sum(map(len, got)) < 6:
        got.append(port.read(4, 1.0))
    assert b"".join(got) == b"abcdef"
    assert max(map(len, got)) <= 4
    port.close()


def test_silence_is_no_bytes(pty: tuple[int, str]):
    port = open_port(pty[1])
    assert port.read(10, 0.0) == b""
    assert port.read(10, 0.01) == b""
    port.close()


def test_a_pty_is_opened_exclusively(pty: tuple[int, str]):
    port = open_port(pty[1])
    with pytest.raises(DeviceFault) as fault:
        open_port(pty[1])
    assert fault.value.code is FaultCode.PORT_NOT_FOUND
    assert "in use by another program" in str(fault.value)
    port.close()


def test_discarded_input_is_gone(pty: tuple[int, str]):
    port = open_port(pty[1])
    os.write(pty[0], b"old")
    while not port._device.in_waiting:
        pass
    port.discard_input()
    assert port.read(10, 0.0) == b""
    port.close()


def test_a_pty_whose_far_end_is_gone_is_a_lost_line():
    master, slave = os.openpty()
    port = open_port(os.ttyname(slave))
    os.close(slave)
    os.close(master)
    # Here the library lets a bare OSError through, there its own error.
    assert "OSError" in lost(lambda: port.read(10, 0.0)).came
    lost(lambda: port.read(10, 0.1))
    lost(lambda: port.write(b"x"))
    lost(port.discard_input)
    port.close()
    assert "closed" in lost(lambda: port.read(1, 0.0)).came


def test_bytes_both_ways_over_a_socket(far_socket: SimpleNamespace):
    port = open_port(far_socket.name)
    far_socket.accepted()
    port.write(b"hello\n")
    assert far_socket.connection.recv(100) == b"hello\n"
    far_socket.connection.sendall(b"a" * 3000)
    got = b""
    while len(got) < 3000:
        got += port.read(4096, 1.0)
    assert got == b"a" * 3000
    port.close()


def test_what_came_before_the_hang_up_is_read_before_the_fault(far_socket: SimpleNamespace):
    port = open_port(far_socket.name)
    far_socket.accepted()
    far_socket.connection.sendall(b"last")
    far_socket.connection.close()
    got = port.read(100, 1.0)
    while got != b"last":
        got += port.read(100, 1.0)
    assert "disconnected" in lost(lambda: port.read(100, 1.0)).came
    port.close()


def test_a_socket_that_was_reset_is_released(far_socket: SimpleNamespace):
    port = open_port(far_socket.name)
    far_socket.accepted()
    far_socket.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    far_socket.connection.close()
    lost(lambda: port.read(1, 1.0))
    below = port._device._socket
    port.close()
    assert below.fileno() == -1


def test_a_socket_that_takes_nothing_is_a_lost_line(far_socket: SimpleNamespace, mocker: Any):
    mocker.patch("driver.port.WRITE_TIMEOUT_S", 0.05)
    port = open_port(far_socket.name)
    far_socket.accepted()
    assert "imeout" in lost(lambda: port.write(b"x" * (1 << 24))).came
    port.close()


def test_loop_and_spy_urls(pty: tuple[int, str], tmp_path: Any):
    loop = open_port("loop://")
    loop.write(b"echo")
    assert loop.read(10, 0.5) == b"echo"
    loop.write(b"more")
    loop.discard_input()
    assert loop.read(10, 0.0) == b""
    loop.close()
    spy = open_port(f"spy://{pty[1]}?file={tmp_path / 'spy.txt'}")
    spy.write(b"seen")
    spy._device.formatter.output.close()
    spy.close()
    assert "seen" in (tmp_path / "spy.txt").read_text()


def test_a_flooded_line_cannot_keep_discard_input():
    class Flood:
        timeout = 0.0
        in_waiting = 4096

        def read(self, size: int) -> bytes:
            return b"x" * size

        def close(self) -> None:
            return

    SerialPort(Flood(), "flood").discard_input()
    LoggedPort(SerialPort(Flood(), "flood"), lambda *_: None, SystemClock()).discard_input()


def test_whatever_the_library_raises_becomes_a_lost_line():
    # Errors that need a device to be pulled out at one particular moment, so a stand-in raises them.
    for problem in (OSError(5, "gone"), serial.SerialException("gone"), TypeError("fd is None")):

        class Broken:
            timeout = 0.0

            def __init__(self, problem: Exception) -> None:
                self.problem = problem

            def read(self, size: int) -> bytes:
                raise self.problem

            def close(self) -> None:
                raise self.problem

        port = SerialPort(Broken(problem), "broken")
        assert type(problem).__name__ in lost(lambda port=port: port.read(1, 0.1)).came
        port.close()


def test_a_missing_port_names_those_that_exist_and_the_nearest(mocker: Any):
    there = [SimpleNamespace(device="/dev/ttyUSB7"), SimpleNamespace(device="/dev/ttyACM0")]
    mocker.patch.object(list_ports, "comports", return_value=there)
    with pytest.raises(DeviceFault) as fault:
        open_port("/dev/ttyUSB70")
    assert fault.value.code is FaultCode.PORT_NOT_FOUND
    assert "'/dev/ttyUSB70'" in fault.value.asked
    assert "/dev/ttyACM0, /dev/ttyUSB7; nearest: /dev/ttyUSB7" in fault.value.came


def test_a_machine_without_ports_says_so(mocker: Any):
    mocker.patch.object(list_ports, "comports", return_value=[])
    with pytest.raises(DeviceFault, match="no serial port exists on this machine"):
        open_port("no-such-port")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("sockets://127.0.0.1:1", "not known"),
        ("socket://127.0.0.1", "port"),
        ("socket://127.0.0.1:1", "refused"),
    ],
)
def test_an_url_that_does_not_open_says_why(name: str, said: str):
    with pytest.raises(DeviceFault) as fault:
        open_port(name)
    assert fault.value.code is FaultCode.PORT_NOT_FOUND
    assert said in str(fault.value)
    assert "socket://HOST:PORT" in fault.value.came


def test_a_file_that_is_no_port_is_no_port(tmp_path: Any):
    (tmp_path / "file").write_text("")
    with pytest.raises(DeviceFault) as fault:
        open_port(str(tmp_path / "file"))
    assert fault.value.code is FaultCode.PORT_NOT_FOUND


def test_a_port_without_permission_says_so(mocker: Any):
    mocker.patch.object(serial, "serial_for_url", side_effect=serial.SerialException(13, "denied"))
    with pytest.raises(DeviceFault, match="no permission"):
        open_port("/dev/ttyS0")


def test_the_wire_log_sees_the_bytes_both_ways(pty: tuple[int, str]):
    log: list[tuple[str, bytes]] = []
    clock = SystemClock()
    port = LoggedPort(open_port(pty[1]), lambda way, data, time_s: log.append((way, data)), clock)
    assert isinstance(port, Port)
    port.write(b"ask")
    os.write(pty[0], b"!")
    assert port.read(10, 1.0) == b"!"
    assert port.read(10, 0.0) == b""
    port.discard_input()
    port.close()
    assert log == [("out", b"ask"), ("in", b"!")]
    assert port.log_problem is None


def test_a_log_that_fails_does_not_stop_the_line():
    def full(way: str, data: bytes, time_s: float) -> None:
        raise OSError(28, data.decode())

    port = LoggedPort(open_port("loop://"), full, SystemClock())
    port.write(b"one")
    port.write(b"two")
    assert port.read(10, 1.0) == b"onetwo"
    assert str(port.log_problem) == "[Errno 28] one"
    port.close()
