"""The looks that a posterior rests on, side by side in arrays."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from control.model import LensModel
from control.unknowns import UNSEEN_MM2, Coordinates, Vector


def _none(*shape: int) -> Vector:
    return np.empty((0, *shape))


class Sights(NamedTuple):
    """The arrays of :class:`Looks` that a fit reads, and the number of the present stand."""

    axes: Vector
    sides: Vector
    stands: NDArray[np.int64]
    values: Vector
    noise: Vector
    seen: NDArray[np.bool_]
    at: Vector
    traced: Vector
    slopes: Vector
    stand: int


@dataclass(slots=True, eq=False)
class Looks:
    """Where the mount stood, what was seen, and the trace there; n looks.

    Attributes
    ----------
    axes, sides : ndarray, shape (n, 4)
        Positions read back, and from which side (-1, 0, +1) each axis came.
    stands : ndarray of int, shape (n,)
        Counts up with every move.
    renamed : ndarray of bool, shape (n,)
        Whether front and back bear each other's names as vision gave them.
    values, noise, seen : ndarray, shape (n, 6), (n, 6, 6), (n, 6)
        Spots in mm, their covariance, and which coordinates were seen.
    at, traced, slopes : ndarray, shape (n, 4), (n, 6), (n, 6, 4)
        Poses at which the lens was traced, the spots there and their sensitivities.
    """

    axes: Vector = field(default_factory=lambda: _none(4))
    sides: Vector = field(default_factory=lambda: _none(4))
    stands: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    renamed: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=bool))
    values: Vector = field(default_factory=lambda: _none(6))
    noise: Vector = field(default_factory=lambda: _none(6, 6))
    seen: NDArray[np.bool_] = field(default_factory=lambda: np.empty((0, 6), dtype=bool))
    at: Vector = field(default_factory=lambda: _none(4))
    traced: Vector = field(default_factory=lambda: _none(6))
    slopes: Vector = field(default_factory=lambda: _none(6, 4))
    _room: list[NDArray[Any]] | None = field(default=None, init=False)
    """Longer arrays of which those above are the beginnings, so that a look more is written behind them."""

    def __len__(self) -> int:
        return len(self.axes)

    def sights(self, stand: int) -> Sights:
        """Return what a fit reads; ``stand`` is the present one."""
        return Sights(
            self.axes,
            self.sides,
            self.stands,
            self.values,
            self.noise,
            self.seen,
            self.at,
            self.traced,
            self.slopes,
            stand,
        )

    def append(
        self, axes: Vector, sides: Vector, stand: int, spots: Coordinates, *, renamed: bool = False
    ) -> None:
        """Add a look that is yet to be traced."""
        count = len(self)
        if self._room is None or count == len(self._room[0]):
            self._room = [_roomier(getattr(self, name)) for name in _ARRAYS]
        row = (axes, sides, stand, renamed, *spots, 0.0, 0.0, 0.0)
        for name, room, values in zip(_ARRAYS, self._room, row, strict=True):
            room[count] = values
            setattr(self, name, room[: count + 1])

    def trace(self, lens: LensModel, which: NDArray[np.bool_] | slice, poses: Vector) -> None:
        """Trace some looks anew, at ``poses``."""
        self.at[which] = poses
        self.traced[which], self.slopes[which] = lens.linearise(poses)

    def copied(self) -> Looks:
        """Return a copy that shares nothing with this one."""
        return Looks(*(getattr(self, name).copy() for name in _ARRAYS))

    def exchanged(self, which: slice | NDArray[np.bool_]) -> Looks:
        """Return a copy in which front and back return have changed places in some looks."""
        order = [2, 3, 0, 1, 4, 5]
        rest = self.copied()
        rest.values[which], rest.seen[which] = rest.values[which][:, order], rest.seen[which][:, order]
        rest.noise[which] = rest.noise[which][:, order][:, :, order]
        rest.renamed[which] = ~rest.renamed[which]
        return rest

    def blind_to(self, part: slice) -> Looks:
        """Return a copy in which two of the six coordinates were never seen."""
        rest = self.copied()
        rest.seen[:, part] = False
        rest.noise[:, part, :] = rest.noise[:, :, part] = 0.0
        rest.noise[:, part, part] = np.eye(2) * UNSEEN_MM2
        return rest


_ARRAYS: Final = tuple(name for name in Looks.__slots__ if name != "_room")


def _roomier(values: NDArray[Any]) -> NDArray[Any]:
    """Return values with room for as many again behind them, a dozen at least."""
    room = np.zeros((max(2 * len(values), 12), *values.shape[1:]), dtype=values.dtype)
    room[: len(values)] = values
    return room


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The looks, whitened: what least squares works on.

    Attributes
    ----------
    by : ndarray, shape (n, 6, unknowns)
        Derivatives of the spots, mm per unknown.
    root : ndarray, shape (n, 6, 6)
        Lower triangular; root^T times a deviation in mm is in standard uncertainties.
    residual : ndarray, shape (n, 6)
        Measured less modelled, mm; 0 where unseen.
    misfit : float
        Weighted sum of the squared residuals.
    count : int
        Coordinates seen.
    """

    by: Vector
    root: Vector
    residual: Vector
    misfit: float
    count: int

    def whiten(self, deviations: Vector) -> Vector:
        """Return deviations (n, 6, m) in mm as rows (6 n, m) in standard uncertainties."""
        rows: Vector = self.root.transpose(0, 2, 1) @ deviations
        return rows.reshape(-1, deviations.shape[-1])
