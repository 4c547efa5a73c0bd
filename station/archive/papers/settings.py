"""Settings of the line that people change while it runs; the trail knows every value that they ever had."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, insert, select, update

from station.archive.context import Context
from station.archive.store.columns import JsonValue, canonical_json
from station.archive.store.tables import setting
from station.archive.trail import Change, Entry


@dataclass(frozen=True, slots=True)
class Settings:
    """Current values by name; a change says who made it and why."""

    context: Context

    def change(self, name: str, value: JsonValue, *, who: str, why: str) -> bool:
        """Give a setting a value; return False when it has it already, which is no change.

        Parameters
        ----------
        name : str
            Dotted, such as ``lot.rejects_in_a_row``.
        value : JSON value
            Not None.
        who : str
            A person, or the part of the program.
        why : str
        """
        asked = f"change setting {name!r}"
        self.context.require_words(asked, name=name, who=who, why=why)
        canonical_json(value)
        now, operation = self.context.now(), self.context.operation()
        find = select(setting.c.value).where(setting.c.name == name).with_for_update()

        def work(connection: Connection) -> bool:
            if self.context.trail.is_done(connection, operation):
                return True
            old = connection.execute(find).scalar()
            if canonical_json(old) == canonical_json(value):  # 0, 0.0 and False differ
                return False
            noted = Change(who, "setting", name, old, value, why)
            number = self.context.trail.append(connection, noted, utc=now, operation=operation)
            if old is None:
                connection.execute(insert(setting).values(name=name, value=value, trail_number=number))
            else:
                change = update(setting).where(setting.c.name == name)
                connection.execute(change.values(value=value, trail_number=number))
            return True

        return self.context.database.write(asked, work)

    def get(self, name: str) -> JsonValue:
        """Return the value of a setting; None where it was never set."""
        query = select(setting.c.value).where(setting.c.name == name)
        return self.context.database.scalar(f"read setting {name!r}", query)

    def all(self) -> dict[str, JsonValue]:
        """Return all settings by name."""
        query = select(setting.c.name, setting.c.value).order_by(setting.c.name)
        rows = self.context.database.rows("read the settings", query)
        return {row["name"]: row["value"] for row in rows}

    def history(self, name: str) -> tuple[Entry, ...]:
        """Return every change of a setting, the oldest first."""
        return self.context.trail.entries(kind="setting", subject=name, most=100_000)
