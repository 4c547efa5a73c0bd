"""A few whole alignments: bytes over a socket, frames over another, the program as a person starts it."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from control.messages import Finish
from station.config.loading import setup_from_texts
from station.planning import aligner_of
from station.record import read_record
from station.record.codec import decode_observation, encode

SEED = 5
ENVIRONMENT = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def demo(seed: int, out: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "station", "demo", "--seed", str(seed), "--json", "--out", str(out)],
        capture_output=True,
        text=True,
        timeout=300,
        env=ENVIRONMENT,
        check=False,
    )


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], Path]:
    """One demo, looked at by many tests."""
    out = tmp_path_factory.mktemp("demo") / "run"
    return demo(SEED, out), out


@pytest.fixture(scope="module")
def result(done: tuple[subprocess.CompletedProcess[str], Path]) -> dict[str, Any]:
    return dict(json.loads(done[0].stdout))


def test_it_is_aligned_and_the_truth_agrees(
    done: tuple[subprocess.CompletedProcess[str], Path], result: dict[str, Any]
) -> None:
    assert done[0].returncode == 0, done[0].stderr
    assert result["outcome"] == "aligned"
    truth, pose = result["true_pose"], result["pose"]
    assert math.hypot(*truth["decenter_um"]) < 10.0
    assert math.hypot(*truth["tilt_arcsec"]) < 20.0
    # What it says of itself holds against the truth, within twice its expanded uncertainty: U covers 95 %.
    for key in ("decenter_um", "tilt_arcsec"):
        off = math.dist(truth[key], pose[key])
        assert off < 2.0 * pose["expanded_uncertainty"][key]


def test_stdout_is_one_json_object_of_the_promised_shape(
    done: tuple[subprocess.CompletedProcess[str], Path], result: dict[str, Any]
) -> None:
    assert done[0].stdout.count("\n") == 1
    assert list(result) == [
        *("outcome", "reason", "looks", "test_moves", "moves", "bench_seconds", "compute_seconds"),
        *("pose", "spots", "run_dir", "true_pose"),
    ]
    assert set(result["pose"]) == {"decenter_um", "tilt_arcsec", "expanded_uncertainty", "coverage_factor"}
    assert set(result["spots"]) == {"front_mm", "back_mm", "transmitted_mm"}
    assert all(len(place) == 2 for place in result["spots"].values())
    assert result["looks"] >= 5
    assert result["test_moves"] >= 4  # one for each axis at least
    assert result["bench_seconds"] > 5.0


def test_cautions_come_before_the_first_motion(done: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    told = done[0].stderr
    assert 0 <= told.index("Software is not a safety function") < told.index("homing all axes")


def test_the_run_folder_is_complete(done: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    names = {path.name for path in done[1].iterdir()}
    pictures = {f"{plate}_{when}" for plate in ("hole", "reference") for when in ("before", "after")}
    assert names >= {"record.json", "wire.log", "report.html", "report.pdf", "convergence.png"}
    assert names >= {f"{name}.png" for name in pictures} | {f"{name}_frame.png" for name in pictures}
    assert names >= {"hole_target_map.json", "reference_target_map.json"}
    assert not [name for name in names if name.endswith(".part")]


def test_the_wire_log_shows_the_bytes_both_ways(
    done: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    rows = [row for row in (done[1] / "wire.log").read_text().splitlines() if not row.startswith("#")]
    ways = {row.split()[1] for row in rows}
    assert ways == {"out", "in"}
    sent = [row for row in rows if row.split()[1] == "out"]
    assert any("G28" in row for row in sent)  # ISO 6983: to the reference point
    assert any("G01" in row for row in sent)  # ISO 6983: straight line
    assert any("G01" in row.split("|")[1] and bytes.fromhex(row.split("|")[0][19:]) for row in sent)
    shutters = [row.split("|")[1].split()[1] for row in sent if " M21 " in row or " M22 " in row]
    assert shutters[-1] == "M22"  # the last word on the shutter is closed


def test_the_record_replays_bit_for_bit(done: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    record = read_record(done[1])
    files = record["configuration"]
    setup = setup_from_texts(files["bench"]["text"], files["recipe"]["text"], "B", "R")
    aligner = aligner_of(setup)
    for step in record["steps"]:
        action = aligner.next_action(decode_observation(step["observation"]))
        assert encode(action) == step["action"]
    assert isinstance(action, Finish)


def test_every_frame_is_accounted_for(done: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    frames = read_record(done[1])["frames"]
    for camera in ("hole_camera", "reference_camera"):
        numbers = [frame["sequence"] for frame in frames if frame["camera"] == camera]
        assert numbers == sorted(set(numbers))
    assert {frame["purpose"] for frame in frames} == {
        *("map", "map check", "background", "bare beam", "returns", "transmitted"),
    }
    assert len({frame["sha256"] for frame in frames}) == len(frames)


def test_the_same_seed_gives_the_same_result(
    done: tuple[subprocess.CompletedProcess[str], Path], result: dict[str, Any], tmp_path: Path
) -> None:
    again = json.loads(demo(SEED, tmp_path / "again").stdout)
    for key in (
        "outcome",
        "reason",
        "looks",
        "test_moves",
        "moves",
        "bench_seconds",
        "pose",
        "spots",
        "true_pose",
    ):
        assert again[key] == result[key]
    hashes = [
        [frame["sha256"] for frame in read_record(out)["frames"]] for out in (done[1], tmp_path / "again")
    ]
    assert hashes[0] == hashes[1]
