"""``coincide report``: a lot, a period or a part, as HTML, PDF, CSV and JSON; the archive is only read."""

from __future__ import annotations

import dataclasses
import json
import sys
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from control.messages import Outcome
from station.archive import Archive, Lot, LotState, Pose4, RecipeVersion
from station.archive.parts.reading import PartFound
from station.config.problems import BadInput
from station.config.reading import read_model
from station.config.recipe import RecipeTable
from station.lot.command.at_work import frames_folder
from station.lot.command.part_report import part_content, render_part_html, render_part_pdf
from station.quality.lot_report import AlarmRow, LotSummary, PartRow, RecipeRow, StopRow, lot_report
from station.quality.lot_report import LotState as Standing
from station.record import write_atomically

_MOST_LOTS = 100_000
_POSE = tuple(field.name for field in dataclasses.fields(Pose4))


def report_lot(archive: Archive, title: str, out: Path) -> list[Path]:
    """Write report and exports of a lot, of all its recipes; return the files."""
    lots = _lots_of(archive, title)
    found = [part for lot in lots for part in archive.parts.of_lot(lot.id)]
    files = _write(_summary(archive, title, lots, found, None), out)
    for lot in lots:
        stem = "parts" if len(lots) == 1 else f"parts {_safe(lot.name)}"
        files += [out / f"{stem}.csv", out / f"{stem}.json"]
        archive.export.csv(out / f"{stem}.csv", lot_id=lot.id)
        archive.export.json(out / f"{stem}.json", lot_id=lot.id)
    return files


def report_period(archive: Archive, begin: datetime, end: datetime, out: Path) -> list[Path]:
    """Write report and exports of all parts that ended in a period, ``end`` excluded; return the files."""
    found, lots = [], []
    for lot in reversed(archive.lots.recent(_MOST_LOTS)):
        if lot.made_utc >= end or (lot.state is LotState.DONE and lot.ended_utc and lot.ended_utc < begin):
            continue
        mine = [p for p in archive.parts.of_lot(lot.id) if p.final and begin <= p.final.ended_utc < end]
        found += mine
        lots += [lot] if mine else []
    title = f"{begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M}"
    files = _write(_summary(archive, title, lots, found, (begin, end)), out)
    archive.export.csv(out / "parts.csv", start=begin, end=end)
    archive.export.json(out / "parts.json", start=begin, end=end)
    return [*files, out / "parts.csv", out / "parts.json"]


def report_part(archive: Archive, serial: str, out: Path) -> list[Path]:
    """Write the report of a part, and all that is known of it as JSON: record, attempts, every step."""
    found = archive.parts.find(serial)
    if not found:
        raise BadInput("--part", "", found=repr(serial), allowed="a serial number that is in the archive")
    out.mkdir(parents=True, exist_ok=True)
    parts = [{**_plain(part), "attempts": _attempts(archive, part)} for part in found]
    contents = [part_content(archive, part) for part in found]
    files = {
        "report.html": render_part_html(contents).encode(),
        "report.pdf": render_part_pdf(contents),
        "part.json": json.dumps(parts, indent=1, ensure_ascii=False).encode(),
    }
    for name, data in files.items():
        write_atomically(out / name, data)
    return [out / name for name in files]


def run_report(
    *,
    archive: str,
    lot: str | None,
    part: str | None,
    begin: datetime | None,
    end: datetime | None,
    out: Path,
) -> int:
    """Write one of the three reports; return the exit status."""
    asked = [lot is not None, part is not None, begin is not None]
    if sum(asked) != 1 or (end is not None and begin is None):
        raise BadInput(
            "report", "", found="none or several", allowed="one of --lot, --part, --from (with --to)"
        )
    with Archive(archive, read_only=True, frames=frames_folder(archive)) as opened:
        if lot is not None:
            files = report_lot(opened, lot, out)
        elif part is not None:
            files = report_part(opened, part, out)
        else:
            assert begin is not None
            files = report_period(opened, begin, end or datetime.now(UTC), out)
    sys.stdout.write("".join(f"{file}\n" for file in files))
    return 0


# --- rows ---------------------------------------------------------------------------------------------------


def _summary(
    archive: Archive,
    title: str,
    lots: Sequence[Lot],
    found: Iterable[PartFound],
    period: tuple[datetime, datetime] | None,
) -> LotSummary:
    parts = list(found)
    recipes = {lot.recipe_id: archive.recipes.by_id(lot.recipe_id) for lot in lots}
    rows = [_part_row(part, recipes) for part in parts if part.final is not None]
    rows.sort(key=lambda row: row.ended_utc)
    begin, end = period or _covered(lots, rows)
    ids = {lot.id for lot in lots}
    serials = {part.part_id for part in parts}
    doubts = [one.serial for one in archive.doubts.open() if one.part_id in serials]
    alarms = [
        one for one in archive.alarms.between(begin, _after(end)) if one.lot_id in ids or one.lot_id is None
    ]
    return LotSummary(
        title=title,
        station=" and ".join(sorted({part.final.station for part in parts if part.final})) or "no station",
        state=_standing(lots),
        begin_utc=begin,
        end_utc=end,
        recipes={version.title: _recipe_row(version) for version in recipes.values()},
        parts=rows,
        alarms=[
            AlarmRow(
                one.last_utc,
                one.severity.value,
                one.cause,
                one.remedy,
                one.count,
                one.acknowledged_by or "",
                one.code,
            )
            for one in alarms
        ],
        stops=_stops(archive, lots, alarms),
        planned=len(parts) if period is None else None,
        in_doubt=doubts,
        facts=_facts(archive, parts),
        zone=datetime.now().astimezone().tzinfo or UTC,
    )


def _part_row(part: PartFound, recipes: dict[int, RecipeVersion]) -> PartRow:
    final = part.final
    assert final is not None
    pose: dict[str, Any] = {name: getattr(final, name) for name in _POSE}
    return PartRow(
        serial=part.serial,
        recipe=recipes[final.recipe_id].title,
        outcome=Outcome(final.outcome),
        started_utc=min(final.started_utc, final.ended_utc),
        ended_utc=final.ended_utc,
        expanded_decenter_um=final.expanded_decenter_um,
        expanded_tilt_arcsec=final.expanded_tilt_arcsec,
        reason=final.reason,
        remedy=final.remedy,
        is_check=final.kind == "check",
        **pose,
    )


def _recipe_row(version: RecipeVersion) -> RecipeRow:
    tolerance = read_model(RecipeTable, version.text, f"recipe {version.title}").tolerance
    return RecipeRow(tolerance.decenter_um, tolerance.tilt_arcsec)


def _covered(lots: Sequence[Lot], rows: Sequence[PartRow]) -> tuple[datetime, datetime]:
    begin = min(lot.made_utc for lot in lots)
    ends = [row.ended_utc for row in rows] + [lot.ended_utc for lot in lots if lot.ended_utc is not None]
    return begin, max([begin, *ends])


def _after(end: datetime) -> datetime:
    return end.replace(microsecond=999_999) if end.microsecond < 999_999 else end


def _standing(lots: Sequence[Lot]) -> Standing:
    states = {lot.state for lot in lots}
    if LotState.OPEN in states:
        return Standing.RUNNING
    return Standing.STOPPED if LotState.STOPPED in states else Standing.DONE


def _stops(archive: Archive, lots: Sequence[Lot], alarms: Sequence[Any]) -> list[StopRow]:
    """Return when the lot stood, once for all recipes; the remedy is that of the alarm of the same cause."""
    remedies = {one.cause: one.remedy for one in alarms}
    rows: dict[datetime, StopRow] = {}
    for lot in lots:
        begun: tuple[datetime, str] | None = None
        for entry in archive.trail.entries(kind="lot", subject=lot.name, most=100_000):
            state = entry.new.get("state") if isinstance(entry.new, dict) else None
            if state == LotState.STOPPED.value:
                begun = entry.utc, entry.why
            elif begun is not None:
                rows[begun[0].replace(microsecond=0)] = _stop_row(begun, entry.utc, remedies)
                begun = None
        if begun is not None:
            rows[begun[0].replace(microsecond=0)] = _stop_row(begun, None, remedies)
    return [rows[time] for time in sorted(rows)]


def _stop_row(begun: tuple[datetime, str], end: datetime | None, remedies: dict[str, str]) -> StopRow:
    code, _, words = begun[1].partition(": ")
    if not words or not code.isidentifier():  # a person stopped it, in words of their own
        code, words = "", begun[1]
    return StopRow(
        begun[0], None if end is None else max(begun[0], end), words, remedies.get(words, ""), code
    )


def _facts(archive: Archive, parts: Sequence[PartFound]) -> list[tuple[str, str]]:
    finals = [part.final for part in parts if part.final is not None]
    facts = [("archive", archive.facts().where), ("end of the trail", archive.trail.head_sha256()[:16])]
    for setup_id in sorted({final.setup_id for final in finals})[-1:]:
        made = archive.parts.setup(setup_id)
        facts.append(("bench", f"{made.bench}, file {made.bench_sha256[:12]}, {made.controller}"))
        facts.append(("software", ", ".join(f"{name} {version}" for name, version in made.software.items())))
    return facts


# --- files --------------------------------------------------------------------------------------------------


def _write(summary: LotSummary, out: Path) -> list[Path]:
    html, pdf = lot_report(summary)
    out.mkdir(parents=True, exist_ok=True)
    write_atomically(out / "report.html", html.encode())
    write_atomically(out / "report.pdf", pdf)
    return [out / "report.html", out / "report.pdf"]


def _lots_of(archive: Archive, title: str) -> list[Lot]:
    lots = []
    for lot in archive.lots.recent(_MOST_LOTS):
        kept = lot.settings if isinstance(lot.settings, dict) else {}
        if title in (lot.name, kept.get("title")):
            lots.append(lot)
    return lots[::-1] or [archive.lots.get(title)]


def _attempts(archive: Archive, part: PartFound) -> list[dict[str, Any]]:
    return [
        {
            **_plain(attempt),
            "steps": [
                {"is": type(step).__name__, **_plain(step)}
                for step in archive.parts.steps(part.part_id, attempt.number)
            ],
        }
        for attempt in archive.parts.attempts(part.part_id)
    ]


def _plain(value: Any) -> dict[str, Any]:
    def plain(one: Any) -> Any:
        if isinstance(one, datetime):
            return one.isoformat()
        return _plain(one) if dataclasses.is_dataclass(one) else one

    return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}


def _safe(name: str) -> str:
    return "".join(letter if letter.isalnum() or letter in " -_" else "_" for letter in name)
