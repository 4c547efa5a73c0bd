"""One database: how it is opened, and how one piece of work is read from it or written to it as a whole."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import URL, Connection, Engine, QueuePool, RowMapping, Select, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from station.archive.errors import ArchiveError, Problem, told
from station.archive.store import sqlite

T = TypeVar("T")
Work = Callable[[Connection], T]

_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.05, 1.0
_GONE = (Problem.UNREACHABLE, Problem.STORAGE, Problem.CORRUPT)
# The whole session speaks UTC, waits a bounded time for locks, holds none while it idles, and a commit that
# was answered is on the disk even where the server's own default says otherwise.
_PG_OPTIONS = (
    "-c timezone=UTC -c synchronous_commit=on -c lock_timeout=30000 "
    "-c idle_in_transaction_session_timeout=15000"
)
_PG_ARGUMENTS = {
    "connect_timeout": 5,
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 10_000,
    "options": _PG_OPTIONS,
}


def parsed_url(url: str | os.PathLike[str]) -> URL:
    """Return the address of a database; a plain path means an SQLite file.

    Raises
    ------
    ArchiveError
        For an address that is not one, or a kind of database that is not supported.
    """
    text = os.fspath(url)
    if "://" not in text:
        return URL.create("sqlite", database=text)
    try:
        parsed = make_url(text)
    except (ArgumentError, ValueError) as error:
        found, remedy = (
            str(error),
            "write it like postgresql://user@host:5432/name, or give the path of a file",
        )
        raise ArchiveError(
            Problem.NOT_OURS, where="the address", asked="open", found=found, remedy=remedy
        ) from error
    kind = parsed.get_backend_name()
    if kind == "postgresql":
        return parsed.set(drivername="postgresql+psycopg")
    if kind == "sqlite" and parsed.database:
        return parsed.set(drivername="sqlite")
    raise ArchiveError(
        Problem.NOT_OURS,
        where=parsed.render_as_string(hide_password=True),
        asked="open",
        found=f"{kind} is not supported" if kind != "sqlite" else "no file is named",
        remedy="use an SQLite file or a PostgreSQL address",
    )


class Database:
    """A database with plain-word errors and whole transactions.

    Parameters
    ----------
    url : str or path
        SQLite file, or ``postgresql://...``.
    read_only : bool
        Nothing is ever written.
    patience_s : float
        How long a piece of work is repeated while the server is away or the database is locked. Every piece
        of work handed to :meth:`write` must therefore be repeatable: if the first try was kept and only its
        answer was lost, the second one finds that and changes nothing.
    sleep : callable
        Waits between tries.
    """

    def __init__(
        self,
        url: str | os.PathLike[str],
        *,
        read_only: bool = False,
        patience_s: float = 60.0,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.url = parsed_url(url)
        self.read_only = read_only
        self.patience_s = patience_s
        self._sleep = sleep
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        plain = self.url.set(drivername=self.url.get_backend_name())
        self.where = str(self.url.database) if self.is_sqlite else plain.render_as_string(hide_password=True)
        self.engine = self._engine()

    @property
    def path(self) -> Path | None:
        """The SQLite file; None on PostgreSQL."""
        return Path(str(self.url.database)) if self.is_sqlite else None

    def read(self, asked: str, work: Work[T]) -> T:
        """Do something that only reads, on one consistent state; ``asked`` says what, for error messages."""
        return self._in_turn(asked, work, writes=False)

    def write(self, asked: str, work: Work[T]) -> T:
        """Do something that writes: all of it is kept, on the disk, when this returns, or nothing of it.

        Raises
        ------
        ArchiveError
            With what was found and what helps. When storage failed or the server went away during the
            commit itself, only a repetition tells whether the write was kept; that is why work is repeatable.
        """
        if self.read_only:
            raise self.error(
                Problem.READ_ONLY, asked, "it was opened for reading only", "open it for writing"
            )
        return self._in_turn(asked, work, writes=True)

    def rows(self, asked: str, query: Select[Any]) -> Sequence[RowMapping]:
        """Return all rows of a query."""
        return self.read(asked, lambda connection: connection.execute(query).mappings().all())

    def first(self, asked: str, query: Select[Any]) -> RowMapping | None:
        """Return the first row of a query; None when there is none."""
        return self.read(asked, lambda connection: connection.execute(query).mappings().first())

    def scalars(self, asked: str, query: Select[Any]) -> Sequence[Any]:
        """Return the first column of a query."""
        return self.read(asked, lambda connection: connection.execute(query).scalars().all())

    def scalar(self, asked: str, query: Select[Any]) -> Any:
        """Return the first value of a query; None when there is none."""
        return self.read(asked, lambda connection: connection.execute(query).scalar())

    def error(self, problem: Problem, asked: str, found: str, remedy: str | None = None) -> ArchiveError:
        """Return an error about this database."""
        return ArchiveError(problem, where=self.where, asked=asked, found=found, remedy=remedy)

    def close(self) -> None:
        """Let go of all connections; may be called twice."""
        self.engine.dispose()

    def _in_turn(self, asked: str, work: Work[T], *, writes: bool) -> T:
        deadline_s, wait_s = time.monotonic() + self.patience_s, _FIRST_WAIT_S
        while True:
            try:
                return self._once(work, writes=writes)
            except sqlite.NotAnArchive as error:
                raise self.error(Problem.NOT_OURS, asked, str(error)) from error
            except DBAPIError as error:
                trouble = told(error, self.where, asked)
                if trouble.problem in _GONE:
                    # What the connections believe about the file or the server is not to be trusted now.
                    self.engine.dispose()
                waits = trouble.problem in (Problem.UNREACHABLE, Problem.LOCKED)
                if not waits or time.monotonic() + wait_s > deadline_s:
                    raise trouble from error
            self._sleep(wait_s)
            wait_s = min(2.0 * wait_s, _LONGEST_WAIT_S)

    def _once(self, work: Work[T], *, writes: bool) -> T:
        with self.engine.connect() as raw:
            connection = raw.execution_options(**self._options(writes))
            with connection.begin():
                return work(connection)

    def _options(self, writes: bool) -> dict[str, Any]:
        if self.is_sqlite:
            return {"writes": writes}
        if writes:
            return {"isolation_level": "READ COMMITTED", "postgresql_readonly": False}
        return {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}

    def _engine(self) -> Engine:
        try:
            if self.is_sqlite:
                return self._sqlite_engine()
            return create_engine(self.url, connect_args=_PG_ARGUMENTS, pool_size=2, max_overflow=2)
        except (ImportError, NoSuchModuleError) as error:
            raise self.error(Problem.NO_DRIVER, "open", str(error)) from error

    def _sqlite_engine(self) -> Engine:
        mode = "ro" if self.read_only else "rwc"
        file_url = Path(self.where).absolute().as_uri() + f"?mode={mode}"

        def connect() -> sqlite3.Connection:
            # SQLite's own wait is short: repeating is done above, where it is bounded as a whole.
            wait_s = min(self.patience_s, 5.0)
            return sqlite3.connect(file_url, uri=True, timeout=wait_s, check_same_thread=False)

        engine = create_engine("sqlite://", creator=connect, pool_size=2, max_overflow=2, poolclass=QueuePool)
        read_only = self.read_only

        @event.listens_for(engine, "connect")
        def _prepare(connection: sqlite3.Connection, _record: object) -> None:
            sqlite.prepare(connection, read_only=read_only)

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            # IMMEDIATE takes the write lock at once: two writers wait instead of failing halfway.
            writes = connection.get_execution_options().get("writes", False)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        return engine
