"""Looking parts up: by serial number, with all attempts and every step."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import RowMapping, select

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.parts.final import FinalRecord
from station.archive.parts.steps import TABLES, Step
from station.archive.store.tables import attempt, final_record, lot, part, setup, setup_calibration


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt at a part; a part has more than one only when something was interrupted."""

    part_id: int
    number: int
    session_id: int
    station: str
    setup_id: int
    recipe_id: int
    started_utc: datetime
    run_folder: str
    why: str


@dataclass(frozen=True, slots=True)
class PartFound:
    """A part, whatever its state.

    Attributes
    ----------
    part_id, lot_id, place, repeat : int
        ``place`` in the list of its lot; ``repeat`` counts the rounds of a check part.
    lot, serial, kind, state : str
    final : FinalRecord or None
        None until it is finished.
    """

    part_id: int
    lot_id: int
    lot: str
    place: int
    serial: str
    repeat: int
    kind: str
    state: str
    final: FinalRecord | None


@dataclass(frozen=True, slots=True)
class SetupFound:
    """With what a part was made."""

    id: int
    bench: str
    bench_sha256: str
    controller: str
    software: dict[str, str]
    calibration_ids: tuple[int, ...]


_PART = select(part, lot.c.name.label("lot_name")).join(lot, lot.c.id == part.c.lot_id)


@dataclass(frozen=True, slots=True)
class Parts:
    """Reads about parts."""

    context: Context

    def find(self, serial: str, *, lot_id: int | None = None) -> tuple[PartFound, ...]:
        """Return every part of a serial number, the oldest first."""
        query = _PART.where(part.c.serial == serial)
        return self._parts(query if lot_id is None else query.where(part.c.lot_id == lot_id))

    def get(self, part_id: int) -> PartFound:
        """Return a part by its number in the archive."""
        found = self._parts(_PART.where(part.c.id == part_id))
        if not found:
            raise self.context.refused(Problem.UNKNOWN, "find a part", f"there is no part number {part_id}")
        return found[0]

    def of_lot(self, lot_id: int) -> Iterator[PartFound]:
        """Yield the parts of a lot in their order, a page at a time."""
        place = 0
        while True:
            query = _PART.where(part.c.lot_id == lot_id, part.c.place > place)
            found = self._parts(query.order_by(part.c.place).limit(1000), ordered=True)
            if not found:
                return
            yield from found
            place = found[-1].place

    def attempts(self, part_id: int) -> tuple[Attempt, ...]:
        """Return the attempts at a part, the first one first."""
        query = select(attempt).where(attempt.c.part_id == part_id).order_by(attempt.c.number)
        return tuple(_pick(Attempt, row) for row in self._rows("read the attempts at a part", query))

    def steps(self, part_id: int, attempt_number: int) -> tuple[Step, ...]:
        """Return looks, moves and decisions of one attempt in the order in which they happened."""
        steps: list[Step] = []
        for kind, table in TABLES.items():
            mine = (table.c.part_id == part_id, table.c.attempt == attempt_number)
            rows = self._rows("read the steps of a part", select(table).where(*mine))
            steps += [_pick(kind, row) for row in rows]
        return tuple(sorted(steps, key=lambda step: step.number))

    def setup(self, setup_id: int) -> SetupFound:
        """Return the bench, the calibrations and the software that a part was made with."""
        rows = self._rows("read a setup", select(setup).where(setup.c.id == setup_id))
        if not rows:
            raise self.context.refused(
                Problem.UNKNOWN, "read a setup", f"there is no setup number {setup_id}"
            )
        links = select(setup_calibration.c.calibration_id).where(setup_calibration.c.setup_id == setup_id)
        ids = tuple(row["calibration_id"] for row in self._rows("read a setup", links))
        row = {name: value for name, value in rows[0].items() if name != "sha256"}
        return SetupFound(**row, calibration_ids=ids)

    def made_with(self, calibration_id: int, *, most: int = 10_000) -> tuple[int, ...]:
        """Return the numbers of the finished parts that rest on a calibration, the newest first."""
        query = (
            select(final_record.c.part_id)
            .join(setup_calibration, setup_calibration.c.setup_id == final_record.c.setup_id)
            .where(setup_calibration.c.calibration_id == calibration_id)
            .order_by(final_record.c.id.desc())
            .limit(most)
        )
        return tuple(row["part_id"] for row in self._rows("find the parts of a calibration", query))

    def _parts(self, query: Any, *, ordered: bool = False) -> tuple[PartFound, ...]:
        rows = self._rows("find parts", query if ordered else query.order_by(part.c.id))
        ids = [row["id"] for row in rows]
        finals: dict[int, FinalRecord] = {}
        for begin in range(0, len(ids), 500):
            some = select(final_record).where(final_record.c.part_id.in_(ids[begin : begin + 500]))
            finals |= {row["part_id"]: FinalRecord.of(row) for row in self._rows("find parts", some)}
        return tuple(_part(row, finals.get(row["id"])) for row in rows)

    def _rows(self, asked: str, query: Any) -> Sequence[RowMapping]:
        return self.context.database.rows(asked, query)


def _pick(kind: Any, row: RowMapping) -> Any:
    return kind(**{one.name: row[one.name] for one in fields(kind)})


def _part(row: RowMapping, final: FinalRecord | None) -> PartFound:
    return PartFound(
        part_id=row["id"],
        lot_id=row["lot_id"],
        lot=row["lot_name"],
        place=row["place"],
        serial=row["serial"],
        repeat=row["repeat"],
        kind=row["kind"],
        state=row["state"],
        final=final,
    )
