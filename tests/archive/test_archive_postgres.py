"""Several stations on one PostgreSQL: no part twice, and a server that goes away loses nothing."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest
from archive_help import FakeClock, a_setup, aligned, look, lot_of, move, rejected
from postgres_server import Server
from sqlalchemy import create_engine, select, text

from station.archive import Archive, ArchiveError, Phase, Problem, Severity
from station.archive.store.tables import final_record, part

PARTS = 40


def _work(
    url: str, station: str, lot_id: int, done: list[str], errors: list[BaseException], pause_s: float = 0.0
) -> None:
    try:
        with Archive(url, station=station, now=FakeClock(), patience_s=180.0) as archive:
            setup = a_setup(archive)
            while (one := archive.claims.claim_next(lot_id, setup)) is not None:
                one.enter(Phase.ALIGNING)
                move(one)
                look(one)
                one.flush()
                time.sleep(pause_s)
                one.finish(aligned())
                archive.alarms.note("slow", Severity.NOTE, cause="c", remedy="r")
                done.append(one.claim.serial)
    except BaseException as error:
        errors.append(error)


def _two_stations(
    server: Server, url: str, pause_s: float = 0.0, meanwhile: Callable[[], None] = lambda: None
) -> dict[str, list[str]]:
    with Archive(url, station="office", now=FakeClock()) as archive:
        lot_id, _ = lot_of(archive, *(f"A{number:02d}" for number in range(PARTS)))
    done: dict[str, list[str]] = {"cell 1": [], "cell 2": []}
    errors: list[BaseException] = []
    threads = [
        threading.Thread(target=_work, args=(url, station, lot_id, serials, errors, pause_s))
        for station, serials in done.items()
    ]
    for thread in threads:
        thread.start()
    meanwhile()
    for thread in threads:
        thread.join(300.0)
    assert errors == []
    return done


def _nothing_lost(url: str, done: dict[str, list[str]]) -> None:
    assert sorted(done["cell 1"] + done["cell 2"]) == [f"A{number:02d}" for number in range(PARTS)]
    with Archive(url, station="office", now=FakeClock()) as archive:
        audit = archive.audit()
        assert audit.clean, (audit.chain.words, audit.findings)
        assert audit.records == PARTS
        kept = archive.database.rows(
            "count", select(part.c.serial, final_record.c.station, final_record.c.attempt).join(final_record)
        )
        for station, serials in done.items():
            assert {row["serial"] for row in kept if row["station"] == station} == set(serials)
        assert {row["attempt"] for row in kept} == {1}
        for found in archive.parts.of_lot(archive.lots.get("lot 1").id):
            assert len(archive.parts.steps(found.part_id, 1)) == 3
        assert sum(alarm.count for alarm in archive.alarms.open() if alarm.code == "slow") == PARTS


def test_two_stations_share_a_lot_and_no_part_is_claimed_twice(server: Server, postgres_url: str) -> None:
    done = _two_stations(server, postgres_url)
    assert all(done.values())
    _nothing_lost(postgres_url, done)


@pytest.mark.parametrize("away_s", [0.5, pytest.param(10.0, marks=pytest.mark.long)])
def test_a_server_that_is_killed_and_comes_back_loses_nothing(
    server: Server, empty_postgres: str, away_s: float
) -> None:
    # Not a copy of the template: a copied sequence keeps the log_cnt of its original, so its next numbers are
    # not in the server's log until a checkpoint, and a crash sets it back (found with PostgreSQL 15).
    Archive(empty_postgres, station="template").close()

    def crash() -> None:
        time.sleep(0.8)
        server.run("crash")
        time.sleep(away_s)
        server.start()

    done = _two_stations(server, empty_postgres, pause_s=0.05, meanwhile=crash)
    _nothing_lost(empty_postgres, done)


def test_a_commit_whose_answer_is_lost_is_kept_once(server: Server, postgres_url: str) -> None:
    """The server ends the connection after the commit and before its answer: the worst instant."""
    with Archive(
        postgres_url, station="cell 1", now=FakeClock(), patience_s=20.0, sleep=lambda _s: None
    ) as archive:
        lot_id, setup = lot_of(archive)
        lose = _LoseAnswers(archive, server)
        with lose:
            one = archive.claims.claim_next(lot_id, setup)
        assert one is not None
        assert (one.claim.serial, one.claim.attempt) == ("A1", 1)
        move(one)
        look(one)
        with lose:
            one.flush()
        with lose:
            one.finish(aligned())
        with lose:
            archive.settings.change("a", 1, who="A. Person", why="x")
        with lose:
            archive.alarms.note("dim", Severity.NOTE, cause="c", remedy="r")
        with lose:
            archive.recipes.add("f200", "x", who="A. Person", why="x")
        with lose:
            archive.recipes.release("f200", 1, who="B. Person", why="x")
        with lose:
            lot = archive.lots.create("lot 2", ["B1"], archive.recipes.for_run("f200"), who="A. Person")
        with lose:
            archive.lots.stop(lot.id, who="A. Person", why="x")
        assert lose.lost == 9
        assert archive.lots.counts(lot_id) == {"waiting": 2, "in_hand": 0, "finished": 1}
        assert [step.number for step in archive.parts.steps(one.claim.part_id, 1)] == [1, 2]
        assert len(archive.settings.history("a")) == 1
        assert archive.alarms.open()[0].count == 1
        assert [found.version for found in archive.recipes.versions("f200")] == [1]
        assert [entry.new["state"] for entry in archive.trail.entries(kind="lot", subject="lot 2")] == [
            "open",
            "stopped",
        ]
        assert archive.audit().clean


class _LoseAnswers:
    """Ends the connection after its commit was done and before the program hears of it."""

    def __init__(self, archive: Archive, server: Server) -> None:
        self.engine = archive.database.engine
        self.admin = create_engine(
            server.url("postgres").replace("postgresql:", "postgresql+psycopg:"), isolation_level="AUTOCOMMIT"
        )
        self.lost = 0

    def __enter__(self) -> None:
        self.commit = self.engine.dialect.do_commit
        self.armed = True
        self.engine.dialect.do_commit = self._commit

    def __exit__(self, *_: object) -> None:
        self.engine.dialect.do_commit = self.commit
        self.admin.dispose()

    def _commit(self, connection: object) -> None:
        self.commit(connection)
        if not self.armed:
            return
        self.armed = False
        self.lost += 1
        pid = connection.driver_connection.info.backend_pid
        with self.admin.connect() as admin:
            admin.execute(text("SELECT pg_terminate_backend(:pid, 5000)"), {"pid": pid})
        connection.driver_connection.execute("SELECT 1")


def test_a_server_that_stays_away_is_told_after_the_patience(server: Server, postgres_url: str) -> None:
    with Archive(postgres_url, station="cell 1", now=FakeClock(), patience_s=0.3) as archive:
        lot_id, setup = lot_of(archive)
        one = archive.claims.claim_next(lot_id, setup)
        assert one is not None
        server.run("crash")
        try:
            with pytest.raises(ArchiveError) as caught:
                one.finish(rejected())
            assert caught.value.problem is Problem.UNREACHABLE
            assert "check that the database server runs" in str(caught.value)
        finally:
            server.start()
        assert one.finish(rejected()).outcome == "rejected"


def test_a_row_that_another_station_is_claiming_is_skipped(postgres_url: str) -> None:
    with Archive(postgres_url, station="cell 1", now=FakeClock()) as one:
        lot_id, setup = lot_of(one)
        with one.database.engine.connect() as connection, connection.begin():
            connection.execute(select(part).where(part.c.serial == "A1").with_for_update())
            taken = one.claims.claim_next(lot_id, setup)
            assert taken is not None
            assert taken.claim.serial == "A2"


def test_a_commit_is_on_the_disk_whatever_the_server_s_default(server: Server, postgres_url: str) -> None:
    name = postgres_url.rsplit("/", 1)[1]
    admin = create_engine(
        server.url("postgres").replace("postgresql:", "postgresql+psycopg:"), isolation_level="AUTOCOMMIT"
    )
    with admin.connect() as connection:
        connection.execute(text(f"ALTER DATABASE {name} SET synchronous_commit = off"))
    admin.dispose()
    with Archive(postgres_url, station="cell 1") as archive:
        assert archive.facts().journal == "write-ahead, synchronous_commit on"
