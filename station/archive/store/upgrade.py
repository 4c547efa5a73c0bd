"""Making a new archive, and bringing one of an older program version up to date, in one transaction each."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import DBAPIError

from station.archive.errors import Problem, told
from station.archive.store.database import Database
from station.archive.store.sqlite import APPLICATION_ID, copy_to
from station.archive.store.tables import VERSION_TABLE

REVISIONS = ("0001", "0002")
"""All revisions that this program knows, the oldest first; the last one is what it works with."""

_MIGRATIONS = Path(__file__).parent / "migrations"
_LOCK = int.from_bytes(b"archive", "big")


def revision_of(database: Database) -> str | None:
    """Return the revision of an archive; None for an empty database.

    Raises
    ------
    ArchiveError
        When the database is newer than the program, or not an archive.
    """
    found = database.read("open", _revision)
    if found is None or found in REVISIONS:
        return found
    if not re.fullmatch(r"\d{4}", found):
        raise database.error(Problem.NOT_OURS, "open", f"its version is called {found!r}")
    raise database.error(
        Problem.NEWER, "open", f"it is of revision {found}, this program knows up to {REVISIONS[-1]}"
    )


def _revision(connection: Connection) -> str | None:
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    row = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).first()
    return None if row is None else str(row[0])


def upgrade(database: Database, to: str = REVISIONS[-1]) -> Path | None:
    """Make the archive, or bring it to a revision; does nothing where it is there already.

    Parameters
    ----------
    database : Database
        Opened for writing.
    to : str
        A revision; older ones than the last serve tests.

    Returns
    -------
    Path or None
        The copy of an SQLite file from before its upgrade; None when there was nothing to copy.
    """
    before = revision_of(database)
    if before == to:
        return None
    copy = None
    if before is not None and database.path is not None:
        copy = database.path.with_name(f"{database.path.name}.before-{to}")
        try:
            copy_to(database.path, copy)
        except OSError as error:
            found = f"no copy could be made before the upgrade: {error.strerror}"
            raise database.error(Problem.STORAGE, "upgrade", found) from error
    try:
        _migrate(database, to)
    except DBAPIError as error:
        raise told(error, database.where, f"upgrade to revision {to}") from error
    return copy


def _migrate(database: Database, to: str) -> None:
    with database.engine.connect() as raw:
        connection = raw.execution_options(writes=True)
        driver: Any = connection.connection.dbapi_connection
        if database.is_sqlite:
            # Recreating a table would remove the rows that point to it; it is checked as a whole below.
            driver.execute("PRAGMA foreign_keys = OFF")
        try:
            with connection.begin():
                if not database.is_sqlite:
                    # Two stations that start at once: the second finds the work done.
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
                _run(connection, to)
                if database.is_sqlite:
                    _mark(connection, to)
        finally:
            if database.is_sqlite:
                driver.execute("PRAGMA foreign_keys = ON")


def _run(connection: Connection, to: str) -> None:
    # Half a second to load, and needed once in the life of a database.
    from alembic import command  # noqa: PLC0415  half a second to load, and only upgrades need it
    from alembic.config import Config  # noqa: PLC0415  as above

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def _mark(connection: Connection, revision: str) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if broken:
        raise RuntimeError(f"the upgrade broke {len(broken)} references, first {tuple(broken[0])}; undone")
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.exec_driver_sql(f"PRAGMA user_version = {int(revision)}")
