"""Runs in one process: the same seed gives the same record, and every device call of a look is made."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from control.messages import BareBeamSeen, Outcome
from driver.faults import DeviceFault, FaultCode
from driver.protocols import Frame
from sim.tap import LineFault, LineFaultKind
from station.campaign.inprocess import InProcess, MemoryRecord
from station.campaign.plan import CampaignPlan, deviations, setup_of
from station.config import Setup
from station.config.loading import setup_from_texts
from vision.spots import NoSpot, Reason

PLAN = CampaignPlan(benches=8, seed=3)


def setup(index: int = 1, *swaps: tuple[str, str]) -> Setup:
    given = setup_of(PLAN, index)
    text = given.recipe_file.text
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    return setup_from_texts(given.bench_file.text, text, "BENCH.toml", "RECIPE.toml")


def run(seed: int = 5, index: int = 1, **more: Any) -> InProcess:
    return InProcess(setup(index), seed, nuisances=deviations(), **more)


def record_of(made: InProcess) -> MemoryRecord:
    assert isinstance(made.record, MemoryRecord)
    return made.record


@pytest.mark.parametrize("index", [0, 3, 6])
def test_the_same_seed_gives_the_same_record(index: int) -> None:
    records = []
    for seed in (5, 5, 6):
        made = run(seed, index)
        assert made.run().finish.outcome is Outcome.ALIGNED
        records.append(record_of(made))
    assert records[0].data() == records[1].data()
    assert records[0].digest() == records[1].digest() != records[2].digest()


SCRIPT = """
from station.campaign.outcomes import run_bench
from station.campaign.plan import CampaignPlan
print(run_bench(CampaignPlan(benches=8, seed=3), 4).digest)
"""


@pytest.mark.parametrize("threads", ["1", "2"])
def test_another_process_gives_the_same_record(threads: str) -> None:
    from station.campaign.outcomes import run_bench

    environment = {"OMP_NUM_THREADS": threads, "OPENBLAS_NUM_THREADS": threads, "PYTHONHASHSEED": threads}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == run_bench(PLAN, 4).digest


def test_rendered_runs_repeat_too() -> None:
    records = []
    for _ in range(2):
        made = InProcess(
            setup(1, ("[look]", "[budget]\nlooks = 2\n\n[look]\nframes = 1\nverify_frames = 1")),
            5,
            nuisances=deviations(),
            measurement="frames",
        )
        assert made.run().finish.outcome is Outcome.TIMED_OUT
        records.append(record_of(made).data())
    assert records[0] == records[1]


def test_nothing_in_a_record_tells_when_or_where_it_was_made() -> None:
    made = run()
    made.run()
    text = str(record_of(made).data())
    assert "compute_s" not in text
    assert "_utc" not in text


def test_a_stop_between_actions_ends_it_like_any_run() -> None:
    made = run()
    made.stop.request()
    ended = made.run()
    assert ended.finish.outcome is Outcome.STOPPED
    assert not ended.truth.shutter_open


# --- what a look does on the devices ---------------------------------------------------------------------


def counted(measurement: str) -> tuple[Counter[str], list[str]]:
    """Frames by purpose, and the words about the shutter, up to the second look."""
    words: list[str] = []

    def note(way: str, data: bytes, _: float) -> None:
        word = data.split()[1].decode() if way == "out" else ""
        if word in ("M21", "M22", "M23", "M24"):
            words.append(word)

    made = InProcess(
        setup(1, ("[look]", "[budget]\nlooks = 2\n\n[look]")),
        5,
        nuisances=deviations(),
        measurement=measurement,
        on_bytes=note,
    )
    purposes: Counter[str] = Counter()
    made.eyes.note_frame = lambda frame, purpose: purposes.update([f"{frame.camera} {purpose}"])
    made.run()
    return purposes, words


def test_looks_on_spots_make_the_calls_of_looks_on_frames() -> None:
    spots, frames = counted("spots"), counted("frames")
    assert spots[1] == frames[1]
    assert set(spots[0]) == set(frames[0])
    for purpose, count in frames[0].items():
        # How many tries an exposure takes depends on the picture; every look has at least its own frames.
        assert 0.3 * count <= spots[0][purpose] <= 2 * count, purpose


def cameras(made: InProcess) -> Iterator[Any]:
    for name in made.sim.camera_names:
        yield made.sim.camera(name)


def test_a_camera_that_fails_is_noticed() -> None:
    def lost(_: Frame) -> Frame:
        raise DeviceFault(FaultCode.CAMERA_LOST, state="exposing", asked="a frame", came="nothing")

    made = run()
    made.sim.camera("reference_camera").frame_hook = lost
    ended = made.run()
    assert ended.finish.outcome is Outcome.STOPPED
    assert "camera_lost" in ended.finish.reason


@pytest.mark.parametrize(
    ("level", "reason"), [(0, Reason.NO_LIGHT), (4095, Reason.SATURATED)], ids=["black", "white"]
)
def test_spoilt_frames_do_not_show_spots(level: int, reason: Reason) -> None:
    made = run()

    def spoilt(frame: Frame) -> Frame:
        if not made.sim.truth().shutter_open:
            return frame
        return replace(frame, pixels=np.full_like(frame.pixels, level))

    for camera in cameras(made):
        camera.frame_hook = spoilt
    ended = made.run()
    assert ended.finish.outcome is not Outcome.ALIGNED
    seen = [step for step, _ in record_of(made).steps if isinstance(step, BareBeamSeen)]
    assert isinstance(seen[0].transmitted, NoSpot)
    assert seen[0].transmitted.reason is reason


def test_a_dark_plate_cannot_be_mapped() -> None:
    made = run()
    for camera in cameras(made):
        camera.frame_hook = lambda frame: replace(frame, pixels=np.zeros_like(frame.pixels))
    ended = made.run()
    assert ended.finish.outcome is Outcome.STOPPED
    assert "plate_not_mapped" in ended.finish.reason


def test_a_frame_from_before_is_not_measured() -> None:
    made = run()
    first: dict[str, Frame] = {}

    def stale(frame: Frame) -> Frame:
        looks = made.runner.aligner.looks
        if looks >= 1 and made.sim.truth().shutter_open:
            first.setdefault(frame.camera, frame)
        return first.get(frame.camera, frame) if looks >= 2 and made.sim.truth().shutter_open else frame

    for camera in cameras(made):
        camera.frame_hook = stale
    ended = made.run()
    assert ended.finish.outcome is Outcome.STOPPED
    assert "frame_stale" in ended.finish.reason


def test_a_shutter_that_stays_closed_is_noticed() -> None:
    made = run()
    made.sim.controller.stick_shutter("closed")
    ended = made.run()
    assert ended.finish.outcome is Outcome.STOPPED
    assert "shutter_mismatch" in ended.finish.reason


def test_a_line_that_dies_stops_the_run() -> None:
    made = run()
    made.sim.tap.faults = (LineFault(LineFaultKind.CUT, 300, value=float("inf")),)
    ended = made.run()
    assert ended.finish.outcome is Outcome.STOPPED
    assert "line_lost" in ended.finish.reason


def test_a_clock_of_ones_own() -> None:
    class Counting:
        def __init__(self, clock: Any) -> None:
            self._clock, self.waits = clock, 0

        def now_s(self) -> float:
            return float(self._clock.now_s())

        def sleep_s(self, duration_s: float) -> None:
            self.waits += 1
            self._clock.sleep_s(duration_s)

    made: list[Counting] = []

    def wrap(clock: Any) -> Counting:
        made.append(Counting(clock))
        return made[0]

    plain, wrapped = run(), run(clock=wrap)
    plain.run()
    wrapped.run()
    assert made[0].waits > 50
    assert record_of(plain).digest() == record_of(wrapped).digest()
