"""Looks beside the null go on, each from another place, until they are sure enough or the budget is spent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from spot_bench import EXAMPLE, SpotBench, nominal_bench, run

from control import messages as m
from control.aligner import Aligner
from control.plan import AlignmentPlan
from optics.families import REF_LENS

WHY = "look beside the null, so that speckle averages"


def verified(spot_mm: float, plan: AlignmentPlan) -> tuple[m.Finish, np.ndarray]:
    """The end, and the places that were looked from to verify, axis units."""
    bench = SpotBench(REF_LENS, np.random.default_rng(4), replace(EXAMPLE, spot_mm=spot_mm))
    finish = run(Aligner(plan, nominal_bench()), bench)
    return finish, np.array([list(move.targets.values()) for move in bench.moves if move.why == WHY])


def test_worse_spots_are_averaged_over_more_places() -> None:
    plan = AlignmentPlan(REF_LENS)
    counts = []
    for spot_mm in (0.02, 0.08, 0.12):
        finish, places = verified(spot_mm, plan)
        assert finish.outcome is m.Outcome.ALIGNED, finish
        assert finish.verdict is not None
        assert finish.verdict.expanded_decenter_um < plan.tolerance_decenter_um
        # Every one from a place of its own: at one place speckle does not average.
        assert len(np.unique(places.round(6), axis=0)) == len(places)
        counts.append(len(places))
    assert plan.verification_looks == counts[0] < counts[1] < counts[2] <= plan.max_verification_looks


def test_a_spent_budget_ends_the_looks() -> None:
    """Spots twenty times worse: no number of looks is enough, and it is said."""
    plan = AlignmentPlan(REF_LENS)
    finish, places = verified(0.4, plan)
    assert finish.outcome is m.Outcome.REJECTED
    assert "not sure enough" in finish.reason
    assert len(places) == plan.max_verification_looks
