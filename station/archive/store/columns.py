"""Column types that store the same value, bit for bit, in SQLite and in PostgreSQL."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import BigInteger, DateTime, Dialect, Integer, Text
from sqlalchemy.types import TypeDecorator

JsonValue = Any


def canonical_json(value: JsonValue) -> str:
    """Return JSON with sorted keys, no blanks, letters as they are and no NaN: one text per value."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    # A lone surrogate (an undecodable byte of a device) has no UTF-8; JSON has an escape for it.
    return text.encode("utf-8", "backslashreplace").decode()


def plain_text(text: str) -> str:
    """Return a text that both databases take: PostgreSQL takes no NUL, neither a lone surrogate."""
    return text.replace("\x00", "\\x00").encode("utf-8", "backslashreplace").decode()


def real(value: float) -> float:
    """Return a float that comes back from both databases as it went in; SQLite drops the sign of -0.0."""
    return float(value) + 0.0


class Json(TypeDecorator[JsonValue]):
    """A JSON value as canonical text: what was hashed is what is stored, whatever the database."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: JsonValue, dialect: Dialect) -> str | None:
        """Write; None is no value at all, not JSON's null."""
        return None if value is None else canonical_json(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> JsonValue:
        """Read."""
        return None if value is None else json.loads(value)


class Words(TypeDecorator[str]):
    """A text for people."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        """Write, as :func:`plain_text` has it."""
        return None if value is None else plain_text(value)


class Utc(TypeDecorator[datetime]):
    """An instant in UTC with microseconds; a time without a zone is refused."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Write; SQLite keeps the text of the UTC time, which sorts as it should."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value} has no time zone")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Read, always with the zone."""
        if value is None:
            return None
        stored: datetime = value
        return stored.replace(tzinfo=UTC) if stored.tzinfo is None else stored.astimezone(UTC)


# SQLite numbers rows by itself only in a column of type INTEGER.
Number = BigInteger().with_variant(Integer(), "sqlite")
