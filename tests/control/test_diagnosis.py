"""Faults are named and none is accepted; a handful of seeds each, `make bench-control` runs a thousand."""

from dataclasses import replace

import numpy as np
import pytest
from spot_bench import SpotBench, Truth, nominal_bench, run

from control import messages as m
from control.aligner import Aligner
from control.diagnose import SURE, certain, power_sigma, suspicions
from control.plan import AlignmentPlan
from optics.families import FAMILIES, REF_LENS

# The deviations of the spot bench are drawn evenly; these are their standard deviations
# (JCGM 100:2008, 4.3.7).
PRIOR = {"scale_sigma": 0.0115, "clocking_sigma_deg": 1.15, "pivot_sigma_mm": 4.6, "l1_sigma_mm": 1.7}
SEEDS = range(6)


def finish(lens, bench, memory=None) -> m.Finish:
    plan = AlignmentPlan(lens, radius_sigma_relative=0.0058)
    return run(Aligner(plan, nominal_bench(**PRIOR), memory), bench)


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_a_focal_length_10_percent_off_is_named_and_rejected(factor: float) -> None:
    surfaces = tuple(replace(surface, radius_mm=surface.radius_mm * factor) for surface in REF_LENS.surfaces)
    real = replace(REF_LENS, surfaces=surfaces)
    for seed in SEEDS:
        found = finish(REF_LENS, SpotBench(real, np.random.default_rng(seed)))
        assert found.outcome is m.Outcome.REJECTED, seed
        assert "wrong lens" in found.reason
        said, spread = (
            float(word) for word in found.reason.split("length of ")[1].split(" mm")[0].split(" +- ")
        )
        assert said == pytest.approx(factor * 99.2, abs=1.5 * spread)
        assert spread < 0.15 * said


@pytest.mark.parametrize("name", ["plano-convex, convex first", "plano-convex, plano first"])
def test_a_reversed_lens_is_named_and_rejected(name: str) -> None:
    for seed in SEEDS:
        found = finish(FAMILIES[name], SpotBench(FAMILIES[name].reversed(), np.random.default_rng(seed)))
        assert found.outcome is m.Outcome.REJECTED
        assert "reversed" in found.reason


def test_returns_that_are_taken_for_each_other_all_along_stop_the_run() -> None:
    for seed in SEEDS:
        found = finish(REF_LENS, SpotBench(REF_LENS, np.random.default_rng(seed), label_fault="swap"))
        assert found.outcome is m.Outcome.STOPPED
        assert "returns swapped" in found.reason


def test_returns_that_are_taken_for_each_other_once_are_put_right() -> None:
    for seed in SEEDS:
        bench = SpotBench(REF_LENS, np.random.default_rng(seed), label_fault="swap")
        seen, see = [], bench.see

        def once(seen=seen, see=see, bench=bench):
            bench.label_fault = None if seen else "swap"
            seen.append(1)
            return see()

        bench.see = once
        aligner = Aligner(AlignmentPlan(REF_LENS), nominal_bench(**PRIOR))
        assert run(aligner, bench).outcome is m.Outcome.ALIGNED
        assert len(aligner.notes) <= 1


@pytest.mark.parametrize("after", [1, 3, 5])
def test_a_drifting_beam_is_told_from_a_moving_lens(after: int) -> None:
    for seed in SEEDS:
        drift = (after, np.array([0.2, 0.0]), np.zeros(2))
        found = finish(REF_LENS, SpotBench(REF_LENS, np.random.default_rng(seed), drift_mm=drift))
        assert found.outcome is m.Outcome.STOPPED
        assert "beam drifted" in found.reason


@pytest.mark.parametrize("axis", [0, 1])
def test_lost_steps_are_named_with_their_axis(axis: int) -> None:
    for seed in SEEDS:
        lost = (3, 0.1 * np.eye(4)[axis])
        found = finish(REF_LENS, SpotBench(REF_LENS, np.random.default_rng(seed), lost=lost))
        assert found.outcome is m.Outcome.STOPPED
        assert f"lost steps: axis {'XY'[axis]}" in found.reason
        assert float(found.reason.split("stands ")[1].split(" ")[0]) == pytest.approx(0.1, abs=0.03)


def test_honest_benches_raise_no_suspicion_and_the_lens_is_checked() -> None:
    for seed in range(24):
        name = list(FAMILIES)[seed % 8]
        aligner = Aligner(AlignmentPlan(FAMILIES[name], radius_sigma_relative=0.0058), nominal_bench(**PRIOR))
        run(aligner, SpotBench(FAMILIES[name], np.random.default_rng(seed), Truth()))
        assert suspicions(aligner.model, AlignmentPlan(FAMILIES[name])) == []
        assert power_sigma(aligner.model) < 0.03


def test_certainty_needs_a_distance_from_the_next_best() -> None:
    from control.diagnose import Fault, Suspicion

    first = Suspicion(Fault.LOST_STEPS, 60.0, 1, "a")
    near = Suspicion(Fault.BEAM_DRIFTED, 62.0, 2, "b")
    far = Suspicion(Fault.BEAM_DRIFTED, 40.0, 2, "c")
    assert first.chance < SURE
    assert certain([]) is None
    assert certain([first]) is first
    assert certain([first, near]) is None
    assert certain([first, far]) is first


def test_a_gain_counts_for_less_where_all_looks_scatter() -> None:
    """A promise that was too good by half must not turn one look's bad luck into a fault of the bench."""
    from control.diagnose import Fault, Suspicion, _against_scatter

    class Scattered:
        def __init__(self, cost: float) -> None:
            self._cost = cost

        def cost(self) -> float:
            return self._cost

        def misfit(self) -> tuple[float, int]:
            return self._cost, 72

    gain = Suspicion(Fault.LOST_STEPS, 25.6, 1, "a")
    assert gain.sure
    assert _against_scatter(Scattered(25.6 + 71.0), gain).gain == pytest.approx(25.6)  # as promised
    assert _against_scatter(Scattered(25.6 + 30.0), gain).gain == pytest.approx(25.6)  # quieter: no bonus
    noisy = _against_scatter(Scattered(25.6 + 1.47 * 71.0), gain)
    assert noisy.gain == pytest.approx(25.6 / 1.47)
    assert not noisy.sure
    assert _against_scatter(
        Scattered(400.0 + 1.47 * 71.0), replace(gain, gain=400.0)
    ).sure  # a real one stands
