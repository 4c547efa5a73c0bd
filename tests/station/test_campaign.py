"""Campaigns: equal plans give equal results, whoever computes them and however often they are interrupted."""

from __future__ import annotations

import gc
import json
import math
import os
import signal
from collections.abc import Iterator
from dataclasses import replace
from multiprocessing import active_children
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optics.families import FAMILIES
from station.campaign import command, outcomes, workers
from station.campaign.outcomes import Row, Table, as_table, run_bench, run_chunk
from station.campaign.plan import HARD, REGULAR, CampaignPlan, bench_text, deviations, setup_of
from station.campaign.report import write_report
from station.campaign.store import CampaignFolder
from station.campaign.summary import summary
from station.cli import run
from station.config import BadInput
from station.record import read_record
from station.replay import replay
from station.stopping import StopRequest

PLAN = CampaignPlan(benches=45, seed=2)
KEYS = [
    "benches",
    "outcomes",
    "false_accepts",
    "false_rejects",
    "moves",
    "looks",
    "bench_seconds",
    "true_decenter_um",
    "true_tilt_arcsec",
    "coverage_95",
    "alignments_per_second",
]


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return [row for chunk in range(PLAN.chunks) for row in run_chunk(PLAN, chunk)]


@pytest.fixture(scope="module")
def table(rows: list[Row]) -> Table:
    return as_table(rows)


@pytest.mark.parametrize("measurement", ["spots", "frames"])
def test_a_chunk_leaves_the_garbage_collector_as_it_was(
    measurement: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, during = gc.get_threshold(), []
    monkeypatch.setattr(outcomes, "run_bench", lambda plan, index: during.append(gc.get_threshold()))
    run_chunk(replace(PLAN, measurement=measurement), 0)
    # Pictures leave few objects and much memory behind.
    assert (set(during) == {before}) is (measurement == "frames")
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0


def same(one: Table, other: Table) -> bool:
    return list(one) == list(other) and all(
        np.array_equal(one[name], other[name], equal_nan=one[name].dtype.kind == "f") for name in one
    )


# --- the plan --------------------------------------------------------------------------------------------


def test_every_bench_has_its_own_seed_and_every_chunk_its_benches() -> None:
    plan = CampaignPlan(benches=1003, seed=7)
    assert len({plan.seed_of(index) for index in range(1003)}) == 1003
    assert [index for chunk in range(plan.chunks) for index in plan.indices(chunk)] == list(range(1003))
    assert plan.seed_of(3) != replace(plan, seed=8).seed_of(3)


def test_all_regular_families_take_turns_and_the_hard_ones_only_when_named() -> None:
    assert {PLAN.family_of(index) for index in range(8)} == set(REGULAR) == set(FAMILIES) - set(HARD)
    assert replace(PLAN, lens="ball-like").family_of(5) == "ball-like"


@pytest.mark.parametrize("family", FAMILIES)
def test_a_recipe_holds_the_lens_of_its_family(family: str) -> None:
    setup = setup_of(replace(PLAN, lens=family), 0)
    lens = setup.lens()
    assert [s.radius_mm for s in lens.surfaces] == [s.radius_mm for s in FAMILIES[family].surfaces]
    assert lens.thicknesses_mm == FAMILIES[family].thicknesses_mm
    assert lens.clear_aperture_mm == FAMILIES[family].clear_aperture_mm


def test_the_bench_takes_up_its_backlash() -> None:
    assert bench_text().count('approach_from = "below"') == 4


def test_how_far_benches_deviate() -> None:
    nuisances = deviations()
    scene, mount = nuisances.scene, nuisances.mount
    assert (scene.radius_sigma, scene.l1_sigma_mm, scene.l2_sigma_mm) == (0.01, 3.0, 2.0)
    assert math.degrees(mount.clocking_sigma_mrad * 1e-3) == pytest.approx(2.0)
    assert (mount.scale_sigma, mount.seat_decenter_mm, mount.seat_tilt_deg) == (0.02, 1.0, 1.0)


# --- results ---------------------------------------------------------------------------------------------


def test_a_sample_of_the_regular_families_aligns(table: Table) -> None:
    assert set(table["family"]) == set(REGULAR)
    ends = zip(table["seed"].tolist(), table["outcome"], table["reason"], strict=True)
    failed = [(seed, reason) for seed, outcome, reason in ends if outcome != "aligned"]
    assert len(failed) <= 1, failed
    assert np.all(table["within"][table["outcome"] == "aligned"])


def test_rows_tell_the_truth_and_the_verdict(table: Table) -> None:
    aligned = table["outcome"] == "aligned"
    for kind, unit in (("decenter", "um"), ("tilt", "arcsec")):
        off = np.hypot(*(table[f"said_{kind}_{a}_{unit}"] - table[f"true_{kind}_{a}_{unit}"] for a in "xy"))[
            aligned
        ]
        expanded = table[f"expanded_{kind}_{unit}"][aligned]
        assert np.median(off / expanded) < 1.0
    assert np.all(table["distance2"][aligned] >= table["distance2_decenter"][aligned] - 1e-9)
    assert np.all(table["moves"] >= 1)
    assert np.all(table["bench_seconds"] > 1.0)
    assert len(set(table["digest"])) == PLAN.benches


def test_one_bench_is_the_same_alone(rows: list[Row]) -> None:
    assert run_bench(PLAN, 22) == rows[22]


def test_the_summary_counts(table: Table) -> None:
    made = {name: column.copy() for name, column in table.items()}
    made["outcome"] = np.array(["aligned"] * 40 + ["rejected"] * 2 + ["stopped"] * 2 + ["timed_out"])
    made["within"] = np.array([False] * 3 + [True] * 38 + [False] * 4)
    made["moves"] = np.arange(45)
    made["distance2"] = np.array([1.0] * 30 + [20.0] * 10 + [math.nan] * 5)
    figures = summary(made, 12.345)
    assert list(figures) == KEYS
    assert figures["outcomes"] == {"aligned": 40, "rejected": 2, "stopped": 2, "timed_out": 1}
    assert (figures["false_accepts"], figures["false_rejects"]) == (3, 1)
    assert figures["moves"] == {"median": 22.0, "p95": 41.8, "max": 44.0}
    assert figures["coverage_95"] == 0.75
    radial = np.hypot(made["true_tilt_x_arcsec"], made["true_tilt_y_arcsec"])[:40]
    assert figures["true_tilt_arcsec"]["max"] == pytest.approx(radial.max(), abs=1e-3)
    assert json.loads(json.dumps(figures, allow_nan=False)) == figures


def test_the_summary_of_nothing_aligned(table: Table) -> None:
    made = dict(table) | {"outcome": np.array(["stopped"] * 45), "distance2": np.full(45, math.nan)}
    figures = summary(made, None)
    assert figures["true_decenter_um"] == {"rms": None, "p95": None, "max": None}
    assert figures["coverage_95"] is None
    write_report(PLAN, made, figures)


def test_the_report_is_one_file_with_all_families(table: Table) -> None:
    page = write_report(PLAN, table, summary(table, 1.0)).decode()
    for family in REGULAR:
        assert family in page
    assert "http" not in page
    assert page.count("data:image/png") == 2


def test_the_line_may_be_left_out(rows: list[Row]) -> None:
    # A command takes some ms less or more, and the beam wanders some nm meanwhile.
    for row in rows[:8]:
        by_line = run_bench(replace(PLAN, line=True), row.index)
        for name in ("outcome", "moves", "verify_moves", "take_up_moves", "looks"):
            assert getattr(by_line, name) == getattr(row, name)
        assert by_line.bench_seconds == pytest.approx(row.bench_seconds, rel=0.05)
        for name in ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec"):
            assert getattr(by_line, f"true_{name}") == pytest.approx(getattr(row, f"true_{name}"), abs=2.5)


# --- who computes ----------------------------------------------------------------------------------------


def never() -> bool:
    return False


def test_processes_give_the_same_even_when_one_is_killed(table: Table) -> None:
    done = workers.processes(PLAN, list(range(PLAN.chunks)), 2, never)
    rows: list[Row] = []
    killed = False
    for _, part in done:
        rows += part
        if not killed:
            killed = True
            victim = active_children()[0]
            assert victim.pid is not None
            os.kill(victim.pid, signal.SIGKILL)
    assert killed
    assert same(as_table(rows), table)


def test_workers_that_always_die_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "_ATTEMPTS", 2)
    with pytest.raises(workers.WorkersLostError, match="died"):
        list(workers.processes(PLAN, [0], 1, never, compute=_die))


def _die(plan: CampaignPlan, chunk: int) -> list[Row]:
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError(plan, chunk)


def test_a_stop_is_heeded_between_chunks() -> None:
    asked = iter([False, True, True])
    assert [chunk for chunk, _ in workers.here(PLAN, [2, 1, 0], lambda: next(asked))] == [2]


# --- the folder ------------------------------------------------------------------------------------------


def test_an_interrupted_campaign_goes_on(tmp_path: Path, rows: list[Row], table: Table) -> None:
    first = CampaignFolder(tmp_path / "here", PLAN)
    first.keep(1, [row for row in rows if row.index in PLAN.indices(1)])
    (first.path / "chunks" / "000002.npz.part").write_bytes(b"half a chunk")
    again = CampaignFolder(tmp_path / "here", PLAN)
    assert again.done() == {1}
    for chunk in (0, 2):
        again.keep(chunk, [row for row in rows if row.index in PLAN.indices(chunk)])
    assert same(again.table(), table)


def test_a_folder_of_something_else_is_refused(tmp_path: Path) -> None:
    CampaignFolder(tmp_path / "one", PLAN)
    with pytest.raises(BadInput, match="other settings"):
        CampaignFolder(tmp_path / "one", replace(PLAN, seed=9))
    (tmp_path / "two").mkdir()
    (tmp_path / "two" / "letter.txt").write_text("keep me")
    with pytest.raises(BadInput, match="not empty"):
        CampaignFolder(tmp_path / "two", PLAN)


# --- the command -----------------------------------------------------------------------------------------


@pytest.fixture
def stop() -> Iterator[StopRequest]:
    with StopRequest() as request:
        yield request


def arguments(out: Path, *more: str, benches: int = 8) -> list[str]:
    base = ["campaign", "--benches", str(benches), "--seed", "2", "--workers", "1", "--out", str(out)]
    return [*base, *more]


def test_the_command_prints_one_object(
    tmp_path: Path, stop: StopRequest, capsys: pytest.CaptureFixture[str], rows: list[Row]
) -> None:
    assert run(arguments(tmp_path / "a", "--json"), stop) == 0
    figures = json.loads(capsys.readouterr().out)
    assert list(figures) == KEYS
    assert figures["benches"] == 8
    with np.load(tmp_path / "a" / "results.npz", allow_pickle=False) as columns:
        assert columns["digest"].tolist() == [row.digest for row in rows[:8]]
    assert (tmp_path / "a" / "report.html").is_file()
    before = (tmp_path / "a" / "results.npz").read_bytes()
    assert run(arguments(tmp_path / "a"), stop) == 0  # nothing is left to do
    assert "8 benches" in capsys.readouterr().out
    assert (tmp_path / "a" / "results.npz").read_bytes() == before


def test_a_stopped_command_goes_on_where_it_was(
    tmp_path: Path, stop: StopRequest, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def one_then_stop(plan: CampaignPlan, chunks: list[int], stopped: Any) -> Iterator[workers.Done]:
        yield chunks[0], run_chunk(plan, chunks[0])
        stop.request()

    with monkeypatch.context() as patched:
        patched.setattr(command, "here", one_then_stop)
        assert run(arguments(tmp_path / "a", benches=24), stop) == 3
    assert "goes on from here" in capsys.readouterr().err
    assert not (tmp_path / "a" / "results.npz").exists()
    stop.requested = False
    assert run(arguments(tmp_path / "a", "--json", benches=24), stop) == 0
    assert json.loads(capsys.readouterr().out)["benches"] == 24
    with np.load(tmp_path / "a" / "results.npz") as columns:
        plan = CampaignPlan(benches=24, seed=2)
        assert columns["digest"][3] == run_bench(plan, 3).digest


def test_what_went_wrong_is_kept_to_be_replayed(
    tmp_path: Path, stop: StopRequest, capsys: pytest.CaptureFixture[str]
) -> None:
    recipe = tmp_path / "RECIPE.toml"
    text = setup_of(PLAN, 0).recipe_file.text
    recipe.write_text(text.replace("[look]", "[budget]\nlooks = 2\n\n[look]"))
    assert run(arguments(tmp_path / "a", "--recipe", str(recipe), benches=2), stop) == 0
    assert "2 timed out" in capsys.readouterr().out
    for index in ("000000", "000001"):
        record = read_record(tmp_path / "a" / "unusual" / index)
        assert record["steps"][-1]["action"]["outcome"] == "timed_out"
        assert replay(record).identical


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--lens", "biconvex f10"], ["--lens", "nearest: biconvex f100"]),
        (["--scheduler", "tcp://127.0.0.1:1"], ["--workers"]),
        (["--lens", "meniscus", "--recipe", "R.toml"], ["--lens", "--recipe"]),
        (["--measurement", "frames", "--spot-sigma-um", "20"], ["--spot-sigma-um"]),
        (["--recipe", "nowhere.toml"], ["nowhere.toml"]),
    ],
)
def test_bad_input_is_one_message(
    tmp_path: Path,
    stop: StopRequest,
    capsys: pytest.CaptureFixture[str],
    more: list[str],
    words: list[str],
) -> None:
    assert run(arguments(tmp_path / "a", *more), stop) == 2
    told = capsys.readouterr().err
    for word in words:
        assert word in told
    assert not (tmp_path / "a").exists()


# --- what takes minutes ----------------------------------------------------------------------------------


@pytest.mark.long
def test_a_dask_scheduler_gives_the_same_even_when_a_worker_is_killed(table: Table) -> None:
    distributed = pytest.importorskip("distributed", reason="the extra `campaign` is not installed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as cluster:
        rows: list[Row] = []
        killed = False
        for _, part in workers.scheduler(PLAN, list(range(PLAN.chunks)), cluster.scheduler_address, never):
            rows += part
            if not killed:
                killed = True
                os.kill(next(iter(cluster.workers.values())).process.process.pid, signal.SIGKILL)
    assert killed
    assert same(as_table(rows), table)


@pytest.mark.long
def test_no_scheduler_at_the_address_is_bad_input() -> None:
    pytest.importorskip("distributed", reason="the extra `campaign` is not installed")
    with pytest.raises(BadInput, match="scheduler"):
        list(workers.scheduler(PLAN, [0], "tcp://127.0.0.1:9", never))


@pytest.mark.long
def test_rendered_benches_align(
    stop: StopRequest, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = ["--measurement", "frames", "--lens", "biconvex f100", "--json"]
    assert run(arguments(tmp_path / "a", *more, benches=6), stop) == 0
    figures = json.loads(capsys.readouterr().out)
    assert figures["outcomes"]["aligned"] == 6
    assert figures["false_accepts"] == 0
