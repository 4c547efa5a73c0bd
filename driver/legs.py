"""How one move becomes straight legs on the line: backlash take-up, speed and duration. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from driver.axes import AxisSpec
from driver.phrases import PhraseTable


@dataclass(frozen=True, slots=True)
class Leg:
    """One straight move.

    Attributes
    ----------
    targets : mapping
        Where the axes that move go (axis units, absolute), as the line carries the numbers.
    feed_per_s : float
        Speed along the line of the linear axes (mm/s), or of the rotary ones (deg/s) if only they move.
    duration_s : float
        How long it takes at the speed that is written on the line.
    """

    targets: Mapping[str, float]
    feed_per_s: float
    duration_s: float


def plan_legs(
    axes: Sequence[AxisSpec],
    table: PhraseTable,
    here: Mapping[str, float],
    targets: Mapping[str, float],
    last_way: Mapping[str, int],
) -> list[Leg]:
    """Return the legs of one move; an axis that is there already and needs no take-up does not move.

    Parameters
    ----------
    axes : sequence of AxisSpec
        All axes.
    table : PhraseTable
        Gives the resolution of the line.
    here, targets : mapping
        Where all axes are and where some go (axis units, absolute).
    last_way : mapping
        Sign of each axis's last move, 0 where it is not known.
    """
    moving = [axis for axis in axes if axis.name in targets]
    final = {axis.name: table.on_the_line(axis, targets[axis.name]) for axis in moving}
    first = dict(final)
    for axis in moving:
        if _needs_take_up(axis, final[axis.name] - here[axis.name], last_way.get(axis.name, 0)):
            past = -axis.overshoot if axis.approach_from == "below" else axis.overshoot
            first[axis.name] = table.on_the_line(axis, final[axis.name] + past)
    between = {**here, **first}
    legs = [_leg(moving, table, here, first), _leg(moving, table, between, final)]
    return [leg for leg in legs if leg is not None]


def _needs_take_up(axis: AxisSpec, distance: float, last_way: int) -> bool:
    if axis.approach_from is None:
        return False
    wanted = 1 if axis.approach_from == "below" else -1
    if distance * wanted > 0:
        return last_way != wanted and abs(distance) < axis.overshoot
    return distance != 0 or last_way != wanted


def _leg(
    axes: Sequence[AxisSpec], table: PhraseTable, here: Mapping[str, float], there: Mapping[str, float]
) -> Leg | None:
    moving = [
        axis
        for axis in axes
        if there[axis.name] != here[axis.name]
        and there[axis.name] != table.on_the_line(axis, here[axis.name])
    ]
    if not moving:
        return None
    distance = {axis: there[axis.name] - here[axis.name] for axis in moving}
    shortest_s = max(abs(distance[axis]) / axis.speed_per_s for axis in moving)
    along = [axis for axis in moving if axis.unit == "mm"] or moving
    path = math.hypot(*(distance[axis] for axis in along))
    feed = path / shortest_s
    written = table.feed_on_the_line(feed)
    duration_s = shortest_s if written is None else max(shortest_s, path / written)
    return Leg({axis.name: there[axis.name] for axis in moving}, feed, duration_s)
