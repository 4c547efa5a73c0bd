"""Parts in doubt: finished between the last check part that passed and one that failed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, func, insert, select, update

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.lots import PartKind
from station.archive.store.tables import doubt, final_record, part
from station.archive.trail import Change


@dataclass(frozen=True, slots=True)
class Doubt:
    """A part in doubt; ``cleared_*`` are None until somebody has looked into it."""

    id: int
    part_id: int
    serial: str
    check_part_id: int
    raised_utc: datetime
    why: str
    cleared_by: str | None
    cleared_utc: datetime | None
    cleared_why: str | None


@dataclass(frozen=True, slots=True)
class Doubts:
    """Puts parts in doubt, and clears them; their final records stay as they are."""

    context: Context

    def raise_since_last_pass(self, failed_check_id: int, *, who: str, why: str) -> tuple[Doubt, ...]:
        """Put every aligned part in doubt that this station finished since its last check part that passed.

        Parameters
        ----------
        failed_check_id : int
            Number of the check part that failed; it is finished, with another outcome than aligned.
        who, why : str
        """
        asked = f"put parts in doubt because of check part number {failed_check_id}"
        self.context.require_words(asked, who=who, why=why)
        now, operation = self.context.now(), self.context.operation()
        table = final_record.c

        def work(connection: Connection) -> None:
            if self.context.trail.is_done(connection, operation):
                return
            failed = (
                connection.execute(select(final_record).where(table.part_id == failed_check_id))
                .mappings()
                .first()
            )
            if failed is None or failed["kind"] != PartKind.CHECK.value or failed["outcome"] == "aligned":
                found = "it is no check part that was finished and failed"
                raise self.context.refused(Problem.CONTRADICTION, asked, found)
            same = table.station == failed["station"]
            passed = select(func.max(table.id)).where(
                same, table.kind == PartKind.CHECK.value, table.outcome == "aligned", table.id < failed["id"]
            )
            since = connection.execute(passed).scalar() or 0
            between = (table.id > since, table.id < failed["id"], table.kind == PartKind.PRODUCT.value)
            already = select(doubt.c.part_id).where(doubt.c.check_part_id == failed_check_id)
            query = select(table.part_id).where(same, *between, table.outcome == "aligned")
            ids = connection.execute(query.where(table.part_id.not_in(already))).scalars().all()
            rows = [
                {"part_id": one, "check_part_id": failed_check_id, "raised_utc": now, "why": why}
                for one in ids
            ]
            if rows:
                connection.execute(insert(doubt), rows)
            new = {"in_doubt": len(rows), "check_part": failed_check_id}
            change = Change(who, "doubt", str(failed_check_id), None, new, why, failed_check_id)
            self.context.trail.append(connection, change, utc=now, operation=operation)

        self.context.database.write(asked, work)
        return self.of_check(failed_check_id)

    def clear(self, doubt_id: int, *, who: str, why: str) -> None:
        """Note that a person has looked into a part in doubt, and with what result."""
        asked = f"clear doubt number {doubt_id}"
        self.context.require_words(asked, who=who, why=why)
        now, operation = self.context.now(), self.context.operation()
        query = select(doubt).where(doubt.c.id == doubt_id).with_for_update()

        def work(connection: Connection) -> None:
            row = connection.execute(query).mappings().first()
            if row is None:
                raise self.context.refused(Problem.UNKNOWN, asked, "there is none of this number")
            if row["cleared_utc"] is not None:
                return
            values = {"cleared_by": who, "cleared_utc": now, "cleared_why": why}
            connection.execute(update(doubt).where(doubt.c.id == doubt_id).values(values))
            old, new = {"id": doubt_id, "state": "open"}, {"id": doubt_id, "state": "cleared"}
            change = Change(who, "doubt", str(row["check_part_id"]), old, new, why, row["part_id"])
            self.context.trail.append(connection, change, utc=now, operation=operation)

        self.context.database.write(asked, work)

    def of_check(self, check_part_id: int) -> tuple[Doubt, ...]:
        """Return the parts that a check part put in doubt, cleared ones too."""
        return self._find(doubt.c.check_part_id == check_part_id)

    def open(self) -> tuple[Doubt, ...]:
        """Return the parts in doubt that nobody has cleared."""
        return self._find(doubt.c.cleared_utc.is_(None))

    def _find(self, where: object) -> tuple[Doubt, ...]:
        query = select(doubt, part.c.serial).join(part, part.c.id == doubt.c.part_id)
        query = query.where(where).order_by(doubt.c.id)  # type: ignore[arg-type]  # a column expression
        rows = self.context.database.rows("list parts in doubt", query)
        return tuple(Doubt(**row) for row in rows)
