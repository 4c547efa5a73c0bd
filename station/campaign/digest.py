"""A digest of messages: equal ones have equal digests, and any value that differs makes another.

The values are hashed as they stand in the messages, without the names that a record on disk has beside them:
a campaign takes a digest of every record and reads none of them.
"""

from __future__ import annotations

import dataclasses
import hashlib
import marshal
import math
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from enum import Enum
from operator import attrgetter
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from station.record.codec import CodecError

_PLAIN: Final = frozenset({bool, int, str, type(None)})
Flattens = Callable[[Any, list[NDArray[Any]]], Any]


def digest_of(messages: Sequence[Any]) -> str:
    """Return the SHA-256 of messages, or of whatever they are made of.

    Raises
    ------
    CodecError
        For a type that no message has, and for a float that is not finite.
    """
    arrays: list[NDArray[Any]] = [np.zeros(0)]
    # Format 2 writes plain values to the last bit, and does not care which of them are one object.
    digest = hashlib.sha256(marshal.dumps(_sequence(messages, arrays), 2))
    numbers = np.concatenate([array.ravel() for array in arrays])
    if not np.isfinite(numbers).all():
        raise CodecError("an array has values that are not finite; a message never carries that")
    digest.update(numbers.tobytes())
    return digest.hexdigest()


class _How(dict[type[Any], Flattens]):
    """How values of each type are flattened; found out once, since messages have few types and many values.

    Where an array stands only its shape is written; the arrays themselves are put aside.
    """

    def __missing__(self, kind: type[Any]) -> Flattens:
        if dataclasses.is_dataclass(kind):
            self[kind] = _message(kind)
            return self[kind]
        for bases, how in _WAYS:
            if issubclass(kind, bases):
                self[kind] = how
                return how
        raise CodecError(f"no message holds a {kind.__name__}")


_HOW: Final = _How()


def _message(kind: type[Any]) -> Flattens:
    name, fields = kind.__name__, [field.name for field in dataclasses.fields(kind)]
    if len(fields) < 2:  # of which attrgetter would make no tuple
        return lambda value, arrays: [name, *_sequence([getattr(value, field) for field in fields], arrays)]
    parts = attrgetter(*fields)
    return lambda value, arrays: [name, _sequence(parts(value), arrays)]


def _sequence(values: Iterable[Any], arrays: list[NDArray[Any]]) -> list[Any]:
    return [part if type(part) in _PLAIN else _HOW[type(part)](part, arrays) for part in values]


def _finite(value: Any, _: list[NDArray[Any]]) -> float:
    if not math.isfinite(value):
        raise CodecError(f"{value} is not finite; a message never carries that")
    return float(value)


def _array(value: NDArray[Any], arrays: list[NDArray[Any]]) -> Any:
    arrays.append(value)
    return value.shape


def _mapping(value: Mapping[Any, Any], arrays: list[NDArray[Any]]) -> Any:
    return [_sequence(value, arrays), _sequence(value.values(), arrays)]


def _set(value: Set[Any], arrays: list[NDArray[Any]]) -> Any:
    return sorted(_sequence(value, arrays), key=str)


_WAYS: Final[tuple[tuple[type | tuple[type, ...], Flattens], ...]] = (
    (Enum, lambda value, _: value._value_),
    ((bool, int, str), lambda value, _: value),
    ((float, np.floating), _finite),
    (np.integer, lambda value, _: int(value)),
    (np.ndarray, _array),
    (Mapping, _mapping),
    (Set, _set),
    (Sequence, _sequence),
)
