"""A bench in a child process: its line through pyserial, its other devices through the bench port."""

from __future__ import annotations

import os
import pickle
import signal
import socket
import subprocess
import sys
import threading
import time
from functools import partial

import numpy as np
import pytest
import serial

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Camera, Clock, LensHandler, Witness
from sim import remote
from sim.framing import FramingError, receive_message, send_message
from sim.mount_errors import MountNuisances
from sim.nuisances import Nuisances
from sim.serve import BenchStartError, serve_bench, start_served_bench
from sim.tap import LineFault, LineFaultKind

LINUX_ONLY = pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")


class SerialPort:
    """pyserial behind the few calls that a person at the line makes."""

    def __init__(self, url: str) -> None:
        self.line = serial.serial_for_url(url, timeout=5.0)

    def write(self, data: bytes) -> None:
        self.line.write(data)

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        return self.line.read_until(b"\n", max_bytes)


@pytest.fixture
def recipe(build):
    return partial(build, nuisances=Nuisances(mount=MountNuisances.none()), seed=9)


@pytest.fixture
def served(recipe):
    with start_served_bench(recipe) as served:
        yield served
    assert served.process.poll() is not None


@pytest.fixture
def devices(served):
    made = [
        remote.camera("hole_camera", served.bench_address),
        remote.clock(served.bench_address),
        remote.lens_handler(served.bench_address),
        remote.witness(served.bench_address),
    ]
    yield made
    for device in made:
        device.close()
        device.close()


@pytest.fixture
def wired(served, at_line):
    port = SerialPort(served.line_url)
    yield at_line(port)
    port.line.close()


def in_thread(bench) -> tuple[str, str, threading.Event]:
    """Serve a bench of this process; return line URL, bench address and what ends it."""
    ready, until, told = threading.Event(), threading.Event(), []

    def listen(addresses) -> None:
        told.append(addresses)
        ready.set()

    threading.Thread(
        target=serve_bench, args=(bench,), kwargs={"ready": listen, "until": until}, daemon=True
    ).start()
    assert ready.wait(10.0)
    return told[0].line_url, told[0].bench_address, until


def test_line_answers_through_pyserial_on_a_socket(wired):
    assert wired.ask("Q3").startswith("ID ")
    assert wired.ask("G28") == "DONE"
    assert wired.state()["STATE"] == "HOMING"


@LINUX_ONLY
def test_line_answers_on_a_pseudo_terminal_and_survives_being_closed(served, at_line):
    for _ in range(2):
        port = SerialPort(served.pty_path)
        assert at_line(port).ask("Q3").startswith("ID ")
        port.line.close()


def test_line_takes_one_at_a_time(served, wired):
    assert wired.ask("Q3").startswith("ID ")
    with socket.create_connection(("127.0.0.1", int(served.line_url.rpartition(":")[2])), 5.0) as second:
        assert second.recv(10) == b"", "turned away at once"
    assert wired.ask("Q3").startswith("ID ")


def test_only_the_loopback_interface_listens(served):
    assert served.line_url.startswith("socket://127.0.0.1:")
    assert served.bench_address.startswith("127.0.0.1:")


def test_remote_devices_fulfil_the_protocols(devices):
    for device, protocol in zip(devices, (Camera, Clock, LensHandler, Witness), strict=True):
        assert isinstance(device, protocol)


def test_served_bench_gives_the_same_frames_and_poses_as_one_in_process(recipe, devices, wired, at_line):
    camera, clock, handler, witness = devices
    bench = recipe()
    near = at_line(bench.line)
    for person, bench_clock in ((wired, clock), (near, bench.clock)):
        person.ask("G28")
        bench_clock.sleep_s(60.0)
        person.ask("M21")
    handler.lens_in()
    bench.lens_handler.lens_in()
    assert clock.now_s() == bench.clock.now_s(), "the line costs the same bench time on a socket"
    assert witness.pose() == bench.witness.pose()
    far_frame, near_frame = camera.grab(0.02), bench.camera("hole_camera").grab(0.02)
    assert np.array_equal(far_frame.pixels, near_frame.pixels)
    assert far_frame.pixels.dtype == near_frame.pixels.dtype
    for key in ("exposure_s", "time_s", "sequence", "camera"):
        assert getattr(far_frame, key) == getattr(near_frame, key)


def test_bench_time_does_not_follow_real_time(devices):
    clock = devices[1]
    began_s = clock.now_s()
    clock.sleep_s(36_000.0)
    assert clock.now_s() == pytest.approx(began_s + 36_000.0)


def test_faults_and_mistakes_cross_the_port(devices):
    camera, clock, handler, witness = devices
    with pytest.raises(DeviceFault, match="no lens in the mount") as caught:
        witness.pose()
    assert caught.value.code is FaultCode.HANDLER_FAILED
    with pytest.raises(ValueError, match="exposure_s"):
        camera.grab(0.0)
    with pytest.raises(ValueError, match="cannot advance"):
        clock.sleep_s(-1.0)
    handler.lens_in()
    assert set(witness.pose()) == {"decenter_um", "tilt_arcsec"}
    handler.lens_out()


def test_unknown_camera_is_not_found_and_named(served):
    with pytest.raises(DeviceFault, match="hole_camera, reference_camera") as caught:
        remote.camera("nowhere", served.bench_address)
    assert caught.value.code is FaultCode.CAMERA_NOT_FOUND


def test_killed_bench_is_noticed_by_every_device_at_once_and_for_good(served, devices, wired):
    camera, clock, handler, witness = devices
    assert wired.ask("Q3").startswith("ID ")
    before_s = clock.now_s()
    served.process.kill()
    served.process.wait()
    for state in ("connected", "lost"):
        with pytest.raises(DeviceFault) as caught:
            camera.grab(0.01)
        assert (caught.value.code, caught.value.state) == (FaultCode.CAMERA_LOST, state)
        for call in (handler.lens_in, handler.lens_out, witness.pose):
            with pytest.raises(DeviceFault) as caught:
                call()
            assert caught.value.code is FaultCode.HANDLER_FAILED
        assert clock.now_s() >= before_s
    with pytest.raises(serial.SerialException):
        wired.port.read(10, 1.0)
    clock.sleep_s(0.0)


def test_sleep_that_finds_the_bench_gone_raises_once_then_deadlines_still_expire(served, devices):
    clock = devices[1]
    served.process.kill()
    served.process.wait()
    with pytest.raises(DeviceFault) as caught:
        clock.sleep_s(0.01)
    assert caught.value.code is FaultCode.LINE_LOST
    before_s = clock.now_s()
    clock.sleep_s(0.01)
    assert clock.now_s() > before_s


def test_no_bench_there():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
    for make, code in (
        (partial(remote.camera, "hole_camera"), FaultCode.CAMERA_NOT_FOUND),
        (remote.clock, FaultCode.PORT_NOT_FOUND),
        (remote.lens_handler, FaultCode.HANDLER_FAILED),
        (remote.witness, FaultCode.HANDLER_FAILED),
    ):
        with pytest.raises(DeviceFault) as caught:
            make(address)
        assert caught.value.code is code
    with pytest.raises(ValueError, match="not like"):
        remote.clock("nonsense")


def test_bench_that_answers_nonsense_is_lost_not_believed():
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def answer() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.recv(1000)
                connection.sendall(b"\xff" * 100)

        threading.Thread(target=answer, daemon=True).start()
        with pytest.raises(DeviceFault) as caught:
            remote.camera("hole_camera", f"127.0.0.1:{listener.getsockname()[1]}")
        assert caught.value.code is FaultCode.CAMERA_LOST


def test_bench_port_survives_nonsense(served, devices):
    host, _, port = served.bench_address.rpartition(":")
    for nonsense in (b"\xff" * 8, b"\0\0\0\2\0\0\0\0[]", b"\0\0\0\3\0\0\0\0{x}", b"\0\0"):
        with socket.create_connection((host, int(port)), 5.0) as connection:
            connection.sendall(nonsense)
            connection.shutdown(socket.SHUT_WR)
            assert connection.recv(10) == b""
    with socket.create_connection((host, int(port)), 5.0) as connection:
        connection.settimeout(5.0)
        for question in ({}, {"ask": "truth"}, {"ask": "grab"}, {"ask": "sleep", "duration_s": "long"}):
            send_message(connection, question)
            assert "mistake" in receive_message(connection)[0]
    assert devices[1].now_s() >= 0.0


def test_framing_tells_a_closed_connection():
    here, there = socket.socketpair()
    with here, there:
        send_message(here, {"ask": "now"}, b"pixels")
        assert receive_message(there) == ({"ask": "now"}, b"pixels")
        here.sendall(b"\0\0\0\x09\0\0\0\0{")
        here.close()
        with pytest.raises(FramingError, match="closed"):
            receive_message(there)


def test_framing_refuses_what_is_too_long_before_it_is_read():
    for lengths in (b"\x00\x01\x00\x01\0\0\0\0", b"\0\0\0\2\x08\0\0\1"):
        here, there = socket.socketpair()
        with here, there:
            there.settimeout(1.0)
            here.sendall(lengths)
            with pytest.raises(FramingError, match="too long"):
                receive_message(there)


def test_cut_line_closes_the_socket_and_may_be_opened_again(bench, at_line):
    line_url, _, until = in_thread(bench)
    port = SerialPort(line_url)
    assert at_line(port).ask("Q3").startswith("ID ")
    bench.tap.faults = (LineFault(LineFaultKind.CUT, bench.tap.calls),)
    port.write(b"\n")
    with pytest.raises(serial.SerialException):
        port.read(100, 1.0)
    port.line.close()
    again = SerialPort(line_url)
    assert at_line(again).ask("Q3").startswith("ID ")
    again.line.close()
    until.set()


def test_late_reply_comes_late_in_real_time_too(bench, at_line):
    line_url, _, until = in_thread(bench)
    port = SerialPort(line_url)
    port.line.timeout = 0.05
    bench.tap.faults = (LineFault(LineFaultKind.REPLY_LATE, bench.tap.calls + 1, value=0.5),)
    person = at_line(port)
    port.write(person.request("Q3"))
    assert port.read(200, 0.0) == b"", "not at once"
    port.line.timeout = 10.0
    assert port.read(200, 0.0).startswith(b"N1 ID ")
    port.line.close()
    until.set()


# --- the child process -----------------------------------------------------------------------------


def test_child_that_cannot_build_says_why():
    with pytest.raises(BenchStartError, match="TypeError: int"):
        start_served_bench(partial(int, "1", "2", "3"))
    with pytest.raises(BenchStartError, match="did not start"):
        start_served_bench(["/nowhere/at/all"])
    with pytest.raises(BenchStartError, match="ended before it listened"):
        start_served_bench([sys.executable, "-c", "pass"])
    with pytest.raises(BenchStartError, match="does not listen"):
        start_served_bench([sys.executable, "-c", "import sys; sys.stdin.read()"], timeout_s=0.1)


def test_stop_may_be_called_twice_and_after_a_kill(recipe):
    served = start_served_bench(recipe)
    served.process.kill()
    served.stop()
    served.stop()
    assert served.process.poll() is not None


def program_of(recipe, tmp_path, before: str = "", inside: str = "pass") -> list[str]:
    """Return the command line of a program of somebody else's that serves a bench."""
    parcel = tmp_path / "recipe"
    parcel.write_bytes(pickle.dumps(recipe))
    program = (
        "import pickle, pathlib, signal\n"
        "from sim.serve import serve_for_parent\n"
        f"{before}\n"
        "def make():\n"
        f"    {inside}\n"
        f"    return pickle.loads(pathlib.Path({str(parcel)!r}).read_bytes())()\n"
        "serve_for_parent(make)\n"
    )
    return [sys.executable, "-u", "-c", program]


def test_child_of_another_program_may_print_what_it_likes(recipe, tmp_path, at_line):
    with start_served_bench(program_of(recipe, tmp_path, inside="print('a line on stdout')")) as served:
        port = SerialPort(served.line_url)
        assert at_line(port).ask("Q3").startswith("ID ")
        port.line.close()


@LINUX_ONLY
def test_child_ignores_ctrl_c_so_that_the_station_can_still_stop_it(recipe, tmp_path, at_line):
    # Said explicitly, since a shell may have made all its children ignore it.
    heeds = "signal.signal(signal.SIGINT, signal.default_int_handler)"
    with start_served_bench(program_of(recipe, tmp_path, before=heeds)) as served:
        port = SerialPort(served.line_url)
        os.kill(served.process.pid, signal.SIGINT)
        with pytest.raises(subprocess.TimeoutExpired):
            served.process.wait(0.5)
        assert at_line(port).ask("M00") == "DONE"
        port.line.close()


@LINUX_ONLY
def test_child_leaves_when_its_parent_is_killed(recipe, tmp_path):
    """A parent that dies without a word (kill -9) leaves no orphan."""
    parcel = tmp_path / "recipe"
    parcel.write_bytes(pickle.dumps(recipe))
    program = (
        "import pickle, pathlib, sys, time\n"
        "from sim.serve import start_served_bench\n"
        f"served = start_served_bench(pickle.loads(pathlib.Path({str(parcel)!r}).read_bytes()))\n"
        "print(served.bench_address, flush=True)\n"
        "time.sleep(600)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        host, _, port = parent.stdout.readline().decode().strip().rpartition(":")
        with socket.create_connection((host, int(port)), 5.0) as connection:
            connection.settimeout(30.0)
            parent.kill()
            # The child holds the other end of this connection until it leaves.
            assert connection.recv(1) == b""
    for _ in range(100):
        with socket.socket() as probe:
            if probe.connect_ex((host, int(port))) != 0:
                return
        time.sleep(0.05)
    pytest.fail("the child still listens")


def test_outputs_are_switched_over_the_bench_port(served):
    clamp = remote.output("lock", served.bench_address)
    lamp = remote.output("bond", served.bench_address)
    clamp.on()
    assert (clamp.is_on(), lamp.is_on()) == (True, False)
    clamp.off()
    assert not clamp.is_on()
    clamp.close()
    lamp.close()
