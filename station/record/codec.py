"""Control's messages as JSON and back, exactly: what a record holds replays the run bit for bit.

Every dataclass becomes ``{"is": "<class>", ...fields}``; enums become their value, arrays nested lists. The
decoder is driven by the type hints of the messages, so a new field needs no change here.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Callable, Mapping, Sequence, Set
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from control import messages
from control.messages import Action, Observation
from vision.spots import Expectation, NoSpot, Spot

JsonValue = None | bool | int | float | str | list["JsonValue"] | dict[str, "JsonValue"]

_TYPES: dict[str, type] = {
    cls.__name__: cls
    for cls in (
        *typing.get_args(messages.Observation),
        *typing.get_args(messages.Action),
        messages.Verdict,
        Spot,
        NoSpot,
        Expectation,
    )
}


class CodecError(ValueError):
    """A JSON value that is not one of the messages, or a message that JSON cannot carry."""


def encode(value: Any) -> JsonValue:
    """Return a message, or any part of one, as plain JSON values.

    Raises
    ------
    CodecError
        For a type that no message has, and for a float that is not finite.
    """
    return _HOW[type(value)](value)


class _How(dict[type[Any], Callable[[Any], JsonValue]]):
    """How values of each type become JSON; found out once, since a record has few types and many values."""

    def __missing__(self, kind: type[Any]) -> Callable[[Any], JsonValue]:
        if kind.__name__ in _TYPES and dataclasses.is_dataclass(kind):
            self[kind] = _message_encoder(kind)
            return self[kind]
        for bases, how in _WAYS:
            if issubclass(kind, bases):
                self[kind] = how
                return how
        raise CodecError(f"no message holds a {kind.__name__}")


_HOW = _How()


def _message_encoder(kind: type[Any]) -> Callable[[Any], JsonValue]:
    names = [field.name for field in dataclasses.fields(kind)]

    def encoded(value: Any) -> JsonValue:
        data: dict[str, JsonValue] = {"is": kind.__name__}
        for name in names:
            part = getattr(value, name)
            data[name] = _HOW[type(part)](part)
        return data

    return encoded


def _as_it_is(value: Any) -> JsonValue:
    return value  # type: ignore[no-any-return]  # one of the types that JSON knows


def _encode_float(value: Any) -> JsonValue:
    if not math.isfinite(value):
        raise CodecError(f"{value} is not finite; a message never carries that")
    return float(value)


def _encode_array(value: NDArray[Any]) -> JsonValue:
    plain = value.tolist()
    if value.dtype == np.float64 and value.ndim and all(map(math.isfinite, value.ravel().tolist())):
        return plain  # type: ignore[no-any-return]  # lists of floats
    return encode(plain)


def _encode_mapping(value: Mapping[Any, Any]) -> JsonValue:
    return {str(_HOW[type(key)](key)): _HOW[type(part)](part) for key, part in value.items()}


def _encode_set(value: Set[Any]) -> JsonValue:
    return sorted([encode(part) for part in value], key=str)


def _encode_sequence(value: Sequence[Any]) -> JsonValue:
    return [_HOW[type(part)](part) for part in value]


_WAYS: tuple[tuple[type | tuple[type, ...], Callable[[Any], JsonValue]], ...] = (
    (Enum, lambda value: encode(value.value)),
    ((type(None), bool, int, str), _as_it_is),
    ((float, np.floating), _encode_float),
    (np.integer, int),
    (np.ndarray, _encode_array),
    (Mapping, _encode_mapping),
    (Set, _encode_set),
    (Sequence, _encode_sequence),
)


def decode(data: JsonValue) -> Any:
    """Return the message that :func:`encode` made ``data`` from.

    Raises
    ------
    CodecError
        When ``data`` is not a message of this version.
    """
    name = data.get("is") if isinstance(data, dict) else type(data).__name__
    if not isinstance(data, dict) or not isinstance(name, str) or name not in _TYPES:
        raise CodecError(f"{name!r} is not a message; known are {', '.join(sorted(_TYPES))}")
    cls = _TYPES[name]
    hints = typing.get_type_hints(cls)
    given = {key: part for key, part in data.items() if key != "is"}
    unknown = sorted(set(given) - set(hints))
    if unknown:
        raise CodecError(f"{cls.__name__} has no field {unknown[0]!r}")
    try:
        return cls(**{key: _decode_as(hints[key], part) for key, part in given.items()})
    except (TypeError, ValueError, KeyError, AttributeError, OverflowError, RecursionError) as error:
        raise CodecError(f"{cls.__name__}: {error}") from error


def decode_observation(data: JsonValue) -> Observation:
    """Return the observation in ``data``; :class:`CodecError` when it is none."""
    message = decode(data)
    if not isinstance(message, typing.get_args(Observation)):
        raise CodecError(f"{type(message).__name__} is not an observation")
    return typing.cast("Observation", message)


def decode_action(data: JsonValue) -> Action:
    """Return the action in ``data``; :class:`CodecError` when it is none."""
    message = decode(data)
    if not isinstance(message, typing.get_args(Action)):
        raise CodecError(f"{type(message).__name__} is not an action")
    return typing.cast("Action", message)


def _decode_as(hint: Any, data: Any) -> Any:
    """Return ``data`` as the type that ``hint`` names."""
    if isinstance(data, dict) and "is" in data:
        return decode(data)
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        inner = next(part for part in arguments if part is not types.NoneType)
        return None if data is None else _decode_as(inner, data)
    if origin is np.ndarray:
        return np.asarray(data, dtype=np.float64)
    if origin is not None:
        return _decode_container(origin, arguments, data)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint(data)
    return float(data) if hint is float else data


def _decode_container(origin: Any, arguments: tuple[Any, ...], data: Any) -> Any:
    if origin is tuple:
        inner = [arguments[0]] * len(data) if arguments[-1] is Ellipsis else arguments
        return tuple(_decode_as(part, value) for part, value in zip(inner, data, strict=True))
    if origin is frozenset:
        return frozenset(_decode_as(arguments[0], part) for part in data)
    if issubclass(origin, Mapping):
        return {_decode_as(arguments[0], key): _decode_as(arguments[1], part) for key, part in data.items()}
    raise CodecError(f"no message holds a {origin.__name__}")
