"""Lots: lists of parts with one recipe, worked through by one station or by several at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import Any

from sqlalchemy import Connection, RowMapping, func, insert, select, update

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.papers.recipes import RecipeForRun
from station.archive.store.columns import JsonValue
from station.archive.store.tables import lot, part
from station.archive.trail import Change

LONGEST_SERIAL = 64


class LotState(Enum):
    """Where a lot stands."""

    OPEN = "open"
    STOPPED = "stopped"
    DONE = "done"


class PartKind(Enum):
    """A part of the product, or the check part that comes round again and again."""

    PRODUCT = "product"
    CHECK = "check"


@dataclass(frozen=True, slots=True)
class Lot:
    """One lot.

    Attributes
    ----------
    id : int
    name : str
    recipe_id : int
    unreleased : bool
        True when its recipe was not released and the run was told to use it all the same.
    state : LotState
    settings : JSON object
        What the lot was started with.
    made_by, made_utc
    ended_utc, ended_why
        Of the last time it stopped or was done; None while it is open for the first time.
    """

    id: int
    name: str
    recipe_id: int
    unreleased: bool
    state: LotState
    settings: JsonValue
    made_by: str
    made_utc: datetime
    ended_utc: datetime | None
    ended_why: str | None


@dataclass(frozen=True, slots=True)
class Lots:
    """The lots of an archive."""

    context: Context

    def create(
        self,
        name: str,
        serials: Sequence[str],
        recipe: RecipeForRun,
        *,
        who: str,
        why: str = "new lot",
        settings: Mapping[str, JsonValue] | None = None,
    ) -> Lot:
        """Make a lot and its list of parts, all waiting, in the order given.

        Parameters
        ----------
        name : str
            New in this archive.
        serials : sequence of str
            Each once; may be empty where a feeder announces parts (see :meth:`announce`).
        recipe : RecipeForRun
            From :meth:`station.archive.papers.recipes.Recipes.for_run`.
        who, why : str
        settings : mapping, optional
            Kept with the lot.

        Raises
        ------
        Refused
            For a name that is taken, and for empty, odd or repeated serial numbers, each named.
        """
        asked = f"create lot {name!r}"
        self.context.require_words(asked, name=name, who=who, why=why)
        self._check_serials(asked, serials)
        now, operation = self.context.now(), self.context.operation()
        row = {"name": name, "recipe_id": recipe.recipe.id, "unreleased": recipe.unreleased, "state": "open"}
        row |= {"settings": dict(settings or {}), "made_by": who, "made_utc": now}

        def work(connection: Connection) -> RowMapping:
            taken = connection.execute(select(lot).where(lot.c.name == name)).mappings().first()
            if taken is not None:
                if self.context.trail.is_done(connection, operation):
                    return taken
                raise self.context.refused(Problem.DUPLICATE, asked, f"there is one, {taken['state']}")
            made = connection.execute(insert(lot).values(row).returning(lot)).mappings().one()
            places = [_waiting(made["id"], place, serial) for place, serial in enumerate(serials, 1)]
            if places:
                connection.execute(insert(part), places)
            new = {
                "state": "open",
                "parts": len(serials),
                "recipe": recipe.words,
                "settings": row["settings"],
            }
            change = Change(who, "lot", name, None, new, why)
            self.context.trail.append(connection, change, utc=now, operation=operation)
            return made

        return _lot(self.context.database.write(asked, work))

    def announce(self, lot_id: int, serial: str, *, kind: PartKind = PartKind.PRODUCT) -> int:
        """Put one more part at the end of a lot's list; return its number in the archive.

        A product is announced once: announcing it again returns the same number. A check part that has been
        measured before goes round once more.
        """
        asked = f"announce part {serial!r}"
        self._check_serials(asked, [serial])
        mine = select(part).where(part.c.lot_id == lot_id, part.c.serial == serial)
        last = select(func.max(part.c.place)).where(part.c.lot_id == lot_id)

        def work(connection: Connection) -> int:
            self._lock(connection, lot_id, asked)
            known = connection.execute(mine.order_by(part.c.repeat.desc()).limit(1)).mappings().first()
            if known is not None and known["kind"] != kind.value:
                found = f"it is there as a {known['kind']} part"
                raise self.context.refused(Problem.DUPLICATE, asked, found)
            if known is not None and (kind is PartKind.PRODUCT or known["state"] != "finished"):
                return int(known["id"])
            place = (connection.execute(last).scalar() or 0) + 1
            repeat = 1 if known is None else known["repeat"] + 1
            row = _waiting(lot_id, place, serial, kind, repeat)
            return int(connection.execute(insert(part).values(row).returning(part.c.id)).scalar_one())

        return self.context.database.write(asked, work)

    def stop(self, lot_id: int, *, who: str, why: str) -> Lot:
        """Stop a lot: no further part of it is claimed until it is opened again."""
        return self._move_on(lot_id, LotState.STOPPED, who, why)

    def reopen(self, lot_id: int, *, who: str, why: str) -> Lot:
        """Let a stopped lot go on."""
        return self._move_on(lot_id, LotState.OPEN, who, why)

    def finish(self, lot_id: int, *, who: str, why: str) -> Lot:
        """Close a lot; refused while one of its parts is in hand. Parts still waiting stay so for good."""
        return self._move_on(lot_id, LotState.DONE, who, why)

    def get(self, name: str) -> Lot:
        """Return a lot by its name."""
        query = select(lot).where(lot.c.name == name)
        row = self.context.database.first(f"find lot {name!r}", query)
        if row is None:
            recent = ", ".join(found.name for found in self.recent(5)) or "none"
            raise self.context.refused(
                Problem.UNKNOWN, f"find lot {name!r}", f"there is none; the newest are {recent}"
            )
        return _lot(row)

    def recent(self, most: int = 50, *, state: LotState | None = None) -> tuple[Lot, ...]:
        """Return the newest lots, the newest first."""
        query = select(lot).order_by(lot.c.id.desc()).limit(most)
        if state is not None:
            query = query.where(lot.c.state == state.value)
        rows = self.context.database.rows("list lots", query)
        return tuple(_lot(row) for row in rows)

    def counts(self, lot_id: int, *, kind: PartKind | None = None) -> dict[str, int]:
        """Return how many parts are waiting, in hand and finished; of one kind where one is named."""
        mine = (
            [part.c.lot_id == lot_id]
            if kind is None
            else [part.c.lot_id == lot_id, part.c.kind == kind.value]
        )
        query = select(part.c.state, func.count().label("count")).where(*mine).group_by(part.c.state)
        rows = self.context.database.rows("count the parts of a lot", query)
        return {"waiting": 0, "in_hand": 0, "finished": 0} | {row["state"]: row["count"] for row in rows}

    def _move_on(self, lot_id: int, to: LotState, who: str, why: str) -> Lot:
        asked = f"make lot number {lot_id} {to.value}"
        self.context.require_words(asked, who=who, why=why)
        now, operation = self.context.now(), self.context.operation()
        held = select(part.c.serial).where(part.c.lot_id == lot_id, part.c.state == "in_hand")
        ended = {} if to is LotState.OPEN else {"ended_utc": now, "ended_why": why}

        def work(connection: Connection) -> RowMapping:
            row = self._lock(connection, lot_id, asked)
            if row["state"] == to.value:
                return row
            if row["state"] == LotState.DONE.value:
                raise self.context.refused(Problem.CONTRADICTION, asked, "it is done", "make a new lot")
            in_hand = connection.execute(held).scalars().all()
            if to is LotState.DONE and in_hand:
                raise self.context.refused(Problem.IN_HAND, asked, f"in hand are {', '.join(in_hand)}")
            change = update(lot).where(lot.c.id == lot_id).values(state=to.value, **ended).returning(lot)
            changed = connection.execute(change).mappings().one()
            noted = Change(who, "lot", row["name"], {"state": row["state"]}, {"state": to.value}, why)
            self.context.trail.append(connection, noted, utc=now, operation=operation)
            return changed

        return _lot(self.context.database.write(asked, work))

    def _lock(self, connection: Connection, lot_id: int, asked: str) -> RowMapping:
        query = select(lot).where(lot.c.id == lot_id).with_for_update()
        row = connection.execute(query).mappings().first()
        if row is None:
            raise self.context.refused(Problem.UNKNOWN, asked, "there is no lot of this number")
        return row

    def _check_serials(self, asked: str, serials: Sequence[str]) -> None:
        seen: dict[str, int] = {}
        wrong = []
        for place, serial in enumerate(serials, 1):
            odd = _odd(serial)
            if odd:
                wrong.append(f"number {place}, {serial!r}, {odd}")
            elif serial in seen:
                wrong.append(f"number {place}, {serial!r}, is the same as number {seen[serial]}")
            seen.setdefault(serial, place)
        if wrong:
            more = f" ({len(wrong) - 5} more)" if len(wrong) > 5 else ""
            remedy = "correct the list; no part of it was taken in"
            raise self.context.refused(Problem.BAD_VALUE, asked, "; ".join(wrong[:5]) + more, remedy)


def _odd(serial: str) -> str:
    """Say what is odd about a serial number; empty when nothing is."""
    if not serial.strip():
        return "is empty"
    if serial != serial.strip():
        return "has blanks before or after it"
    if not serial.isprintable():
        return "has letters that cannot be printed"
    if len(serial) > LONGEST_SERIAL:
        return f"is longer than {LONGEST_SERIAL} letters"
    return ""


def _waiting(
    lot_id: int, place: int, serial: str, kind: PartKind = PartKind.PRODUCT, repeat: int = 1
) -> dict[str, Any]:
    row: dict[str, Any] = {"lot_id": lot_id, "place": place, "serial": serial, "state": "waiting"}
    return row | {"kind": kind.value, "repeat": repeat, "attempt": 0}


def _lot(row: RowMapping) -> Lot:
    return Lot(**{**row, "state": LotState(row["state"])})
