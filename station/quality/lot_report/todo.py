"""What a shift lead has to do, from the rows of a report: most urgent first, each with where to look."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from datetime import datetime

from control.messages import Outcome
from station.quality.lot_report.process import AxisOfRecipe
from station.quality.lot_report.summary import LotState, LotSummary

_MOST = 8
_SERIALS = 4
_LONGEST = 300


def todo_list(summary: LotSummary, judged: Sequence[AxisOfRecipe]) -> tuple[str, ...]:
    """Return what to do; a single line says so when there is nothing."""
    found = [
        *_waiting(summary),
        *_in_doubt(summary),
        *_open_alarms(summary),
        *_without_verdict(summary),
        *_rejects(summary),
        *_out_of_control(judged),
    ]
    if not found:
        found = ["Nothing is open."]
        if summary.state is LotState.DONE:
            found = ["Nothing is open: unload, release the lot, load the next one."]
    if len(found) > _MOST:
        found = [*found[: _MOST - 1], f"{len(found) - _MOST + 1} more points further down."]
    return tuple(line if len(line) <= _LONGEST else f"{line[: _LONGEST - 4].rstrip()} ..." for line in found)


def when(summary: LotSummary, time: datetime) -> str:
    """Return a time in the report's zone; with the date where the period is longer than a day."""
    local = time.astimezone(summary.zone)
    one_day = (summary.end_utc - summary.begin_utc).total_seconds() <= 24 * 3600
    return f"{local:%H:%M}" if one_day else f"{local:%m-%d %H:%M}"


def _waiting(summary: LotSummary) -> list[str]:
    if summary.state is not LotState.STOPPED:
        return []
    last = next((stop for stop in reversed(summary.stops) if stop.end_utc is None), None)
    if last is None:
        return ["The station is stopped and waits: read its last alarm, then resume the lot."]
    left = "" if summary.planned is None else f" {summary.planned - len(summary.products)} parts are left."
    help_text = f" {_sentence(last.remedy)}" if last.remedy else ""
    since = when(summary, last.begin_utc)
    return [f"The station waits since {since} ({last.reason}).{help_text} Then resume the lot.{left}"]


def _in_doubt(summary: LotSummary) -> list[str]:
    if not summary.in_doubt:
        return []
    count = len(summary.in_doubt)
    return [
        f"The check part failed: {count} parts since the last pass are in doubt ({_span(summary.in_doubt)}). "
        "Hold them back and measure them again."
    ]


def _open_alarms(summary: LotSummary) -> list[str]:
    """Return alarms that nobody acknowledged; the stop that the station waits in is said already."""
    said = {stop.reason for stop in summary.stops if stop.end_utc is None}
    if summary.state is not LotState.STOPPED:
        said = set()
    shown = [
        alarm
        for severity in ("stop", "warning")
        for alarm in summary.alarms
        if alarm.severity == severity and not alarm.acknowledged_by and alarm.cause not in said
    ]
    lines = []
    for alarm in shown:
        often = f", {alarm.count} times" if alarm.count > 1 else ""
        kind = "alarm" if alarm.severity == "stop" else "warning"
        words = f"{_sentence(alarm.cause)} {_sentence(alarm.remedy)}".strip()
        lines.append(f"Open {kind} ({when(summary, alarm.time_utc)}{often}): {words}")
    return lines


def _without_verdict(summary: LotSummary) -> list[str]:
    serials = [p.serial for p in summary.products if p.outcome in (Outcome.STOPPED, Outcome.TIMED_OUT)]
    if not serials:
        return []
    verb = "has" if len(serials) == 1 else "have"
    return [f"{_parts(len(serials))} {verb} no verdict ({_serials(serials)}): run again."]


def _rejects(summary: LotSummary) -> list[str]:
    rejected = [part for part in summary.products if part.outcome is Outcome.REJECTED]
    if not rejected:
        return []
    # The words before the first colon are the kind; numbers follow.
    kinds = Counter(_kind(part.reason) for part in rejected)
    words = ", ".join(f"{count} x {kind}" for kind, count in kinds.most_common(3))
    more = "" if len(kinds) <= 3 else f" and {len(kinds) - 3} more reasons"
    return [f"{_parts(len(rejected))} rejected and set aside: sort by reason ({words}{more})."]


def _kind(reason: str) -> str:
    return re.split(r"[:,;]", reason, maxsplit=1)[0] or "no reason given"


def _out_of_control(judged: Sequence[AxisOfRecipe]) -> list[str]:
    moved = [one for one in judged if one.out_of_control]
    if not moved:
        return []
    more = f" {len(moved) - 1} more axes are too, see page 2." if len(moved) > 1 else ""
    return [f"Not in control: {_sentence(moved[0].out_of_control)}{more}"]


def _serials(serials: Sequence[str]) -> str:
    if len(serials) <= _SERIALS:
        return ", ".join(serials)
    return f"{', '.join(serials[:_SERIALS])} and {len(serials) - _SERIALS} more"


def _span(serials: Sequence[str]) -> str:
    """Name parts that followed each other."""
    return ", ".join(serials) if len(serials) <= _SERIALS else f"{serials[0]} to {serials[-1]}"


def _parts(count: int) -> str:
    return f"{count} part{'' if count == 1 else 's'}"


def _sentence(text: str) -> str:
    text = text.strip()
    if not text:
        return ""
    text = f"{text[0].upper()}{text[1:]}"
    return text if text[-1] in ".!?" else f"{text}."
