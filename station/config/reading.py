"""Reads a TOML file into its model; everything that is wrong ends in one :class:`BadInput`."""

from __future__ import annotations

import tomllib
import types
import typing
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from station.config.places import key_lines, line_of
from station.config.problems import BadInput, Key, dotted, nearest

Model = TypeVar("Model", bound=BaseModel)
_LONGEST_FOUND = 160
_MAX_FILE_BYTES = 1_000_000
_PLAIN = {
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "text in quotes",
    "tuple_type": "numbers in brackets, like [1.0, 2.0]",
    "list_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
}


def read_text(path: Path) -> str:
    """Return the text of a configuration file.

    Raises
    ------
    BadInput
        When there is no such file, or it is not UTF-8 text of a sensible size.
    """
    name = str(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        siblings = [entry.name for entry in path.parent.glob("*.toml")] if path.parent.is_dir() else []
        raise BadInput(
            name,
            "",
            found="no such file",
            allowed="a readable TOML file",
            nearest=nearest(path.name, siblings),
        ) from None
    except OSError as error:
        raise BadInput(
            name, "", found=error.strerror or str(error), allowed="a readable TOML file"
        ) from error
    if len(data) > _MAX_FILE_BYTES:
        raise BadInput(name, "", found=f"{len(data)} bytes", allowed=f"at most {_MAX_FILE_BYTES} bytes")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise BadInput(name, "", line=line, found="bytes that are not UTF-8", allowed="UTF-8 text") from error


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """Parse TOML; ``name`` is the file's name in messages.

    Raises
    ------
    BadInput
        With the line, when the text is not TOML.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, _, where = str(error).rpartition(" (at ")
        digits = where.removeprefix("line ").split(",")[0]
        line = int(digits) if digits.isdigit() else None
        raise BadInput(
            name, "", line=line, found=what or str(error), allowed="TOML (toml.io, version 1.0)"
        ) from error
    except (ValueError, RecursionError) as error:
        # Integers of thousands of digits, brackets in brackets in brackets: the library says no line.
        raise BadInput(name, "", found=str(error), allowed="TOML (toml.io, version 1.0)") from error


def read_model(model: type[Model], text: str, name: str) -> Model:
    """Parse and check a configuration text; ``name`` is the file's name in messages.

    Raises
    ------
    BadInput
        For the first problem in the file; misspelt keys come before the keys that they leave missing.
    """
    data = parse_toml(text, name)
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise _first_problem(model, error.errors(include_url=False), text, name) from None


def _first_problem(model: type[BaseModel], errors: list[ErrorDetails], text: str, name: str) -> BadInput:
    places = key_lines(text)

    def order(error: ErrorDetails) -> tuple[bool, int]:
        line = line_of(places, _key(model, error["loc"]))
        return error["type"] == "missing", 0 if line is None else line

    first = min(errors, key=order)
    count = len({_key(model, error["loc"]) for error in errors})
    return _problem(model, first, places, name, others=count - 1)


def _problem(
    model: type[BaseModel], error: ErrorDetails, places: dict[Key, int], name: str, *, others: int
) -> BadInput:
    key = _key(model, error["loc"])
    kind = error["type"]
    context = error.get("ctx", {})
    near = None
    if kind == "extra_forbidden":
        names = _field_names(model, key[:-1])
        found, allowed = f"unknown key {key[-1]!r}", ", ".join(names)
        near = nearest(str(key[-1]), names)
    elif kind == "missing":
        found, allowed = "nothing: the key is missing", _describe(model, key)
    elif kind == "value_error":
        found, allowed = _shown(error["input"]), error["msg"].removeprefix("Value error, ")
    elif kind == "refused":
        key = (*key, *(part for part in context["key"].split(".") if part))
        found, allowed, near = context["found"], context["allowed"], context["near"] or None
    else:
        found, allowed = (
            _shown(error["input"]),
            _PLAIN.get(kind, error["msg"].removeprefix("Input should be ")),
        )
        if kind == "literal_error":
            names = [part.strip("'") for part in context["expected"].replace(" or ", ", ").split(", ")]
            near = nearest(str(error["input"]), names)
        about = _describe(model, key)
        allowed += f" ({about})" if about else ""
    return BadInput(
        name,
        dotted(key),
        line=line_of(places, key),
        found=found[:_LONGEST_FOUND],
        allowed=allowed,
        nearest=near,
        others=others,
    )


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return f"{str(value).lower()} (a truth value)"
    if isinstance(value, str):
        return f"{value!r} (text)"
    if isinstance(value, dict):
        return "a table"
    return repr(value)


def _inner(annotation: Any) -> Any:
    """Return what a list, an optional or an annotated type is made of."""
    while typing.get_origin(annotation) is not None:
        arguments = [
            part
            for part in typing.get_args(annotation)
            if part is not types.NoneType and (isinstance(part, type) or typing.get_origin(part) is not None)
        ]
        if not arguments:
            break
        annotation = arguments[0]
    return annotation


def _owner(model: type[BaseModel], key: Key) -> tuple[type[BaseModel] | None, str]:
    """Return the model that holds the last name of ``key``, and that name."""
    names = [part for part in key if isinstance(part, str)]
    owner: type[BaseModel] | None = model
    for name in names[:-1]:
        field = owner.model_fields.get(name) if owner else None
        inner = _inner(field.annotation) if field else None
        owner = inner if isinstance(inner, type) and issubclass(inner, BaseModel) else None
    return owner, names[-1] if names else ""


def _field_names(model: type[BaseModel], key: Key) -> list[str]:
    owner, _ = _owner(model, (*key, "-"))
    return list(owner.model_fields) if owner else []


def _describe(model: type[BaseModel], key: Key) -> str:
    owner, name = _owner(model, key)
    field = owner.model_fields.get(name) if owner else None
    if field is None:
        return ""
    if field.description:
        return field.description
    inner = _inner(field.annotation)
    if isinstance(inner, type) and issubclass(inner, BaseModel):
        return f"a table with {', '.join(inner.model_fields)}"
    return ""


def _key(model: type[BaseModel], location: tuple[int | str, ...]) -> Key:
    """Drop from a validator's location the parts that are no keys of the file (names of union members)."""
    key: Key = ()
    for part in location:
        if isinstance(part, str) and key:
            owner, name = _owner(model, (*key, part))
            if owner is None or (name not in owner.model_fields and part in ("int", "str", "float")):
                continue
        key = (*key, part)
    return key
