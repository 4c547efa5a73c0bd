"""Errors of a centre by speckle: the same while the spot stays, others where it goes."""

from __future__ import annotations

import hashlib
import math
import struct
from typing import Final

import numpy as np

_FRESH: Final = 0.2  # share of the error (root of its variance) that is not speckle and new in every look
_STILL: Final = math.sqrt(1.0 - _FRESH**2)
_TWO_WORDS: Final = struct.Struct("<QQ")


class SpeckleErrors:
    """Standard normal errors over a lattice of spot positions, mixed as :class:`sim.speckle.SpeckleMap` does.

    Parameters
    ----------
    move_mm : float
        A spot that moved this far has another speckle.
    rng : numpy.random.Generator
        For what is new in every look.
    """

    def __init__(self, move_mm: float, rng: np.random.Generator) -> None:
        self._move_mm, self._rng = move_mm, rng

    def at(self, pattern: bytes, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return two standard normal numbers that change smoothly as the spot moves, as its speckle does.

        Parameters
        ----------
        pattern : bytes
            Names bench, plate and spot: others have other speckle.
        x_mm, y_mm : float
            Where the spot is.
        """
        x, y = x_mm / self._move_mm, y_mm / self._move_mm
        column, row = math.floor(x), math.floor(y)
        wx, wy = (x - column) * (math.pi / 2), (y - row) * (math.pi / 2)
        right, up = math.sin(wx), math.sin(wy)
        left, down = math.cos(wx), math.cos(wy)
        a_x, a_y = _node(pattern, column, row)
        b_x, b_y = _node(pattern, column, row + 1)
        c_x, c_y = _node(pattern, column + 1, row)
        d_x, d_y = _node(pattern, column + 1, row + 1)
        still_x = left * (down * a_x + up * b_x) + right * (down * c_x + up * d_x)
        still_y = left * (down * a_y + up * b_y) + right * (down * c_y + up * d_y)
        fresh_x, fresh_y = self._rng.standard_normal(), self._rng.standard_normal()
        return _STILL * still_x + _FRESH * fresh_x, _STILL * still_y + _FRESH * fresh_y


def _node(pattern: bytes, column: int, row: int) -> tuple[float, float]:
    """Return the two normal numbers of a node (Box and Muller's formula, 53 bits each)."""
    digest = hashlib.blake2b(b"%b %d %d" % (pattern, column, row), digest_size=16).digest()
    one, two = _TWO_WORDS.unpack(digest)
    length = math.sqrt(-2.0 * math.log(((one >> 11) + 1) * 2.0**-53))  # never of 0
    angle = 2.0 * math.pi * ((two >> 11) * 2.0**-53)
    return length * math.cos(angle), length * math.sin(angle)
