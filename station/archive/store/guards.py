"""Triggers that refuse to change or remove what the archive promises to keep.

They stop mistakes of programs and people, on any connection. A person who may alter the database file can
drop them; that is what the hash chain of the trail shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sqlalchemy import Connection

_FUNCTION = """
CREATE OR REPLACE FUNCTION archive_refuses() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION USING MESSAGE = TG_ARGV[0]; END $$
"""


def install(
    connection: Connection,
    *,
    append_only: Iterable[str] = (),
    never_removed: Iterable[str] = (),
    fixed: Mapping[str, tuple[str, ...]] | None = None,
    done: Mapping[str, str] | None = None,
) -> None:
    """Put triggers in place; those that are there already are made anew.

    Recreating a table on SQLite (a batch migration) drops its triggers without a word, so every migration
    that does it names the table here again.

    Parameters
    ----------
    append_only : iterable of str
        Tables whose rows are never changed or removed.
    never_removed : iterable of str
        Tables whose rows change but are never removed.
    fixed : mapping
        Columns that never change, by table.
    done : mapping
        Condition on OLD under which a row never changes any more, by table.
    """
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(_FUNCTION)
    for table in append_only:
        _refuse(connection, table, "UPDATE", f"{table} is append-only: no row is ever changed")
        _refuse(connection, table, "DELETE", f"{table} is append-only: no row is ever removed")
    for table in never_removed:
        _refuse(connection, table, "DELETE", f"rows of {table} are never removed")
    for table, columns in (fixed or {}).items():
        names = ", ".join(columns)
        _refuse(connection, table, f"UPDATE OF {names}", f"{names} of {table} never change")
    for table, condition in (done or {}).items():
        _refuse(connection, table, "UPDATE", f"a row of {table} is final", when=condition)


def _refuse(connection: Connection, table: str, event: str, words: str, when: str = "") -> None:
    name = f"guard_{table}_{event.split(maxsplit=1)[0].lower()}"
    if " " in event:
        name += "_fixed"
    condition = f" WHEN ({when})" if when else ""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS {name}")
        connection.exec_driver_sql(
            f'CREATE TRIGGER {name} BEFORE {event} ON "{table}"{condition} '
            f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
        )
        return
    scopes = [(name, event, f"FOR EACH ROW{condition}")]
    if event == "DELETE":
        scopes.append((f"guard_{table}_truncate", "TRUNCATE", "FOR EACH STATEMENT"))
    for trigger, what, scope in scopes:
        connection.exec_driver_sql(f'DROP TRIGGER IF EXISTS {trigger} ON "{table}"')
        connection.exec_driver_sql(
            f'CREATE TRIGGER {trigger} BEFORE {what} ON "{table}" {scope} '
            f"EXECUTE FUNCTION archive_refuses('{words}')"
        )
