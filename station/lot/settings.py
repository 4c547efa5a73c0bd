"""LOT.toml: what a lot does when something takes too long, goes wrong or comes to its end."""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from driver.faults import FaultCode
from station.config.reading import read_model, read_text
from station.config.values import NotNegative, Positive, Strict, refuse
from station.lot.parts_file import odd_serial

_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")

BARE_BEAM_NOT_SEEN = "bare_beam_not_seen"
BENCH_WRONG = "bench_wrong"
PLATE_NOT_MAPPED = "plate_not_mapped"
TARGETS_MOVED = "targets_moved"
OWN_CAUSES = (BARE_BEAM_NOT_SEEN, BENCH_WRONG, PLATE_NOT_MAPPED, TARGETS_MOVED)
"""Causes of a stop that are no device's: names of alarms, and allowed in ``faults.go_on``."""

_NEEDS_A_PERSON = (
    *(FaultCode.INTERLOCK_OPEN, FaultCode.SHUTTER_MISMATCH, FaultCode.LAMP_MISMATCH),
    *(FaultCode.HANDLER_FAILED, FaultCode.PORT_NOT_FOUND, FaultCode.CAMERA_NOT_FOUND),
    *(FaultCode.LIMIT_SWITCH, FaultCode.OUT_OF_TRAVEL),
)
_GO_ON = tuple(code.value for code in FaultCode if code not in _NEEDS_A_PERSON) + OWN_CAUSES


def _hours(text: str) -> str:
    if not _HOURS.fullmatch(text):
        refuse("", repr(text), 'hours of the day like "22:00-06:00"')
    return text


def _serial(text: str) -> str:
    odd = odd_serial(text)
    if odd:
        refuse("", f"{text!r}, {odd}", "a serial number")
    return text


def _cause(name: str) -> str:
    allowed = [code.value for code in FaultCode] + list(OWN_CAUSES)
    if name not in allowed:
        refuse("", repr(name), "one of " + ", ".join(allowed))
    return name


class LimitsTable(Strict):
    """How long things may take, by the bench's clock."""

    part_seconds: Positive = Field(900.0, description="longest time for one part, loading not counted")
    lot_seconds: Positive | None = Field(None, description="no further part is begun after this time")
    quiet_hours: list[Annotated[str, AfterValidator(_hours)]] = Field(
        [], description='local hours in which no part is begun, like "22:00-06:00"'
    )
    in_quiet_hours: Literal["wait", "stop"] = Field("wait", description="what the lot does in quiet hours")


class ChecksTable(Strict):
    """Checks of bench and process between parts."""

    bare_beam_every: int = Field(5, ge=1, le=1000, description="parts from one bare-beam check to the next")
    bare_beam_moved_um: Positive = Field(
        60.0, description="a bare beam that lands this far from its place in the beginning stops the lot"
    )
    plates_after_part: bool = Field(
        True, description="map both plates again before a verdict counts: a knocked camera or plate shows"
    )
    plates_moved_um: Positive = Field(
        25.0, description="a map that has moved by this does not count any more"
    )
    bare_beam_valid_hours: Positive = Field(
        24.0, description="how long the record of the bare beam's place lasts from its last check"
    )
    mount_valid_days: Positive = Field(7.0, description="how long what parts taught about the mount lasts")
    when_expired: Literal["redo", "refuse"] = Field(
        "redo",
        description="the record of the bare beam's place is missing or expired when the lot starts: see it "
        "anew, or refuse to start until a person says that the targets are set",
    )


class CheckPartTable(Strict):
    """A part that is known to be good, measured now and then: when it fails, the station is in doubt."""

    serial: Annotated[str, AfterValidator(_serial)] | None = Field(
        None, description="its serial number; no check part is measured without one"
    )
    recipe: str | None = Field(None, description="name of its recipe; by default the first one of the lot")
    every_parts: int = Field(50, ge=1, le=10_000, description="parts from one check to the next")
    at_start: bool = Field(True, description="measure it before the first part after every start")
    at_end: bool = Field(True, description="measure it after the last part of the lot")


class RejectsTable(Strict):
    """Rejects that stop the lot."""

    in_a_row: int = Field(3, ge=2, le=100, description="this many one after the other")
    window: int = Field(40, ge=4, le=10_000, description="length of the stretch of parts that is counted")
    confirm: bool = Field(
        True, description="a part is rejected only when it is so twice, the bench checked in between"
    )
    share: float = Field(0.02, gt=0, lt=0.5, description="share of bad lenses that is expected")


class DriftTable(Strict):
    """A drift of the process that warns and stops; sums of the CUSUM in sigma."""

    warn: Positive = Field(5.0, description="sum at which an alarm warns")
    stop: Positive = Field(10.0, description="sum at which the lot stops")


class FaultsTable(Strict):
    """What the station does by itself after a fault; it always homes and verifies first."""

    go_on: list[Annotated[str, AfterValidator(_cause)]] = Field(
        list(_GO_ON), description="causes after which it goes on by itself; any other stops the lot"
    )
    tries: int = Field(3, ge=1, le=10, description="how often one part is tried, faults included")
    parts_in_a_row: int = Field(3, ge=1, le=100, description="parts without a verdict that stop the lot")
    wait_s: NotNegative = Field(5.0, description="pause after a fault; doubled each time for the same part")


class FramesTable(Strict):
    """Frames that are kept: of the first look, of the last, and of what went wrong."""

    keep: bool = Field(True, description="keep frames at all")
    folder: str | None = Field(
        None, description="where; by default beside an archive that is a file, nowhere for a server"
    )
    max_age_days: Positive = Field(30.0, description="older files are removed; the record never is")
    max_gigabytes: Positive = Field(
        20.0, description="the oldest files are removed until so much is left, those of anomalies last"
    )


class EndTable(Strict):
    """What is done at the end of a lot, whatever ended it; motion is stopped, the shutter closed anyway."""

    action: Literal["leave", "home", "command"] = Field("leave", description="with the station")
    command: list[str] = Field([], description='program and arguments of the action "command"')


class AlarmsTable(Strict):
    """Where alarms go beside log and archive."""

    command: list[str] = Field([], description="program that gets each new alarm as JSON on standard input")


class LotTable(Strict):
    """The lot file; every table may be left out."""

    limits: LimitsTable = LimitsTable()
    checks: ChecksTable = ChecksTable()
    check_part: CheckPartTable = CheckPartTable()
    rejects: RejectsTable = RejectsTable()
    drift: DriftTable = DriftTable()
    faults: FaultsTable = FaultsTable()
    frames: FramesTable = FramesTable()
    at_end: EndTable = EndTable()
    alarms: AlarmsTable = AlarmsTable()


def load_lot_settings(path: Path | None) -> LotTable:
    """Read and check a lot file; the defaults stand in for none.

    Raises
    ------
    BadInput
        For the first thing that is wrong.
    """
    return LotTable() if path is None else read_model(LotTable, read_text(path), str(path))


def quiet_until(hours: list[str], now: datetime) -> datetime | None:
    """Return when the quiet hours end in which ``now`` lies, in its own zone; None outside them.

    Parameters
    ----------
    hours : list of str
        Like "22:00-06:00"; over midnight where the end comes first.
    now : datetime
        Local time.
    """
    ends = []
    for text in hours:
        begin, end = (time.fromisoformat(part) for part in text.split("-"))
        for day in (now.date() - timedelta(days=1), now.date()):
            first = datetime.combine(day, begin, now.tzinfo)
            last = datetime.combine(day if end > begin else day + timedelta(days=1), end, now.tzinfo)
            if first <= now < last:
                ends.append(last)
    return max(ends, default=None)
