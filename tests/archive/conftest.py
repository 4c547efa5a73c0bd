"""Archives for the tests: SQLite files, and databases on a PostgreSQL server of their own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from archive_help import FakeClock
from postgres_server import Server

from station.archive import Archive


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / "archive.db"
    Archive(path, station="template").close()
    return path


@pytest.fixture
def sqlite_file(tmp_path: Path, sqlite_template: Path) -> Path:
    return Path(shutil.copy(sqlite_template, tmp_path / "archive.db"))


@pytest.fixture
def empty_postgres(server: Server) -> str:
    return server.new_database()


@pytest.fixture(scope="session")
def postgres_template(server: Server) -> str:
    Archive(server.url("archive"), station="template").close()
    return "archive"


@pytest.fixture
def postgres_url(server: Server, postgres_template: str) -> str:
    return server.new_database(postgres_template)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest) -> str:
    """The same test on both databases."""
    if request.param == "sqlite":
        return str(request.getfixturevalue("sqlite_file"))
    return str(request.getfixturevalue("postgres_url"))


Opened = Callable[..., Archive]


@pytest.fixture
def opened(url: str) -> Iterator[Opened]:
    """Open the archive of this test; closed at its end."""
    archives: list[Archive] = []

    def open_it(station: str = "cell 1", **more: object) -> Archive:
        archives.append(Archive(url, station=station, **{"now": FakeClock(), "patience_s": 5.0, **more}))
        return archives[-1]

    yield open_it
    for archive in archives:
        archive.close()


@pytest.fixture
def archive(sqlite_file: Path) -> Iterator[Archive]:
    with Archive(sqlite_file, station="cell 1", now=FakeClock(), patience_s=5.0) as one:
        yield one
