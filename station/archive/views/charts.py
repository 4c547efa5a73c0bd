"""What many parts add up to: the report of a lot or a period, and the series of a control chart."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Integer, Select, case, cast, func, select

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.lots import PartKind
from station.archive.store.tables import POSE, alarm, doubt, final_record, part, recipe

QUANTITIES = (
    *POSE,
    *(f"shift_{name}" for name in POSE),
    *("expanded_decenter_um", "expanded_tilt_arcsec"),
    *("looks", "moves", "bench_seconds", "compute_seconds"),
)
"""Columns of the final record that a series can be made of."""

_MOST_REASONS = 10


@dataclass(frozen=True, slots=True)
class Spread:
    """Where the values of one quantity lie.

    Attributes
    ----------
    count : int
    mean, lowest, highest : float
    standard_deviation : float or None
        Of the sample (n - 1); None for a single value.
    """

    count: int
    mean: float
    standard_deviation: float | None
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class Report:
    """What a set of finished parts adds up to; check parts are not in it.

    Attributes
    ----------
    finished : int
    outcomes : mapping of str to int
        All four outcomes, also those with none.
    by_station : mapping of str to mapping
        The same for each station.
    reasons : tuple of (outcome, reason, count)
        Why parts were not aligned, the most frequent first; ten at most.
    residuals : mapping of str to Spread
        Of the aligned parts, by axis; an axis without values is left out.
    effort : mapping of str to Spread
        Looks, moves and bench seconds of all finished parts.
    resumed : int
        Parts that took more than one attempt, because something was interrupted.
    in_doubt : int
        Parts that a failed check part puts in doubt, not cleared yet.
    alarms : tuple of (severity, code, count)
        Noted in the same lot or period, the most frequent first.
    first_utc, last_utc : datetime or None
        When the first part was started and the last one ended.
    """

    finished: int
    outcomes: Mapping[str, int]
    by_station: Mapping[str, Mapping[str, int]]
    reasons: tuple[tuple[str, str, int], ...]
    residuals: Mapping[str, Spread]
    effort: Mapping[str, Spread]
    resumed: int
    in_doubt: int
    alarms: tuple[tuple[str, str, int], ...]
    first_utc: datetime | None
    last_utc: datetime | None


@dataclass(frozen=True, slots=True)
class Point:
    """One part in a series.

    Attributes
    ----------
    record_id : int
        Counts up in the order in which parts were finished; a clock that jumps does not disturb it.
    part_id : int
    serial, outcome, station : str
    ended_utc : datetime
    value : float
    sigma : float or None
        Standard uncertainty of the value where it is known: the four residuals.
    """

    record_id: int
    part_id: int
    serial: str
    outcome: str
    station: str
    ended_utc: datetime
    value: float
    sigma: float | None


_OUTCOMES = ("aligned", "rejected", "stopped", "timed_out")


@dataclass(frozen=True, slots=True)
class Charts:
    """Reads what many parts add up to."""

    context: Context

    def lot(self, lot_id: int) -> Report:
        """Return the report of a lot."""
        return self._report([final_record.c.lot_id == lot_id], [alarm.c.lot_id == lot_id])

    def period(self, start: datetime, end: datetime, *, station: str | None = None) -> Report:
        """Return the report of all parts that ended in a period, end excluded."""
        parts = [final_record.c.ended_utc >= start, final_record.c.ended_utc < end]
        alarms = [alarm.c.last_utc >= start, alarm.c.last_utc < end]
        if station is not None:
            parts.append(final_record.c.station == station)
            alarms.append(alarm.c.station == station)
        return self._report(parts, alarms)

    def series(
        self,
        recipe_name: str,
        quantity: str,
        *,
        last: int = 1000,
        station: str | None = None,
        kind: PartKind = PartKind.PRODUCT,
    ) -> tuple[Point, ...]:
        """Return a quantity of the last parts of a recipe, all versions, in the order in which they ended.

        Parameters
        ----------
        recipe_name : str
        quantity : str
            One of ``QUANTITIES``; um, arcsec or s, as its name says. Parts that have none are left out.
        last : int
        station : str, optional
            Of one station; a process of several stations is charted for each by itself.
        kind : PartKind
            Check parts have their own chart.
        """
        asked = f"chart {quantity} of recipe {recipe_name!r}"
        if quantity not in QUANTITIES:
            found = f"there is no such quantity; known are {', '.join(QUANTITIES)}"
            raise self.context.refused(Problem.UNKNOWN, asked, found)

        def work(connection: Connection) -> list[Any]:
            versions = select(recipe.c.id).where(recipe.c.name == recipe_name)
            rows: list[Any] = []
            # Each version by itself walks one index backwards; together they would have to be sorted.
            for recipe_id in connection.execute(versions).scalars().all():
                rows += connection.execute(_last_of(recipe_id, quantity, last, station, kind)).all()
            return rows

        rows = sorted(self.context.database.read(asked, work), key=lambda row: row[0])[-last:]
        return tuple(_point(row, quantity) for row in rows)

    def _report(self, parts: list[Any], alarms: list[Any]) -> Report:
        where = [*parts, final_record.c.kind == PartKind.PRODUCT.value]

        def work(connection: Connection) -> Report:
            outcomes, by_station, facts = _outcomes(connection, where)
            return Report(
                finished=sum(outcomes.values()),
                outcomes=outcomes,
                by_station=by_station,
                reasons=_reasons(connection, where),
                residuals=_spreads(connection, POSE, [*where, final_record.c.outcome == "aligned"]),
                effort=_spreads(connection, ("looks", "moves", "bench_seconds"), where),
                resumed=facts[0],
                in_doubt=_in_doubt(connection, where),
                alarms=_alarms(connection, alarms),
                first_utc=facts[1],
                last_utc=facts[2],
            )

        return self.context.database.read("add up a report", work)


def _last_of(recipe_id: int, quantity: str, last: int, station: str | None, kind: PartKind) -> Select[Any]:
    column, table = final_record.c[quantity], final_record.c
    query = (
        select(
            *(table.id, table.part_id, part.c.serial, table.outcome, table.station, table.ended_utc),
            *(column, table.covariance),
        )
        .join(part, part.c.id == table.part_id)
        .where(table.recipe_id == recipe_id, column.is_not(None), table.kind == kind.value)
        .order_by(table.id.desc())
        .limit(last)
    )
    return query if station is None else query.where(table.station == station)


def _point(row: Any, quantity: str) -> Point:
    record_id, part_id, serial, outcome, station, ended_utc, value, covariance = row
    sigma = None
    if quantity in POSE and covariance is not None:
        place = POSE.index(quantity)
        sigma = math.sqrt(covariance[place][place])
    return Point(record_id, part_id, serial, outcome, station, ended_utc, float(value), sigma)


def _outcomes(
    connection: Connection, where: list[Any]
) -> tuple[dict[str, int], dict[str, dict[str, int]], tuple[int, datetime | None, datetime | None]]:
    table = final_record.c
    again = func.sum(case((table.attempt > 1, 1), else_=0))
    query = select(
        *(table.station, table.outcome, func.count(), again),
        *(func.min(table.started_utc), func.max(table.ended_utc)),
    )
    total = dict.fromkeys(_OUTCOMES, 0)
    stations: dict[str, dict[str, int]] = {}
    resumed, firsts, lasts = 0, [], []
    for station, outcome, count, repeated, first, last in connection.execute(
        query.where(*where).group_by(table.station, table.outcome)
    ):
        stations.setdefault(station, dict.fromkeys(_OUTCOMES, 0))[outcome] = count
        total[outcome] += count
        resumed += int(repeated)
        firsts.append(first)
        lasts.append(last)
    return (
        total,
        dict(sorted(stations.items())),
        (resumed, min(firsts, default=None), max(lasts, default=None)),
    )


def _reasons(connection: Connection, where: list[Any]) -> tuple[tuple[str, str, int], ...]:
    table, count = final_record.c, func.count()
    query = select(table.outcome, table.reason, count).where(*where, table.outcome != "aligned")
    query = (
        query.group_by(table.outcome, table.reason).order_by(count.desc(), table.reason).limit(_MOST_REASONS)
    )
    return tuple((outcome, reason, int(times)) for outcome, reason, times in connection.execute(query))


def _spreads(connection: Connection, names: tuple[str, ...], where: list[Any]) -> dict[str, Spread]:
    columns = [final_record.c[name] for name in names]
    first = select(
        *(how(column) for column in columns for how in (func.count, func.avg, func.min, func.max))
    ).where(*where)
    found = connection.execute(first).one()
    means = [found[4 * index + 1] for index in range(len(names))]
    # A second pass: the sum of squares alone loses all digits when the mean is large.
    away = [column - float(mean or 0.0) for column, mean in zip(columns, means, strict=True)]
    squares = connection.execute(select(*(func.sum(one * one) for one in away)).where(*where)).one()
    spreads = {}
    for index, name in enumerate(names):
        count, mean, lowest, highest = found[4 * index : 4 * index + 4]
        if count:
            deviation = math.sqrt(float(squares[index]) / (count - 1)) if count > 1 else None
            spreads[name] = Spread(int(count), float(mean), deviation, float(lowest), float(highest))
    return spreads


def _in_doubt(connection: Connection, where: list[Any]) -> int:
    query = select(func.count(func.distinct(doubt.c.part_id)))
    query = query.join(final_record, final_record.c.part_id == doubt.c.part_id)
    return int(connection.execute(query.where(doubt.c.cleared_utc.is_(None), *where)).scalar_one())


def _alarms(connection: Connection, where: list[Any]) -> tuple[tuple[str, str, int], ...]:
    count = cast(func.sum(alarm.c.count), Integer)
    query = select(alarm.c.severity, alarm.c.code, count).where(*where)
    query = query.group_by(alarm.c.severity, alarm.c.code).order_by(count.desc(), alarm.c.code)
    return tuple((severity, code, int(times)) for severity, code, times in connection.execute(query))
