"""Export of the final records as CSV and JSON; every column is documented where it is made."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from sqlalchemy import select

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.store.durable import flush_folder
from station.archive.store.tables import final_record, lot, part, recipe, setup

_PAGE = 2000


@dataclass(frozen=True, slots=True)
class ExportColumn:
    """One column of an export: name, where it comes from, unit, meaning."""

    name: str
    source: Any
    unit: str
    meaning: str


_F = final_record.c
COLUMNS: tuple[ExportColumn, ...] = (
    ExportColumn(
        "record", _F.id, "", "number of the record; counts up in the order in which parts were finished"
    ),
    ExportColumn("serial", part.c.serial, "", "serial number of the part"),
    ExportColumn("kind", _F.kind, "", "product, or check for a check part"),
    ExportColumn("repeat", part.c.repeat, "", "round of a check part in its lot; 1 for products"),
    ExportColumn("lot", lot.c.name, "", "name of the lot"),
    ExportColumn("place", part.c.place, "", "place in the list of the lot, from 1"),
    ExportColumn("recipe", recipe.c.name, "", "name of the recipe"),
    ExportColumn(
        "recipe_version", recipe.c.version, "", "version of the recipe that the part was started with"
    ),
    ExportColumn(
        "unreleased_recipe", lot.c.unreleased, "", "true where the run was told to use an unreleased one"
    ),
    ExportColumn("station", _F.station, "", "station that finished the part"),
    ExportColumn("bench", setup.c.bench, "", "name of the bench"),
    ExportColumn("bench_sha256", setup.c.bench_sha256, "", "hash of the bench file"),
    ExportColumn("controller", setup.c.controller, "", "what the motion controller said it is"),
    ExportColumn("software", setup.c.software, "", "versions of program and libraries, a JSON object"),
    ExportColumn("attempt", _F.attempt, "", "attempt that finished it; above 1 after an interruption"),
    ExportColumn("outcome", _F.outcome, "", "aligned, rejected, stopped or timed_out"),
    ExportColumn("reason", _F.reason, "", "why it ended like that"),
    ExportColumn("remedy", _F.remedy, "", "what helps; empty for aligned parts"),
    ExportColumn(
        "verified",
        _F.verified,
        "",
        "true when the verdict rests on a look after the last move and after fixing",
    ),
    ExportColumn("decenter_x_um", _F.decenter_x_um, "um", "residual decentre, x; empty without a verdict"),
    ExportColumn("decenter_y_um", _F.decenter_y_um, "um", "residual decentre, y"),
    ExportColumn("tilt_x_arcsec", _F.tilt_x_arcsec, "arcsec", "residual tilt about x"),
    ExportColumn("tilt_y_arcsec", _F.tilt_y_arcsec, "arcsec", "residual tilt about y"),
    ExportColumn(
        "covariance",
        _F.covariance,
        "um, arcsec",
        "4 x 4 covariance (k = 1) of the four residuals, a JSON array",
    ),
    ExportColumn(
        "expanded_decenter_um", _F.expanded_decenter_um, "um", "expanded radial uncertainty of the decentre"
    ),
    ExportColumn(
        "expanded_tilt_arcsec", _F.expanded_tilt_arcsec, "arcsec", "expanded radial uncertainty of the tilt"
    ),
    ExportColumn(
        "coverage_factor", _F.coverage_factor, "", "coverage factor k of the two expanded uncertainties"
    ),
    ExportColumn("tolerance_decenter_um", _F.tolerance_decenter_um, "um", "radial tolerance of the decentre"),
    ExportColumn("tolerance_tilt_arcsec", _F.tolerance_tilt_arcsec, "arcsec", "radial tolerance of the tilt"),
    ExportColumn(
        "contributions",
        _F.contributions,
        "um, arcsec",
        "standard uncertainty of each contribution [decentre, tilt], a JSON object",
    ),
    ExportColumn("dominated_by", _F.dominated_by, "", "largest contribution to the uncertainty"),
    ExportColumn(
        "shift_decenter_x_um",
        _F.shift_decenter_x_um,
        "um",
        "shift while the lens was fixed, x; empty where it was not fixed",
    ),
    ExportColumn("shift_decenter_y_um", _F.shift_decenter_y_um, "um", "shift while the lens was fixed, y"),
    ExportColumn(
        "shift_tilt_x_arcsec", _F.shift_tilt_x_arcsec, "arcsec", "change of tilt about x while it was fixed"
    ),
    ExportColumn(
        "shift_tilt_y_arcsec", _F.shift_tilt_y_arcsec, "arcsec", "change of tilt about y while it was fixed"
    ),
    ExportColumn("spots", _F.spots, "mm", "each spot of the last look, from its target, a JSON object"),
    ExportColumn("looks", _F.looks, "", "looks at both plates"),
    ExportColumn("test_moves", _F.test_moves, "", "test moves"),
    ExportColumn("moves", _F.moves, "", "other moves"),
    ExportColumn("bench_seconds", _F.bench_seconds, "s", "duration by the monotonic clock of the bench"),
    ExportColumn("compute_seconds", _F.compute_seconds, "s", "of it, time spent on decisions and images"),
    ExportColumn("started_utc", _F.started_utc, "UTC", "start of the attempt, by the wall clock (ISO 8601)"),
    ExportColumn("ended_utc", _F.ended_utc, "UTC", "end of the attempt, by the wall clock (ISO 8601)"),
    ExportColumn("run_folder", _F.run_folder, "", "folder with the full record of the run"),
    ExportColumn("record_sha256", _F.sha256, "", "hash of the record; the trail keeps the same one"),
)
"""Columns of the export, in order."""


def documentation() -> str:
    """Return the columns as the table that stands in docs/records.md."""
    lines = ["| column | unit | meaning |", "|---|---|---|"]
    lines += [f"| `{column.name}` | {column.unit} | {column.meaning} |" for column in COLUMNS]
    return "\n".join(lines) + "\n"


@dataclass(frozen=True, slots=True)
class Export:
    """Writes final records to files."""

    context: Context

    def csv(
        self,
        file: Path,
        *,
        lot_id: int | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
    ) -> int:
        """Write a CSV file (RFC 4180, UTF-8, a line of names first); return the number of records.

        Parameters
        ----------
        file : Path
            Is there whole when this returns, or as it was before.
        lot_id : int, optional
            Of one lot only.
        start, end : datetime, optional
            Only records whose end lies in this period, ``end`` excluded.
        """
        with self._whole_file(file) as stream:
            writer = csv.writer(stream)
            writer.writerow([column.name for column in COLUMNS])
            count = 0
            for row in self._rows(lot_id, start, end):
                writer.writerow([_cell(value) for value in row])
                count += 1
        return count

    def json(
        self,
        file: Path,
        *,
        lot_id: int | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
    ) -> int:
        """Write a JSON file: ``columns`` says what each key means, ``records`` has an object a part."""
        columns = {column.name: {"unit": column.unit, "meaning": column.meaning} for column in COLUMNS}
        with self._whole_file(file) as stream:
            head = {"columns": columns, "trail_head_sha256": self.context.trail.head_sha256()}
            stream.write(json.dumps(head, indent=1, ensure_ascii=False)[:-2] + ',\n "records": [')
            count = 0
            for row in self._rows(lot_id, start, end):
                values = {column.name: _plain(value) for column, value in zip(COLUMNS, row, strict=True)}
                stream.write(",\n  " if count else "\n  ")
                stream.write(json.dumps(values, ensure_ascii=False, allow_nan=False))
                count += 1
            stream.write("\n ]\n}\n")
        return count

    def _rows(
        self, lot_id: int | None, start: datetime | None, end: datetime | None
    ) -> Iterator[tuple[Any, ...]]:
        query = (
            select(*(column.source.label(column.name) for column in COLUMNS))
            .join(part, part.c.id == _F.part_id)
            .join(lot, lot.c.id == _F.lot_id)
            .join(recipe, recipe.c.id == _F.recipe_id)
            .join(setup, setup.c.id == _F.setup_id)
        )
        if lot_id is not None:
            query = query.where(_F.lot_id == lot_id)
        if start is not None:
            query = query.where(_F.ended_utc >= start)
        if end is not None:
            query = query.where(_F.ended_utc < end)
        last = 0
        while True:
            # In pages: a long reading transaction would keep the stations from writing.
            page = query.where(_F.id > last).order_by(_F.id).limit(_PAGE)
            rows = self.context.database.rows("export records", page)
            yield from (tuple(row.values()) for row in rows)
            if len(rows) < _PAGE:
                return
            last = rows[-1]["record"]

    @contextmanager
    def _whole_file(self, file: Path) -> Iterator[IO[str]]:
        temporary = file.with_name(file.name + ".part")
        try:
            with temporary.open("w", encoding="utf-8", newline="") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            temporary.replace(file)
            flush_folder(file.absolute().parent)
        except OSError as error:
            raise self.context.database.error(
                Problem.STORAGE, f"export to {file}", str(error.strerror), "name a file that can be written"
            ) from error
        finally:
            temporary.unlink(missing_ok=True)


def _plain(value: Any) -> Any:
    return value.astimezone(UTC).isoformat(timespec="milliseconds") if isinstance(value, datetime) else value


def _cell(value: Any) -> Any:
    plain = _plain(value)
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "true" if plain else "false"
    return json.dumps(plain, ensure_ascii=False, allow_nan=False) if isinstance(plain, dict | list) else plain
