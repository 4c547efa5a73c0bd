"""What the report of a lot or a shift is made from: plain rows in time order."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from enum import Enum

from control.messages import Outcome
from station.quality.checks import QualityError, require

AXES = ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec")
AXIS_NAMES: Mapping[str, tuple[str, str]] = {
    "decenter_x_um": ("decentre x", "µm"),
    "decenter_y_um": ("decentre y", "µm"),
    "tilt_x_arcsec": ("tilt x", "arcsec"),
    "tilt_y_arcsec": ("tilt y", "arcsec"),
}


class LotState(Enum):
    """How things stand when the report is written."""

    RUNNING = "running"
    STOPPED = "stopped"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class PartRow:
    """One part's final record.

    Attributes
    ----------
    serial, recipe : str
    outcome : Outcome
    started_utc, ended_utc : datetime
        With a time zone.
    decenter_x_um, decenter_y_um, tilt_x_arcsec, tilt_y_arcsec : float or None
        Residual; all four, or None without a measurement.
    expanded_decenter_um, expanded_tilt_arcsec : float or None
        Expanded radial uncertainties U.
    reason, remedy : str
    is_check : bool
        A check part: not counted with the products.
    """

    serial: str
    recipe: str
    outcome: Outcome
    started_utc: datetime
    ended_utc: datetime
    decenter_x_um: float | None = None
    decenter_y_um: float | None = None
    tilt_x_arcsec: float | None = None
    tilt_y_arcsec: float | None = None
    expanded_decenter_um: float | None = None
    expanded_tilt_arcsec: float | None = None
    reason: str = ""
    remedy: str = ""
    is_check: bool = False

    def __post_init__(self) -> None:
        _require_zone(f"part {self.serial}", self.started_utc, self.ended_utc)
        require(self.started_utc <= self.ended_utc, f"part {self.serial}: it ended before it was started")
        residual = [getattr(self, axis) for axis in AXES]
        missing = sum(value is None for value in residual)
        require(missing in (0, 4), f"part {self.serial}: {missing} of the four residuals are missing")
        for name in (*AXES, "expanded_decenter_um", "expanded_tilt_arcsec"):
            value = getattr(self, name)
            require(value is None or math.isfinite(value), f"part {self.serial}: {name} is {value}")

    @property
    def is_measured(self) -> bool:
        """Whether there is a residual."""
        return self.decenter_x_um is not None

    def residual(self, axis: str) -> float:
        """Return one residual by its name in `AXES`."""
        value = getattr(self, axis)
        if value is None:
            raise QualityError(f"part {self.serial}: it has no measurement")
        return float(value)

    @property
    def seconds(self) -> float:
        """How long the part took."""
        return (self.ended_utc - self.started_utc).total_seconds()


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One alarm; ``severity`` is "note", "warning" or "stop"; ``acknowledged_by`` empty while nobody has.

    ``code`` names the kind of cause, such as ``line_lost``; alarms of one kind are shown together.
    """

    time_utc: datetime
    severity: str
    cause: str
    remedy: str
    count: int = 1
    acknowledged_by: str = ""
    code: str = ""

    def __post_init__(self) -> None:
        _require_zone(f"alarm {self.cause!r}", self.time_utc)
        known = ("note", "warning", "stop")
        require(
            self.severity in known, f"alarm {self.cause!r}: severity {self.severity!r} is none of {known}"
        )


@dataclass(frozen=True, slots=True)
class StopRow:
    """A time in which the station stood; ``end_utc`` None while it still does; ``code`` as in an alarm."""

    begin_utc: datetime
    end_utc: datetime | None
    reason: str
    remedy: str = ""
    code: str = ""

    def __post_init__(self) -> None:
        _require_zone(f"stop {self.reason!r}", self.begin_utc, *([self.end_utc] if self.end_utc else []))
        require(
            self.end_utc is None or self.begin_utc <= self.end_utc, f"stop {self.reason!r}: it ends too early"
        )


@dataclass(frozen=True, slots=True)
class RecipeRow:
    """Radial tolerances of one recipe, as shown in the report."""

    tolerance_decenter_um: float
    tolerance_tilt_arcsec: float
    version: str = ""

    def tolerance(self, axis: str) -> float:
        """Return the radial tolerance that an axis of `AXES` belongs to."""
        return self.tolerance_decenter_um if axis.startswith("decenter") else self.tolerance_tilt_arcsec


@dataclass(frozen=True, slots=True)
class LotSummary:
    """A lot, or a shift of several lots, as one report shows it.

    Attributes
    ----------
    title : str
        Name of the lot, or "night shift".
    station : str
    state : LotState
    begin_utc, end_utc : datetime
        The period that the report covers.
    recipes : mapping of str to RecipeRow
    parts, alarms, stops : sequences of rows, oldest first
    planned : int or None
        Parts that the lot lists.
    in_doubt : sequence of str
        Serials measured since the last check part that passed, when a later one failed.
    facts : sequence of (name, value)
        Software, bench, calibrations: whatever identifies the run.
    zone : tzinfo
        Time zone in which times are shown.
    """

    title: str
    station: str
    state: LotState
    begin_utc: datetime
    end_utc: datetime
    recipes: Mapping[str, RecipeRow]
    parts: Sequence[PartRow]
    alarms: Sequence[AlarmRow] = ()
    stops: Sequence[StopRow] = ()
    planned: int | None = None
    in_doubt: Sequence[str] = ()
    facts: Sequence[tuple[str, str]] = ()
    zone: tzinfo = field(default=UTC)

    def __post_init__(self) -> None:
        _require_zone(f"report {self.title!r}", self.begin_utc, self.end_utc)
        require(self.begin_utc <= self.end_utc, f"report {self.title!r}: the period ends before it begins")
        unknown = sorted({part.recipe for part in self.parts} - set(self.recipes))
        require(
            not unknown, f"report {self.title!r}: no tolerances given for the recipes {', '.join(unknown)}"
        )

    @property
    def products(self) -> tuple[PartRow, ...]:
        """The parts without check parts."""
        return tuple(part for part in self.parts if not part.is_check)

    def standing(self) -> tuple[tuple[datetime, datetime], ...]:
        """Return the times within the period in which the station stood; stops that overlap count once."""
        merged: list[tuple[datetime, datetime]] = []
        for begin, end in sorted((stop.begin_utc, stop.end_utc or self.end_utc) for stop in self.stops):
            first, last = max(begin, self.begin_utc), min(end, self.end_utc)
            if first > last:
                continue
            if merged and first <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
            else:
                merged.append((first, last))
        return tuple(merged)


def _require_zone(what: str, *times: datetime) -> None:
    for time in times:
        require(time.tzinfo is not None, f"{what}: the time {time} has no time zone")
