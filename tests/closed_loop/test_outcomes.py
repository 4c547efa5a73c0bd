"""How runs end that do not end well: each its own outcome and exit status, each with a complete record."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from sim.serve import start_served_bench
from station import cli
from station.config.loading import setup_from_texts
from station.demo import BENCH_FILE, RECIPE_FILE, bench_maker, bench_text_at, example_setup, example_text
from station.record import read_record
from station.stopping import StopRequest

ENVIRONMENT = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
SEED = 2


@contextmanager
def served_files(folder: Path, mounted: str | None = None) -> Iterator[Any]:
    """Serve a bench, with the lens of the recipe ``mounted`` in it, and write both files for it."""
    setup = example_setup()
    in_the_mount = setup_from_texts(setup.bench_file.text, mounted, "B", "R") if mounted else setup
    with start_served_bench(bench_maker(in_the_mount, SEED)) as child:
        (folder / BENCH_FILE).write_text(bench_text_at(setup, child), encoding="utf-8")
        (folder / RECIPE_FILE).write_text(example_text(RECIPE_FILE), encoding="utf-8")
        yield child


def arguments(folder: Path) -> list[str]:
    files = ["--bench", str(folder / BENCH_FILE), "--recipe", str(folder / RECIPE_FILE)]
    return ["align", *files, "--json", "--out", str(folder / "run")]


def swap(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def disturbed_run(folder: Path, words: str, disturb: Callable[[int], None]) -> tuple[int, dict[str, Any]]:
    """Align in another process; call ``disturb`` with its id as soon as it says ``words``."""
    command = [sys.executable, "-m", "station", *arguments(folder)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENVIRONMENT
    ) as process:
        assert process.stderr is not None
        assert process.stdout is not None
        told = []
        for line in process.stderr:
            told.append(line)
            if words in line:
                disturb(process.pid)
                words = "\0"  # once
        out = process.stdout.read()
        status = process.wait(timeout=120)
    assert words == "\0", "".join(told)
    assert "Traceback" not in "".join(told)
    return status, json.loads(out)


def assert_complete(folder: Path, result: dict[str, Any]) -> dict[str, Any]:
    """The record names outcome, reason and every step, and the report was written."""
    record = dict(read_record(folder / "run"))
    assert record["result"] == result
    assert record["steps"][-1]["action"]["is"] == "Finish"
    assert record["steps"][-1]["action"]["outcome"] == result["outcome"]
    assert (folder / "run" / "report.pdf").is_file()
    assert (folder / "run" / "wire.log").read_text().count("\n") > 20
    return record


def test_killing_the_bench_stops_the_run(tmp_path: Path) -> None:
    with served_files(tmp_path) as child:
        status, result = disturbed_run(tmp_path, "moving: test move", lambda _: child.process.kill())
    assert status == 3
    assert result["outcome"] == "stopped"
    assert any(word in result["reason"] for word in ("lost", "no_reply"))
    record = assert_complete(tmp_path, result)
    codes = {fault["code"] for fault in record["faults"]}
    assert codes & {"line_lost", "no_reply", "camera_lost"}
    # The way out was tried to its end although nobody was there to hear it.
    assert any("close the shutter" in fault["message"] for fault in record["faults"])


class Relay:
    """Carries the line through, until told to cut it."""

    def __init__(self, far: tuple[str, int]) -> None:
        self._far = far
        self._server = socket.create_server(("127.0.0.1", 0))
        self._ends: list[socket.socket] = []
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        near, _ = self._server.accept()
        far = socket.create_connection(self._far)
        self._ends = [near, far]
        for source, sink in ((near, far), (far, near)):
            source.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=self._carry, args=(source, sink), daemon=True).start()

    @staticmethod
    def _carry(source: socket.socket, sink: socket.socket) -> None:
        try:
            while data := source.recv(4096):
                sink.sendall(data)
        except OSError:
            pass

    def cut(self) -> None:
        self._server.close()
        for end in self._ends:
            end.shutdown(socket.SHUT_RDWR)
            end.close()


def test_closing_the_line_stops_the_run(tmp_path: Path) -> None:
    with served_files(tmp_path) as child:
        host, port = child.line_url.removeprefix("socket://").split(":")
        relay = Relay((host, int(port)))
        swap(tmp_path / BENCH_FILE, child.line_url, relay.url)
        status, result = disturbed_run(tmp_path, "moving: step 1", lambda _: relay.cut())
    assert status == 3
    assert result["outcome"] == "stopped"
    assert "line_lost" in result["reason"]
    assert result["pose"] is None  # nothing is claimed that was not verified
    assert_complete(tmp_path, result)


@pytest.mark.skipif(os.name != "posix", reason="signals to another process are POSIX's")
def test_ctrl_c_stops_motion_closes_the_shutter_and_writes_the_record(tmp_path: Path) -> None:
    with served_files(tmp_path):
        status, result = disturbed_run(
            tmp_path, "moving: test move", lambda process: os.kill(process, signal.SIGINT)
        )
    assert status == 3
    assert result["outcome"] == "stopped"
    assert "operator" in result["reason"]
    assert_complete(tmp_path, result)
    rows = (tmp_path / "run" / "wire.log").read_text().splitlines()
    sent = [row.split("|")[1].split()[1] for row in rows if " out " in row]
    last_moves = [number for number, word in enumerate(sent) if word in ("G00", "G01", "G28")]
    assert "M00" in sent[last_moves[-1] :]  # stop, after the last motion that was begun
    assert "M22" in sent[last_moves[-1] :]  # shutter closed


def run_here(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    status = cli.run(arguments(folder), StopRequest())
    return status, json.loads(capsys.readouterr().out)


def test_a_spent_budget_is_a_time_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_files(tmp_path):
        swap(tmp_path / RECIPE_FILE, "bench_seconds = 900.0", "bench_seconds = 11.0")
        status, result = run_here(tmp_path, capsys)
    assert (status, result["outcome"]) == (4, "timed_out")
    assert "allowed are 11 s" in result["reason"]
    assert_complete(tmp_path, result)


def test_another_lens_than_the_recipe_says_is_rejected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A lens of three quarters of the focal length lies in the mount: the part is at fault, not the bench."""
    other = example_text(RECIPE_FILE).replace("102.4", "80.0")
    with served_files(tmp_path, mounted=other):
        status, result = run_here(tmp_path, capsys)
    assert (status, result["outcome"]) == (1, "rejected"), result["reason"]
    assert "wrong lens" in result["reason"]
    assert_complete(tmp_path, result)


def test_a_bench_that_is_busy_is_not_half_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The run folder is there already, with something in it: bad input, and no byte was sent."""
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "record.json").write_text("an older record")
    with served_files(tmp_path):
        assert cli.run(arguments(tmp_path), StopRequest()) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "not empty" in err
    assert (tmp_path / "run" / "record.json").read_text() == "an older record"
