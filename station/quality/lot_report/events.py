"""Stops and alarms as a shift lead reads them: one line for each kind, not one for each time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from station.quality.lot_report.summary import AlarmRow, LotSummary, StopRow
from station.quality.lot_report.todo import when

_CODES = re.compile(r"^(?:[a-z]+(?:_[a-z]+)+: )+")
_MOST_TIMES = 3
_LONGEST = 90
_SAME_MOMENT = timedelta(seconds=10)
_ORDER = ("stop", "warning", "note")


@dataclass(slots=True)
class _Kind:
    """All that had one cause, and was of one severity."""

    severity: str
    stops: list[StopRow] = field(default_factory=list)
    alarms: list[AlarmRow] = field(default_factory=list)

    @property
    def events(self) -> Sequence[StopRow | AlarmRow]:
        """What is counted: the alarm of a stop only repeats the stop."""
        return self.stops or self.alarms

    @property
    def is_open(self) -> bool:
        return any(stop.end_utc is None for stop in self.stops)

    def stood_s(self, summary: LotSummary) -> float:
        return sum(
            max(0.0, ((stop.end_utc or summary.end_utc) - stop.begin_utc).total_seconds())
            for stop in self.stops
        )

    @property
    def count(self) -> int:
        return len(self.stops) or sum(alarm.count for alarm in self.alarms)


def event_rows(summary: LotSummary) -> tuple[tuple[str, ...], ...]:
    """Return (what, how often, when, stood, what helps), the most serious kinds first."""
    kinds: dict[tuple[str, str], _Kind] = {}
    for stop in summary.stops:
        kinds.setdefault(("stop", stop.code or stop.reason), _Kind("stop")).stops.append(stop)
    for alarm in summary.alarms:
        if not _is_said_by_a_stop(alarm, summary.stops):
            key = (alarm.severity, alarm.code or alarm.cause)
            kinds.setdefault(key, _Kind(alarm.severity)).alarms.append(alarm)
    ordered = sorted(
        kinds.values(),
        key=lambda kind: (not kind.is_open, _ORDER.index(kind.severity), -kind.stood_s(summary), -kind.count),
    )
    return tuple(_row(summary, kind) for kind in ordered)


def plain(reason: str) -> str:
    """Return a reason without the names of codes in front and the remedy behind."""
    words = _CODES.sub("", reason.split(" Remedy: ", maxsplit=1)[0]).strip()
    return words or reason


def _is_said_by_a_stop(alarm: AlarmRow, stops: Sequence[StopRow]) -> bool:
    """Say whether an alarm was rung by a stop that has its own row; one that nobody has noted counts anew."""
    return bool(alarm.acknowledged_by) and any(
        (stop.code == alarm.code if alarm.code else stop.reason == alarm.cause)
        and abs(stop.begin_utc - alarm.time_utc) < _SAME_MOMENT
        for stop in stops
    )


def _row(summary: LotSummary, kind: _Kind) -> tuple[str, ...]:
    events = kind.events
    last = events[-1]
    text = last.reason if isinstance(last, StopRow) else last.cause
    words = plain(text)
    if last.code:
        # What a device answered, word for word, is for the log.
        words = "" if "'" in words or len(words) > _LONGEST else f": {words}"
        words = last.code.replace("_", " ") + words
    often = {"stop": "stop", "warning": "warning", "note": "note"}[kind.severity]
    often = f"{kind.count} {often}{'' if kind.count == 1 else 's'}"
    unread = sum(not alarm.acknowledged_by for alarm in kind.alarms) if kind.severity != "note" else 0
    if unread:
        often += ", not acknowledged"
    minutes = kind.stood_s(summary) / 60.0
    stood = f"{minutes:.0f} min" if kind.stops else ""
    if kind.is_open:
        stood += ", still"
    return (words, often, _times(summary, events), stood, last.remedy)


def _times(summary: LotSummary, events: Sequence[StopRow | AlarmRow]) -> str:
    times: list[datetime] = [
        event.begin_utc if isinstance(event, StopRow) else event.time_utc for event in events
    ]
    shown = [when(summary, time) for time in sorted(times)]
    if len(shown) <= _MOST_TIMES:
        return ", ".join(shown)
    return f"{shown[0]} to {shown[-1]}"
