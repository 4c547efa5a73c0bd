"""A lot depends on its files and one seed only: the whole archive comes out the same, on one core or two."""

from __future__ import annotations

import os
import re
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import cv2
import pytest
from night_bench import PlannedPart

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from conftest import MakeCell

REAL_TIME = "compute_seconds"
COVERS_IT = ("final_record", "trail", "trail_head")
"""Tables with hashes that cover how long control took to decide; everything else is bench time."""


@pytest.fixture
def one_core() -> Iterator[None]:
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    threads, cores = cv2.getNumThreads(), os.sched_getaffinity(0)
    cv2.setNumThreads(1)
    os.sched_setaffinity(0, {min(cores)})
    yield
    os.sched_setaffinity(0, cores)
    cv2.setNumThreads(threads)


def everything(path: Path) -> dict[str, list[str]]:
    """Return every row of every table, as text."""
    found = {}
    with closing(sqlite3.connect(path)) as base:
        base.row_factory = sqlite3.Row
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            rows = [dict(row) for row in base.execute(f'SELECT * FROM "{name}"')]
            texts = [str({key: row[key] for key in row if key != REAL_TIME}) for row in rows]
            found[name] = [re.sub("[0-9a-f]{64}", "hash", t) for t in texts] if name in COVERS_IT else texts
    return found


def archived(make_cell: MakeCell, seed: int) -> dict[str, list[str]]:
    cell = make_cell(
        [PlannedPart("P0", "biconvex f200", 0), PlannedPart("P1", "biconvex f100", 1)], seed=seed
    )
    assert cell.run().done
    cell.archive.close()
    return everything(cell.path)


def test_the_same_seed_gives_the_same_archive(make_cell: MakeCell, request: pytest.FixtureRequest) -> None:
    here = archived(make_cell, 7)
    assert {"look", "move", "decision", "trail"} <= {name for name, rows in here.items() if rows}
    request.getfixturevalue("one_core")
    assert archived(make_cell, 7) == here
    assert archived(make_cell, 8)["look"] != here["look"]
