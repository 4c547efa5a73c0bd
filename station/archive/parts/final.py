"""The one final record of a part: how it ended, how well it is aligned and how surely, what it cost."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import RowMapping

from control.messages import Finish, Outcome, Verdict
from station.archive.store.columns import JsonValue, canonical_json, plain_text, real
from station.archive.store.tables import POSE, final_record

_NOT_HASHED = ("id", "sha256")


@dataclass(frozen=True, slots=True)
class Pose4:
    """Decentre and tilt, or a change of them."""

    decenter_x_um: float
    decenter_y_um: float
    tilt_x_arcsec: float
    tilt_y_arcsec: float


@dataclass(frozen=True, slots=True)
class Ending:
    """What a run hands over at its end.

    Attributes
    ----------
    outcome : Outcome
    reason, remedy : str
    verdict : Verdict or None
        None where none was reached.
    looks, test_moves, moves : int
    bench_seconds, compute_seconds : float
        Durations by the monotonic clock; the times in the record are by the wall clock, which can jump.
    spots : JSON object
        Each spot of the last look, from its target, in mm; null where it was not measured.
    shift : Pose4 or None
        How far the lens moved while it was fixed.
    """

    outcome: Outcome
    reason: str
    remedy: str = ""
    verdict: Verdict | None = None
    looks: int = 0
    test_moves: int = 0
    moves: int = 0
    bench_seconds: float = 0.0
    compute_seconds: float = 0.0
    spots: Mapping[str, JsonValue] = field(default_factory=dict)
    shift: Pose4 | None = None

    @classmethod
    def of(cls, finish: Finish, result: Mapping[str, Any], shift: Pose4 | None = None) -> Ending:
        """Return the ending of a run from control's last action and the run's result object."""
        spots = {key: value for key, value in result["spots"].items() if key.endswith("_mm")}
        return cls(
            outcome=finish.outcome,
            reason=finish.reason,
            remedy=finish.remedy,
            verdict=finish.verdict,
            looks=result["looks"],
            test_moves=result["test_moves"],
            moves=result["moves"],
            bench_seconds=result["bench_seconds"],
            compute_seconds=result["compute_seconds"],
            spots=spots,
            shift=shift,
        )


def columns_of(ending: Ending, *, verified: bool) -> dict[str, Any]:
    """Return the columns of ``final_record`` that the ending fills."""
    row: dict[str, Any] = {name: int(getattr(ending, name)) for name in ("looks", "test_moves", "moves")}
    row |= {name: real(getattr(ending, name)) for name in ("bench_seconds", "compute_seconds")}
    row |= {name: plain_text(getattr(ending, name)) for name in ("reason", "remedy")}
    row |= {"outcome": ending.outcome.value, "verified": verified, "spots": dict(ending.spots)}
    if ending.verdict is not None:
        row |= _verdict_columns(ending.verdict)
    if ending.shift is not None:
        row |= {f"shift_{name}": real(getattr(ending.shift, name)) for name in POSE}
    return row


def _verdict_columns(verdict: Verdict) -> dict[str, Any]:
    pose = (*verdict.decenter_um, *verdict.tilt_arcsec)
    row: dict[str, Any] = {name: real(value) for name, value in zip(POSE, pose, strict=True)}
    for name in (
        *("expanded_decenter_um", "expanded_tilt_arcsec", "coverage_factor"),
        *("tolerance_decenter_um", "tolerance_tilt_arcsec"),
    ):
        row[name] = real(getattr(verdict, name))
    row["covariance"] = [[float(value) for value in line] for line in verdict.covariance]
    row["contributions"] = {
        name: [float(value) for value in values] for name, values in verdict.contributions.items()
    }
    return row | {"dominated_by": plain_text(verdict.dominated_by)}


def record_sha256(row: Mapping[str, Any]) -> str:
    """Return the hash that the trail keeps of a final record.

    Columns without a value are left out, so that an upgrade that adds columns leaves old hashes true.
    """
    content = {
        name: value.astimezone(UTC).isoformat(timespec="microseconds")
        if isinstance(value, datetime)
        else value
        for name, value in row.items()
        if name not in _NOT_HASHED and value is not None and not _is_default(name, value)
    }
    return hashlib.sha256(canonical_json(content).encode()).hexdigest()


def _is_default(name: str, value: Any) -> bool:
    # Revision 0002 gave every older record this value.
    return name == "kind" and value == "product"


@dataclass(frozen=True, slots=True)
class FinalRecord:
    """A final record as it is kept; see docs/records.md for what each field means."""

    id: int
    part_id: int
    attempt: int
    lot_id: int
    recipe_id: int
    setup_id: int
    station: str
    kind: str
    outcome: str
    reason: str
    remedy: str
    verified: bool
    decenter_x_um: float | None
    decenter_y_um: float | None
    tilt_x_arcsec: float | None
    tilt_y_arcsec: float | None
    covariance: JsonValue
    expanded_decenter_um: float | None
    expanded_tilt_arcsec: float | None
    coverage_factor: float | None
    tolerance_decenter_um: float | None
    tolerance_tilt_arcsec: float | None
    contributions: JsonValue
    dominated_by: str | None
    shift_decenter_x_um: float | None
    shift_decenter_y_um: float | None
    shift_tilt_x_arcsec: float | None
    shift_tilt_y_arcsec: float | None
    spots: JsonValue
    looks: int
    test_moves: int
    moves: int
    bench_seconds: float
    compute_seconds: float
    started_utc: datetime
    ended_utc: datetime
    run_folder: str
    sha256: str

    @classmethod
    def of(cls, row: RowMapping) -> FinalRecord:
        """Return a row of the table as a record."""
        return cls(**{one.name: row[one.name] for one in fields(cls)})


COLUMNS = tuple(column.name for column in final_record.columns)
