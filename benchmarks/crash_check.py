"""Checks an archive after a crash by its own means: sqlite3, hashlib, json, none of the program's code."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

BATCH = 6


@dataclass(slots=True)
class Findings:
    """What is wrong, as sentences; an empty list is what the archive promises."""

    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    half_written: list[str] = field(default_factory=list)
    unverified_accepts: list[str] = field(default_factory=list)

    def add(self, other: Findings) -> None:
        for name in self.__slots__:
            getattr(self, name).extend(getattr(other, name))

    def counts(self) -> dict[str, int]:
        return {name: len(getattr(self, name)) for name in self.__slots__}

    @property
    def clean(self) -> bool:
        return not any(self.counts().values())


def examine(path: Path, said: Iterable[str]) -> Findings:
    """Compare an archive with what its children said was kept, and with itself."""
    found = Findings()
    try:
        # Opening rolls a hot journal back, as the program's own opening does. The image is a copy: no need to
        # wait for a disk.
        with closing(sqlite3.connect(path, isolation_level=None)) as base:
            base.execute("PRAGMA synchronous = OFF")
            _whole(base, found)
            if found.clean:
                _against_what_was_said(base, list(said), found)
                _against_itself(base, found)
                _chain(base, found)
    except sqlite3.Error as error:
        found.half_written.append(f"the database cannot be read: {error}")
    return found


def examine_upgrade(path: Path, said: Iterable[str], finished: int) -> Findings:
    """Check that an upgrade that lost power left the old archive or the new one, every row in it."""
    found = Findings()
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as base:
            base.execute("PRAGMA synchronous = OFF")
            _whole(base, found)
            (revision,) = base.execute("SELECT version_num FROM archive_version").fetchone()
            (mark,) = base.execute("PRAGMA user_version").fetchone()
            if mark != int(revision):
                found.half_written.append(f"revision {revision} with user_version {mark}")
            if revision != "0002" and any(line.startswith("DONE") for line in said):
                found.lost.append("the upgrade was done; the archive is the old one")
            for table, count in {
                "part": finished + 2,
                "final_record": finished,
                "look": finished + 1,
            }.items():
                (rows,) = base.execute(f"SELECT count(*) FROM {table}").fetchone()
                if rows != count:
                    found.lost.append(f"{table} has {rows} rows, not {count}")
            _chain(base, found)
    except sqlite3.Error as error:
        found.half_written.append(f"the database cannot be read: {error}")
    return found


def _whole(base: sqlite3.Connection, found: Findings) -> None:
    (first,) = base.execute("PRAGMA integrity_check(1)").fetchone()
    if first != "ok":
        found.half_written.append(f"integrity check: {first}")
    broken = base.execute("PRAGMA foreign_key_check").fetchall()
    if broken:
        found.half_written.append(f"{len(broken)} references lead nowhere")


def _against_what_was_said(base: sqlite3.Connection, said: list[str], found: Findings) -> None:
    finals = {
        serial: (attempt, outcome)
        for serial, attempt, outcome in base.execute(
            "SELECT serial, final_record.attempt, outcome FROM final_record JOIN part ON part.id = part_id"
        )
    }
    attempts = {
        (serial, attempt)
        for serial, attempt in base.execute(
            "SELECT serial, number FROM attempt JOIN part ON part.id = part_id"
        )
    }
    steps = _steps_of(base)
    said_steps: Counter[tuple[str, int]] = Counter()
    done: Counter[str] = Counter()
    for line in said:
        word, *rest = line.split()
        if word == "CLAIMED" and (rest[0], int(rest[1])) not in attempts:
            found.lost.append(f"attempt {rest[1]} at {rest[0]} was begun and is not there")
        elif word == "STEPS":
            said_steps[rest[0], int(rest[1])] += int(rest[2])
        elif word == "DONE":
            done[rest[0]] += 1
            if finals.get(rest[0]) != (int(rest[1]), rest[2]):
                found.lost.append(f"{rest[0]} was finished {rest[2]}; kept is {finals.get(rest[0])}")
    for key, count in said_steps.items():
        if steps[key] < count:
            found.lost.append(f"{count} steps of {key} were kept; there are {steps[key]}")
    found.doubled += [f"{serial} was finished {times} times" for serial, times in done.items() if times > 1]
    for key, count in steps.items():
        if count % BATCH:
            found.half_written.append(f"{count} steps of {key}: a part of a batch")


def _steps_of(base: sqlite3.Connection) -> Counter[tuple[str, int]]:
    steps: Counter[tuple[str, int]] = Counter()
    for table, where in (("look", ""), ("move", ""), ("decision", "WHERE decision.kind <> 'EnterPhase'")):
        query = (
            f"SELECT serial, {table}.attempt, count(*) FROM {table} JOIN part ON part.id = part_id {where}"
        )
        for serial, attempt, count in base.execute(f"{query} GROUP BY serial, {table}.attempt"):
            steps[serial, attempt] += count
    return steps


_HALVES = (
    ("a final record of a part that is not finished", "f.id IS NOT NULL AND part.state <> 'finished'"),
    ("a finished part without a final record", "f.id IS NULL AND part.state = 'finished'"),
    ("a part in hand without its attempt", "part.state = 'in_hand' AND a.number IS NULL"),
    (
        "a final record without the trail's word about it",
        "f.id IS NOT NULL AND NOT EXISTS "
        "(SELECT 1 FROM trail t WHERE t.part_id = part.id AND t.new LIKE '%' || f.sha256 || '%')",
    ),
)
_UNVERIFIED = """
SELECT part_id FROM final_record f WHERE outcome = 'aligned' AND (NOT verified OR decenter_x_um IS NULL OR
 (SELECT coalesce(max(number), 0) FROM look l WHERE l.part_id = f.part_id AND l.attempt = f.attempt) <=
 (SELECT coalesce(max(number), 0) FROM (
   SELECT number FROM move m WHERE m.part_id = f.part_id AND m.attempt = f.attempt UNION ALL
   SELECT number FROM decision d WHERE d.part_id = f.part_id AND d.attempt = f.attempt
     AND d.details LIKE '%fixing%')))
"""


def _against_itself(base: sqlite3.Connection, found: Findings) -> None:
    joined = (
        "FROM part LEFT JOIN final_record f ON f.part_id = part.id "
        "LEFT JOIN attempt a ON a.part_id = part.id AND a.number = part.attempt"
    )
    for words, where in _HALVES:
        (count,) = base.execute(f"SELECT count(*) {joined} WHERE {where}").fetchone()
        found.half_written += [words] * count
    twice = base.execute("SELECT part_id FROM final_record GROUP BY part_id HAVING count(*) > 1").fetchall()
    found.doubled += [f"part number {part_id} has two final records" for (part_id,) in twice]
    found.unverified_accepts += [f"part number {part_id}" for (part_id,) in base.execute(_UNVERIFIED)]
    for (serial,) in base.execute(
        "SELECT serial FROM part JOIN final_record ON part.id = part_id WHERE outcome = 'aligned'"
    ):
        if int(serial[1:]) % 4 == 3:
            found.unverified_accepts.append(f"{serial} cannot be aligned")


def _chain(base: sqlite3.Connection, found: Findings) -> None:
    """Compute the trail's hashes from the description in docs/records.md."""
    previous, last = "0" * 64, 0
    names = ("number", "who", "station", "kind", "subject", "why", "part_id", "utc", "sha256", "old", "new")
    for row in base.execute(f"SELECT {', '.join(names)} FROM trail ORDER BY number"):
        entry = dict(zip(names, row, strict=True))
        sha256 = entry.pop("sha256")
        day, clock = entry["utc"].split()
        entry["utc"] = f"{day}T{clock}+00:00"
        entry |= {name: entry[name] and json.loads(entry[name]) for name in ("old", "new")}
        entry["previous_sha256"] = previous
        text = json.dumps(entry, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        if entry["number"] != last + 1 or hashlib.sha256(text.encode()).hexdigest() != sha256:
            found.half_written.append(f"the trail breaks at entry {last + 1}")
            return
        previous, last = sha256, entry["number"]
    head = base.execute("SELECT number, sha256 FROM trail_head").fetchone()
    if head != (last, previous):
        found.half_written.append(f"the trail's head says {head}, its last entry is {last}")
