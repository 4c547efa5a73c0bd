"""Holding one lens on the axis for hours: looks at intervals, corrections outside a dead band, no others.

A lens that drifts in its mount and a beam that drifts look alike in one spot, but not in all three: a lens
has four degrees of freedom and the spots six coordinates. What the two that are left over say, beyond their
uncertainty, cannot come from the lens; then the beam (or a plate, or a camera) has moved, and the lens is
left alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from control.messages import (
    Action,
    Faulted,
    Finish,
    Look,
    Looked,
    Move,
    Moved,
    MovePurpose,
    Observation,
    OperatorStopped,
    Outcome,
    Started,
    Wait,
    Waited,
)
from control.still import Found, StillLens
from control.unknowns import Vector
from control.verdict import TO_UM_ARCSEC

_BLIND_LOOKS: Final = 5
_DOUBT: Final = 1e-4


class Drift(Enum):
    """What a look says has moved since the last one that was in order."""

    NOTHING = "nothing"
    LENS = "lens"
    BEAM = "beam"


@dataclass(frozen=True, slots=True)
class HoldPlan:
    """How a lens is held.

    Attributes
    ----------
    every_s : float
        Interval of looks.
    dead_um, dead_arcsec : float
        Offsets (radial) that are not corrected.
    correct_um, correct_arcsec : float
        Larger offsets end the hold: something happened that is no drift.
    hours : float
        How long.
    """

    every_s: float = 60.0
    dead_um: float = 5.0
    dead_arcsec: float = 8.0
    correct_um: float = 100.0
    correct_arcsec: float = 200.0
    hours: float = 8.0

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} is {value}, allowed is a finite number above 0")
        if self.correct_um <= self.dead_um or self.correct_arcsec <= self.dead_arcsec:
            raise ValueError("the largest correction must be larger than the dead band")


@dataclass(frozen=True, slots=True, eq=False)
class HeldLook:
    """One look of the hold.

    Attributes
    ----------
    time_s : float
    pose : ndarray, shape (4,)
        Of the lens against the beam: um, um, arcsec, arcsec.
    expanded_um, expanded_arcsec : float
    beam_um : tuple of float, or None
        Where the transmitted spot lands away from where the returns say it must: the beam's own movement on
        the reference target, as far as it shows there; None where not all spots were seen.
    drift : Drift
    corrected : bool
    """

    time_s: float
    pose: Vector
    expanded_um: float
    expanded_arcsec: float
    beam_um: tuple[float, float] | None
    drift: Drift
    corrected: bool


class Holder:
    """Decides the holding of one lens; fulfils what the runner asks of control.

    Parameters
    ----------
    plan : HoldPlan
    lens : StillLens
        Of the alignment.
    positions : mapping of str to float
        Where the mount stands.

    Attributes
    ----------
    looks : list of HeldLook
    """

    def __init__(self, plan: HoldPlan, lens: StillLens, positions: Mapping[str, float]) -> None:
        self.plan, self.lens = plan, lens
        self.looks: list[HeldLook] = []
        self._axes = self._vector(positions)
        self._begun_s = self._next_s = 0.0
        self._blind = 0
        self._finished: Finish | None = None

    def next_action(self, observation: Observation) -> Action:
        """Answer an observation; ``Finish`` once it has ended, and the same ever after."""
        if self._finished is not None:
            return self._finished
        try:
            action = self._answer(observation)
        except Exception as error:  # whatever fails in here, the mount must be told to stop
            action = Finish(Outcome.STOPPED, f"internal error: {type(error).__name__}: {error}", "report it")
        if isinstance(action, Finish):
            self._finished = action
        return action

    def _answer(self, seen: Observation) -> Action:
        match seen:
            case Started(time_s=time_s):
                self._begun_s = self._next_s = time_s
                return self._look()
            case Looked(positions=positions):
                self._axes = self._vector(positions)
                return self._looked(seen)
            case Moved(positions=positions, time_s=time_s):
                self._axes = self._vector(positions)
                return self._wait(time_s)
            case Waited():
                return self._look()
        return _stopped(seen)

    def _looked(self, seen: Looked) -> Action:
        found = self.lens.found(self._axes, seen.sightings)
        self._blind = 0 if found is not None else self._blind + 1
        if found is None:
            if self._blind >= _BLIND_LOOKS:
                why = f"the lens was not seen in {self._blind} looks"
                return Finish(Outcome.STOPPED, why, "see whether beam and lens are there")
            return self._wait(seen.time_s)
        return self._judged(found, seen.time_s)

    def _judged(self, found: Found, time_s: float) -> Action:
        pose: Vector = found.pose.mean * TO_UM_ARCSEC
        um, arcsec = math.hypot(*pose[:2]), math.hypot(*pose[2:])
        outside = um > self.plan.dead_um or arcsec > self.plan.dead_arcsec
        beam = found.agreement is not None and found.agreement.probability < _DOUBT
        drift = Drift.BEAM if beam else Drift.LENS if outside else Drift.NOTHING
        correct = drift is Drift.LENS
        beam_um = (
            None
            if found.apart_mm is None
            else (1e3 * float(found.apart_mm[0]), 1e3 * float(found.apart_mm[1]))
        )
        verdict = found.verdict
        self.looks.append(
            HeldLook(
                *(time_s, pose, verdict.expanded_decenter_um, verdict.expanded_tilt_arcsec),
                *(beam_um, drift, correct),
            )
        )
        if time_s - self._begun_s >= 3600.0 * self.plan.hours:
            within = verdict.passed and not beam
            outcome = Outcome.ALIGNED if within else Outcome.REJECTED
            words = f"held for {self.plan.hours:g} h; at the end {um:.1f} um and {arcsec:.1f} arcsec off"
            return Finish(outcome, words, verdict=verdict)
        if not correct:
            return self._wait(time_s)
        if um > self.plan.correct_um or arcsec > self.plan.correct_arcsec:
            words = f"the lens is {um:.0f} um and {arcsec:.0f} arcsec off: more than drift does"
            return Finish(Outcome.STOPPED, words, "look for what moved it, then align again", verdict)
        return self._correct(found)

    def _correct(self, found: Found) -> Action:
        bench = self.lens.bench
        target = self._axes - np.linalg.solve(self.lens.mount(), found.pose.mean)
        for axis, value in zip(bench.axes, target, strict=True):
            if not axis.can_end_at(float(value)):
                words = f"axis {axis.name} would have to go to {value:.3f} {axis.unit}, beyond its travel"
                return Finish(Outcome.STOPPED, words, "align again with the lens nearer to the middle")
        targets = {name: float(value) for name, value in zip(bench.axis_names, target, strict=True)}
        return Move(targets, "the lens has drifted out of the dead band", MovePurpose.STEP)

    def _look(self) -> Look:
        return Look(self.lens.plan.frames_at_verification, self.lens.expected(self._axes), "hold")

    def _wait(self, now_s: float) -> Wait:
        while self._next_s <= now_s:
            self._next_s += self.plan.every_s
        return Wait(self._next_s - now_s, "until the next look")

    def _vector(self, positions: Mapping[str, float]) -> Vector:
        return np.array([float(positions[name]) for name in self.lens.bench.axis_names])


def _stopped(seen: Observation) -> Finish:
    match seen:
        case Faulted(code=code, message=message):
            return Finish(Outcome.STOPPED, f"{code}: {message}", "clear the fault, then align again")
        case OperatorStopped():
            return Finish(Outcome.STOPPED, "stopped by the operator", "")
    return Finish(Outcome.STOPPED, f"{type(seen).__name__} came unasked", "a mistake of the program")
