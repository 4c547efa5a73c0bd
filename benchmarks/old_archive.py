"""Makes an archive of revision 0001 with rows in every table, as a program of that time left it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, MetaData, insert

from station.archive.parts.final import record_sha256
from station.archive.store.database import Database
from station.archive.store.upgrade import upgrade
from station.archive.trail import Change, Trail

BEGAN = datetime(2026, 3, 1, 22, 0, tzinfo=UTC)
POSE = {"decenter_x_um": 1.25, "decenter_y_um": -2.5, "tilt_x_arcsec": 3.0, "tilt_y_arcsec": 0.1}
_COVARIANCE = "[[1.0,0.0,0.0,0.0],[0.0,1.0,0.0,0.0],[0.0,0.0,4.0,0.0],[0.0,0.0,0.0,4.0]]"


def make_old_archive(database: Database, finished: int = 3) -> None:
    """Make the archive: ``finished`` parts that are done, one in hand, one waiting."""
    upgrade(database, "0001")
    metadata = MetaData()
    with database.engine.connect() as connection:
        metadata.reflect(connection)
    database.write("fill an old archive", lambda connection: _fill(connection, database, metadata, finished))


def _fill(connection: Connection, database: Database, metadata: MetaData, finished: int) -> None:
    def put(table: str, **row: Any) -> None:
        connection.execute(insert(metadata.tables[table]).values(row))

    put("session", id=1, station="cell 1", opened_utc=_at(0), software="{}")
    signed = {"released_by": "B", "released_utc": _at(1)}
    made = {"made_by": "A", "made_utc": _at(0)}
    put(
        "recipe",
        id=1,
        name="f100",
        version=1,
        text="x",
        sha256="0" * 64,
        state="released",
        why="w",
        **made,
        **signed,
    )
    calibration = {"bench": "bench 1", "kind": "mount", "subject": "mount", "text": "{}", "sha256": "0" * 64}
    put("calibration", id=1, valid_until_utc=_at(9999), **calibration, **made)
    put("setup", id=1, sha256="0" * 64, bench="bench 1", bench_sha256="0" * 64, controller="c", software="{}")
    put("setup_calibration", setup_id=1, calibration_id=1)
    put("lot", id=1, name="old lot", recipe_id=1, unreleased=False, state="open", settings="{}", **made)
    for number in range(1, finished + 3):
        _part(
            put,
            number,
            "finished" if number <= finished else "in_hand" if number == finished + 1 else "waiting",
        )
    for number in range(1, finished + 1):
        row = _final(number)
        put("final_record", **row)
    _others(put)
    if not database.is_sqlite:
        for table in (
            "session",
            "recipe",
            "calibration",
            "setup",
            "lot",
            "part",
            "final_record",
            "frame",
            "alarm",
        ):
            # The rows above brought their numbers along; the server's counters have to follow.
            last = f"(SELECT max(id) FROM {table})"
            connection.exec_driver_sql(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {last})")
    trail = Trail(database, "cell 1")
    for number in range(1, finished + 1):
        new = {"state": "finished", "outcome": "aligned", "record_sha256": _final(number)["sha256"]}
        change = Change(
            "station cell 1", "part", f"old lot/OLD{number}", None, new, "within tolerance", number
        )
        trail.append(connection, change, utc=BEGAN, operation=f"1-{number}")


def _at(minutes: int) -> datetime:
    return BEGAN + timedelta(minutes=minutes)


def _part(put: Any, number: int, state: str) -> None:
    held = {} if state == "waiting" else {"station": "cell 1", "attempt": 1, "since_utc": _at(number)}
    phase = {"phase": "aligning"} if state == "in_hand" else {}
    put("part", id=number, lot_id=1, place=number, serial=f"OLD{number}", state=state, **held, **phase)
    if state == "waiting":
        return
    with_what = {"session_id": 1, "station": "cell 1", "setup_id": 1, "recipe_id": 1}
    put(
        "attempt",
        part_id=number,
        number=1,
        started_utc=_at(number),
        run_folder="",
        why="w",
        claim_key=f"1-{number}",
        **with_what,
    )
    key = {"part_id": number, "attempt": 1, "time_s": 1.0, "why": "w"}
    put("move", number=1, purpose="step", targets='{"X":1.0}', positions='{"X":1.0}', **key)
    put("look", number=2, purpose="step", frames=2, positions='{"X":1.0}', spots="{}", **key)
    put("decision", number=3, kind="Finish", details="{}", **key)


def _final(number: int) -> dict[str, Any]:
    row: dict[str, Any] = {"part_id": number, "attempt": 1, "lot_id": 1, "recipe_id": 1, "setup_id": 1}
    row |= {
        "station": "cell 1",
        "outcome": "aligned",
        "reason": "within tolerance",
        "remedy": "",
        "verified": True,
    }
    row |= {**POSE, "expanded_decenter_um": 2.5, "expanded_tilt_arcsec": 5.0, "coverage_factor": 2.4477}
    row |= {"tolerance_decenter_um": 20.0, "tolerance_tilt_arcsec": 30.0, "dominated_by": "spots"}
    row |= {"looks": 8, "test_moves": 4, "moves": 6, "bench_seconds": 60.0, "compute_seconds": 2.0}
    row |= {"started_utc": _at(number), "ended_utc": _at(number + 1), "run_folder": ""}
    hashed = {**row, "covariance": json.loads(_COVARIANCE), "contributions": {}, "spots": {}}
    return row | {
        "covariance": _COVARIANCE,
        "contributions": "{}",
        "spots": "{}",
        "sha256": record_sha256(hashed),
    }


def _others(put: Any) -> None:
    frame = {"camera": "c1", "purpose": "returns", "rule": "first", "sequence": 1, "time_s": 1.0}
    frame |= {"exposure_s": 0.01, "shape": "[4,4]", "dtype": "uint16", "sha256": "0" * 64, "file": "f.png"}
    put("frame", id=1, part_id=1, attempt=1, file_bytes=9, kept_utc=_at(1), **frame)
    alarm = {
        "station": "cell 1",
        "code": "line_lost",
        "subject": "",
        "severity": "stop",
        "cause": "c",
        "remedy": "r",
    }
    put(
        "alarm",
        id=1,
        part_id=1,
        lot_id=1,
        first_utc=_at(1),
        last_utc=_at(2),
        count=7,
        operation="1-9",
        **alarm,
    )
