"""Run by alembic for each upgrade, on the connection that :mod:`station.archive.store.upgrade` hands over."""

from __future__ import annotations

from alembic import context

from station.archive.store.tables import METADATA, VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    # A name of its own: the database server may be shared with other programs that use alembic.
    version_table=VERSION_TABLE,
    # SQLite cannot alter most things in place: the table is copied.
    render_as_batch=True,
    # An upgrade is one transaction on both databases: a loss of power in it leaves the old archive.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
