"""What is special about SQLite: its journal, its pragmas, the marks in the head of its file."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from station.archive.store.durable import flush_folder

APPLICATION_ID = int.from_bytes(b"CoiA", "big")
"""Marks the file as an archive of this program (``PRAGMA application_id``, bytes 68 to 71 of the file)."""


class NotAnArchive(Exception):  # noqa: N818  nothing went wrong in the program
    """The file is a database, but of another program."""


@dataclass(frozen=True, slots=True)
class Journal:
    """How SQLite survives a loss of power: values of the pragmas journal_mode and synchronous."""

    mode: str
    synchronous: str


_WRITE_AHEAD = Journal("wal", "full")
_ROLLBACK = Journal("delete", "extra")


def journal_for(version: tuple[int, int, int]) -> Journal:
    """Return the journal that is safe with an SQLite version.

    Write-ahead logging has a race between concurrent checkpoints that can corrupt the file; SQLite's release
    notes give 3.51.3 as the version that closed it, and 3.44.6 and 3.50.7 as those that took the correction
    over. All others get the rollback journal, with EXTRA: FULL does not flush the folder after the journal
    was removed, so that a loss of power can bring the journal back and undo a commit that was answered.
    """
    taken_over = version[:2] == (3, 44) and version[2] >= 6
    taken_over |= version[:2] == (3, 50) and version[2] >= 7
    return _WRITE_AHEAD if taken_over or version >= (3, 51, 3) else _ROLLBACK


def prepare(connection: sqlite3.Connection, *, read_only: bool) -> None:
    """Set up a new connection."""
    _require_ours(connection)
    # Transactions are begun by the program, never by the sqlite3 module.
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")
    # Without it, INSERT OR REPLACE removes rows behind the guards' back.
    connection.execute("PRAGMA recursive_triggers = ON")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    if read_only:
        return
    journal = journal_for(sqlite3.sqlite_version_info[:3])
    connection.execute(f"PRAGMA journal_mode = {journal.mode}")
    connection.execute(f"PRAGMA synchronous = {journal.synchronous}")
    # Only there on macOS, where a plain fsync leaves data in the drive's cache.
    connection.execute("PRAGMA fullfsync = ON")


def _require_ours(connection: sqlite3.Connection) -> None:
    """Refuse a database of another program before a single pragma has touched it."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (things,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if things and mark != APPLICATION_ID:
        raise NotAnArchive(
            f"a database of another program (application_id {mark}, {things} tables and indexes)"
        )


def copy_to(source: Path, target: Path) -> None:
    """Copy a database as it is at this instant; the copy is there whole, on the disk, or not at all."""
    temporary = target.with_name(target.name + ".part")
    temporary.unlink(missing_ok=True)
    with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(temporary)) as new:
        old.backup(new)
    with temporary.open("rb") as stream:
        os.fsync(stream.fileno())
    temporary.replace(target)
    flush_folder(target.parent)
