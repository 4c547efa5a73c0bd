"""The mount as control sees it: where its axes stand, whence they came, how a move takes up backlash."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from control.messages import Move, MovePurpose
from control.plan import BenchModel
from control.unknowns import Vector

_PAST: Final = 4.0
"""How many standard uncertainties of the backlash a move goes past its target to take it up."""


class Mount:
    """Axis positions and the moves between them.

    Parameters
    ----------
    bench : BenchModel
    axes : ndarray, shape (4,)
        Where the axes stand.

    Attributes
    ----------
    axes, sides : ndarray, shape (4,)
        Positions read back; direction (-1, 0, +1) of each axis's last motion.
    """

    def __init__(self, bench: BenchModel, axes: Vector) -> None:
        self.axes, self.sides = axes, np.zeros(4)
        self._bench = bench
        self._steps = np.array([axis.step for axis in bench.axes])
        self._names = bench.axis_names
        self._second_half: Move | None = None

    def stands_at(self, target: Vector) -> bool:
        """Say whether all axes stand within a step of ``target``."""
        return bool(np.all(np.abs(target - self.axes) <= self._steps))

    def arrived(self, positions: Vector) -> Move | None:
        """Take note of a finished move; return its second half when it has one."""
        ways = zip((positions - self.axes).tolist(), self.sides.tolist(), self._bench.axes, strict=True)
        self.sides = np.array(
            [math.copysign(1.0, way) if abs(way) >= axis.step else side for way, side, axis in ways]
        )
        self.axes = positions
        rest, self._second_half = self._second_half, None
        return rest

    def homed(self, positions: Vector) -> None:
        """Take note that the axes were homed; from which side they came is not known."""
        self.axes, self.sides, self._second_half = positions, np.zeros(4), None

    def move_to(self, target: Vector, why: str, purpose: MovePurpose) -> Move:
        """Return the move, in two halves where an axis must come from below to take up its backlash."""
        final = Move(dict(zip(self._names, target.tolist(), strict=True)), why, purpose)
        past = target.tolist()
        for number, (axis, now) in enumerate(zip(self._bench.axes, self.axes.tolist(), strict=True)):
            if axis.approach_from is None and past[number] < now - axis.step / 2.0:
                millimetres = axis.unit == "mm"
                free = self._bench.backlash_sigma_mm if millimetres else self._bench.backlash_sigma_deg
                past[number] = max(past[number] - _PAST * free, axis.travel_min)
        if past == target.tolist():
            return final
        self._second_half = final
        return Move(
            dict(zip(self._names, past, strict=True)),
            "past the target, to take up the backlash",
            MovePurpose.TAKE_UP,
        )
