"""How long reports and writes take as an SQLite archive grows from 1e4 to 1e6 parts; last line: JSON.

Every part has its final record, its attempt and its chained entry in the trail, in lots of 1000. Each
question is asked once with the file dropped from the system's cache (cold) and five times more (median). The
peer is the chart's question answered by a scan of the whole table, in the same run.
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import select

from control.messages import Outcome, Verdict
from station.archive import Archive, Ending, LookStep, MoveStep, Phase
from station.archive.parts.final import columns_of, record_sha256
from station.archive.store.columns import canonical_json
from station.archive.store.tables import final_record
from station.archive.trail import _sha256

BEGAN = datetime(2026, 1, 1, tzinfo=UTC)
LOT_PARTS, RECIPES, STATIONS = 1000, 3, 2
_IDENTITY = tuple(tuple(4.0 if row == column else 0.0 for column in range(4)) for row in range(4))
_PART_S = 40.0


def grow(path: Path, start: int, end: int, generator: np.random.Generator) -> None:
    """Append parts ``start`` to ``end`` as the program would have left them, without a flush for each."""
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("PRAGMA synchronous = OFF")
        base.execute("PRAGMA journal_mode = OFF")
        base.execute("BEGIN")
        previous = base.execute("SELECT sha256 FROM trail_head").fetchone()[0]
        number = base.execute("SELECT number FROM trail_head").fetchone()[0]
        for part_id in range(start + 1, end + 1):
            if (part_id - 1) % LOT_PARTS == 0:
                _lot(base, (part_id - 1) // LOT_PARTS + 1)
            number += 1
            previous = _part(base, part_id, number, previous, generator)
        base.execute("UPDATE trail_head SET number = ?, sha256 = ?", (number, previous))
        base.execute("COMMIT")
        base.execute("PRAGMA journal_mode = DELETE")
        base.execute("PRAGMA optimize")


def _put(base: sqlite3.Connection, table: str, row: dict[str, Any]) -> None:
    marks = ", ".join("?" * len(row))
    base.execute(
        f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", [_stored(one) for one in row.values()]
    )


def _stored(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.replace(tzinfo=None).isoformat(sep=" ", timespec="microseconds")
    return canonical_json(value) if isinstance(value, dict | list) else value


def _lot(base: sqlite3.Connection, lot_id: int) -> None:
    row = {"id": lot_id, "name": f"lot {lot_id}", "recipe_id": lot_id % RECIPES + 1, "unreleased": False}
    _put(base, "lot", row | {"state": "done", "settings": {}, "made_by": "benchmark", "made_utc": BEGAN})


def _part(
    base: sqlite3.Connection, part_id: int, number: int, previous: str, generator: np.random.Generator
) -> str:
    lot_id, place = (part_id - 1) // LOT_PARTS + 1, (part_id - 1) % LOT_PARTS + 1
    station, recipe_id = f"cell {part_id % STATIONS + 1}", lot_id % RECIPES + 1
    started = BEGAN + timedelta(seconds=_PART_S * part_id)
    ended = started + timedelta(seconds=_PART_S)
    serial = f"S{part_id:08d}"
    row = {
        "id": part_id,
        "lot_id": lot_id,
        "place": place,
        "serial": serial,
        "state": "finished",
        "attempt": 1,
    }
    _put(base, "part", row | {"station": station, "since_utc": ended})
    with_what = {"session_id": 1, "station": station, "setup_id": 1, "recipe_id": recipe_id, "run_folder": ""}
    attempt = {"part_id": part_id, "number": 1, "started_utc": started, "why": "next of its lot"}
    _put(base, "attempt", attempt | with_what | {"claim_key": f"b-{part_id}"})
    final = columns_of(_ending(generator), verified=True)
    final |= {"part_id": part_id, "attempt": 1, "lot_id": lot_id, "recipe_id": recipe_id, "setup_id": 1}
    final |= {
        "station": station,
        "kind": "product",
        "started_utc": started,
        "ended_utc": ended,
        "run_folder": "",
    }
    final["sha256"] = record_sha256(final)
    _put(base, "final_record", final)
    entry = {"number": number, "utc": ended, "who": f"station {station}", "station": station, "kind": "part"}
    entry |= {"subject": f"lot {lot_id}/{serial}", "old": {"state": "in_hand"}, "why": final["reason"]}
    entry |= {"new": {"outcome": final["outcome"], "record_sha256": final["sha256"]}, "part_id": part_id}
    sha256 = _sha256(entry, previous)
    _put(base, "trail", entry | {"operation": f"b-{part_id}", "previous_sha256": previous, "sha256": sha256})
    return sha256


def _ending(generator: np.random.Generator) -> Ending:
    x, y, rx, ry = (float(value) for value in generator.normal(0.0, 3.0, 4))
    good = bool(generator.random() < 0.98)
    verdict = Verdict(
        (x, y), (rx, ry), _IDENTITY, 5.0, 5.0, 2.4477, 20.0, 30.0, good, "spots", {"spots": (2.0, 2.0)}
    )
    spots = {"front_mm": [0.001, 0.002], "back_mm": [0.001, 0.002], "transmitted_mm": [0.0, 0.001]}
    outcome, reason = (Outcome.ALIGNED, "within tolerance") if good else (Outcome.REJECTED, "surface dirty")
    return Ending(outcome, reason, "", verdict, 9, 4, 6, _PART_S, 1.5, spots)


def drop_from_cache(path: Path) -> None:
    """Ask the system to forget the file's pages; what stays in memory is not the archive's doing."""
    os.sync()
    with path.open("rb") as stream:
        os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def timed(path: Path, question: Callable[[Archive], object]) -> tuple[float, float]:
    """Return seconds cold, and the median of five more."""
    drop_from_cache(path)
    with Archive(path, read_only=True) as archive:
        begun = time.perf_counter()
        question(archive)
        cold_s = time.perf_counter() - begun
        return cold_s, statistics.median(_seconds(lambda: question(archive)) for _ in range(5))


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def questions(parts: int) -> Iterator[tuple[str, Callable[[Archive], object]]]:
    last_lot = parts // LOT_PARTS
    middle = f"S{parts // 2:08d}"
    night = BEGAN + timedelta(seconds=_PART_S * (parts - 1000))
    recipe = f"recipe {last_lot % RECIPES + 1}"
    yield "lot_report", lambda archive: _full(archive.charts.lot(last_lot).finished)
    yield "control_chart", lambda archive: _full(len(archive.charts.series(recipe, "decenter_x_um")))
    yield (
        "control_chart_of_a_station",
        lambda archive: archive.charts.series(recipe, "tilt_y_arcsec", station="cell 1"),
    )
    yield "night_report", lambda archive: archive.charts.period(night, night + timedelta(hours=12))
    yield "part_by_serial", lambda archive: archive.parts.find(middle)[0].final
    yield "scan_of_all_records", _scan


def _full(count: int) -> None:
    if count != LOT_PARTS:
        raise RuntimeError(f"{count} parts, not {LOT_PARTS}")


def _scan(archive: Archive) -> object:
    """The peer: the chart's 1000 values without an index."""
    table = final_record.c
    query = select(table.id, table.decenter_x_um).where(table.recipe_id + 0 == 1)
    return archive.database.rows("scan", query.order_by(-table.id).limit(1000))


def a_part_s(path: Path, parts: int = 20) -> float:
    """Return the median seconds of one part's writes: claim, three phases, two batches of steps, finish."""
    with Archive(path, station="cell 9") as archive:
        setup = archive.calibrations.setup("bench", "0" * 64, controller="c", software={})
        serials = [f"N{number}" for number in range(parts)]
        recipe = archive.recipes.for_run("recipe 1")
        lot = archive.lots.create(f"now {time.time_ns()}", serials, recipe, who="benchmark")
        times = []
        while (begun := time.perf_counter()) and (part := archive.claims.claim_next(lot.id, setup)):
            for phase in (Phase.LOADING, Phase.ALIGNING, Phase.VERIFYING):
                part.enter(phase)
                for _ in range(8):
                    part.add(lambda n: MoveStep(n, 1.0, "to the null", "step", {"X": 1.0}, {"X": 1.0}))
                    part.add(lambda n: LookStep(n, 1.0, "verify", "verify", 2, {"X": 1.0}, {}))
            part.finish(_ending(np.random.default_rng(1)))
            times.append(time.perf_counter() - begun)
    return statistics.median(times)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sizes", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--folder", type=Path, help="where the file is made; 1.5 GB for a million parts")
    options = parser.parse_args()
    generator = np.random.default_rng(5)
    results: dict[str, Any] = {}
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        path = Path(name) / "archive.db"
        with Archive(path, station="cell 1") as archive:
            for number in range(1, RECIPES + 1):
                archive.recipes.add(f"recipe {number}", "x", who="benchmark", why="benchmark")
                archive.recipes.release(f"recipe {number}", 1, who="benchmark", why="benchmark")
            archive.calibrations.setup("bench", "0" * 64, controller="c", software={})
        made = 0
        for size in sorted(options.sizes):
            begun = time.perf_counter()
            grow(path, made, size, generator)
            made = size
            print(
                f"{size:>9,} parts, {path.stat().st_size / 1e6:,.0f} MB, "
                f"made in {time.perf_counter() - begun:.0f} s"
            )
            results[str(size)] = {what: timed(path, question) for what, question in questions(size)}
            _show(results[str(size)])
        smallest, largest = (results[str(size)] for size in (min(options.sizes), max(options.sizes)))
        print(
            "growth of the warm time from the smallest to the largest, and against the scan at the largest:"
        )
        for what in smallest:
            growth, ratio = (
                largest[what][1] / smallest[what][1],
                largest["scan_of_all_records"][1] / largest[what][1],
            )
            print(f"  {what:28} x {growth:8.2f}   {ratio:8.1f} times quicker than the scan")
        with Archive(path, read_only=True) as archive:
            chain_s = _seconds(lambda: _intact(archive))
        part_s = a_part_s(path)
    print(f"  the whole trail checked in {chain_s:.1f} s; one part's writes {1e3 * part_s:.1f} ms")
    worst_s = max(*largest["lot_report"], *largest["control_chart"])
    summary = {"parts": max(options.sizes), "lot_report_s": largest["lot_report"][1]}
    summary |= {"control_chart_s": largest["control_chart"][1], "worst_cold_or_warm_s": worst_s}
    summary |= {"verify_chain_s": chain_s, "one_part_writes_s": part_s, "under_1_s": worst_s < 1.0}
    print(
        json.dumps(
            {key: round(value, 4) if isinstance(value, float) else value for key, value in summary.items()}
        )
    )
    return 0 if worst_s < 1.0 else 1


def _intact(archive: Archive) -> None:
    check = archive.trail.verify_chain()
    if not check.intact:
        raise RuntimeError(check.words)


def _show(times: dict[str, tuple[float, float]]) -> None:
    for what, (cold_s, warm_s) in times.items():
        print(f"  {what:28} cold {1e3 * cold_s:9.1f} ms   median {1e3 * warm_s:9.1f} ms")


if __name__ == "__main__":
    sys.exit(main())
