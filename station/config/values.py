"""Kinds of value that both files use; every field carries the words that error messages and README show."""

from __future__ import annotations

import math
from typing import Annotated, Any, NoReturn

from pydantic import BaseModel, ConfigDict, Field, PlainValidator
from pydantic_core import PydanticCustomError

from station.config.problems import nearest


class Strict(BaseModel):
    """A table of a file: unknown keys, wrong types, infinities and not-a-number are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


def refuse(key: str, found: object, allowed: str, near: str | None = None) -> NoReturn:
    """Refuse a value from inside a validator; ``key`` is dotted and relative to the table ("" = itself)."""
    raise PydanticCustomError(
        "refused", "refused", {"key": key, "found": str(found), "allowed": allowed, "near": near or ""}
    )


def refuse_unknown(key: str, found: str, names: list[str]) -> NoReturn:
    """Refuse a name that is not one of ``names``, and offer the one that looks most like it."""
    refuse(key, repr(found), "one of " + ", ".join(names), nearest(found, names))


def _radius(value: Any) -> float:
    if value == "plano":
        return math.inf
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not math.isfinite(value) or value == 0:
        refuse("", repr(value), 'a radius in mm other than 0 (positive: centre downstream), or "plano"')
    return float(value)


def _device_factory(value: Any) -> str:
    if not isinstance(value, str) or value.count(":") != 1 or not all(value.split(":")):
        refuse("", repr(value), 'text like "package.module:factory"')
    return str(value)


Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Name = Annotated[str, Field(min_length=1, max_length=80)]
Pair = Annotated[tuple[float, float], Field(strict=False)]
PositiveList = Annotated[tuple[Positive, ...], Field(strict=False)]
RadiusMm = Annotated[float, PlainValidator(_radius)]
FactoryName = Annotated[str, PlainValidator(_device_factory)]
