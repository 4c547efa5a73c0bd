"""A path through a lens as data: which surface, refract or reflect, in order, and its plate."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

from optics.errors import OpticsError


class Action(Enum):
    """What happens to a ray at a surface."""

    REFRACT = "refract"
    REFLECT = "reflect"


class Plate(Enum):
    """The target plate on which a path ends."""

    HOLE_TARGET = "hole target"
    REFERENCE_TARGET = "reference target"


class Step(NamedTuple):
    """One meeting with a surface (counted from 0 at the front)."""

    surface: int
    action: Action


@dataclass(frozen=True, slots=True)
class RayPath:
    """A path through a lens: its steps in order and the plate that it ends on."""

    name: str
    steps: tuple[Step, ...]
    plate: Plate


class SpotPath(Enum):
    """The paths whose spots matter on a bench."""

    FRONT = "front"
    BACK = "back"
    TRANSMITTED = "transmitted"
    GHOST_REFERENCE = "ghost_reference"
    GHOST_HOLE = "ghost_hole"

    __hash__ = object.__hash__  # members are single objects; Enum's own hash is a call in Python


def _pass(first: int, last: int) -> tuple[Step, ...]:
    """Refract at the surfaces from ``first`` to ``last`` inclusive, up or down."""
    way = 1 if last >= first else -1
    return tuple(Step(surface, Action.REFRACT) for surface in range(first, last + way, way))


def return_path(surface: int) -> RayPath:
    """Return the path that is reflected once, at ``surface``, back onto the hole target."""
    there = tuple(Step(number, Action.REFRACT) for number in range(surface))
    steps = (*there, Step(surface, Action.REFLECT), *there[::-1])
    return RayPath(f"return {surface}", steps, Plate.HOLE_TARGET)


@lru_cache(maxsize=128)
def ray_path(path: SpotPath, surface_count: int) -> RayPath:
    """Return the steps of a named path through a lens with ``surface_count`` surfaces.

    The ghosts bounce between the last and the first surface: the brightest ones of a singlet.
    """
    last = surface_count - 1
    inner = tuple(Step(number, Action.REFRACT) for number in range(1, last))
    enter, leave = Step(0, Action.REFRACT), Step(last, Action.REFRACT)
    at_front, at_back = Step(0, Action.REFLECT), Step(last, Action.REFLECT)
    there_and_back = (enter, *inner, at_back, *inner[::-1], at_front, *inner)
    if path is SpotPath.FRONT:
        return replace(return_path(0), name=path.value)
    if path is SpotPath.BACK:
        return replace(return_path(last), name=path.value)
    if path is SpotPath.TRANSMITTED:
        return RayPath(path.value, _pass(0, last), Plate.REFERENCE_TARGET)
    if path is SpotPath.GHOST_REFERENCE:
        return RayPath(path.value, (*there_and_back, leave), Plate.REFERENCE_TARGET)
    return RayPath(path.value, (*there_and_back, at_back, *inner[::-1], enter), Plate.HOLE_TARGET)


class Node(NamedTuple):
    """One hit of a plan; ``parent`` is the number of the hit before it, -1 for the incoming ray."""

    parent: int
    surface: int
    reflect: bool
    way: int
    space_before: int
    space_after: int


class Plan(NamedTuple):
    """The hits of several paths, common beginnings only once, and the hit and plate where each path ends."""

    nodes: tuple[Node, ...]
    ends: tuple[tuple[int, Plate], ...]
    chains: tuple[tuple[int, ...], ...]


@lru_cache(maxsize=256)
def make_plan(paths: tuple[RayPath, ...], surface_count: int) -> Plan:
    """Return the shortest list of hits that serves all paths.

    Raises
    ------
    OpticsError
        If a path jumps over a surface or ends on the wrong side of the lens.
    """
    nodes: list[Node] = []
    known: dict[tuple[Step, ...], int] = {}
    ends, chains = [], []
    for path in paths:
        space, way, parent = 0, 1, -1
        chain = []
        for number, step in enumerate(path.steps):
            if step.surface != (space if way > 0 else space - 1) or step.surface not in range(surface_count):
                raise OpticsError(
                    f"path {path.name!r}: step {number + 1} is at surface {step.surface}, which the ray does "
                    f"not meet next in a lens of {surface_count} surfaces"
                )
            reflect = step.action is Action.REFLECT
            after = space if reflect else space + way
            prefix = path.steps[: number + 1]
            if prefix not in known:
                known[prefix] = len(nodes)
                nodes.append(Node(parent, step.surface, reflect, way, space, after))
            parent = known[prefix]
            chain.append(parent)
            space, way = after, -way if reflect else way
        outside = (0, Plate.HOLE_TARGET) if way < 0 else (surface_count, Plate.REFERENCE_TARGET)
        if not path.steps or (space, path.plate) != outside:
            raise OpticsError(f"path {path.name!r} does not leave the lens towards the {path.plate.value}")
        ends.append((parent, path.plate))
        chains.append(tuple(chain))
    return Plan(tuple(nodes), tuple(ends), tuple(chains))
