"""Alarms: how bad, what of, what helps, when, who has taken note. The same again counts up, in one row."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import Any

from sqlalchemy import Connection, RowMapping, insert, select, update

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.store.tables import alarm
from station.archive.trail import Change


class Severity(Enum):
    """What an alarm asks of a person."""

    NOTE = "note"  # nothing now
    WARNING = "warning"  # look at it in this shift; the lot goes on
    STOP = "stop"  # the station has stopped and waits


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm.

    Attributes
    ----------
    id : int
    station : str
    code : str
        Name of the cause, such as ``line_lost`` or ``rejects_in_a_row``.
    subject : str
        What it is about where the code alone does not say it: an axis, a camera; may be empty.
    severity : Severity
    cause, remedy : str
        In words; of the last time.
    lot_id, part_id : int or None
        Of the last time.
    first_utc, last_utc : datetime
    count : int
        How often since the last one of this kind was acknowledged.
    acknowledged_by, acknowledged_utc, acknowledged_why
        None while nobody has taken note.
    """

    id: int
    station: str
    code: str
    subject: str
    severity: Severity
    cause: str
    remedy: str
    lot_id: int | None
    part_id: int | None
    first_utc: datetime
    last_utc: datetime
    count: int
    acknowledged_by: str | None
    acknowledged_utc: datetime | None
    acknowledged_why: str | None

    @property
    def is_new(self) -> bool:
        """True the first time: the moment to send it anywhere. Later ones only count."""
        return self.count == 1


@dataclass(frozen=True, slots=True)
class Alarms:
    """The alarms of an archive."""

    context: Context

    def note(
        self,
        code: str,
        severity: Severity,
        *,
        cause: str,
        remedy: str,
        subject: str = "",
        lot_id: int | None = None,
        part_id: int | None = None,
    ) -> Alarm:
        """Note an alarm of this station.

        One with the same code and subject that nobody has acknowledged yet is counted up instead, and takes
        the worse of both severities.
        """
        asked = f"note alarm {code!r}"
        self.context.require_words(asked, code=code, cause=cause, remedy=remedy)
        now, operation = self.context.now(), self.context.operation()
        last: dict[str, Any] = {"cause": cause, "remedy": remedy, "lot_id": lot_id, "part_id": part_id}
        last |= {"last_utc": now, "operation": operation}
        key = {"station": self.context.station, "code": code, "subject": subject}
        is_open = [alarm.c[name] == value for name, value in key.items()] + [
            alarm.c.acknowledged_utc.is_(None)
        ]

        def work(connection: Connection) -> RowMapping:
            found = connection.execute(select(alarm).where(*is_open).with_for_update()).mappings().first()
            if found is None:
                new = insert(alarm).values(**key, **last, severity=severity.value, first_utc=now, count=1)
                return connection.execute(new.returning(alarm)).mappings().one()
            if found["operation"] == operation:
                return found
            worse = _worse(severity, Severity(found["severity"]))
            change = update(alarm).where(alarm.c.id == found["id"])
            counted = change.values(**last, severity=worse.value, count=found["count"] + 1)
            return connection.execute(counted.returning(alarm)).mappings().one()

        return _alarm(self.context.database.write(asked, work))

    def acknowledge(self, alarm_id: int, *, who: str, why: str) -> Alarm:
        """Note that a person has taken note; the same cause from now on is a new alarm."""
        asked = f"acknowledge alarm {alarm_id}"
        self.context.require_words(asked, who=who, why=why)
        now, operation = self.context.now(), self.context.operation()
        query = select(alarm).where(alarm.c.id == alarm_id).with_for_update()

        def work(connection: Connection) -> RowMapping:
            row = connection.execute(query).mappings().first()
            if row is None:
                raise self.context.refused(Problem.UNKNOWN, asked, "there is none of this number")
            if row["acknowledged_utc"] is not None:
                return row
            values = {"acknowledged_by": who, "acknowledged_utc": now, "acknowledged_why": why}
            change = update(alarm).where(alarm.c.id == alarm_id).values(values).returning(alarm)
            changed = connection.execute(change).mappings().one()
            old = {"id": alarm_id, "state": "open", "count": row["count"]}
            new = {"id": alarm_id, "state": "acknowledged"}
            noted = Change(who, "alarm", row["code"], old, new, why, row["part_id"])
            self.context.trail.append(connection, noted, utc=now, operation=operation)
            return changed

        return _alarm(self.context.database.write(asked, work))

    def open(self, station: str | None = None) -> tuple[Alarm, ...]:
        """Return the alarms that nobody has acknowledged, the newest first; of all stations by default."""
        query = select(alarm).where(alarm.c.acknowledged_utc.is_(None))
        if station is not None:
            query = query.where(alarm.c.station == station)
        query = query.order_by(alarm.c.last_utc.desc(), alarm.c.id.desc())
        rows = self.context.database.rows("list open alarms", query)
        return tuple(_alarm(row) for row in rows)

    def between(self, start: datetime, end: datetime) -> tuple[Alarm, ...]:
        """Return the alarms whose last time lies in a period, end excluded, the oldest first."""
        query = select(alarm).where(alarm.c.last_utc >= start, alarm.c.last_utc < end)
        query = query.order_by(alarm.c.last_utc, alarm.c.id)
        rows = self.context.database.rows("list alarms", query)
        return tuple(_alarm(row) for row in rows)


def _worse(one: Severity, other: Severity) -> Severity:
    order = list(Severity)
    return max(one, other, key=order.index)


def _alarm(row: RowMapping) -> Alarm:
    fields = {name: value for name, value in row.items() if name != "operation"}
    return Alarm(**{**fields, "severity": Severity(row["severity"])})
