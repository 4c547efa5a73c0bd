"""The tables of the archive as this program version expects them; migrations bring older ones up to it.

Three kinds of tables: append-only ones whose rows never change (session, setup, attempt, the steps, the
final records, the trail), states whose rows move on but never go away (lot, part, recipe, calibration, frame,
alarm, doubt), and current values whose history is in the trail (setting, trail_head). Triggers guard them.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    Table,
    UniqueConstraint,
    text,
)

from station.archive.store.columns import Json, Number, Utc, Words

VERSION_TABLE = "archive_version"
POSE = ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec")
"""Columns of a residual pose; ``shift_`` before them for the shift while the lens was fixed."""

# Named constraints, so that a later migration can find them on both databases.
METADATA = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)


def _fact(name: str, kind: Any = Words) -> Column[Any]:
    """Return a column that is always filled."""
    return Column(name, kind, nullable=False)


def _to(name: str, target: str, *, optional: bool = False) -> Column[Any]:
    """Return a column that points to another table."""
    return Column(name, Number, ForeignKey(target), nullable=optional)


session = Table(
    "session",
    METADATA,
    Column("id", Number, primary_key=True),
    _fact("station"),
    _fact("opened_utc", Utc),
    _fact("software", Json),
)

# --- recipes, calibrations, identity of bench and software -------------------------------------------

recipe = Table(
    "recipe",
    METADATA,
    Column("id", Number, primary_key=True),
    _fact("name"),
    _fact("version", Integer),
    _fact("text"),
    _fact("sha256"),
    _fact("state"),
    _fact("made_by"),
    _fact("made_utc", Utc),
    _fact("why"),
    Column("released_by", Words),
    Column("released_utc", Utc),
    Column("withdrawn_by", Words),
    Column("withdrawn_utc", Utc),
    Column("withdrawn_why", Words),
    UniqueConstraint("name", "version"),
    CheckConstraint("state IN ('draft', 'released', 'withdrawn')", name="state"),
    CheckConstraint("state <> 'released' OR released_by IS NOT NULL", name="signed"),
)

calibration = Table(
    "calibration",
    METADATA,
    Column("id", Number, primary_key=True),
    _fact("bench"),
    _fact("kind"),
    _fact("subject"),
    _fact("text"),
    _fact("sha256"),
    _fact("made_by"),
    _fact("made_utc", Utc),
    Column("valid_until_utc", Utc),
    Column("withdrawn_by", Words),
    Column("withdrawn_utc", Utc),
    Column("withdrawn_why", Words),
    Index(None, "bench", "kind", "subject", "id"),
)

setup = Table(
    "setup",
    METADATA,
    Column("id", Number, primary_key=True),
    _fact("sha256"),
    _fact("bench"),
    _fact("bench_sha256"),
    _fact("controller"),
    _fact("software", Json),
    UniqueConstraint("sha256"),
)

setup_calibration = Table(
    "setup_calibration",
    METADATA,
    Column("setup_id", Number, ForeignKey("setup.id"), primary_key=True),
    Column("calibration_id", Number, ForeignKey("calibration.id"), primary_key=True),
    Index(None, "calibration_id"),
)

# --- lots and parts -----------------------------------------------------------------------------------

lot = Table(
    "lot",
    METADATA,
    Column("id", Number, primary_key=True),
    _fact("name"),
    _to("recipe_id", "recipe.id"),
    _fact("unreleased", Boolean(create_constraint=False)),
    _fact("state"),
    _fact("settings", Json),
    _fact("made_by"),
    _fact("made_utc", Utc),
    Column("ended_utc", Utc),
    Column("ended_why", Words),
    UniqueConstraint("name"),
    CheckConstraint("state IN ('open', 'stopped', 'done')", name="state"),
)

part = Table(
    "part",
    METADATA,
    Column("id", Number, primary_key=True),
    _to("lot_id", "lot.id"),
    _fact("place", Integer),
    _fact("serial"),
    # A check part comes round again in the same lot; `repeat` counts its rounds.
    Column("repeat", Integer, nullable=False, server_default="1"),
    Column("kind", Words, nullable=False, server_default="product"),
    _fact("state"),
    Column("attempt", Integer, nullable=False, server_default="0"),
    Column("station", Words),
    Column("phase", Words),
    Column("since_utc", Utc),
    UniqueConstraint("lot_id", "serial", "repeat"),
    UniqueConstraint("lot_id", "place"),
    CheckConstraint("state IN ('waiting', 'in_hand', 'finished')", name="state"),
    CheckConstraint("kind IN ('product', 'check')", name="kind"),
    CheckConstraint("state <> 'in_hand' OR (station IS NOT NULL AND attempt > 0)", name="held"),
    Index(None, "serial"),
)
_WAITING, _HELD = text("state = 'waiting'"), text("state = 'in_hand'")
Index("ix_part_waiting", part.c.lot_id, part.c.place, sqlite_where=_WAITING, postgresql_where=_WAITING)
# One mount, one lens: a station cannot hold two parts, whatever a program tries.
Index("uq_part_in_hand", part.c.station, unique=True, sqlite_where=_HELD, postgresql_where=_HELD)

attempt = Table(
    "attempt",
    METADATA,
    Column("part_id", Number, ForeignKey("part.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    _to("session_id", "session.id"),
    _fact("station"),
    _to("setup_id", "setup.id"),
    _to("recipe_id", "recipe.id"),
    _fact("started_utc", Utc),
    _fact("run_folder"),
    _fact("why"),
    _fact("claim_key"),
    UniqueConstraint("claim_key"),
    sqlite_with_rowid=False,
)


def _step_table(name: str, *columns: Column[Any]) -> Table:
    return Table(
        name,
        METADATA,
        Column("part_id", Number, primary_key=True),
        Column("attempt", Integer, primary_key=True),
        Column("number", Integer, primary_key=True),
        _fact("time_s", Float),
        _fact("why"),
        *columns,
        ForeignKeyConstraint(["part_id", "attempt"], ["attempt.part_id", "attempt.number"]),
        sqlite_with_rowid=False,
    )


look = _step_table(
    "look", _fact("purpose"), _fact("frames", Integer), _fact("positions", Json), _fact("spots", Json)
)
move = _step_table("move", _fact("purpose"), _fact("targets", Json), _fact("positions", Json))
decision = _step_table("decision", _fact("kind"), _fact("details", Json))

final_record = Table(
    "final_record",
    METADATA,
    Column("id", Number, primary_key=True),
    _to("part_id", "part.id"),
    _fact("attempt", Integer),
    _to("lot_id", "lot.id"),
    _to("recipe_id", "recipe.id"),
    _to("setup_id", "setup.id"),
    _fact("station"),
    Column("kind", Words, nullable=False, server_default="product"),
    _fact("outcome"),
    _fact("reason"),
    _fact("remedy"),
    _fact("verified", Boolean(create_constraint=False)),
    *(
        Column(f"{axis}", Float)
        for axis in ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec")
    ),
    Column("covariance", Json),
    Column("expanded_decenter_um", Float),
    Column("expanded_tilt_arcsec", Float),
    Column("coverage_factor", Float),
    Column("tolerance_decenter_um", Float),
    Column("tolerance_tilt_arcsec", Float),
    Column("contributions", Json),
    Column("dominated_by", Words),
    *(Column(f"shift_{axis}", Float) for axis in POSE),
    _fact("spots", Json),
    _fact("looks", Integer),
    _fact("test_moves", Integer),
    _fact("moves", Integer),
    _fact("bench_seconds", Float),
    _fact("compute_seconds", Float),
    _fact("started_utc", Utc),
    _fact("ended_utc", Utc),
    _fact("run_folder"),
    _fact("sha256"),
    UniqueConstraint("part_id"),
    ForeignKeyConstraint(["part_id", "attempt"], ["attempt.part_id", "attempt.number"]),
    CheckConstraint("outcome IN ('aligned', 'rejected', 'stopped', 'timed_out')", name="outcome"),
    CheckConstraint("outcome <> 'aligned' OR (verified AND decenter_x_um IS NOT NULL)", name="verified"),
    Index(None, "lot_id", "id"),
    Index(None, "recipe_id", "id"),
    Index(None, "recipe_id", "station", "id"),
    Index(None, "station", "id"),
    Index(None, "ended_utc"),
)

doubt = Table(
    "doubt",
    METADATA,
    Column("id", Number, primary_key=True),
    _to("part_id", "part.id"),
    _to("check_part_id", "part.id"),
    _fact("raised_utc", Utc),
    _fact("why"),
    Column("cleared_by", Words),
    Column("cleared_utc", Utc),
    Column("cleared_why", Words),
    UniqueConstraint("part_id", "check_part_id"),
)

frame = Table(
    "frame",
    METADATA,
    Column("id", Number, primary_key=True),
    _to("part_id", "part.id"),
    _fact("attempt", Integer),
    _fact("camera"),
    _fact("purpose"),
    _fact("rule"),
    _fact("sequence", Integer),
    _fact("time_s", Float),
    _fact("exposure_s", Float),
    _fact("shape", Json),
    _fact("dtype"),
    _fact("sha256"),
    _fact("file"),
    _fact("file_bytes", Integer),
    _fact("kept_utc", Utc),
    Column("pruned_utc", Utc),
    Column("pruned_why", Words),
    ForeignKeyConstraint(["part_id", "attempt"], ["attempt.part_id", "attempt.number"]),
    UniqueConstraint("file"),
    CheckConstraint("rule IN ('first', 'last', 'anomaly')", name="rule"),
    Index(None, "part_id"),
)
_KEPT = text("pruned_utc IS NULL")
Index("ix_frame_kept", frame.c.kept_utc, sqlite_where=_KEPT, postgresql_where=_KEPT)

# --- alarms, settings, trail ----------------------------------------------------------------------------

alarm = Table(
    "alarm",
    METADATA,
    Column("id", Number, primary_key=True),
    _fact("station"),
    _fact("code"),
    _fact("subject"),
    _fact("severity"),
    _fact("cause"),
    _fact("remedy"),
    _to("lot_id", "lot.id", optional=True),
    _to("part_id", "part.id", optional=True),
    _fact("first_utc", Utc),
    _fact("last_utc", Utc),
    _fact("count", Integer),
    _fact("operation"),
    Column("acknowledged_by", Words),
    Column("acknowledged_utc", Utc),
    Column("acknowledged_why", Words),
    CheckConstraint("severity IN ('note', 'warning', 'stop')", name="severity"),
    Index(None, "last_utc"),
)
_OPEN = text("acknowledged_utc IS NULL")
# The same alarm again, not yet acknowledged, counts up in its row.
Index(
    "uq_alarm_open",
    alarm.c.station,
    alarm.c.code,
    alarm.c.subject,
    unique=True,
    sqlite_where=_OPEN,
    postgresql_where=_OPEN,
)

setting = Table(
    "setting",
    METADATA,
    Column("name", Words, primary_key=True),
    _fact("value", Json),
    _to("trail_number", "trail.number"),
)

trail = Table(
    "trail",
    METADATA,
    # Numbered by the program: a gap is a missing entry.
    Column("number", Number, primary_key=True, autoincrement=False),
    _fact("utc", Utc),
    _fact("who"),
    _fact("station"),
    _fact("kind"),
    _fact("subject"),
    Column("old", Json),
    Column("new", Json),
    _fact("why"),
    _to("part_id", "part.id", optional=True),
    _fact("operation"),
    _fact("previous_sha256"),
    _fact("sha256"),
    UniqueConstraint("operation"),
    Index(None, "kind", "subject", "number"),
    Index(None, "part_id"),
)

trail_head = Table(
    "trail_head",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    _fact("number", Number),
    _fact("sha256"),
    CheckConstraint("id = 1", name="single"),
)
