"""What people sign at a desk: recipes withdrawn, alarms acknowledged, parts in doubt cleared."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import fields
from datetime import datetime
from typing import Any

from station.archive import Archive
from station.config.problems import BadInput
from station.lot.command.at_work import Options, open_archive

DONE = 0


def run_withdraw(*, recipe: str, version: int, why: str, archive: str, station: str, who: str) -> int:
    """Take a version of a recipe out of use; return the exit status."""
    with open_archive(Options(archive, station, who), station) as opened:
        withdrawn = opened.recipes.withdraw(recipe, version, who=who, why=why)
    sys.stdout.write(f"{withdrawn.title}: {withdrawn.state.value}\n")
    return DONE


def run_alarms(
    *, acknowledge: Sequence[int], why: str | None, archive: str, station: str, who: str, as_json: bool
) -> int:
    """List the alarms that nobody has acknowledged, or acknowledge some; return the exit status."""
    if not acknowledge:
        return _list(archive, lambda opened: opened.alarms.open(), as_json, _ALARM, "no alarm is open")
    grounds = _required(why, "acknowledge")
    with open_archive(Options(archive, station, who), station) as opened:
        for number in acknowledge:
            alarm = opened.alarms.acknowledge(number, who=who, why=grounds)
            sys.stdout.write(f"alarm {number}, {alarm.code}: acknowledged by {alarm.acknowledged_by}\n")
    return DONE


def run_doubts(
    *, clear: Sequence[int], why: str | None, archive: str, station: str, who: str, as_json: bool
) -> int:
    """List the parts in doubt after a check part failed, or clear some; return the exit status."""
    if not clear:
        return _list(archive, lambda opened: opened.doubts.open(), as_json, _DOUBT, "no part is in doubt")
    grounds = _required(why, "clear")
    with open_archive(Options(archive, station, who), station) as opened:
        for number in clear:
            opened.doubts.clear(number, who=who, why=grounds)
            sys.stdout.write(f"doubt {number}: cleared by {who}\n")
    return DONE


_ALARM = (
    "{id:>5}  {severity:<8} {last_utc:.16}  x{count:<5} {station}: {code}: {cause}\n       remedy: {remedy}\n"
)
_DOUBT = "{id:>5}  part {serial}: {why}\n"


def _required(why: str | None, option: str) -> str:
    if why is None:
        raise BadInput(f"--{option}", "", found="no --why", allowed="on what grounds; the trail keeps it")
    return why


def _list(archive: str, rows: Callable[[Archive], Sequence[Any]], as_json: bool, form: str, none: str) -> int:
    """Print what waits for a signature, and change nothing."""
    with Archive(archive, read_only=True) as opened:
        plain = [_plain(row) for row in rows(opened)]
    if as_json:
        sys.stdout.write(json.dumps(plain, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write("".join(form.format(**row) for row in plain) or f"{none}\n")
    return DONE


def _plain(row: Any) -> dict[str, Any]:
    found = {one.name: getattr(row, one.name) for one in fields(row)}
    return {
        name: value.isoformat() if isinstance(value, datetime) else getattr(value, "value", value)
        for name, value in found.items()
    }
