"""Lenses whose prescription is a first guess, or wrong; and plans that leave little room."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from spot_bench import SpotBench, nominal_bench, run

from control import messages as m
from control.aligner import Aligner
from control.plan import ARCSEC_PER_MRAD, AlignmentPlan, Prescription
from optics.families import FAMILIES, REF_BEAM, REF_LENS
from optics.layout import Beam

GUESS = FAMILIES["biconvex f200"]
PLAN = AlignmentPlan(REF_LENS)
OTHERS = ("biconvex f100", "plano-convex, convex first")


def aligned(name: str, prescription: Prescription, seed: int) -> tuple[m.Finish, SpotBench]:
    bench = SpotBench(FAMILIES[name], np.random.default_rng(seed))
    return run(Aligner(AlignmentPlan(GUESS, prescription=prescription), nominal_bench()), bench), bench


@pytest.mark.parametrize("name", OTHERS)
@pytest.mark.parametrize("seed", range(2))
def test_a_lens_of_which_only_a_guess_is_known_is_aligned(name: str, seed: int) -> None:
    finish, bench = aligned(name, Prescription.UNKNOWN, seed)
    assert finish.outcome is m.Outcome.ALIGNED, finish.reason
    assert np.hypot(*bench.pose[:2]) * 1000.0 < 20.0
    assert np.hypot(*bench.pose[2:]) * ARCSEC_PER_MRAD < 30.0


@pytest.mark.parametrize("name", OTHERS)
def test_where_the_prescription_is_known_another_lens_is_the_wrong_one(name: str) -> None:
    finish, _ = aligned(name, Prescription.KNOWN, 0)
    assert finish.outcome is m.Outcome.REJECTED
    assert "wrong lens" in finish.reason


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"lost": (4, (0.3, 0.0, 0.0, 0.0))}, "lost steps: axis X stands +0.3"),
        ({"drift_mm": (4, (0.2, 0.0), (0.0, 0.0))}, "beam drifted by 0.20"),
        ({"drift_mm": (9, (0.0, 0.0), (0.3, 0.0))}, "beam drifted by 0.29"),
    ],
)
def test_a_fault_of_the_bench_is_not_taken_for_the_lens_that_is_not_known(
    fault: dict[str, Any], words: str
) -> None:
    bench = SpotBench(FAMILIES[OTHERS[0]], np.random.default_rng(1), **fault)
    finish = run(Aligner(AlignmentPlan(GUESS, prescription=Prescription.UNKNOWN), nominal_bench()), bench)
    assert finish.outcome is m.Outcome.STOPPED
    assert words in finish.reason


@pytest.mark.parametrize(
    ("plan", "outcome"),
    [
        ({"verification_looks": 0}, m.Outcome.ALIGNED),
        ({"max_verification_looks": 4, "tolerance_decenter_um": 1.5}, m.Outcome.REJECTED),
        ({"max_step_mm": 0.01}, m.Outcome.REJECTED),
    ],
)
def test_plans_with_little_room(plan: dict[str, Any], outcome: m.Outcome) -> None:
    bench = SpotBench(REF_LENS, np.random.default_rng(0))
    finish = run(Aligner(AlignmentPlan(REF_LENS, **plan), nominal_bench()), bench)
    assert finish.outcome is outcome, finish.reason
    assert outcome is m.Outcome.ALIGNED or "not sure enough" in finish.reason


class HalfSeen(SpotBench):
    """The beam jumps between the frames of one look: their mean shows half of it."""

    jumps_in = 0

    def real_beam(self) -> Beam:
        seen = 0.5 if self.looks == self.jumps_in else float(self.looks > self.jumps_in)
        return replace(REF_BEAM, offset_mm=(0.05 * seen, 0.0))


@pytest.mark.parametrize("seed", range(3))
def test_no_verdict_rests_on_a_last_look_that_was_not_to_be_expected(seed: int) -> None:
    still, bench = (HalfSeen(REF_LENS, np.random.default_rng(seed)) for _ in range(2))
    still.jumps_in = 999
    assert run(Aligner(PLAN, nominal_bench()), still).outcome is m.Outcome.ALIGNED
    bench.jumps_in = still.looks
    aligner = Aligner(PLAN, nominal_bench())
    finish = run(aligner, bench)
    assert finish.outcome is m.Outcome.STOPPED, finish.reason
    assert "looked round once more" in aligner.notes[-1]
    assert "beam drifted" in finish.reason


def test_a_beam_that_jumps_while_it_is_looked_at_makes_no_false_pass() -> None:
    for looks in range(4, 12):
        bench = SpotBench(REF_LENS, np.random.default_rng(0), drift_mm=(looks, (0.0, 0.0), (0.1, 0.0)))
        finish = run(Aligner(AlignmentPlan(REF_LENS), nominal_bench()), bench)
        pose = np.abs(bench.pose) * [1000.0, 1000.0, ARCSEC_PER_MRAD, ARCSEC_PER_MRAD]
        assert finish.outcome is not m.Outcome.ALIGNED or bool(np.all(pose < [20.0, 20.0, 30.0, 30.0]))
