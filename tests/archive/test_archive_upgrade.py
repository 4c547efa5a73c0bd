"""An upgrade from the revision before keeps every row, every guard, and the chain; both databases."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from archive_help import FakeClock, aligned, look
from old_archive import make_old_archive
from sqlalchemy import MetaData, inspect, select, text

import station.archive.store as store
from station.archive import Archive, ArchiveError, PartKind, Phase, Problem, Refused
from station.archive.store.database import Database
from station.archive.store.tables import METADATA, VERSION_TABLE
from station.archive.store.upgrade import REVISIONS, revision_of, upgrade


@pytest.fixture(params=["sqlite", "postgresql"])
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    url = (
        str(tmp_path / "archive.db")
        if request.param == "sqlite"
        else request.getfixturevalue("empty_postgres")
    )
    database = Database(url, patience_s=1.0)
    make_old_archive(database)
    yield database
    database.close()


def _rows(database: Database) -> dict[str, list[dict[str, Any]]]:
    metadata = MetaData()
    with database.engine.connect() as connection:
        metadata.reflect(connection)
        return {
            name: [
                dict(row) for row in connection.execute(select(table).order_by(*table.primary_key)).mappings()
            ]
            for name, table in metadata.tables.items()
            if name != VERSION_TABLE
        }


def test_the_revisions_are_those_of_the_scripts() -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(store.__file__).parent / "migrations"))
    scripts = ScriptDirectory.from_config(config)
    assert scripts.get_heads() == [REVISIONS[-1]]
    assert [one.revision for one in scripts.walk_revisions()] == list(reversed(REVISIONS))


def test_an_upgrade_keeps_every_row(old: Database) -> None:
    before = _rows(old)
    assert all(rows for name, rows in before.items() if name != "setting")
    upgrade(old)
    after = _rows(old)
    for table, rows in before.items():
        kept = [{name: row[name] for name in rows[0]} for row in after[table]] if rows else after[table]
        assert kept == rows, table
    assert {(row["kind"], row["repeat"]) for row in after["part"]} == {("product", 1)}
    assert {row["kind"] for row in after["final_record"]} == {"product"}
    assert after["doubt"] == []


def test_an_upgraded_archive_is_the_one_that_the_program_expects(old: Database) -> None:
    upgrade(old)
    options = {"version_table": VERSION_TABLE, "compare_type": True, "compare_server_default": True}
    with old.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection, opts=options), METADATA) == []
        inspector = inspect(connection)
        for table in METADATA.sorted_tables:
            checks = {one["name"] for one in inspector.get_check_constraints(table.name)}
            wanted = {one.name for one in table.constraints if one.__visit_name__ == "check_constraint"}
            assert wanted <= checks, table.name
            for index in inspector.get_indexes(table.name):
                if index["name"] in ("ix_part_waiting", "uq_part_in_hand", "uq_alarm_open", "ix_frame_kept"):
                    assert any(key.endswith("_where") for key in index["dialect_options"]), index


def test_an_upgraded_archive_works_on_and_is_guarded(old: Database) -> None:
    upgrade(old)
    url = os.fspath(old.path) if old.path else old.url
    with Archive(_text(url), station="cell 1", now=FakeClock()) as archive:
        assert archive.trail.verify_chain().intact
        (held,) = archive.claims.in_hand()
        assert (held.serial, held.phase) == ("OLD4", Phase.ALIGNING)
        setup = archive.calibrations.setup("bench 1", "0" * 64, controller="c", software={})
        part = archive.claims.resume(held.part_id, setup, why="after the upgrade")
        look(part)
        part.finish(aligned())
        archive.lots.announce(held.lot_id, "CHECK", kind=PartKind.CHECK)
        assert archive.charts.lot(held.lot_id).finished == 4
        findings = [one for one in archive.audit().findings if "text of" not in one]
        assert findings == []
        for statement in (
            "UPDATE part SET kind = 'check'",
            "DELETE FROM final_record",
            "UPDATE part SET state = 'waiting' WHERE state = 'finished'",
            "UPDATE part SET serial = 'X'",
        ):
            with pytest.raises(Refused):
                archive.database.write("cheat", lambda c, one=statement: c.execute(text(one)))
        revisions = [entry.new for entry in archive.trail.entries(kind="archive")]
        assert revisions == [{"revision": "0002"}]


def _text(url: Any) -> str:
    return (
        url
        if isinstance(url, str)
        else url.set(drivername="postgresql").render_as_string(hide_password=False)
    )


def test_an_sqlite_file_is_upgraded_when_opened_and_a_copy_of_the_old_one_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    database = Database(path)
    make_old_archive(database)
    before = _rows(database)
    database.close()
    with Archive(path, now=FakeClock()) as archive:
        copy = archive.facts().upgrade_copy
    assert copy == tmp_path / "archive.db.before-0002"
    kept = Database(copy)
    assert revision_of(kept) == "0001"
    assert _rows(kept) == before
    kept.close()


def test_a_shared_archive_is_upgraded_only_when_told(empty_postgres: str) -> None:
    database = Database(empty_postgres)
    make_old_archive(database)
    with pytest.raises(ArchiveError) as caught:
        Archive(empty_postgres, now=FakeClock())
    assert caught.value.problem is Problem.OLDER
    assert "every station that shares it" in caught.value.remedy
    with Archive(empty_postgres, now=FakeClock(), upgrade_allowed=True) as archive:
        assert archive.facts().revision == "0002"
    database.close()


def test_a_reader_does_not_upgrade(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    database = Database(path)
    make_old_archive(database)
    database.close()
    before = path.read_bytes()
    with pytest.raises(ArchiveError, match="revision 0001, this program works with 0002"):
        Archive(path, read_only=True)
    assert path.read_bytes() == before


def test_an_upgrade_that_fails_leaves_the_old_archive(old: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    before = _rows(old)

    def fail(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError("the power of imagination")

    monkeypatch.setattr("station.archive.store.guards.install", fail)
    with pytest.raises(RuntimeError, match="imagination"):
        upgrade(old)
    assert revision_of(old) == "0001"
    assert _rows(old) == before
    monkeypatch.undo()
    upgrade(old)
    assert revision_of(old) == "0002"


def test_references_stay_checked_after_an_upgrade(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    database = Database(path)
    make_old_archive(database)
    upgrade(database)
    with pytest.raises(ArchiveError, match="FOREIGN KEY"):
        database.write("break", lambda c: c.execute(text("INSERT INTO setup_calibration VALUES (99, 99)")))
    database.close()
    with closing(sqlite3.connect(path)) as base:
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
