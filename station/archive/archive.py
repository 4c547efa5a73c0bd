"""The archive as a station opens it."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, column, func, insert, select, values

from station.archive.alarms import Alarm, Alarms, Severity
from station.archive.context import Context, NowUtc, system_now_utc
from station.archive.doubt import Doubts
from station.archive.errors import ArchiveError, Problem
from station.archive.frames import Frames
from station.archive.lots import Lots
from station.archive.papers.calibrations import Calibrations
from station.archive.papers.recipes import Recipes
from station.archive.papers.settings import Settings
from station.archive.parts.claims import Claims
from station.archive.parts.reading import Parts
from station.archive.store.database import Database
from station.archive.store.durable import make_folder
from station.archive.store.sqlite import journal_for
from station.archive.store.tables import session, trail
from station.archive.store.upgrade import REVISIONS, revision_of, upgrade
from station.archive.trail import Change, Trail
from station.archive.views.audit import Audit, check_records
from station.archive.views.charts import Charts
from station.archive.views.export import Export

_CLOCK_SLACK = timedelta(seconds=2)
_NOBODY = 0


@dataclass(frozen=True, slots=True)
class ArchiveFacts:
    """What kind of archive it is, for the head of a log.

    Attributes
    ----------
    where : str
        Without a password.
    revision : str
    engine : str
        The database and its version.
    journal : str
        How it survives a loss of power.
    upgrade_copy : Path or None
        Copy of the file from before an upgrade that this opening made.
    """

    where: str
    revision: str
    engine: str
    journal: str
    upgrade_copy: Path | None


class Archive:
    """Everything that a line remembers. Open it, use its parts, close it (it is a context manager).

    Parameters
    ----------
    url : str or path
        An SQLite file, made with its folder where there is none, or ``postgresql://user@host/name``.
    station : str
        Name of the station that writes; several stations may share a PostgreSQL archive.
    software : mapping of str to str, optional
        Versions of the program and its libraries, noted with the session.
    frames : path, optional
        Folder of kept frames.
    read_only : bool
        For reports: nothing is written, no session is noted.
    upgrade_allowed : bool, optional
        Whether an older archive is upgraded. By default an SQLite file is (a copy is made first), a shared
        PostgreSQL archive is not: other stations may still run the older program. An empty one is made.
    now : callable
        Wall clock, in UTC; a simulated night hands in its own.
    patience_s : float
        How long a write is repeated while the server is away or the database is locked.
    sleep : callable
        Waits between tries.

    Attributes
    ----------
    lots, claims, parts : Lots, Claims, Parts
    recipes, calibrations, settings : Recipes, Calibrations, Settings
    alarms, doubts, frames, trail : Alarms, Doubts, Frames, Trail
    charts, export : Charts, Export

    Raises
    ------
    ArchiveError
        When it cannot be opened, with what was found and what helps; it was left as it is.
    """

    def __init__(
        self,
        url: str | os.PathLike[str],
        *,
        station: str = "station",
        software: Mapping[str, str] | None = None,
        frames: Path | None = None,
        read_only: bool = False,
        upgrade_allowed: bool | None = None,
        now: NowUtc = system_now_utc,
        patience_s: float = 60.0,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        # Opening does not wait: a wrong address is told at once.
        self.database = Database(url, read_only=read_only, patience_s=0.0, sleep=sleep)
        self.trail = Trail(self.database, station)
        try:
            self._upgrade_copy = self._prepare(upgrade_allowed)
            session_id = _NOBODY if read_only else self._begin_session(station, software or {}, now)
            context = self.context = Context(self.database, station, session_id, now, self.trail)
            self.lots, self.claims, self.parts = Lots(context), Claims(context), Parts(context)
            self.recipes, self.calibrations = Recipes(context), Calibrations(context)
            self.settings, self.alarms, self.doubts = Settings(context), Alarms(context), Doubts(context)
            self.frames, self.charts, self.export = Frames(context, frames), Charts(context), Export(context)
            if not read_only:
                self._note_revision()
                self.check_clock()
        except BaseException:
            self.database.close()
            raise
        self.database.patience_s = patience_s

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database; may be called twice."""
        self.database.close()

    def facts(self) -> ArchiveFacts:
        """Return what kind of archive it is."""
        if self.database.is_sqlite:
            journal = journal_for(sqlite3.sqlite_version_info[:3])
            engine, kind = (
                f"SQLite {sqlite3.sqlite_version}",
                f"{journal.mode}, synchronous {journal.synchronous}",
            )
        else:
            names = values(column("name"), name="asked").data([("server_version",), ("synchronous_commit",)])
            query = select(func.current_setting(names.c.name))
            version, commit = self.database.scalars("ask the server's version", query)
            engine, kind = f"PostgreSQL {version}", f"write-ahead, synchronous_commit {commit}"
        revision = revision_of(self.database) or REVISIONS[-1]
        return ArchiveFacts(self.database.where, revision, engine, kind, self._upgrade_copy)

    def check_clock(self) -> Alarm | None:
        """Note an alarm when the clock stands before the last time that this station noted.

        Nothing is ordered by the clock, so nothing is lost by it; only the times in the records are wrong.
        """
        newest = select(trail.c.utc).where(trail.c.station == self.context.station)
        query = newest.order_by(trail.c.number.desc()).limit(1)
        last = self.database.scalar("look at the last time", query)
        now = self.context.now()
        if last is None or now >= last - _CLOCK_SLACK:
            return None
        return self.alarms.note(
            "clock_went_back",
            Severity.WARNING,
            cause=f"the clock says {now:%Y-%m-%d %H:%M:%S} UTC, but the last entry was made at "
            f"{last:%Y-%m-%d %H:%M:%S}",
            remedy="set the clock; the order of the records is right all the same, their times may not be",
        )

    def check_file(self) -> None:
        """Read the whole database and compare it with itself; after a crash, before work goes on.

        Raises
        ------
        ArchiveError
            ``CORRUPT``, with the first thing that is wrong.
        """
        if not self.database.is_sqlite:
            return  # The server checks its own files.

        def work(connection: Connection) -> str:
            return str(connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar())

        found = self.database.read("check the file", work)
        if found != "ok":
            raise self.database.error(Problem.CORRUPT, "check the file", found)

    def audit(self) -> Audit:
        """Check the trail's chain and every record that it vouches for."""
        return check_records(self.context)

    # --- opening ------------------------------------------------------------------------------------------

    def _prepare(self, upgrade_allowed: bool | None) -> Path | None:
        path = self.database.path
        if path is not None and not self.database.read_only:
            try:
                make_folder(path.absolute().parent)
            except OSError as error:
                found, remedy = f"{error.filename}: {error.strerror}", "name a folder that can be written"
                raise self.database.error(Problem.STORAGE, "open", found, remedy) from error
        found_revision = revision_of(self.database)
        if found_revision == REVISIONS[-1]:
            return None
        allowed = self.database.is_sqlite if upgrade_allowed is None else upgrade_allowed
        if self.database.read_only or (found_revision is not None and not allowed):
            words = "it is empty" if found_revision is None else f"it is of revision {found_revision}"
            raise self.database.error(
                Problem.OLDER, "open", f"{words}, this program works with {REVISIONS[-1]}"
            )
        return upgrade(self.database)

    def _begin_session(self, station: str, software: Mapping[str, str], now: NowUtc) -> int:
        if not station.strip():
            raise self.database.error(
                Problem.BAD_VALUE, "open", "the station has no name", "name the station"
            )
        row = {"station": station, "opened_utc": now(), "software": dict(software)}
        new = insert(session).values(row).returning(session.c.id)
        return int(self.database.write("begin a session", lambda c: c.execute(new).scalar_one()))

    def _note_revision(self) -> None:
        """Put making and upgrades into the trail; a crash between upgrade and entry is made up for here."""
        query = select(trail.c.new).where(trail.c.kind == "archive", trail.c.subject == "revision")
        query = query.order_by(trail.c.number.desc()).limit(1)
        operation, now = self.context.operation(), self.context.now()
        new = {"revision": REVISIONS[-1]}

        def is_noted(connection: Connection) -> bool:
            return bool(connection.execute(query).scalar() == new)

        def work(connection: Connection) -> None:
            if not is_noted(connection):
                old = connection.execute(query).scalar()
                why = "new archive" if old is None else "upgrade to the program's revision"
                change = Change("program", "archive", "revision", old, new, why)
                self.trail.append(connection, change, utc=now, operation=operation)

        if not self.database.read("look at the trail", is_noted):
            self.database.write("note the revision", work)


__all__ = ["Archive", "ArchiveError", "ArchiveFacts"]
