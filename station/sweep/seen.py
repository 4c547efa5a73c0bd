"""What was seen of one run, for the oracle."""

from __future__ import annotations

from dataclasses import dataclass, field

from control.messages import Finish
from driver.port import Direction
from sim.truth import BenchTruth
from station.config import Setup
from station.sweep.cases import Case, Counts
from station.sweep.striking import StruckRecord


@dataclass(frozen=True, slots=True)
class Passed:
    """Bytes that passed on the line, in bench time, and the call of the line in which they did."""

    way: Direction
    data: bytes
    time_s: float
    call: int


@dataclass(frozen=True, slots=True)
class Begun:
    """A motion that the mount began, whether the beam was let through then, and whether it meets a switch."""

    homing: bool
    time_s: float
    shutter_open: bool
    shutter_stuck: bool
    onto_switch: bool


@dataclass(slots=True)
class Seen:
    """What was seen of one run.

    Attributes
    ----------
    finish : Finish or None
        None where the run raised.
    crash : str
        Why it raised.
    end_s, first_fault_s : float
        Bench time at the end and when the first fault was told; the latter infinite where none was.
    passed : list of Passed
    begun : list of Begun
    decided_calls : list of int
        For each decision of control, the call of the line that came next.
    unsaved_calls : list of int
        Calls of the line at which a step was being done that was not yet safe.
    frames : list of (int, str)
        Frames that were measured: index of the grab, and what it was for.
    wrong_frames : list of str
        Frames that were measured and should not have been.
    untrue_positions : list of str
        Positions told to control at which the axes do not stand.
    at_verdict, at_end : BenchTruth or None
        The truth in the last frame of the beam through the lens that was measured, and after the end.
    at_verdict_s : float
        Bench time of that exposure.
    moving, shutter_open : bool
        After the end; the latter only where it was so already when the controller was asked last.
    """

    case: Case
    setup: Setup
    record: StruckRecord
    finish: Finish | None = None
    crash: str = ""
    end_s: float = 0.0
    first_fault_s: float = float("inf")
    passed: list[Passed] = field(default_factory=list)
    begun: list[Begun] = field(default_factory=list)
    decided_calls: list[int] = field(default_factory=list)
    unsaved_calls: list[int] = field(default_factory=list)
    frames: list[tuple[int, str]] = field(default_factory=list)
    wrong_frames: list[str] = field(default_factory=list)
    untrue_positions: list[str] = field(default_factory=list)
    at_verdict: BenchTruth | None = None
    at_end: BenchTruth | None = None
    at_verdict_s: float = 0.0
    moving: bool = False
    shutter_open: bool = False
    counts: Counts = field(default_factory=lambda: Counts((), (), 0, 0, 0, 0, 0, 0, 0))
