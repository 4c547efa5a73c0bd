"""The aligner: one observation in, one action out. Pure and deterministic; replaying a record replays it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from control.closing_in import ClosingIn
from control.expect import bare_beam
from control.learn import LearnedModel
from control.memory import Memory
from control.messages import (
    Action,
    BareBeamSeen,
    Faulted,
    Finish,
    Home,
    Homed,
    LensIsIn,
    LensIsOut,
    Look,
    Looked,
    MapPlates,
    Move,
    Moved,
    MovePurpose,
    Observation,
    OperatorStopped,
    Outcome,
    PlatesMapped,
    PutLensIn,
    RecordBareBeam,
    Started,
    TakeLensOut,
)
from control.model import lens_model
from control.plan import AlignmentPlan, BenchModel
from control.states import EXPECTED, TERMINAL, Event, Progress, State
from control.turns import Turn
from control.unknowns import References
from driver.axes import AxisSpec
from vision.spots import NoSpot, Spot

EVENT_OF: Final[Mapping[type, Event]] = {
    Started: Event.STARTED,
    Homed: Event.HOMED,
    PlatesMapped: Event.PLATES_MAPPED,
    LensIsOut: Event.LENS_OUT,
    BareBeamSeen: Event.BARE_BEAM_SEEN,
    LensIsIn: Event.LENS_IN,
    Moved: Event.MOVED,
    Looked: Event.LOOKED,
    Faulted: Event.FAULTED,
    OperatorStopped: Event.OPERATOR_STOPPED,
}

_ANSWERS: Final[Mapping[Event, type]] = {Event.MOVED: Move, Event.LOOKED: Look}
"""What has to have been asked for before an event."""


class Aligner:
    """Decides one alignment.

    Parameters
    ----------
    plan : AlignmentPlan
    bench_model : BenchModel
    memory : Memory or None
        What earlier parts of the lot taught; see :meth:`remember`.
    """

    def __init__(self, plan: AlignmentPlan, bench_model: BenchModel, memory: Memory | None = None) -> None:
        self._plan, self._bench, self._memory = plan, bench_model, memory
        self._names = bench_model.axis_names
        self._progress = Progress()
        self._asked: Action | None = None
        self._finished: Finish | None = None
        self._started_s: float | None = None
        self._looks = self._bare_tries = 0
        self._moves = dict.fromkeys(MovePurpose, 0)
        self._axes = np.zeros(4)
        self._plates: PlatesMapped | None = None
        self._model: LearnedModel | None = None
        self._closing: ClosingIn | None = None

    # --- what the runner sees -----------------------------------------------------------------------

    @property
    def state(self) -> State:
        """Where the run stands."""
        return self._progress.now

    @property
    def model(self) -> LearnedModel | None:
        """What has been learned; None before the bare beam is recorded."""
        return self._closing.model if self._closing else self._model

    @property
    def looks(self) -> int:
        """Looks asked for so far, the bare beam's not counted."""
        return self._looks

    @property
    def moves(self) -> Mapping[MovePurpose, int]:
        """Moves asked for so far, by purpose."""
        return dict(self._moves)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was noticed on the way and put right."""
        return tuple(self._closing.notes) if self._closing else ()

    def remember(self) -> Memory | None:
        """Return what the next part of the lot may start from; None when nothing was learned."""
        model = self.model
        if model is None or not len(model.looks):
            return None
        return model.remember((self._memory.parts if self._memory else 0) + 1)

    def next_action(self, observation: Observation) -> Action:
        """Answer an observation with the next action.

        Parameters
        ----------
        observation : Observation

        Returns
        -------
        Action
            ``Finish`` once the run has ended, and the same ``Finish`` ever after. An observation that does
            not belong here, or makes no sense, ends the run as stopped with a reason; nothing is raised.
        """
        if self._finished is not None:
            return self._finished
        try:
            action = self._answer(observation)
        except Exception as error:  # whatever fails in here, the mount must be told to stop
            action = self._stop(
                Event.OUT_OF_TURN, f"internal error: {type(error).__name__}: {error}", "report it"
            )
        self._asked = action
        if isinstance(action, Finish):
            self._finished = action
        elif isinstance(action, Look):
            self._looks += 1
        elif isinstance(action, Move):
            self._moves[action.purpose] += 1
        return action

    # --- turn taking --------------------------------------------------------------------------------

    def _answer(self, observation: Observation) -> Action:
        if isinstance(observation, Faulted):
            return self._stop(
                Event.FAULTED, f"{observation.code}: {observation.message}", "clear the fault, then home"
            )
        if isinstance(observation, OperatorStopped):
            return self._stop(
                Event.OPERATOR_STOPPED, "stopped by the operator", "align again when it is safe"
            )
        event = EVENT_OF.get(type(observation))
        refusal = self._refusal(observation, event)
        if refusal or event is None:
            return self._stop(Event.OUT_OF_TURN, refusal, "this is a mistake in the calling program")
        if self._started_s is None:
            self._started_s = observation.time_s
        spent = self._budget_spent(observation.time_s)
        if spent:
            self._progress.fire(Event.BUDGET_SPENT)
            return Finish(Outcome.TIMED_OUT, spent, "raise the budget, or find out why it takes so long")
        before = self.state
        self._progress.fire(event)
        return self._work[before](self, observation)

    def _refusal(self, observation: Any, event: Event | None) -> str:
        """Say why an observation cannot be answered in this state, or ""."""
        state = self.state
        if event is None:
            return f"{type(observation).__name__} is no observation (state {state.value})"
        expected, wanted = EXPECTED[state], _ANSWERS.get(event)
        if event not in expected or (wanted is not None and not isinstance(self._asked, wanted)):
            names = ", ".join(sorted(e.value for e in expected))
            asked = type(self._asked).__name__
            return f"{event.value} came in state {state.value} after {asked}; expected: {names}"
        if not math.isfinite(observation.time_s):
            return f"{event.value} bears the time {observation.time_s}"
        positions = getattr(observation, "positions", None)
        return (positions is not None and self._astray(event, positions)) or _unsound(observation)

    def _astray(self, event: Event, positions: Mapping[str, float]) -> str:
        """Say which positions are missing or cannot be, or ""."""
        axes = self._bench.axes
        missing = [axis.name for axis in axes if axis.name not in positions]
        if missing:
            return f"{event.value} lacks the position of axis {', '.join(missing)}"
        astray = {
            axis.name: positions[axis.name] for axis in axes if not _plausible(axis, positions[axis.name])
        }
        return f"{event.value} bears positions far outside the axes' travel: {astray}" if astray else ""

    def _budget_spent(self, time_s: float) -> str:
        elapsed = time_s - (self._started_s or 0.0)
        moves = sum(self._moves.values())
        if elapsed > self._plan.max_seconds:
            return f"{elapsed:.0f} s have passed, allowed are {self._plan.max_seconds:g} s"
        if self._looks > self._plan.max_looks:
            return f"{self._looks} looks were taken, allowed are {self._plan.max_looks}"
        if moves > self._plan.max_moves:
            return f"{moves} moves were made, allowed are {self._plan.max_moves}"
        return ""

    def _stop(self, event: Event, reason: str, remedy: str) -> Finish:
        if self.state not in TERMINAL:
            self._progress.fire(event)
        return Finish(Outcome.STOPPED, reason, remedy)

    # --- one method per state -----------------------------------------------------------------------

    def _begin(self, _: Started) -> Action:
        return Home()

    def _homed(self, observation: Homed) -> Action:
        self._axes = self._vector(observation.positions)
        return MapPlates()

    def _mapped(self, observation: PlatesMapped) -> Action:
        self._plates = observation
        return TakeLensOut()

    def _lens_out(self, _: LensIsOut) -> Action:
        expected = bare_beam(self._plan.lens, self._bench.layout, self._bench.beam)
        return RecordBareBeam(self._plan.frames_at_verification, expected)

    def _bare_beam(self, observation: BareBeamSeen) -> Action:
        seen = observation.transmitted
        if isinstance(seen, NoSpot):
            why = f"{seen.reason.value} {seen.detail}".strip()
            reason = f"the bare beam was not seen on the reference target: {why}"
            return self._stop(Event.BENCH_WRONG, reason, "check laser, shutter, hole target and camera")
        assert self._plates is not None
        references = references_of(self._bench, self._plates, seen)
        lens = lens_model(self._plan.lens, self._bench.layout, self._bench.beam)
        self._model = LearnedModel(
            lens, self._bench, references, self._plan.curvature_sigma_per_mm(), self._memory
        )
        return PutLensIn()

    def _lens_in(self, _: LensIsIn) -> Action:
        assert self._plates is not None
        assert self._model is not None
        radius = self._plates.hole_radius_mm
        self._closing = ClosingIn(self._plan, self._bench, self._model, radius, self._axes)
        return self._closing.begin()

    def _close_in(self, observation: Moved | Looked) -> Action:
        assert self._closing is not None
        positions = self._vector(observation.positions)
        if isinstance(observation, Moved):
            return self._closing.moved(self.state, positions)
        turn: Turn = self._closing.looked(self.state, observation, positions)
        for event in turn.concluded:
            self._progress.fire(event)
        return turn.action

    def _homed_again(self, observation: Homed) -> Action:
        assert self._closing is not None
        return self._closing.homed_again(self._vector(observation.positions))

    def _vector(self, positions: Mapping[str, float]) -> NDArray[np.float64]:
        return np.array([positions[name] for name in self._names], dtype=np.float64)

    _work: Final[Mapping[State, Callable[[Aligner, Any], Action]]] = {
        State.READY: _begin,
        State.HOMING: _homed,
        State.MAPPING_PLATES: _mapped,
        State.TAKING_LENS_OUT: _lens_out,
        State.CHECKING_BARE_BEAM: _bare_beam,
        State.PUTTING_LENS_IN: _lens_in,
        State.FINDING: _close_in,
        State.TESTING: _close_in,
        State.STEPPING: _close_in,
        State.VERIFYING: _close_in,
        State.SETTLING: _close_in,
        State.HOMING_AGAIN: _homed_again,
    }


def references_of(bench: BenchModel, plates: PlatesMapped, bare: Spot) -> References:
    """Return the two points that fix the axis, from the plate maps and the bare beam."""
    maps = {name: value**2 * np.eye(2) for name, value in plates.map_sigma_mm.items()}
    widest = max(maps.values(), key=lambda part: float(part[0, 0]), default=np.eye(2) * 1e-12)
    hole_map = next((part for name, part in maps.items() if "hole" in name), widest)
    bare_map = next((part for name, part in maps.items() if "ref" in name), widest)
    return References(
        hole_mm=np.asarray(plates.hole_center_mm, dtype=np.float64),
        bare_mm=np.asarray(bare.center_mm, dtype=np.float64),
        hole_parts={
            "hole centre": np.asarray(plates.hole_covariance_mm2, dtype=np.float64),
            "beam in the hole": np.eye(2) * (bench.beam_in_hole_sigma_um / 1000.0) ** 2,
            "plate maps": hole_map,
        },
        bare_parts={
            "bare beam": np.asarray(bare.covariance_mm2, dtype=np.float64)
            + np.eye(2) * (bench.reference_sigma_um / 1000.0) ** 2,
            "plate maps": bare_map,
        },
    )


def _plausible(axis: AxisSpec, position: float) -> bool:
    """Say whether a position read back is a number within, or hardly beyond, the axis's travel."""
    room = 0.1 * (axis.travel_max - axis.travel_min)
    return axis.travel_min - room <= position <= axis.travel_max + room


def _unsound(observation: Observation) -> str:
    """Say what makes no sense in a measurement, or ""."""
    if isinstance(observation, PlatesMapped):
        covariance = np.asarray(observation.hole_covariance_mm2, dtype=np.float64)
        if not (math.isfinite(observation.hole_radius_mm) and observation.hole_radius_mm > 0.0):
            return f"the hole's radius is {observation.hole_radius_mm} mm"
        if not all(math.isfinite(v) and v >= 0.0 for v in observation.map_sigma_mm.values()):
            return f"the plate maps' uncertainties are {dict(observation.map_sigma_mm)} mm"
        return _not_a_place("the hole's centre", np.asarray(observation.hole_center_mm), covariance)
    if isinstance(observation, BareBeamSeen):
        seen = observation.transmitted
        return (
            _not_a_place("the bare beam", seen.center_mm, seen.covariance_mm2)
            if isinstance(seen, Spot)
            else ""
        )
    if isinstance(observation, Looked):
        for name, seen in observation.sightings.items():
            if isinstance(seen, Spot):
                trouble = _not_a_place(f"the {name.value} spot", seen.center_mm, seen.covariance_mm2)
                if trouble:
                    return trouble
    return ""


_LEAST_MM2: Final = 1e-14
_MOST_MM2: Final = 1e8
_FARTHEST_MM: Final = 1e4


def _not_a_place(what: str, center: NDArray[np.float64], covariance: NDArray[np.float64]) -> str:
    center, covariance = np.asarray(center, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    place, spread = center.tolist(), covariance.tolist()
    if center.shape != (2,) or not (abs(place[0]) <= _FARTHEST_MM and abs(place[1]) <= _FARTHEST_MM):
        return f"{what} lies at {place} mm"
    if covariance.shape != (2, 2):
        return f"{what} has the covariance {spread} mm^2"
    (xx, xy), (yx, yy) = spread
    if not math.isfinite(xx + xy + yx + yy):
        return f"{what} has the covariance {spread} mm^2"
    if abs(xy - yx) > 1e-6 * abs(xy) or min(xx, yy) <= 0.0 or xx * yy <= xy * xy:
        return f"{what} has the covariance {spread} mm^2, which is not positive definite"
    smallest = (xx * yy - xy * xy) / (xx + yy)
    if smallest < _LEAST_MM2 or xx + yy > _MOST_MM2:
        return f"{what} has the covariance {spread} mm^2, which no camera gives"
    return ""
