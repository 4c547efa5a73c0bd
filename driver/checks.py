"""Check words over a message, as named choices of a phrase table."""

from __future__ import annotations

import binascii
from collections.abc import Callable, Mapping
from functools import reduce
from operator import xor
from types import MappingProxyType


def crc16(data: bytes) -> int:
    """Return the CRC with polynomial 0x1021 and start value 0xFFFF, most significant bit first.

    Usual CRC catalogues list it as CRC-16/IBM-3740, check value 0x29B1 (from memory).
    """
    return binascii.crc_hqx(data, 0xFFFF)


def xor8(data: bytes) -> int:
    """Return the exclusive or of all bytes."""
    return reduce(xor, data, 0)


def sum8(data: bytes) -> int:
    """Return the sum of all bytes modulo 256."""
    return sum(data) & 0xFF


CHECKS: Mapping[str, tuple[Callable[[bytes], int], int]] = MappingProxyType(
    {"crc16": (crc16, 4), "xor": (xor8, 2), "sum8": (sum8, 2)}
)
"""Name in the phrase table to (function, number of capital hexadecimal digits on the line)."""
