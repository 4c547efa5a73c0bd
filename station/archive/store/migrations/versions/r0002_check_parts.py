"""Check parts, parts in doubt, and the shift of a lens while it is fixed.

A check part comes round again and again in one lot, so a serial number alone no longer names a part of a lot.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from station.archive.store import guards

revision = "0002"
down_revision = "0001"

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_SHIFT = ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec")


def upgrade() -> None:
    """Keep every row: parts become products in their first round."""
    with op.batch_alter_table("part") as batch:
        batch.add_column(sa.Column("repeat", sa.Integer(), nullable=False, server_default="1"))
        batch.add_column(sa.Column("kind", sa.Text(), nullable=False, server_default="product"))
        batch.drop_constraint("uq_part_lot_id_serial", type_="unique")
        batch.create_unique_constraint("uq_part_lot_id_serial_repeat", ["lot_id", "serial", "repeat"])
        batch.create_check_constraint(op.f("ck_part_kind"), "kind IN ('product', 'check')")
    with op.batch_alter_table("final_record") as batch:
        batch.add_column(sa.Column("kind", sa.Text(), nullable=False, server_default="product"))
        for axis in _SHIFT:
            batch.add_column(sa.Column(f"shift_{axis}", sa.Float(), nullable=True))
    op.create_table(
        "doubt",
        sa.Column("id", _NUMBER, primary_key=True),
        sa.Column("part_id", _NUMBER, sa.ForeignKey("part.id"), nullable=False),
        sa.Column("check_part_id", _NUMBER, sa.ForeignKey("part.id"), nullable=False),
        sa.Column("raised_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("cleared_by", sa.Text()),
        sa.Column("cleared_utc", sa.DateTime(timezone=True)),
        sa.Column("cleared_why", sa.Text()),
        sa.UniqueConstraint("part_id", "check_part_id"),
    )
    # The copied table lost its triggers.
    guards.install(
        op.get_bind(),
        append_only=("final_record",),
        never_removed=("part", "doubt"),
        fixed={
            "part": ("id", "lot_id", "place", "serial", "repeat", "kind"),
            "doubt": ("id", "part_id", "check_part_id", "raised_utc", "why"),
        },
        done={"part": "OLD.state = 'finished'"},
    )
