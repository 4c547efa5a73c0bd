"""Kills, failing storage and lost power, the quick form; `benchmarks/crash_archive.py` does every call."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import crash_archive
import crash_child
import numpy as np
import pytest
from crash_archive import NAME, Tally
from crash_check import examine
from power_loss import Disk, child_command, record, replay

pytestmark = pytest.mark.skipif(
    shutil.which("strace") is None or not hasattr(os, "fork"),
    reason="strace is not installed (Debian: strace)",
)


@pytest.fixture
def root() -> Iterator[Path]:
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with TemporaryDirectory(dir=memory) as name:
        yield Path(name).resolve()


def test_random_kills_lose_and_double_nothing(root: Path) -> None:
    tally = Tally()
    crash_archive.random_kills(root, 8, 1, tally)
    assert tally.kills == 8
    assert tally.findings.clean, tally.findings


def test_a_fault_at_some_calls_of_every_kind_loses_nothing_and_is_told(root: Path) -> None:
    tally = Tally()
    flush = "fdatasync" if crash_archive.calls_of_one_part(root)["fdatasync"] else "fsync"
    some = [
        ("pwrite64", "signal=KILL"),
        ("pwrite64", "error=ENOSPC"),
        (flush, "error=EIO"),
        (flush, "signal=KILL"),
    ]
    crash_archive.every_call(root, 25, tally, some)
    assert tally.injected >= 20
    assert tally.findings.clean, tally.findings
    assert tally.untold == 0
    told = {how.split(" -> ")[1] for how in tally.told}
    assert {"killed", "disk_full", "storage_failed"} <= told


def _cuts(root: Path, synchronous: str, random_ones: int) -> Tally:
    tally = Tally()
    path = crash_archive.fresh(root, 2)
    scratch = root / "scratch"
    scratch.mkdir()
    disk = Disk.of(path.parent, root / "said")
    weak = [synchronous] if synchronous else []
    events = record(child_command("work", str(path), "1", *weak), path.parent, root / "log", root / "said")
    for _cut, _which, said in replay(events, disk, scratch, np.random.default_rng(3), random_ones):
        tally.power_cuts += 1
        tally.findings.add(examine(scratch / NAME, said))
    return tally


def test_power_lost_at_any_point_loses_nothing(root: Path) -> None:
    tally = _cuts(root, "", 2)
    assert tally.power_cuts > 200
    assert tally.findings.clean, tally.findings


@pytest.mark.parametrize(("synchronous", "finding"), [("full", "lost"), ("off", "half_written")])
def test_the_model_notices_a_missing_flush(root: Path, synchronous: str, finding: str) -> None:
    """FULL does not flush the folder after the journal is removed; OFF flushes nothing."""
    assert getattr(_cuts(root, synchronous, 1).findings, finding)


def test_power_lost_in_an_upgrade_leaves_the_old_archive_or_the_new_one(root: Path) -> None:
    tally = Tally()
    crash_archive.upgrade_cuts(root, 2, tally)
    assert tally.power_cuts > 50
    assert tally.findings.clean, tally.findings


_SPOILS = {
    "lost": "DELETE FROM final_record WHERE part_id = 1",
    "half_written": "UPDATE part SET state = 'waiting' WHERE id = 1",
    "half_written ": "DELETE FROM look WHERE number = (SELECT max(number) FROM look)",
    "half_written  ": "UPDATE trail SET why = 'x' WHERE number = 3",
    "unverified_accepts": "UPDATE look SET number = number - 20",
}


@pytest.mark.parametrize("finding", _SPOILS)
def test_the_checker_sees_what_it_is_for(root: Path, finding: str) -> None:
    path, said = crash_archive.fresh(root, 2), []
    crash_child.work(path, 1, said.append)
    assert examine(path, said).clean
    with closing(sqlite3.connect(path)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f"DROP TRIGGER {name}")
        base.execute(_SPOILS[finding])
        base.commit()
    assert getattr(examine(path, said), finding.strip())


def test_a_part_that_is_finished_twice_is_seen(root: Path) -> None:
    path, said = crash_archive.fresh(root, 2), []
    crash_child.work(path, 1, said.append)
    assert examine(path, [*said, *said]).doubled
