"""Alarms that do not repeat, the watchdog, and the service manager's socket."""

from __future__ import annotations

import json
import os
import socket
import sys
import threading
import time
from pathlib import Path

import pytest

from station.archive import Archive, Severity
from station.lot.watch.alarms import Bell, Cause
from station.lot.watch.notify import ServiceManager
from station.lot.watch.watchdog import STUCK_STATUS, Watchdog

CAUSE = Cause("line_lost", "the cable is out", "plug it in")


def test_an_alarm_is_told_once_and_then_counted(tmp_path: Path) -> None:
    told: list[str] = []
    out = tmp_path / "hook.jsonl"
    hook = [sys.executable, "-c", f"import sys; open({str(out)!r}, 'a').write(sys.stdin.read())"]
    with Archive(tmp_path / "a.sqlite") as archive:
        bell = Bell(archive, told.append, hook)
        for _ in range(150):
            bell.ring(Severity.WARNING, CAUSE)
        bell.close()
        (alarm,) = archive.alarms.open()
    assert alarm.count == 150
    assert len(told) == 3  # at 1, 10, 100
    (line,) = out.read_text().splitlines()
    assert json.loads(line)["remedy"] == "plug it in"


def test_an_acknowledged_alarm_rings_anew(tmp_path: Path) -> None:
    told: list[str] = []
    with Archive(tmp_path / "a.sqlite") as archive:
        bell = Bell(archive, told.append)
        bell.ring(Severity.STOP, CAUSE)
        archive.alarms.acknowledge(archive.alarms.open()[0].id, who="A. Person", why="seen")
        bell.ring(Severity.STOP, CAUSE)
    assert len(told) == 2


def test_a_program_that_is_not_there_stops_nothing(tmp_path: Path) -> None:
    told: list[str] = []
    with Archive(tmp_path / "a.sqlite") as archive:
        Bell(archive, told.append, ["/no/such/program"]).ring(Severity.NOTE, CAUSE)
    assert "cannot be run" in told[-1]


def test_state_words_are_one_datagram(tmp_path: Path) -> None:
    """Format of sd_notify(3): newline-separated NAME=value, one datagram."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(path))
        environment = {
            "NOTIFY_SOCKET": str(path),
            "WATCHDOG_USEC": "30000000",
            "WATCHDOG_PID": str(os.getpid()),
        }
        manager = ServiceManager.of(environment)
        assert manager.watchdog_s == 30.0
        manager.ready("lot 8,\npart 3")
        manager.alive()
        assert listener.recv(1000) == b"READY=1\nSTATUS=lot 8, part 3\n"
        assert listener.recv(1000) == b"WATCHDOG=1\n"


def test_another_process_is_watched() -> None:
    assert ServiceManager.of({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}).watchdog_s is None


def test_nobody_listens(tmp_path: Path) -> None:
    assert not ServiceManager(str(tmp_path / "none"), None).send({"READY": "1"})
    assert not ServiceManager("", None).send({"READY": "1"})


def test_a_stuck_loop_is_made_safe_and_ended() -> None:
    done: list[str] = []
    ended = threading.Event()
    hangs = threading.Event()

    def end(status: int) -> None:
        done.append(f"end {status}")
        ended.set()

    steps = [
        ("hang", hangs.wait),
        ("fail", lambda: 1 // 0),
        ("close the shutter", lambda: done.append("closed")),
    ]
    with Watchdog(0.05, steps, done.append, end=end):
        assert ended.wait(10.0)
    hangs.set()
    assert "closed" in done
    assert f"end {STUCK_STATUS}" in done


def test_a_loop_that_goes_round_is_left_alone() -> None:
    said: list[str] = []
    with Watchdog(0.2, [], said.append, end=lambda status: said.append(f"end {status}")) as dog:
        for _ in range(10):
            time.sleep(0.02)
            dog.beat()
    assert not said


def test_a_loop_that_ends_after_the_bite_is_not_ended_hard() -> None:
    said: list[str] = []
    stopped = threading.Event()
    dog = Watchdog(0.3, [("stop", stopped.set)], said.append, end=lambda status: said.append(f"end {status}"))
    with dog:
        assert stopped.wait(10.0)
    assert dog.bitten
    assert not any(line.startswith("end") for line in said)


@pytest.mark.parametrize("address", ["relative", "tcp:1"])
def test_odd_addresses_are_not_used(address: str) -> None:
    assert not ServiceManager(address, None).send({"READY": "1"})
