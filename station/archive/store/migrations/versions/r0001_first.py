"""The first archive: lots, parts, their records, recipes, calibrations, frames, alarms, settings, trail."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

from station.archive.store import guards

revision = "0001"
down_revision = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_UTC = sa.DateTime(timezone=True)
_TEXT, _INTEGER, _FLOAT, _FLAG = sa.Text(), sa.Integer(), sa.Float(), sa.Boolean(create_constraint=False)


def upgrade() -> None:
    """Make every table of the first revision."""
    _make_papers()
    _make_parts()
    _make_steps()
    _make_final_record()
    _make_frames_and_alarms()
    _make_trail()
    guards.install(
        op.get_bind(),
        append_only=(
            *("session", "setup", "setup_calibration", "attempt", "look", "move", "decision"),
            *("final_record", "trail"),
        ),
        never_removed=("recipe", "calibration", "lot", "part", "frame", "alarm", "setting", "trail_head"),
        fixed={
            "recipe": ("id", "name", "version", "text", "sha256", "made_by", "made_utc"),
            "calibration": ("id", "bench", "kind", "subject", "text", "sha256", "made_by", "made_utc"),
            "lot": ("id", "name", "recipe_id", "unreleased", "made_by", "made_utc"),
            "part": ("id", "lot_id", "place", "serial"),
            "frame": ("id", "part_id", "attempt", "rule", "sha256", "file"),
        },
        done={"part": "OLD.state = 'finished'"},
    )
    op.execute(
        sa.text("INSERT INTO trail_head (id, number, sha256) VALUES (1, 0, :start)").bindparams(
            start="0" * 64
        )
    )


def _id() -> sa.Column[Any]:
    return sa.Column("id", _NUMBER, primary_key=True)


def _fact(name: str, kind: Any = _TEXT) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=False)


def _maybe(name: str, kind: Any = _TEXT) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=True)


def _to(name: str, target: str, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, _NUMBER, sa.ForeignKey(target), nullable=nullable)


def _attempt() -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["part_id", "attempt"], ["attempt.part_id", "attempt.number"])


def _index(table: str, *columns: str) -> None:
    op.create_index(f"ix_{table}_{'_'.join(columns)}", table, list(columns))


def _partial(name: str, table: str, columns: list[str], where: str, unique: bool = False) -> None:
    op.create_index(
        name, table, columns, unique=unique, sqlite_where=sa.text(where), postgresql_where=sa.text(where)
    )


def _make_papers() -> None:
    op.create_table("session", _id(), _fact("station"), _fact("opened_utc", _UTC), _fact("software"))
    op.create_table(
        "recipe",
        _id(),
        *(_fact("name"), _fact("version", _INTEGER), _fact("text"), _fact("sha256"), _fact("state")),
        *(_fact("made_by"), _fact("made_utc", _UTC), _fact("why")),
        *(_maybe("released_by"), _maybe("released_utc", _UTC)),
        *(_maybe("withdrawn_by"), _maybe("withdrawn_utc", _UTC), _maybe("withdrawn_why")),
        sa.UniqueConstraint("name", "version"),
        sa.CheckConstraint("state IN ('draft', 'released', 'withdrawn')", name="state"),
        sa.CheckConstraint("state <> 'released' OR released_by IS NOT NULL", name="signed"),
    )
    op.create_table(
        "calibration",
        _id(),
        *(_fact("bench"), _fact("kind"), _fact("subject"), _fact("text"), _fact("sha256")),
        *(_fact("made_by"), _fact("made_utc", _UTC), _maybe("valid_until_utc", _UTC)),
        *(_maybe("withdrawn_by"), _maybe("withdrawn_utc", _UTC), _maybe("withdrawn_why")),
    )
    _index("calibration", "bench", "kind", "subject", "id")
    op.create_table(
        "setup",
        _id(),
        *(_fact("sha256"), _fact("bench"), _fact("bench_sha256"), _fact("controller"), _fact("software")),
        sa.UniqueConstraint("sha256"),
    )
    op.create_table(
        "setup_calibration",
        sa.Column("setup_id", _NUMBER, sa.ForeignKey("setup.id"), primary_key=True),
        sa.Column("calibration_id", _NUMBER, sa.ForeignKey("calibration.id"), primary_key=True),
    )
    _index("setup_calibration", "calibration_id")


def _make_parts() -> None:
    op.create_table(
        "lot",
        _id(),
        *(_fact("name"), _to("recipe_id", "recipe.id"), _fact("unreleased", _FLAG), _fact("state")),
        *(_fact("settings"), _fact("made_by"), _fact("made_utc", _UTC)),
        *(_maybe("ended_utc", _UTC), _maybe("ended_why")),
        sa.UniqueConstraint("name"),
        sa.CheckConstraint("state IN ('open', 'stopped', 'done')", name="state"),
    )
    op.create_table(
        "part",
        _id(),
        *(_to("lot_id", "lot.id"), _fact("place", _INTEGER), _fact("serial"), _fact("state")),
        sa.Column("attempt", _INTEGER, nullable=False, server_default="0"),
        *(_maybe("station"), _maybe("phase"), _maybe("since_utc", _UTC)),
        sa.UniqueConstraint("lot_id", "serial"),
        sa.UniqueConstraint("lot_id", "place"),
        sa.CheckConstraint("state IN ('waiting', 'in_hand', 'finished')", name="state"),
        sa.CheckConstraint("state <> 'in_hand' OR (station IS NOT NULL AND attempt > 0)", name="held"),
    )
    _index("part", "serial")
    _partial("ix_part_waiting", "part", ["lot_id", "place"], "state = 'waiting'")
    _partial("uq_part_in_hand", "part", ["station"], "state = 'in_hand'", unique=True)
    op.create_table(
        "attempt",
        sa.Column("part_id", _NUMBER, sa.ForeignKey("part.id"), primary_key=True),
        sa.Column("number", _INTEGER, primary_key=True),
        *(_to("session_id", "session.id"), _fact("station"), _to("setup_id", "setup.id")),
        *(_to("recipe_id", "recipe.id"), _fact("started_utc", _UTC), _fact("run_folder"), _fact("why")),
        _fact("claim_key"),
        sa.UniqueConstraint("claim_key"),
        sqlite_with_rowid=False,
    )


def _make_steps() -> None:
    own: dict[str, tuple[sa.Column[Any], ...]] = {
        "look": (_fact("purpose"), _fact("frames", _INTEGER), _fact("positions"), _fact("spots")),
        "move": (_fact("purpose"), _fact("targets"), _fact("positions")),
        "decision": (_fact("kind"), _fact("details")),
    }
    for table, columns in own.items():
        op.create_table(
            table,
            sa.Column("part_id", _NUMBER, primary_key=True),
            sa.Column("attempt", _INTEGER, primary_key=True),
            sa.Column("number", _INTEGER, primary_key=True),
            *(_fact("time_s", _FLOAT), _fact("why")),
            *columns,
            _attempt(),
            sqlite_with_rowid=False,
        )


def _make_final_record() -> None:
    residual = ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec")
    limits = ("expanded_decenter_um", "expanded_tilt_arcsec", "coverage_factor")
    tolerances = ("tolerance_decenter_um", "tolerance_tilt_arcsec")
    op.create_table(
        "final_record",
        _id(),
        *(_to("part_id", "part.id"), _fact("attempt", _INTEGER), _to("lot_id", "lot.id")),
        *(_to("recipe_id", "recipe.id"), _to("setup_id", "setup.id"), _fact("station")),
        *(_fact("outcome"), _fact("reason"), _fact("remedy"), _fact("verified", _FLAG)),
        *(_maybe(name, _FLOAT) for name in residual),
        _maybe("covariance"),
        *(_maybe(name, _FLOAT) for name in (*limits, *tolerances)),
        *(_maybe("contributions"), _maybe("dominated_by"), _fact("spots")),
        *(_fact("looks", _INTEGER), _fact("test_moves", _INTEGER), _fact("moves", _INTEGER)),
        *(_fact("bench_seconds", _FLOAT), _fact("compute_seconds", _FLOAT)),
        *(_fact("started_utc", _UTC), _fact("ended_utc", _UTC), _fact("run_folder"), _fact("sha256")),
        sa.UniqueConstraint("part_id"),
        _attempt(),
        sa.CheckConstraint("outcome IN ('aligned', 'rejected', 'stopped', 'timed_out')", name="outcome"),
        sa.CheckConstraint(
            "outcome <> 'aligned' OR (verified AND decenter_x_um IS NOT NULL)", name="verified"
        ),
    )
    for columns in (
        ("lot_id", "id"),
        ("recipe_id", "id"),
        ("recipe_id", "station", "id"),
        ("station", "id"),
        ("ended_utc",),
    ):
        _index("final_record", *columns)


def _make_frames_and_alarms() -> None:
    op.create_table(
        "frame",
        _id(),
        *(_to("part_id", "part.id"), _fact("attempt", _INTEGER), _fact("camera"), _fact("purpose")),
        *(_fact("rule"), _fact("sequence", _INTEGER), _fact("time_s", _FLOAT), _fact("exposure_s", _FLOAT)),
        *(_fact("shape"), _fact("dtype"), _fact("sha256"), _fact("file"), _fact("file_bytes", _INTEGER)),
        *(_fact("kept_utc", _UTC), _maybe("pruned_utc", _UTC), _maybe("pruned_why")),
        _attempt(),
        sa.UniqueConstraint("file"),
        sa.CheckConstraint("rule IN ('first', 'last', 'anomaly')", name="rule"),
    )
    _index("frame", "part_id")
    _partial("ix_frame_kept", "frame", ["kept_utc"], "pruned_utc IS NULL")
    op.create_table(
        "alarm",
        _id(),
        *(_fact("station"), _fact("code"), _fact("subject"), _fact("severity"), _fact("cause")),
        *(_fact("remedy"), _to("lot_id", "lot.id", nullable=True), _to("part_id", "part.id", nullable=True)),
        *(_fact("first_utc", _UTC), _fact("last_utc", _UTC), _fact("count", _INTEGER), _fact("operation")),
        *(_maybe("acknowledged_by"), _maybe("acknowledged_utc", _UTC), _maybe("acknowledged_why")),
        sa.CheckConstraint("severity IN ('note', 'warning', 'stop')", name="severity"),
    )
    _index("alarm", "last_utc")
    _partial(
        "uq_alarm_open", "alarm", ["station", "code", "subject"], "acknowledged_utc IS NULL", unique=True
    )


def _make_trail() -> None:
    op.create_table(
        "trail",
        sa.Column("number", _NUMBER, primary_key=True, autoincrement=False),
        *(_fact("utc", _UTC), _fact("who"), _fact("station"), _fact("kind"), _fact("subject")),
        *(_maybe("old"), _maybe("new"), _fact("why"), _to("part_id", "part.id", nullable=True)),
        *(_fact("operation"), _fact("previous_sha256"), _fact("sha256")),
        sa.UniqueConstraint("operation"),
    )
    _index("trail", "kind", "subject", "number")
    _index("trail", "part_id")
    op.create_table(
        "trail_head",
        sa.Column("id", _INTEGER, primary_key=True, autoincrement=False),
        *(_fact("number", _NUMBER), _fact("sha256")),
        sa.CheckConstraint("id = 1", name="single"),
    )
    op.create_table(
        "setting",
        sa.Column("name", _TEXT, primary_key=True),
        *(_fact("value"), _to("trail_number", "trail.number")),
    )
