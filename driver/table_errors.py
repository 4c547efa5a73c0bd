"""One clear sentence about what is wrong in a phrase table, with key path and nearest valid key."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError


class PhraseTableError(ValueError):
    """A phrase table cannot be used; the message names source, key, what was found and what is allowed."""


def explain(problem: ValidationError, model: type[BaseModel], source: str) -> PhraseTableError:
    """Turn the validator's list of problems into one message about the first of them."""
    details = problem.errors(include_url=False)
    first = details[0]
    path = first["loc"]
    key = ".".join(str(part) for part in path) or "(whole table)"
    if first["type"] == "extra_forbidden":
        reason = f"unknown key; {_keys_hint(str(path[-1]), _model_at(model, path[:-1]))}"
    elif first["type"] == "missing":
        given = first["input"]
        reason = "missing"
        if isinstance(given, dict) and given:
            reason += f"; the table has {', '.join(sorted(map(str, given)))}"
    else:
        message = first["msg"].removeprefix("Value error, ")
        # A model's own message quotes the part that is wrong; the whole table would only hide it.
        found = "" if isinstance(first["input"], dict | list) else f" (found {first['input']!r})"
        reason = f"{message[0].lower()}{message[1:]}{found}"
        reason += _choice_hint(first)
    more = f" ({len(details) - 1} more after it)" if len(details) > 1 else ""
    return PhraseTableError(f"{source}: key {key}: {reason}{more}")


def _choice_hint(detail: Any) -> str:
    expected = detail.get("ctx", {}).get("expected")
    if detail["type"] != "literal_error" or not isinstance(detail["input"], str):
        return ""
    choices = [choice.strip("' ") for choice in expected.replace(" or ", ", ").split(",")]
    near = difflib.get_close_matches(detail["input"], choices, n=1)
    return f"; nearest: {near[0]!r}" if near else ""


def _keys_hint(found: str, model: type[BaseModel]) -> str:
    names = list(model.model_fields)
    near = difflib.get_close_matches(found, names, n=1)
    nearest = f"nearest: {near[0]}; " if near else ""
    return f"{nearest}allowed: {', '.join(names)}"


def _model_at(model: type[BaseModel], path: Sequence[int | str]) -> type[BaseModel]:
    here = model
    for part in path:
        # Places in a list and names of a user's own lead to no other model.
        if isinstance(part, str) and part in here.model_fields:
            here = _inner_model(here.model_fields[part].annotation) or here
    return here


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        if (inner := _inner_model(argument)) is not None:
            return inner
    return None
