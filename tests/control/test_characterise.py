"""The mount by itself: what a characterisation finds is what the bench's mount does, as surely as it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from spot_bench import AXES, SpotBench, Truth, nominal_bench

from control import messages as m
from control.aligner import Aligner
from control.characterise import Characteriser, CharacterisingPlan
from control.characterised import Characterised
from control.plan import AlignmentPlan
from optics.families import FAMILIES

LENS = FAMILIES["biconvex f100"]
FREE_AXES = tuple(replace(axis, approach_from=None, overshoot=0.0) for axis in AXES)
TRUTH = Truth(radius=0.001)
PLAN = AlignmentPlan(LENS, radius_sigma_relative=0.001)


def characterise(seed: int, truth: Truth = TRUTH, axes=AXES) -> tuple[Characterised, SpotBench]:
    bench = SpotBench(LENS, np.random.default_rng(seed), truth, axes)
    decides = Characteriser(PLAN, nominal_bench(axes, pivot_sigma_mm=5.0))
    observation: m.Observation = m.Started(0.0)
    for _ in range(400):
        action = decides.next_action(observation)
        if isinstance(action, m.Finish):
            assert action.outcome is m.Outcome.ALIGNED, action.reason
            assert decides.next_action(observation) is action
            assert decides.result is not None
            return decides.result, bench
        observation = bench.do(action)
    raise AssertionError("endless")


def deviations(seeds: range) -> np.ndarray:
    """Errors of the mount matrix in standard uncertainties, (n, 16)."""
    rows = []
    for seed in seeds:
        found, bench = characterise(seed)
        sigma = np.sqrt(np.diag(found.covariance))[:16]
        rows.append((found.mount_matrix - bench.mount).reshape(-1) / sigma)
    return np.array(rows)


def test_the_matrix_is_the_truth_within_its_uncertainty() -> None:
    away = deviations(range(12))
    # 192 standard deviates, correlated within a bench: the worst stays below 4.5, their mean square near 1,
    # and below it, because the benches are drawn more narrowly than their prior says.
    assert np.max(np.abs(away)) < 4.5
    assert 0.3 < np.mean(away**2) < 1.6


def test_it_tells_more_than_was_known() -> None:
    found, _ = characterise(3)
    sigma = np.sqrt(np.diag(found.covariance))[:16].reshape(4, 4)
    before = nominal_bench().matrix_sigma()
    assert np.all(np.diag(sigma) < 0.5 * np.diag(before))
    assert sigma[1, 0] < 0.5 * before[1, 0]


def test_backlash_is_found_where_the_driver_leaves_it() -> None:
    truth = replace(TRUTH, backlash_mm=0.012, backlash_deg=0.006)
    found, _ = characterise(5, truth, FREE_AXES)
    sigma = np.sqrt(np.diag(found.covariance))[20:]
    assert np.all(np.abs(found.backlash - bench_play(truth)) < 4.0 * sigma)
    assert np.all(sigma < [0.003, 0.003, 0.0015, 0.0015])
    assert {q.name for q in found.quantities} >= {f"{axis.name}: backlash" for axis in AXES}


def bench_play(truth: Truth) -> np.ndarray:
    return np.array([truth.backlash_mm] * 2 + [truth.backlash_deg] * 2)


@pytest.mark.parametrize("worse", [1.0, 5.0])
def test_repeatability_lies_within_its_limits(worse: float) -> None:
    truth = replace(TRUTH, repeat_um=2.0 * worse, repeat_urad=10.0 * worse)
    found, _ = characterise(8, truth)
    assert found.repeatability_um.low <= truth.repeat_um <= found.repeatability_um.high
    assert found.repeatability_urad.low <= truth.repeat_urad <= found.repeatability_urad.high


def first_step_error(bench_model, seed: int) -> float:
    """Where the first step to the null ends, in tolerances; the same bench and part for every model."""
    _, bench = characterise(11)
    bench.rng = np.random.default_rng(seed)
    bench.next_part(LENS)
    aligner, observation = Aligner(replace(PLAN, verification_looks=0), bench_model), m.Started(0.0)
    for _ in range(60):
        action = aligner.next_action(observation)
        observation = bench.do(action)
        if isinstance(action, m.Move) and action.purpose is m.MovePurpose.STEP:
            return float(np.max(np.abs(bench.pose) / PLAN.tolerances))
    raise AssertionError("no step was made")


def test_an_alignment_that_starts_from_it_steps_closer() -> None:
    found, _ = characterise(11)
    plain = nominal_bench()
    known = replace(plain, known=found.memory(plain))
    assert known.known is not None
    assert np.allclose(known.known.mean[:16].reshape(4, 4), found.mount_matrix - plain.matrix())
    errors = [[first_step_error(model, seed) for model in (plain, known)] for seed in range(6)]
    without, with_it = np.mean(errors, axis=0)
    assert with_it < 0.6 * without


def test_what_ends_the_alignment_ends_the_characterisation() -> None:
    decides = Characteriser(PLAN, nominal_bench())
    decides.next_action(m.Started(0.0))
    finish = decides.next_action(m.Faulted("no_reply", "the line is silent", 1.0))
    assert isinstance(finish, m.Finish)
    assert finish.outcome is m.Outcome.STOPPED
    assert decides.result is None


def test_a_plan_without_rounds_is_refused() -> None:
    with pytest.raises(ValueError, match="rounds is 0"):
        CharacterisingPlan(rounds=0)
