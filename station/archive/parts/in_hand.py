"""A part in hand: the only one that may write about it, until it is finished or somebody else takes it up."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from typing import Any

from sqlalchemy import Connection, RowMapping, Table, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from control.messages import Action, Observation, Outcome
from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.parts.final import Ending, FinalRecord, columns_of, record_sha256
from station.archive.parts.steps import TABLES, DecisionStep, Step, StepTaker, row_of
from station.archive.store.columns import JsonValue
from station.archive.store.tables import decision, final_record, look, move, part
from station.archive.trail import Change

_BATCH = 32
_ENTER = "EnterPhase"


class Phase(Enum):
    """Where a part in hand is."""

    CLAIMED = "claimed"
    LOADING = "loading"
    ALIGNING = "aligning"
    FIXING = "fixing"
    VERIFYING = "verifying"
    UNLOADING = "unloading"


@dataclass(frozen=True, slots=True)
class Claim:
    """Which part, which attempt at it, and with what.

    Attributes
    ----------
    part_id, attempt : int
        The attempt counts from 1 and names the holder: whoever holds an older one is refused.
    station, lot, serial, kind : str
    lot_id, recipe_id, setup_id : int
        The recipe stays the one that the part was started with.
    started_utc : datetime
    run_folder : str
    """

    part_id: int
    attempt: int
    station: str
    lot_id: int
    lot: str
    serial: str
    kind: str
    recipe_id: int
    setup_id: int
    started_utc: datetime
    run_folder: str


@dataclass(slots=True)
class InHand:
    """Writes about one part; not to be shared between threads.

    Every method that writes may be called again after an :class:`ArchiveError`: nothing is kept twice.
    """

    context: Context
    claim: Claim
    batch: int = _BATCH
    _pending: list[Step] = field(default_factory=list, init=False)
    _next: int = field(default=1, init=False)
    _taker: StepTaker = field(default_factory=StepTaker, init=False)
    _row: dict[str, Any] | None = field(default=None, init=False)
    _last_s: float = field(default=0.0, init=False)

    def take(self, seen: Observation, action: Action) -> None:
        """Note one turn of control; written in batches, see :meth:`flush`."""
        steps = self._taker.take(seen, action, self._next)
        self._last_s = seen.time_s
        self._queue(*steps)

    def note(self, kind: str, why: str, details: JsonValue = None, time_s: float | None = None) -> None:
        """Note a decision of the lot about this part."""
        at_s = self._last_s if time_s is None else time_s
        self._queue(DecisionStep(self._next, at_s, why, kind, {} if details is None else details))

    def add(self, make: Callable[[int], Step]) -> None:
        """Note a step of any kind; ``make`` is given its number."""
        self._queue(make(self._next))

    def enter(self, phase: Phase, why: str = "", time_s: float | None = None) -> None:
        """Note that the part enters a phase; this and all steps so far are on the disk when it returns."""
        at_s = self._last_s if time_s is None else time_s
        self._append(DecisionStep(self._next, at_s, why, _ENTER, {"phase": phase.value}))
        now = self.context.now()

        def work(connection: Connection) -> None:
            self._hold(connection, f"enter phase {phase.value}")
            self._write_pending(connection)
            change = update(part).where(part.c.id == self.claim.part_id)
            connection.execute(change.values(phase=phase.value, since_utc=now))

        self._write(f"note that part {self.claim.serial!r} is {phase.value}", work)
        self._pending.clear()

    def flush(self) -> None:
        """Put the steps so far on the disk; all of them or, with an error, none of them yet."""
        if not self._pending:
            return

        def work(connection: Connection) -> None:
            self._hold(connection, "write steps")
            self._write_pending(connection)

        self._write(f"write steps of part {self.claim.serial!r}", work)
        self._pending.clear()

    def finish(self, ending: Ending) -> FinalRecord:
        """Write the one final record; the part is not in hand any more when this returns.

        Calling it again with the same ending returns the record that is there.

        Raises
        ------
        Refused
            ``UNVERIFIED`` for a part called aligned whose verdict did not pass or does not rest on a look
            after the last move and after fixing; ``FINISHED`` when another final record is there;
            ``NOT_IN_HAND`` when the part was taken up again since.
        """
        asked = f"finish part {self.claim.serial!r}"
        operation, now = self.context.operation(), self.context.now()

        def work(connection: Connection) -> FinalRecord:
            kept = _final_of(connection, self.claim.part_id)
            if kept is not None:
                return self._the_same(kept, ending, asked)
            self._hold(connection, asked)
            self._write_pending(connection)
            verified = self._is_verified(connection, ending)
            if ending.outcome is Outcome.ALIGNED and not verified:
                raise self._unverified(asked, ending)
            row = self._final_row(ending, now, verified, asked)
            # The trail's end is locked first: final records are numbered in the order in which they are kept.
            self._note_end(connection, operation, row)
            made = connection.execute(insert(final_record).values(row).returning(final_record))
            record = FinalRecord.of(made.mappings().one())
            done = update(part).where(part.c.id == self.claim.part_id)
            connection.execute(done.values(state="finished", phase=None, since_utc=now))
            return record

        record: FinalRecord = self._write(asked, work)
        self._pending.clear()
        return record

    def put_back(self, why: str) -> None:
        """Put a part that nobody has touched yet back into the list; refused once it was being aligned."""
        asked = f"put part {self.claim.serial!r} back"
        self.context.require_words(asked, why=why)
        operation, now = self.context.operation(), self.context.now()

        def work(connection: Connection) -> None:
            if self.context.trail.is_done(connection, operation):
                return
            row = self._hold(connection, asked)
            if row["phase"] not in (Phase.CLAIMED.value, Phase.LOADING.value):
                found = f"it is {row['phase']} already"
                raise self.context.refused(Problem.CONTRADICTION, asked, found, "finish it as stopped")
            self._write_pending(connection)
            values = {"state": "waiting", "station": None, "phase": None, "since_utc": now}
            connection.execute(update(part).where(part.c.id == self.claim.part_id).values(values))
            old = {"state": "in_hand", "attempt": self.claim.attempt}
            self._note(connection, operation, old, {"state": "waiting"}, why)

        self._write(asked, work)
        self._pending.clear()

    # --- pieces -------------------------------------------------------------------------------------------

    def _queue(self, *steps: Step) -> None:
        self._append(*steps)
        if len(self._pending) >= self.batch:
            self.flush()

    def _append(self, *steps: Step) -> None:
        self._pending += steps
        self._next += len(steps)

    def _write(self, asked: str, work: Callable[[Connection], Any]) -> Any:
        return self.context.database.write(asked, work)

    def _hold(self, connection: Connection, asked: str) -> RowMapping:
        """Make sure that this is still the attempt that holds the part, until the transaction ends."""
        query = select(part).where(part.c.id == self.claim.part_id).with_for_update()
        row = connection.execute(query).mappings().one()
        mine = (row["state"], row["attempt"], row["station"])
        if mine == ("in_hand", self.claim.attempt, self.claim.station):
            return row
        found = (
            f"attempt {self.claim.attempt} of station {self.claim.station} holds it no more: it is "
            f"{row['state']}, attempt {row['attempt']}"
            + (f" of station {row['station']}" if row["station"] else "")
        )
        raise self.context.refused(Problem.NOT_IN_HAND, f"{asked} ({self.claim.serial!r})", found)

    def _write_pending(self, connection: Connection) -> None:
        key = {"part_id": self.claim.part_id, "attempt": self.claim.attempt}
        for kind, table in TABLES.items():
            rows = [key | row_of(step) for step in self._pending if type(step) is kind]
            if rows:
                # Rows that are there come from a try whose answer was lost.
                connection.execute(_insert(connection, table).on_conflict_do_nothing(), rows)

    def _is_verified(self, connection: Connection, ending: Ending) -> bool:
        """Say whether the verdict rests on a look after the last move and after the last fixing."""
        if ending.verdict is None:
            return False
        mine = {"part_id": self.claim.part_id, "attempt": self.claim.attempt}
        last_look = _last(connection, look, mine)
        entered = decision.c.kind == _ENTER, decision.c.details == {"phase": Phase.FIXING.value}
        unsettled = max(_last(connection, move, mine), _last(connection, decision, mine, *entered))
        passed = ending.verdict.passed or ending.outcome is not Outcome.ALIGNED
        return passed and last_look > unsettled

    def _unverified(self, asked: str, ending: Ending) -> Exception:
        if ending.verdict is None:
            found = "it is called aligned without a verdict"
        elif not ending.verdict.passed:
            found = "it is called aligned, but its verdict did not pass"
        else:
            found = "it is called aligned, but nobody looked after the last move or after it was fixed"
        return self.context.refused(Problem.UNVERIFIED, asked, found)

    def _final_row(self, ending: Ending, now: datetime, verified: bool, asked: str) -> dict[str, Any]:
        if self._row is not None and self._row["verified"] == verified:
            return self._row
        claim = self.claim
        row = columns_of(ending, verified=verified)
        row |= {
            name: getattr(claim, name)
            for name in (
                *("part_id", "attempt", "lot_id", "recipe_id", "setup_id", "station", "kind"),
                *("started_utc", "run_folder"),
            )
        }
        row["ended_utc"] = now
        try:
            row["sha256"] = record_sha256(row)
        except ValueError as error:
            raise self.context.refused(Problem.BAD_VALUE, asked, str(error)) from error
        # A second try, after an answer that was lost, writes the same record to the last bit.
        self._row = row
        return row

    def _the_same(self, kept: RowMapping, ending: Ending, asked: str) -> FinalRecord:
        mine = columns_of(ending, verified=kept["verified"]) | {"attempt": self.claim.attempt}
        if all(kept[name] == value for name, value in mine.items()):
            return FinalRecord.of(kept)
        found = f"there is a final record already, {kept['outcome']}, of attempt {kept['attempt']}"
        raise self.context.refused(Problem.FINISHED, asked, found)

    def _note_end(self, connection: Connection, operation: str, row: Mapping[str, Any]) -> None:
        old = {"state": "in_hand", "attempt": self.claim.attempt}
        new = {"state": "finished", "outcome": row["outcome"], "record_sha256": row["sha256"]}
        self._note(connection, operation, old, new, row["reason"])

    def _note(self, connection: Connection, operation: str, old: Any, new: Any, why: str) -> None:
        who = f"station {self.claim.station}"
        subject = f"{self.claim.lot}/{self.claim.serial}"
        change = Change(who, "part", subject, old, new, why, self.claim.part_id)
        self.context.trail.append(connection, change, utc=self.context.now(), operation=operation)


def _final_of(connection: Connection, part_id: int) -> RowMapping | None:
    query = select(final_record).where(final_record.c.part_id == part_id)
    return connection.execute(query).mappings().first()


def _last(connection: Connection, table: Table, mine: Mapping[str, int], *more: Any) -> int:
    where = [table.c[name] == value for name, value in mine.items()]
    return int(connection.execute(select(func.max(table.c.number)).where(*where, *more)).scalar() or 0)


def _insert(connection: Connection, table: Table) -> Any:
    kind = sqlite if connection.dialect.name == "sqlite" else postgresql
    return kind.insert(table)
