"""Calibrations with a validity, and the identity of all that a part was made with."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import Any

from sqlalchemy import Connection, RowMapping, insert, select, update

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.store.columns import canonical_json
from station.archive.store.tables import calibration, setup, setup_calibration
from station.archive.trail import Change


class CalibrationKind(Enum):
    """What was characterised."""

    PLATE_MAP = "plate_map"
    MOUNT = "mount"
    BARE_BEAM = "bare_beam"


class WhenExpired(Enum):
    """What a run does about a calibration that is missing or not valid any more."""

    REFUSE = "refuse"
    REDO = "redo"


@dataclass(frozen=True, slots=True)
class Need:
    """A calibration that a run needs: of what kind, and of what (a plate, the mount, the beam)."""

    kind: CalibrationKind
    subject: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration; its text never changes.

    Attributes
    ----------
    id : int
    bench : str
    kind : CalibrationKind
    subject : str
        The plate, the mount, the beam.
    text : str
        What was measured, in whatever text form its maker reads back.
    sha256 : str
        Of the text.
    made_by, made_utc
    valid_until_utc : datetime or None
        None: until it is withdrawn.
    withdrawn_by, withdrawn_utc, withdrawn_why
        None unless withdrawn.
    """

    id: int
    bench: str
    kind: CalibrationKind
    subject: str
    text: str
    sha256: str
    made_by: str
    made_utc: datetime
    valid_until_utc: datetime | None
    withdrawn_by: str | None
    withdrawn_utc: datetime | None
    withdrawn_why: str | None

    def why_not_valid(self, now: datetime) -> str:
        """Say why it may not be used for a part that starts now; empty when it may."""
        if self.withdrawn_utc is not None:
            return f"withdrawn by {self.withdrawn_by}: {self.withdrawn_why}"
        if self.made_utc > now + _CLOCK_SLACK:
            return f"made at {_words(self.made_utc)}, which is still to come: the clock was set back"
        if self.valid_until_utc is not None and now > self.valid_until_utc:
            return f"expired at {_words(self.valid_until_utc)}"
        return ""


_CLOCK_SLACK = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class CalibrationsForRun:
    """What a run may use, and what has to be made anew before its first part.

    Attributes
    ----------
    valid : tuple of Calibration
    redo : tuple of Need
        Empty unless the run was told to make them anew.
    words : tuple of str
        Why each of ``redo`` cannot be used.
    """

    valid: tuple[Calibration, ...]
    redo: tuple[Need, ...]
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Setup:
    """With what a part is made: bench, calibrations, software. The same again has the same number."""

    id: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Calibrations:
    """The calibrations of an archive."""

    context: Context

    def add(
        self,
        bench: str,
        need: Need,
        text: str,
        *,
        who: str,
        why: str,
        valid_until_utc: datetime | None = None,
    ) -> Calibration:
        """Note a calibration that was made now; from now on it is the one to use."""
        asked = f"add the calibration {need.kind.value} of {need.subject} for bench {bench}"
        self.context.require_words(asked, bench=bench, subject=need.subject, text=text, who=who, why=why)
        now, operation = self.context.now(), self.context.operation()
        sha256 = hashlib.sha256(text.encode()).hexdigest()
        row = {"bench": bench, "kind": need.kind.value, "subject": need.subject, "text": text}
        row |= {"sha256": sha256, "made_by": who}
        times = {"made_utc": now, "valid_until_utc": valid_until_utc}

        def work(connection: Connection) -> RowMapping:
            before = self._newest(connection, bench, need)
            if before is not None and self.context.trail.is_done(connection, operation):
                return before
            made = connection.execute(insert(calibration).values(**row, **times).returning(calibration))
            found = made.mappings().one()
            old = None if before is None else {"id": before["id"], "sha256": before["sha256"]}
            new = {"id": found["id"], "sha256": sha256, "valid_until": _iso(valid_until_utc)}
            self._note(connection, operation, found, old, new, who, why)
            return found

        return _calibration(self.context.database.write(asked, work))

    def withdraw(self, calibration_id: int, *, who: str, why: str) -> Calibration:
        """Take a calibration out of use, because a plate was knocked or a mount was worked on."""
        asked = f"withdraw calibration {calibration_id}"
        self.context.require_words(asked, who=who, why=why)
        now, operation = self.context.now(), self.context.operation()
        query = select(calibration).where(calibration.c.id == calibration_id).with_for_update()

        def work(connection: Connection) -> RowMapping:
            row = connection.execute(query).mappings().first()
            if row is None:
                raise self.context.refused(Problem.UNKNOWN, asked, "there is none of this number")
            if row["withdrawn_utc"] is not None:
                return row
            values = {"withdrawn_by": who, "withdrawn_utc": now, "withdrawn_why": why}
            change = update(calibration).where(calibration.c.id == calibration_id).values(values)
            changed = connection.execute(change.returning(calibration)).mappings().one()
            old, new = {"id": calibration_id, "state": "valid"}, {"id": calibration_id, "state": "withdrawn"}
            self._note(connection, operation, changed, old, new, who, why)
            return changed

        return _calibration(self.context.database.write(asked, work))

    def newest(self, bench: str, need: Need) -> Calibration | None:
        """Return the calibration that was made last, valid or not."""
        row = self.context.database.read(
            "find a calibration", lambda connection: self._newest(connection, bench, need)
        )
        return None if row is None else _calibration(row)

    def for_run(self, bench: str, needs: Iterable[Need], when_expired: WhenExpired) -> CalibrationsForRun:
        """Return the calibrations for a run that starts now; asked before a part, never in the middle of one.

        Raises
        ------
        Refused
            ``EXPIRED``, unless they are to be made anew.
        """
        now, valid, redo, words = self.context.now(), [], [], []
        for need in needs:
            found = self.newest(bench, need)
            wrong = "never made" if found is None else found.why_not_valid(now)
            if found is not None and not wrong:
                valid.append(found)
                continue
            redo.append(need)
            words.append(f"{need.kind.value} of {need.subject}: {wrong}")
        if redo and when_expired is WhenExpired.REFUSE:
            raise self.context.refused(Problem.EXPIRED, f"start on bench {bench}", "; ".join(words))
        return CalibrationsForRun(tuple(valid), tuple(redo), tuple(words))

    def setup(
        self,
        bench: str,
        bench_sha256: str,
        *,
        controller: str,
        software: Mapping[str, str],
        calibrations: Iterable[Calibration] = (),
    ) -> Setup:
        """Return the identity of all that a part is made with; noted once for each combination.

        Parameters
        ----------
        bench, bench_sha256 : str
            Name of the bench and hash of its file.
        controller : str
            What the motion controller said it is.
        software : mapping of str to str
            Versions of the program and its libraries.
        calibrations : iterable of Calibration
        """
        ids = sorted({found.id for found in calibrations})
        row = {"bench": bench, "bench_sha256": bench_sha256, "controller": controller}
        content = {**row, "software": dict(software), "calibrations": ids}
        sha256 = hashlib.sha256(canonical_json(content).encode()).hexdigest()
        find = select(setup.c.id).where(setup.c.sha256 == sha256)

        def work(connection: Connection) -> int:
            known = connection.execute(find).scalar()
            if known is not None:
                return int(known)
            new = insert(setup).values(sha256=sha256, software=dict(software), **row).returning(setup.c.id)
            number = int(connection.execute(new).scalar_one())
            for one in ids:
                connection.execute(insert(setup_calibration).values(setup_id=number, calibration_id=one))
            return number

        return Setup(self.context.database.write("note the setup of the bench", work), sha256)

    @staticmethod
    def _newest(connection: Connection, bench: str, need: Need) -> RowMapping | None:
        table = calibration.c
        query = select(calibration).where(
            table.bench == bench, table.kind == need.kind.value, table.subject == need.subject
        )
        return connection.execute(query.order_by(table.id.desc()).limit(1)).mappings().first()

    def _note(
        self, connection: Connection, operation: str, row: RowMapping, old: Any, new: Any, who: str, why: str
    ) -> None:
        subject = f"{row['bench']}/{row['kind']}/{row['subject']}"
        change = Change(who, "calibration", subject, old, new, why)
        self.context.trail.append(connection, change, utc=self.context.now(), operation=operation)


def _calibration(row: RowMapping) -> Calibration:
    return Calibration(**{**row, "kind": CalibrationKind(row["kind"])})


def _iso(utc: datetime | None) -> str | None:
    return None if utc is None else utc.isoformat(timespec="seconds")


def _words(utc: datetime) -> str:
    return utc.strftime("%Y-%m-%d %H:%M UTC")
