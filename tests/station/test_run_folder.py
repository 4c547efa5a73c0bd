"""The run folder: written whole or not at all."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest

from control.messages import Faulted, Finish, Home, Outcome, Started
from driver.protocols import Frame
from station.config import BadInput
from station.demo import example_setup
from station.record import Record, new_run_folder, read_record, write_atomically
from station.record.wire_log import WireLog


def a_record(folder: Path) -> Record:
    record = Record(folder, example_setup(), seed=7)
    record.add_step(Started(1.0), Home(), 0.001)
    return record


def test_a_record_reads_back(tmp_path: Path) -> None:
    record = a_record(tmp_path)
    pixels = np.arange(12, dtype=np.uint16).reshape(3, 4)
    record.add_frame(Frame(pixels, 0.01, 2.0, 5, "hole_camera"), "returns")
    record.add_fault("line_lost", "the line is lost", 3.0, "Move")
    record.save()
    data = read_record(tmp_path)
    assert data["seed"] == 7
    assert data["result"] is None  # the run has not ended
    assert data["steps"][0]["action"] == {"is": "Home"}
    # sha256 of the twelve little-endian 16-bit numbers, by coreutils' sha256sum
    expected = "a46b67c8fb1c4c35fdfc8387c647f8c442a84e1520334a92a127f740b4c1dd5c"
    assert data["frames"][0]["sha256"] == expected
    assert data["faults"][0]["code"] == "line_lost"
    assert data["configuration"]["recipe"]["text"] == record.setup.recipe_file.text


def test_an_interrupted_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "record.json"
    write_atomically(path, b"old")

    def lost_power(_: int) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr(os, "fsync", lost_power)
    with pytest.raises(OSError, match="no space"):
        write_atomically(path, b"new and longer")
    assert path.read_bytes() == b"old"


def test_the_data_is_on_the_disk_before_the_name_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    fsync, replace = os.fsync, Path.replace
    monkeypatch.setattr(os, "fsync", lambda handle: (order.append("fsync"), fsync(handle))[1])
    monkeypatch.setattr(Path, "replace", lambda a, b: (order.append("rename"), replace(a, b))[1])
    write_atomically(tmp_path / "a", b"x")
    assert order[:2] == ["fsync", "rename"]
    assert (tmp_path / "a").read_bytes() == b"x"


def test_replacing_the_end_keeps_what_control_said(tmp_path: Path) -> None:
    record = a_record(tmp_path)
    record.add_step(Faulted("x", "y", 2.0), Finish(Outcome.ALIGNED, "fine"), 0.0)
    record.replace_finish(Finish(Outcome.STOPPED, "the shutter stays open"))
    assert record.steps[-1]["action"]["outcome"] == "stopped"
    assert record.steps[-1]["action_of_control"]["outcome"] == "aligned"


def test_a_folder_with_something_in_it_is_refused(tmp_path: Path) -> None:
    (tmp_path / "old.txt").write_text("x")
    with pytest.raises(BadInput, match="not empty"):
        new_run_folder(tmp_path, "lens")
    with pytest.raises(BadInput, match="can be written"):
        new_run_folder(tmp_path / "old.txt" / "deeper", "lens")
    assert new_run_folder(tmp_path / "a" / "b", "lens").is_dir()


def test_dated_folders_do_not_collide(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    folders = {new_run_folder(None, "bi/convex: 100") for _ in range(3)}
    assert len(folders) == 3
    assert all(folder.parent == Path("runs") and "bi-convex--100" in folder.name for folder in folders)


@pytest.mark.parametrize(
    ("text", "words"),
    [(None, "no such file"), ("{", "written by coincide"), ("[]", "no object"), ('{"format": 9}', "9")],
)
def test_what_is_no_record_is_bad_input(tmp_path: Path, text: str | None, words: str) -> None:
    if text is not None:
        (tmp_path / "record.json").write_text(text)
    with pytest.raises(BadInput, match=words):
        read_record(tmp_path)


def test_the_wire_log_shows_bytes_both_ways(tmp_path: Path) -> None:
    log = WireLog()
    log("out", b"before it is open", 0.0)
    log.open(tmp_path / "wire.log", "coincide\nseed 7")
    log("out", b"N1 Q2\n", 1.25)
    log("in", bytes([0, 255]), 1.5)
    # Before it is closed: every line is flushed, whatever happens to the program afterwards.
    rows = (tmp_path / "wire.log").read_text().splitlines()
    assert rows == [
        "# coincide",
        "# seed 7",
        "      1.250000 out 4e 31 20 51 32 0a | N1 Q2.",
        "      1.500000  in 00 ff | ..",
    ]
    log.close()
    log.close()


def test_the_record_is_plain_json(tmp_path: Path) -> None:
    a_record(tmp_path).save()
    text = (tmp_path / "record.json").read_text(encoding="utf-8")
    assert "NaN" not in text
    assert "Infinity" not in text
    assert json.loads(text)["format"] == 1
