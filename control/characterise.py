"""The mount by itself: what its axes do to a lens, measured by a plan of moves round the null.

The lens is aligned first, so that all spots are seen; then every axis goes out to both sides and comes back
from both, and the model that learns takes all looks together. A mount is told no better than what it is
measured with: the scale of the linear axes rests on the lens's radii, that of the rotary ones on L1. A lens
with measured radii therefore gives a better characterisation; its recipe says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from control.aligner import Aligner
from control.characterised import Characterised, characterised
from control.diagnose import suspicions
from control.expect import expectations
from control.learn import LearnedModel
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
)
from control.mount import Mount
from control.moves import on_steps
from control.plan import AlignmentPlan, BenchModel
from control.suspicion import Fault, certain
from control.unknowns import Vector, as_rows
from control.words import remedy_for
from vision.spots import Spot

_NO_DRIFT: Final = 1e-6
_FARTHEST_SPOT_MM: Final = 8.0
_SHARES: Final = (1.0, -1.0, 0.6, -0.6)


@dataclass(frozen=True, slots=True)
class CharacterisingPlan:
    """How much is spent on a mount.

    Attributes
    ----------
    rounds : int
        How often every axis is gone through.
    frames : int
        Averaged in every look.
    """

    rounds: int = 2
    frames: int = 4

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not isinstance(value, int) or value < 1:
                raise ValueError(f"{name} is {value}, allowed is 1 or more")


class Characteriser:
    """Decides the characterisation of one mount; fulfils what the runner asks of control.

    Parameters
    ----------
    plan : AlignmentPlan
        Of the lens that it is done with.
    bench : BenchModel
    how : CharacterisingPlan

    Attributes
    ----------
    result : Characterised or None
        What was found, once it has ended well.
    """

    def __init__(
        self, plan: AlignmentPlan, bench: BenchModel, how: CharacterisingPlan = CharacterisingPlan()
    ) -> None:
        # Seventy looks on end are no few looks near the null: what creeps must not pass for repeatability.
        bench = replace(bench, drift_sigma_um=_NO_DRIFT, drift_sigma_urad=_NO_DRIFT)
        self.plan, self.bench, self.how = plan, bench, how
        self.result: Characterised | None = None
        self._aligner: Aligner | None = Aligner(plan, bench)
        self._model: LearnedModel | None = None
        self._mount: Mount | None = None
        self._targets: Iterator[tuple[Vector, str]] = iter(())
        self._finished: Finish | None = None
        self._last: Looked | None = None

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
        if self._aligner is not None:
            return self._align(self._aligner, seen)
        match seen:
            case Moved(positions=positions):
                return self._moved(self._vector(positions))
            case Looked(positions=positions):
                return self._looked(seen, self._vector(positions))
            case Faulted(code=code, message=message):
                return Finish(Outcome.STOPPED, f"{code}: {message}", "clear the fault, then begin again")
            case OperatorStopped():
                return Finish(Outcome.STOPPED, "stopped by the operator", "")
        return Finish(Outcome.STOPPED, f"{type(seen).__name__} came unasked", "a mistake of the program")

    def _moved(self, axes: Vector) -> Action:
        model, mount = self._taken_over()
        model.moved()
        mount.arrived(axes)
        return self._look()

    def _looked(self, seen: Looked, axes: Vector) -> Action:
        model, mount = self._taken_over()
        mount.axes = axes
        spots = {name: spot for name, spot in seen.sightings.items() if isinstance(spot, Spot)}
        if spots:
            model.add_look(axes, mount.sides, as_rows(spots))
        return self._next()

    def _taken_over(self) -> tuple[LearnedModel, Mount]:
        assert self._model is not None
        assert self._mount is not None
        return self._model, self._mount

    def _align(self, aligner: Aligner, seen: Observation) -> Action:
        """Let the alignment answer; take over from it with the lens on the axis."""
        action = aligner.next_action(seen)
        if isinstance(seen, Looked):
            self._last = seen
        if not isinstance(action, Finish) or action.outcome is not Outcome.ALIGNED:
            return action
        assert aligner.model is not None
        assert self._last is not None
        self._model, self._aligner = aligner.model, None
        self._mount = Mount(self.bench, self._vector(self._last.positions))
        self._mount.sides = self._model.looks.sides[-1].copy()
        self._targets = targets(self._model, self._mount.axes, self.how.rounds)
        return self._next()

    def _next(self) -> Action:
        model, mount = self._taken_over()
        for target, why in self._targets:
            if not mount.stands_at(target):
                named = {n: float(v) for n, v in zip(self.bench.axis_names, target, strict=True)}
                return Move(named, why, MovePurpose.TEST)
        return self._end(model)

    def _end(self, model: LearnedModel) -> Finish:
        cause = certain(suspicions(model, self.plan))
        # How the mount repeats is what is asked; no answer to it is a fault.
        if cause is not None and cause.fault is not Fault.MOUNT_UNSTEADY:
            return Finish(Outcome.STOPPED, cause.words, remedy_for(cause.fault))
        self.result = characterised(model)
        return Finish(Outcome.ALIGNED, f"the mount is characterised from {len(model.looks)} looks")

    def _look(self) -> Look:
        model, mount = self._taken_over()
        expected = expectations(model, mount.axes, mount.sides, self.plan.radius_sigma_relative)
        return Look(self.how.frames, expected, "see what the axis did")

    def _vector(self, positions: Mapping[str, float]) -> Vector:
        return np.array([float(positions[name]) for name in self.bench.axis_names])


def targets(model: LearnedModel, null: Vector, rounds: int) -> Iterator[tuple[Vector, str]]:
    """Yield where the mount goes, and why: each axis out to either side of ``null`` and back from both.

    An axis goes as far as carries the fastest spot by 8 mm, or to a third of its travel; in every round a
    little less far, so that no two looks see the same speckle or the same place of a lead screw.
    """
    reach = _FARTHEST_SPOT_MM / np.maximum(np.max(np.abs(model.jacobian()), axis=0), 1e-9)
    axes = model.bench.axes
    reach = np.minimum(reach, [(axis.travel_max - axis.travel_min) / 3.0 for axis in axes])
    for number in range(rounds):
        share = 1.0 - 0.17 * number
        beside = null + 0.01 * reach * math.cos(2.4 * number)
        for index, axis in enumerate(axes):
            for part in _SHARES:
                out = null.copy()
                out[index] += part * share * reach[index]
                yield on_steps(model.bench, out), f"axis {axis.name} out"
                side = "above" if part > 0.0 else "below"
                yield on_steps(model.bench, beside), f"axis {axis.name} back from {side}"
