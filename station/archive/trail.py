"""The audit trail: who or what changed what, from which value to which, and why; append-only and chained.

Each entry carries the SHA-256 (FIPS 180-4) of the canonical JSON of its content, the hash of the entry before
it included. Changing, removing or inserting an entry breaks the chain at that place. The hash of the last
entry stands in ``trail_head`` as well, so that a cut at the end shows. Whoever can write the file can also
compute a whole new chain; a head hash kept elsewhere, such as in a printed report, shows that too.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, insert, select, update

from station.archive.store.columns import JsonValue, canonical_json, plain_text
from station.archive.store.database import Database
from station.archive.store.tables import trail, trail_head

START_SHA256 = "0" * 64
_PAGE = 5000
_TEXTS = ("who", "kind", "subject", "why")
_HASHED = ("number", "who", "station", "kind", "subject", "old", "new", "why", "part_id")


@dataclass(frozen=True, slots=True)
class Change:
    """What an entry tells.

    Attributes
    ----------
    who : str
        A person, or the part of the program.
    kind : str
        Of thing that was changed: archive, setting, recipe, calibration, lot, part, alarm, doubt, frames.
    subject : str
        Which one.
    old, new : JSON values
        None where there is none.
    why : str
    part_id : int or None
    """

    who: str
    kind: str
    subject: str
    old: JsonValue
    new: JsonValue
    why: str
    part_id: int | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the trail.

    Attributes
    ----------
    number : int
        Counts up from 1 without gaps.
    utc : datetime
        When, by the station's clock; a clock can jump, the number cannot.
    station : str
    who, kind, subject, old, new, why, part_id
        As in :class:`Change`.
    sha256 : str
    """

    number: int
    utc: datetime
    who: str
    station: str
    kind: str
    subject: str
    old: JsonValue
    new: JsonValue
    why: str
    part_id: int | None
    sha256: str


@dataclass(frozen=True, slots=True)
class ChainCheck:
    """What a check of the trail found.

    Attributes
    ----------
    entries : int
        Entries that are in order, from the first one on.
    intact : bool
    broken_at : int or None
        Number of the first entry that is wrong or missing; None when intact.
    words : str
        What is wrong, or that nothing is.
    head_sha256 : str
        Hash of the last entry that is in order.
    """

    entries: int
    intact: bool
    broken_at: int | None
    words: str
    head_sha256: str


def _sha256(row: Any, previous_sha256: str) -> str:
    content = {name: row[name] for name in _HASHED}
    content["utc"] = row["utc"].astimezone(UTC).isoformat(timespec="microseconds")
    content["previous_sha256"] = previous_sha256
    return hashlib.sha256(canonical_json(content).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Trail:
    """Reads and checks the trail; the other parts of the archive append to it within their transactions."""

    database: Database
    station: str

    def append(self, connection: Connection, change: Change, *, utc: datetime, operation: str) -> int:
        """Append an entry in the transaction of what it tells about; return its number.

        ``operation`` names the piece of work: a repetition of it is refused by a unique constraint.
        """
        # Locks out other stations (PostgreSQL) until this transaction has ended: the chain has one end.
        head = connection.execute(select(trail_head).with_for_update()).mappings().one()
        row: dict[str, Any] = {"number": head["number"] + 1, "utc": utc, "station": self.station}
        for field in fields(Change):
            value = getattr(change, field.name)
            # As it will come back: what is hashed is what is stored.
            row[field.name] = plain_text(value) if field.name in _TEXTS else value
        sha256 = _sha256(row, head["sha256"])
        row |= {"operation": operation, "previous_sha256": head["sha256"], "sha256": sha256}
        connection.execute(insert(trail).values(row))
        connection.execute(update(trail_head).values(number=row["number"], sha256=sha256))
        return int(row["number"])

    def is_done(self, connection: Connection, operation: str) -> bool:
        """Say whether a piece of work was kept already, though its answer was lost."""
        found = select(trail.c.number).where(trail.c.operation == operation)
        return connection.execute(found).first() is not None

    def entries(
        self, *, kind: str | None = None, subject: str | None = None, after: int = 0, most: int = 1000
    ) -> tuple[Entry, ...]:
        """Return entries in order, optionally of one kind and subject, numbered above ``after``."""
        query = select(trail).where(trail.c.number > after).order_by(trail.c.number).limit(most)
        if kind is not None:
            query = query.where(trail.c.kind == kind)
        if subject is not None:
            query = query.where(trail.c.subject == subject)
        rows = self.database.rows("read the trail", query)
        return tuple(_entry(row) for row in rows)

    def head_sha256(self) -> str:
        """Return the hash of the last entry; printed in a report, it vouches for all entries before it."""
        query = select(trail_head.c.sha256)
        return str(self.database.scalar("read the trail", query))

    def verify_chain(self) -> ChainCheck:
        """Compute every hash anew and say where the chain breaks, if it does."""
        number, previous, most = 0, START_SHA256, _PAGE
        while True:
            try:
                rows, head = self.database.read("check the trail", _page(number, most))
            except ValueError as error:
                # Something that is no JSON or no time; one by one tells which entry it is in.
                if most > 1:
                    most = 1
                    continue
                words = f"the content of entry {number + 1} cannot be read: {error}"
                return ChainCheck(number, False, number + 1, words, previous)
            for row in rows:
                wrong = _wrong(row, number + 1, previous)
                if wrong:
                    return ChainCheck(number, False, number + 1, wrong, previous)
                number, previous = row["number"], row["sha256"]
            if len(rows) < most:
                return _at_end(number, previous, head)


def _page(after: int, most: int) -> Any:
    """Return the work that reads a page of entries, and the head as it is at that instant.

    In pages, because one long reading transaction would keep the stations from writing.
    """
    query = select(trail).where(trail.c.number > after).order_by(trail.c.number).limit(most)

    def work(connection: Connection) -> tuple[Any, Any]:
        rows = connection.execute(query).mappings().all()
        return rows, connection.execute(select(trail_head)).mappings().first()

    return work


def _wrong(row: RowMapping, number: int, previous: str) -> str:
    if row["number"] != number:
        return f"entry {number} is missing; the next one is {row['number']}"
    if row["previous_sha256"] != previous:
        return f"entry {number} does not follow the entry before it"
    if row["sha256"] != _sha256(row, previous):
        return f"the content of entry {number} was changed after it was written"
    return ""


def _at_end(number: int, sha256: str, head: RowMapping | None) -> ChainCheck:
    if head is None or (head["number"], head["sha256"]) != (number, sha256):
        count = "unknown" if head is None else head["number"]
        words = f"the trail ends with entry {number}, but its head says that the last one is {count}"
        return ChainCheck(number, False, number + 1, words, sha256)
    return ChainCheck(number, True, None, f"all {number} entries are in order", sha256)


def _entry(row: RowMapping) -> Entry:
    return Entry(**{field.name: row[field.name] for field in fields(Entry)})
