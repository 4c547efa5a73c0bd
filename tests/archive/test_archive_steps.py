"""Control's messages as the short rows of the archive."""

from __future__ import annotations

import numpy as np
import pytest
from archive_help import a_setup, aligned, lot_of

from control.messages import (
    Finish,
    Home,
    Homed,
    Look,
    Looked,
    Move,
    Moved,
    MovePurpose,
    Outcome,
    Started,
)
from station.archive import Archive, DecisionStep, Ending, LookStep, MoveStep
from station.archive.parts.steps import Step, StepTaker, spot_json
from vision.spots import Flag, NoSpot, Reason, Spot, SpotName

SPOT = Spot(
    np.array([0.5, -0.25]),
    np.array([[1e-4, 2e-5], [2e-5, 4e-4]]),
    (3.2, 3.1),
    1e5,
    frozenset({Flag.FRINGES, Flag.CUT_BY_HOLE}),
)
HIDDEN = NoSpot(Reason.IN_THE_HOLE, "within the hole", 1.0)
TARGETS = {"X": 1.5, "A": 0.25}
RUN = (
    (Started(0.0), Home()),
    (Homed({"X": 0.0}, 1.0), Move(TARGETS, "step 1 to the null", MovePurpose.STEP)),
    (Moved(TARGETS, 2.0), Move(TARGETS, "from below", MovePurpose.TAKE_UP)),
    (Moved(TARGETS, 3.0), Look(2, {}, "see where it is")),
    (
        Looked({SpotName.FRONT: SPOT, SpotName.BACK: HIDDEN}, TARGETS, 2, 4.0),
        Finish(Outcome.ALIGNED, "on axis"),
    ),
)


def _steps() -> list[Step]:
    taker = StepTaker()
    steps: list[Step] = []
    for seen, action in RUN:
        steps += taker.take(seen, action, len(steps) + 1)
    return steps


def test_every_turn_gives_what_happened_and_what_was_decided() -> None:
    steps = _steps()
    assert [step.number for step in steps] == list(range(1, len(steps) + 1))
    kinds = [type(step).__name__ for step in steps]
    assert kinds == [
        "DecisionStep",
        "DecisionStep",
        "MoveStep",
        "DecisionStep",
        "MoveStep",
        "DecisionStep",
        "LookStep",
        "DecisionStep",
    ]
    look = next(step for step in steps if isinstance(step, LookStep))
    # Taking up backlash is no purpose of its own: the look belongs to the step before it.
    assert (look.purpose, look.why, look.frames) == ("step", "see where it is", 2)
    move = next(step for step in steps if isinstance(step, MoveStep))
    assert (move.why, move.targets, move.time_s) == ("step 1 to the null", TARGETS, 2.0)
    last = steps[-1]
    assert isinstance(last, DecisionStep)
    assert (last.kind, last.why) == ("Finish", "on axis")
    assert last.details == {"after": "Looked", "outcome": "aligned", "remedy": ""}


def test_a_spot_keeps_its_covariance_and_a_missing_one_its_reason() -> None:
    assert spot_json(SPOT) == {
        "center_mm": [0.5, -0.25],
        "covariance_mm2": [1e-4, 2e-5, 4e-4],
        "radius_mm": [3.2, 3.1],
        "power_e_per_s": 1e5,
        "flags": ["cut_by_hole", "fringes"],
    }
    assert spot_json(HIDDEN) == {"reason": "in_the_hole", "detail": "within the hole"}


@pytest.mark.parametrize("batch", [1, 3, 100])
def test_a_run_is_kept_whatever_the_batch(archive: Archive, batch: int) -> None:
    lot_id, _ = lot_of(archive)
    part = archive.claims.claim_next(lot_id, a_setup(archive))
    assert part is not None
    part.batch = batch
    for seen, action in RUN:
        part.take(seen, action)
    part.finish(aligned())
    assert list(archive.parts.steps(part.claim.part_id, 1)) == _steps()


def test_an_ending_is_made_of_the_run_s_result() -> None:
    result = {
        "spots": {"front_mm": [0.001, -0.002], "back_mm": None, "transmitted_mm": [0.0, 0.0]},
        "looks": 9,
        "test_moves": 4,
        "moves": 7,
        "bench_seconds": 61.2,
        "compute_seconds": 1.1,
    }
    ending = Ending.of(Finish(Outcome.REJECTED, "wrong lens", "set it aside"), result)
    assert (ending.outcome, ending.looks, ending.spots["back_mm"]) == (Outcome.REJECTED, 9, None)
