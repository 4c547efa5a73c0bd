"""Two whole stations, each a process with a bench of its own, on one lot in one PostgreSQL archive."""

from __future__ import annotations

import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import crash_lot
import pytest
import shared_lot
from postgres_server import Server

from station.archive import Archive, LotState
from station.lot.settings import LotTable

STATIONS = ("cell 1", "cell 2")


def stations_at_work(
    url: str, parts: int, meanwhile: Callable[[], None] = lambda: None
) -> dict[str, list[list[str]]]:
    """Let both work until the lot is done; return what each said, word by word."""
    # A fourth of the lenses is bad, which would rightly stop the lot.
    crash_lot.make_archive(url, parts, LotTable.model_validate({"rejects": {"share": 0.3}}))
    script = str(Path(shared_lot.__file__))
    children = {
        name: subprocess.Popen(
            [sys.executable, script, url, name, str(seed), str(parts)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for seed, name in enumerate(STATIONS)
    }
    # Each waits after its first part: a fast one would have done the lot before the other has started.
    words = {name: _until_first_part(child) for name, child in children.items()}
    for child in children.values():
        assert child.stdin is not None
        child.stdin.close()
    meanwhile()
    said = {}
    for name, child in children.items():
        assert child.stdout is not None
        status = child.wait(timeout=300)
        words[name] += child.stdout.read()
        child.stdout.close()
        assert status == 0, (name, words[name])
        said[name] = [line.split() for line in words[name].splitlines()]
        assert said[name][-1] == ["END"]
    return said


def _until_first_part(child: subprocess.Popen[str]) -> str:
    """Return what a station says up to its first part done, or up to its end."""
    assert child.stdout is not None
    words = ""
    while "DONE" not in words and (line := child.stdout.readline()):
        words += line
    return words


def check(url: str, parts: int, said: dict[str, list[list[str]]]) -> None:
    told = {name: {line[1]: line[2] for line in lines if line[0] == "DONE"} for name, lines in said.items()}
    assert all(told.values())  # both had a share
    times = Counter(line[1] for lines in said.values() for line in lines if line[0] == "DONE")
    assert times == dict.fromkeys(crash_lot.planned(parts), 1)
    with Archive(url, station="office") as archive:
        lots = archive.lots.recent()
        assert {lot.state for lot in lots} == {LotState.DONE}
        kept = [part.final for lot in lots for part in archive.parts.of_lot(lot.id)]
        finals = {
            part.serial: part.final for lot in lots for part in archive.parts.of_lot(lot.id) if part.final
        }
        assert len(kept) == len(finals) == parts
        for name, outcomes in told.items():
            mine = {serial: final.outcome for serial, final in finals.items() if final.station == name}
            assert mine == outcomes
        assert {final.attempt for final in finals.values() if final.outcome == "aligned"} == {1}
        assert archive.audit().clean
        assert archive.audit().records == parts


def test_no_part_is_claimed_twice(server: Server) -> None:
    url = server.new_database()
    check(url, 8, stations_at_work(url, 8))


@pytest.mark.long
@pytest.mark.parametrize("away_s", [1.0, 10.0])
def test_a_server_killed_in_the_middle_of_the_lot_loses_nothing(server: Server, away_s: float) -> None:
    url = server.new_database()

    def crash() -> None:
        with Archive(url, station="office") as archive:
            until = time.monotonic() + 120.0
            while sum(archive.lots.counts(lot.id)["finished"] for lot in archive.lots.recent()) < 3:
                assert time.monotonic() < until, "the stations get nothing done"
                time.sleep(0.05)
        server.run("crash")
        time.sleep(away_s)
        server.start()

    check(url, 16, stations_at_work(url, 16, crash))
