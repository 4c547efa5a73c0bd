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

_PLAIN: Final = frozenset({bool, int, float, str, type(None)})
Flat = list[Any]
Arrays = list[NDArray[Any]]
Writes = Callable[[Any, Flat, Arrays], None]


def digest_of(messages: Sequence[Any]) -> str:
    """Return the SHA-256 of messages, or of whatever they are made of.

    Raises
    ------
    CodecError
        For a type that no message has, and for a float that is not finite.
    """
    flat: Flat = []
    arrays: Arrays = [np.zeros(0)]
    _write_all(messages, flat, arrays)
    numbers = np.concatenate([array.ravel() for array in arrays])
    floats = math.fsum([value for value in flat if type(value) is float])
    if not (math.isfinite(floats) and np.isfinite(numbers).all()):
        raise CodecError("a number is not finite; a message never carries that")
    # Format 2 writes plain values to the last bit, and does not care which of them are one object.
    digest = hashlib.sha256(marshal.dumps(flat, 2))
    digest.update(numbers.tobytes())
    return digest.hexdigest()


class _How(dict[type[Any], Writes]):
    """How values of each type are written; found out once, since messages have few types and many values.

    All goes into one flat list, what holds several values with their count before them; of arrays the shape,
    and they themselves are put aside.
    """

    def __missing__(self, kind: type[Any]) -> Writes:
        if dataclasses.is_dataclass(kind):
            self[kind] = _message(kind)
            return self[kind]
        for bases, how in _WAYS:
            if issubclass(kind, bases):
                self[kind] = how
                return how
        raise CodecError(f"no message holds a {kind.__name__}")


_HOW: Final = _How()


def _write_all(values: Iterable[Any], flat: Flat, arrays: Arrays) -> None:
    for value in values:
        kind = type(value)
        if kind in _PLAIN:
            flat.append(value)
        else:
            _HOW[kind](value, flat, arrays)


def _message(kind: type[Any]) -> Writes:
    name, fields = kind.__name__, [field.name for field in dataclasses.fields(kind)]
    # Of fewer than two names attrgetter would make no tuple.
    several = attrgetter(*fields) if len(fields) > 1 else None

    def write(value: Any, flat: Flat, arrays: Arrays) -> None:
        flat.append(name)
        _write_all(several(value) if several else [getattr(value, field) for field in fields], flat, arrays)

    return write


def _sequence(value: Sequence[Any], flat: Flat, arrays: Arrays) -> None:
    flat.append(len(value))
    _write_all(value, flat, arrays)


def _mapping(value: Mapping[Any, Any], flat: Flat, arrays: Arrays) -> None:
    flat.append(len(value))
    _write_all(value, flat, arrays)
    _write_all(value.values(), flat, arrays)


def _set(value: Set[Any], flat: Flat, arrays: Arrays) -> None:
    members: Flat = []
    _write_all(value, members, arrays)
    flat.append(len(members))
    flat += sorted(members, key=str)


def _array(value: NDArray[Any], flat: Flat, arrays: Arrays) -> None:
    flat.append(value.shape)
    arrays.append(value)


_WAYS: Final[tuple[tuple[type | tuple[type, ...], Writes], ...]] = (
    (Enum, lambda value, flat, _: flat.append(value._value_)),
    ((bool, int, str), lambda value, flat, _: flat.append(value)),
    ((float, np.floating), lambda value, flat, _: flat.append(float(value))),
    (np.integer, lambda value, flat, _: flat.append(int(value))),
    (np.ndarray, _array),
    (Mapping, _mapping),
    (Set, _set),
    (Sequence, _sequence),
)
