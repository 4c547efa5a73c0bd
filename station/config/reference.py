"""The reference of both files as Markdown: ``python -m station.config.reference > docs/configuration.md``."""

from __future__ import annotations

import sys
import types
import typing
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from station.config.bench import BenchTable
from station.config.recipe import RecipeTable

_HEAD = """\
# The two configuration files

Generated from `station/config` by `python -m station.config.reference`; a test keeps it true. Whole examples:
`station/examples/BENCH.toml` and `station/examples/RECIPE.toml`, or `coincide example FOLDER`.

Both files are TOML. Unknown keys are errors, and so are infinities and not-a-number. Lengths are in the unit
that the key names. World frame: z along the beam, the hole target at z = 0; looking at the hole target's rear
face, x is to the right and y is up, and every place on a plate uses these x and y.
"""
_PLAIN = {"float": "number", "int": "whole number", "str": "text", "bool": "true or false"}


def reference_text() -> str:
    """Return the reference of BENCH.toml and RECIPE.toml."""
    parts = [_HEAD]
    for title, model in (("BENCH.toml", BenchTable), ("RECIPE.toml", RecipeTable)):
        parts.append(f"## {title}\n")
        for path, table in _tables(model, ""):
            parts.append(_table_text(path, table))
    return "\n".join(parts)


def _tables(model: type[BaseModel], path: str) -> Iterator[tuple[str, type[BaseModel]]]:
    yield path, model
    for name, field in model.model_fields.items():
        inner, many = _model_in(field.annotation)
        if inner is not None:
            yield from _tables(inner, f"{path}.{name}".lstrip(".") + ("[]" if many else ""))


def _model_in(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """Return the table that a field holds, and whether it holds a list of them."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    if typing.get_origin(annotation) is list:
        inner = typing.get_args(annotation)[0]
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            return inner, True
    return None, False


def _table_text(path: str, table: type[BaseModel]) -> str:
    rows = [
        f"| `{name}` | {_kind(field)} | {_default(field)} | {field.description or ''} |"
        for name, field in table.model_fields.items()
        if _model_in(field.annotation)[0] is None
    ]
    about = (table.__doc__ or "").strip().splitlines()[0]
    head = (
        f"### `[{path}]`\n"
        if path and not path.endswith("[]")
        else f"### `[[{path[:-2]}]]`\n"
        if path
        else ""
    )
    if not rows:
        return f"{head}\n{about}\n"
    return "\n".join([head, about, "", "| key | value | default | meaning |", "|---|---|---|---|", *rows, ""])


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "needed"
    default = field.get_default(call_default_factory=True)
    if default is None or default is PydanticUndefined:
        return ""
    if isinstance(default, tuple | list):
        return f"`{list(default)}`"
    return f"`{default:.6g}`" if isinstance(default, float) else f"`{default}`"


def _kind(field: FieldInfo) -> str:
    kind = _words(field.annotation)
    limits = [str(limit) for part in field.metadata if (limit := _limit(part))]
    return f"{kind} {', '.join(limits)}".strip()


def _limit(part: Any) -> str:
    signs = (("gt", ">"), ("ge", "\u2265"), ("lt", "<"), ("le", "\u2264"))
    return ", ".join(
        f"{sign} {getattr(part, name):g}" for name, sign in signs if getattr(part, name, None) is not None
    )


def _words(annotation: Any) -> str:
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _words(arguments[0])
    if origin is typing.Literal:
        return " or ".join(f'"{value}"' for value in arguments)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(_words(part) for part in arguments if part is not types.NoneType)
    if origin in (list, tuple):
        inner = [part for part in arguments if part is not Ellipsis]
        return f"list of {len(inner)}" if len(inner) > 1 else f"list of {_words(inner[0])}"
    if origin is dict:
        return "table"
    return _PLAIN.get(getattr(annotation, "__name__", ""), str(annotation))


if __name__ == "__main__":
    sys.stdout.write(reference_text())
