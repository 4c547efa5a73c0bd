"""What is concluded from one look, and what has been done so far since the lens is in."""

from __future__ import annotations

from dataclasses import dataclass, field

from control.messages import Action
from control.states import Event


@dataclass(frozen=True, slots=True)
class Turn:
    """What was concluded from an observation, in order, and what to do next."""

    concluded: tuple[Event, ...]
    action: Action


@dataclass(slots=True)
class Tally:
    """What has been done so far since the lens is in."""

    steps: int = 0
    tests: list[int] = field(default_factory=list)
    verified: int = 0
    scans: int = 0
    settles: int = 0
    doubts: int = 0
    swapped: int = 0
    restarts: int = 0
    homed_again: bool = False
    looked_again: bool = False
    due: int = 0
    returns: int = 0
    weighed: int = 0
