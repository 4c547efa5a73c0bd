"""Taking parts in hand: the next one of a lot, or one that was in hand when everything stopped."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, func, insert, select, update

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.lots import PartKind
from station.archive.papers.calibrations import Setup
from station.archive.parts.in_hand import Claim, InHand, Phase
from station.archive.store.tables import attempt, look, lot, move, part
from station.archive.trail import Change

RunFolder = Callable[[str, int], str]
"""Names the run folder of an attempt from serial number and attempt number."""


def no_run_folder(serial: str, number: int) -> str:
    """Return no folder."""
    del serial, number
    return ""


@dataclass(frozen=True, slots=True)
class HeldPart:
    """A part that is in hand, or was when the program stopped: what recovery has to know.

    Attributes
    ----------
    part_id, lot_id : int
    lot, serial, kind, station : str
    attempt : int
    phase : Phase
        The last one that was noted; the part may have got further than that.
    since_utc, started_utc : datetime
        Of the phase, of the attempt.
    recipe_id, setup_id : int
    run_folder : str
    looks, moves : int
        Noted in this attempt.
    positions : mapping of str to float
        Where the mount came to stand last, as far as noted; empty when nothing was.
    """

    part_id: int
    lot_id: int
    lot: str
    serial: str
    kind: str
    station: str
    attempt: int
    phase: Phase
    since_utc: datetime
    started_utc: datetime
    recipe_id: int
    setup_id: int
    run_folder: str
    looks: int
    moves: int
    positions: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Claims:
    """Takes parts in hand."""

    context: Context

    def claim_next(
        self,
        lot_id: int,
        setup: Setup,
        *,
        kind: PartKind = PartKind.PRODUCT,
        run_folder: RunFolder = no_run_folder,
    ) -> InHand | None:
        """Take the next waiting part of a lot in hand; None when there is none left.

        No part is ever claimed by two stations: SQLite lets one writer in at a time, PostgreSQL skips rows
        that another station is just claiming.

        Raises
        ------
        Refused
            ``IN_HAND`` when this station still holds a part; ``CONTRADICTION`` when the lot is not open.
        """
        asked = "claim the next part"
        key, now = self.context.operation(), self.context.now()
        waiting = select(part).where(
            part.c.lot_id == lot_id, part.c.state == "waiting", part.c.kind == kind.value
        )
        query = waiting.order_by(part.c.place).limit(1).with_for_update(skip_locked=True)

        def work(connection: Connection) -> Claim | None:
            kept = self._kept(connection, key)
            if kept is not None:
                return kept
            held = self._lot_and_nothing_held(connection, lot_id, asked)
            found = connection.execute(query).mappings().first()
            if found is None:
                return None
            setting_out = {"setup_id": setup.id, "recipe_id": held["recipe_id"], "why": "next of its lot"}
            return self._take(connection, found, held["name"], key, now, setting_out, run_folder)

        claim = self.context.database.write(asked, work)
        return None if claim is None else InHand(self.context, claim)

    def resume(
        self,
        part_id: int,
        setup: Setup,
        *,
        why: str,
        run_folder: RunFolder = no_run_folder,
        take_over: bool = False,
    ) -> InHand:
        """Take a part up again that was in hand when everything stopped, in a new attempt.

        The attempt before it can write nothing any more, wherever it still runs. The recipe stays the one
        that the part was started with. Home and verify before anything is believed.

        Parameters
        ----------
        part_id : int
            From :meth:`in_hand`.
        setup : Setup
        why : str
        run_folder : callable
        take_over : bool
            Take it although another station holds it; a person has made sure that it is not at work.
        """
        asked = f"resume part number {part_id}"
        self.context.require_words(asked, why=why)
        key, now = self.context.operation(), self.context.now()
        query = select(part, lot.c.name.label("lot")).join(lot).where(part.c.id == part_id)

        def work(connection: Connection) -> Claim:
            kept = self._kept(connection, key)
            if kept is not None:
                return kept
            found = connection.execute(query.with_for_update(of=part)).mappings().first()
            if found is None:
                raise self.context.refused(Problem.UNKNOWN, asked, "there is none of this number")
            self._check_held(found, asked, take_over)
            before = self._attempt(connection, part_id, found["attempt"])
            setting_out = {"setup_id": setup.id, "recipe_id": before["recipe_id"], "why": why}
            claim = self._take(connection, found, found["lot"], key, now, setting_out, run_folder)
            old = {"state": "in_hand", "attempt": found["attempt"], "phase": found["phase"]}
            new = {"state": "in_hand", "attempt": claim.attempt}
            who, subject = f"station {self.context.station}", f"{claim.lot}/{claim.serial}"
            change = Change(who, "part", subject, old, new, why, part_id)
            self.context.trail.append(connection, change, utc=now, operation=key)
            return claim

        return InHand(self.context, self.context.database.write(asked, work))

    def in_hand(self, *, every_station: bool = False) -> tuple[HeldPart, ...]:
        """Return the part that this station holds, or those of all stations; asked first at every start."""
        query = (
            select(part, lot.c.name.label("lot"), attempt)
            .join(lot, lot.c.id == part.c.lot_id)
            .join(attempt, (attempt.c.part_id == part.c.id) & (attempt.c.number == part.c.attempt))
            .where(part.c.state == "in_hand")
            .order_by(part.c.id)
        )
        if not every_station:
            query = query.where(part.c.station == self.context.station)

        def work(connection: Connection) -> tuple[HeldPart, ...]:
            rows = connection.execute(query).mappings().all()
            return tuple(_held(connection, row) for row in rows)

        return self.context.database.read("ask what is in hand", work)

    # --- pieces -------------------------------------------------------------------------------------------

    def _kept(self, connection: Connection, key: str) -> Claim | None:
        """Return the claim of a first try that was kept though its answer was lost."""
        row = connection.execute(select(attempt).where(attempt.c.claim_key == key)).mappings().first()
        if row is None:
            return None
        query = select(part, lot.c.name.label("lot")).join(lot).where(part.c.id == row["part_id"])
        return _claim(dict(connection.execute(query).mappings().one()), dict(row))

    def _lot_and_nothing_held(self, connection: Connection, lot_id: int, asked: str) -> RowMapping:
        held = select(part.c.serial).where(part.c.state == "in_hand", part.c.station == self.context.station)
        serial = connection.execute(held).scalar()
        if serial is not None:
            found = f"station {self.context.station} still holds part {serial!r}"
            raise self.context.refused(Problem.IN_HAND, asked, found)
        row = connection.execute(select(lot).where(lot.c.id == lot_id)).mappings().first()
        if row is None:
            raise self.context.refused(Problem.UNKNOWN, asked, f"there is no lot number {lot_id}")
        if row["state"] != "open":
            found = f"lot {row['name']!r} is {row['state']}: {row['ended_why']}"
            raise self.context.refused(Problem.CONTRADICTION, asked, found, "open the lot again")
        return row

    def _take(
        self,
        connection: Connection,
        found: RowMapping,
        lot_name: str,
        key: str,
        now: datetime,
        setting_out: Mapping[str, Any],
        run_folder: RunFolder,
    ) -> Claim:
        number = found["attempt"] + 1
        held = {"state": "in_hand", "attempt": number, "station": self.context.station}
        held |= {"phase": Phase.CLAIMED.value, "since_utc": now}
        connection.execute(update(part).where(part.c.id == found["id"]).values(held))
        row = {"part_id": found["id"], "number": number, "session_id": self.context.session_id}
        row |= {"station": self.context.station, "started_utc": now, "claim_key": key}
        row |= {"run_folder": run_folder(found["serial"], number), **setting_out}
        connection.execute(insert(attempt).values(row))
        return _claim({**found, "lot": lot_name}, row)

    def _check_held(self, found: RowMapping, asked: str, take_over: bool) -> None:
        if found["state"] != "in_hand":
            raise self.context.refused(Problem.NOT_IN_HAND, asked, f"it is {found['state']}")
        if found["station"] != self.context.station and not take_over:
            words = f"it is in hand at station {found['station']}"
            remedy = "make sure that that station is not at work on it, then say that it is to be taken over"
            raise self.context.refused(Problem.IN_HAND, asked, words, remedy)

    @staticmethod
    def _attempt(connection: Connection, part_id: int, number: int) -> RowMapping:
        query = select(attempt).where(attempt.c.part_id == part_id, attempt.c.number == number)
        return connection.execute(query).mappings().one()


def _claim(found: Mapping[str, Any], row: Mapping[str, Any]) -> Claim:
    return Claim(
        part_id=found["id"],
        attempt=row["number"],
        station=row["station"],
        lot_id=found["lot_id"],
        lot=found["lot"],
        serial=found["serial"],
        kind=found["kind"],
        recipe_id=row["recipe_id"],
        setup_id=row["setup_id"],
        started_utc=row["started_utc"],
        run_folder=row["run_folder"],
    )


def _held(connection: Connection, row: RowMapping) -> HeldPart:
    counts: dict[str, int] = {}
    last: tuple[int, dict[str, float]] = (0, {})
    for table in (look, move):
        mine = (table.c.part_id == row["id"], table.c.attempt == row["attempt"])
        query = (
            select(table.c.number, table.c.positions).where(*mine).order_by(table.c.number.desc()).limit(1)
        )
        newest = connection.execute(query).first()
        if newest is not None and newest[0] > last[0]:
            last = (newest[0], newest[1])
        counts[table.name] = connection.execute(select(func.count()).where(*mine)).scalar_one()
    return HeldPart(
        part_id=row["id"],
        lot_id=row["lot_id"],
        lot=row["lot"],
        serial=row["serial"],
        kind=row["kind"],
        station=row["station"],
        attempt=row["attempt"],
        phase=Phase(row["phase"]),
        since_utc=row["since_utc"],
        started_utc=row["started_utc"],
        recipe_id=row["recipe_id"],
        setup_id=row["setup_id"],
        run_folder=row["run_folder"],
        looks=counts["look"],
        moves=counts["move"],
        positions=last[1],
    )
