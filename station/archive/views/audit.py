"""Whether the records still are what the trail says they were: a check beyond the chain itself."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, Text, func, select, type_coerce

from station.archive.context import Context
from station.archive.parts.final import record_sha256
from station.archive.store.columns import canonical_json
from station.archive.store.tables import calibration, final_record, part, recipe, setting, trail
from station.archive.trail import ChainCheck

_PAGE = 2000
_MOST_FINDINGS = 20


@dataclass(frozen=True, slots=True)
class Audit:
    """What a check of the whole archive found.

    Attributes
    ----------
    chain : ChainCheck
    records : int
        Final records that were compared with the trail.
    findings : tuple of str
        What does not agree, in words; twenty at most.
    """

    chain: ChainCheck
    records: int
    findings: tuple[str, ...]

    @property
    def clean(self) -> bool:
        """True when nothing was found."""
        return self.chain.intact and not self.findings


def check_records(context: Context) -> Audit:
    """Check the chain, then final records, recipes, calibrations and settings against what it vouches for."""
    chain = context.trail.verify_chain()
    findings: list[str] = []
    records = 0
    for one in _finals(context):
        records += 1
        wrong = _wrong_final(one)
        if wrong:
            findings.append(wrong)
        if len(findings) >= _MOST_FINDINGS:
            break
    findings += _missing_finals(context)
    findings += _wrong_texts(context)
    findings += _wrong_settings(context)
    return Audit(chain, records, tuple(findings[:_MOST_FINDINGS]))


def _finals(context: Context) -> Iterator[Any]:
    """Yield each final record with its part's state and the trail's word about it."""
    vouched = select(trail.c.part_id, trail.c.new).where(trail.c.kind == "part")
    last = 0
    while True:
        query = (
            select(final_record, part.c.state.label("part_state"))
            .join(part, part.c.id == final_record.c.part_id)
            .where(final_record.c.id > last)
            .order_by(final_record.c.id)
            .limit(_PAGE)
        )
        rows = _rows(context, query)
        if not rows:
            return
        ids = [row["part_id"] for row in rows]
        said: dict[int, list[str]] = {one: [] for one in ids}
        for begin in range(0, len(ids), 500):
            for row in _rows(context, vouched.where(trail.c.part_id.in_(ids[begin : begin + 500]))):
                if row["new"] and "record_sha256" in row["new"]:
                    said[row["part_id"]].append(row["new"]["record_sha256"])
        yield from ((row, said[row["part_id"]]) for row in rows)
        last = rows[-1]["id"]


def _wrong_final(found: tuple[Any, list[str]]) -> str:
    row, said = found
    content = {name: value for name, value in row.items() if name != "part_state"}
    name = f"the final record of part number {row['part_id']}"
    if record_sha256(content) != row["sha256"]:
        return f"{name} was changed after it was written"
    if said != [row["sha256"]]:
        return f"{name} is not the one that the trail vouches for ({len(said)} entries)"
    if row["part_state"] != "finished":
        return f"{name} is there, but the part is {row['part_state']}"
    return ""


def _missing_finals(context: Context) -> list[str]:
    without = (
        select(part.c.id)
        .outerjoin(final_record, final_record.c.part_id == part.c.id)
        .where(part.c.state == "finished", final_record.c.id.is_(None))
        .limit(_MOST_FINDINGS)
    )
    vouched = select(func.count()).where(
        trail.c.kind == "part", type_coerce(trail.c.new, Text).like("%record_sha256%")
    )
    findings = [
        f"part number {row['id']} is finished without a final record" for row in _rows(context, without)
    ]

    def counts(connection: Connection) -> tuple[int, int]:
        records = connection.execute(select(func.count()).select_from(final_record)).scalar_one()
        return int(records), int(connection.execute(vouched).scalar_one())

    records, entries = context.database.read("check the records", counts)
    if records != entries:
        findings.append(f"there are {records} final records, but the trail vouches for {entries}")
    return findings


def _wrong_texts(context: Context) -> list[str]:
    findings = []
    for name, table in (("recipe", recipe), ("calibration", calibration)):
        said = {
            row["new"]["sha256"]
            for row in _rows(context, select(trail.c.new).where(trail.c.kind == name))
            if row["new"] and "sha256" in row["new"]
        }
        for row in _rows(context, select(table.c.id, table.c.text, table.c.sha256)):
            true = hashlib.sha256(row["text"].encode()).hexdigest()
            if true != row["sha256"] or true not in said:
                findings.append(f"the text of {name} number {row['id']} is not the one that was put in")
    return findings


def _wrong_settings(context: Context) -> list[str]:
    query = select(setting.c.name, setting.c.value, trail.c.subject, trail.c.new)
    rows = _rows(context, query.outerjoin(trail, trail.c.number == setting.c.trail_number))
    return [
        f"setting {row['name']!r} has a value that the trail does not know"
        for row in rows
        if row["subject"] != row["name"] or canonical_json(row["new"]) != canonical_json(row["value"])
    ]


def _rows(context: Context, query: Select[Any]) -> Sequence[Any]:
    return context.database.rows("check the records", query)
