"""Faults are named and none is accepted; a handful of seeds each, `make bench-control` runs a thousand."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2
from spot_bench import SpotBench, Truth, nominal_bench, run
from test_learning import fresh

from control import messages as m
from control.aligner import Aligner
from control.diagnose import against_scatter, suspicions
from control.plan import AlignmentPlan, HomeAgain
from control.scores import power_sigma
from control.suspicion import LEAST_GAIN, LEAST_SUDDEN_GAIN, SURE, Fault, Suspicion, certain, is_sure
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


@pytest.mark.parametrize("factor", [0.5, 0.75, 1.5, 2.0])
def test_a_quite_different_focal_length_is_named_with_its_estimate(factor: float) -> None:
    surfaces = tuple(replace(surface, radius_mm=surface.radius_mm * factor) for surface in REF_LENS.surfaces)
    real = replace(REF_LENS, surfaces=surfaces, clear_aperture_mm=15.0)
    for seed in range(3):
        found = finish(REF_LENS, SpotBench(real, np.random.default_rng(seed)))
        assert found.outcome is m.Outcome.REJECTED, found.reason
        assert "wrong lens" in found.reason
        said = float(found.reason.split("length of ")[1].split(" +-")[0])
        assert said == pytest.approx(factor * 99.2, rel=0.15)


@pytest.mark.parametrize(
    "name", ["meniscus", "biconcave f-100", "plano-convex, convex first", "biconvex f200"]
)
def test_another_family_in_the_mount_is_named_as_another_lens(name: str) -> None:
    for seed in range(3):
        found = finish(REF_LENS, SpotBench(FAMILIES[name], np.random.default_rng(seed)))
        assert found.outcome is m.Outcome.REJECTED, found.reason
        assert "wrong lens" in found.reason


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


def swapped_once(seed: int, **fault) -> SpotBench:
    bench = SpotBench(REF_LENS, np.random.default_rng(seed), label_fault="swap", **fault)
    seen, see = [], bench.see

    def once():
        bench.label_fault = None if seen else "swap"
        seen.append(1)
        return see()

    bench.see = once
    return bench


def test_returns_that_are_taken_for_each_other_once_are_put_right() -> None:
    for seed in SEEDS:
        aligner = Aligner(AlignmentPlan(REF_LENS), nominal_bench(**PRIOR))
        assert run(aligner, swapped_once(seed)).outcome is m.Outcome.ALIGNED
        assert len(aligner.notes) <= 1


def test_where_names_were_wrong_once_what_fits_no_more_is_laid_to_them() -> None:
    """Names that were put right may have been right: no later suspicion is surer than that."""
    for seed in range(2):
        found = finish(REF_LENS, swapped_once(seed, lost=(3, 0.1 * np.eye(4)[0])))
        assert found.outcome is m.Outcome.STOPPED
        assert "returns swapped" in found.reason


@pytest.mark.parametrize("after", [1, 3, 5])
def test_a_drifting_beam_is_told_from_a_moving_lens(after: int) -> None:
    for seed in SEEDS:
        drift = (after, np.array([0.2, 0.0]), np.zeros(2))
        found = finish(REF_LENS, SpotBench(REF_LENS, np.random.default_rng(seed), drift_mm=drift))
        assert found.outcome is m.Outcome.STOPPED
        assert "beam drifted" in found.reason


def test_a_mount_that_repeats_far_worse_than_said_has_a_name_of_its_own() -> None:
    ends = []
    for seed in range(12):
        truth = Truth(repeat_um=16.0, repeat_urad=80.0)  # eight times what the bench model says
        ends.append(finish(REF_LENS, SpotBench(REF_LENS, np.random.default_rng(seed), truth)))
    named = sum("mount unsteady: it repeats some" in end.reason for end in ends)
    others = sum(end.outcome is m.Outcome.STOPPED for end in ends) - named
    assert named >= 5
    assert others <= named / 3


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


def test_nothing_is_suspected_before_anything_was_seen() -> None:
    model = fresh()
    assert model.misfit() == (0.0, 0)
    assert suspicions(model, AlignmentPlan(REF_LENS)) == []


def test_certainty_needs_a_distance_from_the_next_best() -> None:
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

    class Scattered:
        def __init__(self, cost: float) -> None:
            self._cost = cost

        def cost(self) -> float:
            return self._cost

        def misfit(self) -> tuple[float, int]:
            return self._cost, 72

    gain = Suspicion(Fault.LOST_STEPS, 30.0, 1, "a")
    assert gain.sure
    assert against_scatter(Scattered(30.0 + 71.0), gain).gain == pytest.approx(30.0)  # as promised
    assert against_scatter(Scattered(30.0 + 30.0), gain).gain == pytest.approx(30.0)  # quieter: no bonus
    noisy = against_scatter(Scattered(30.0 + 1.47 * 71.0), gain)
    assert noisy.gain == pytest.approx(30.0 / 1.47)
    assert not noisy.sure
    assert against_scatter(
        Scattered(400.0 + 1.47 * 71.0), replace(gain, gain=400.0)
    ).sure  # a real one stands


def test_a_step_lost_in_a_new_mounts_first_move_shows_at_the_place_it_came_from() -> None:
    """A slow lens and a mount of uncertain scale hide it until the first look's place is looked at again."""
    lens = FAMILIES["biconvex f500"]
    for seed in SEEDS:
        bench = SpotBench(lens, np.random.default_rng(seed), lost=(1, np.array([0.1, 0.0, 0.0, 0.0])))
        found = finish(lens, bench)
        assert found.outcome is m.Outcome.STOPPED
        assert "lost steps: axis X" in found.reason


def test_going_back_is_spared_where_the_mount_is_known() -> None:
    lens = FAMILIES["biconvex f100"]
    known = nominal_bench(scale_sigma=0.0005, clocking_sigma_deg=0.03, pivot_sigma_mm=0.1)
    for bench_model, back in ((nominal_bench(), True), (known, False)):
        bench = SpotBench(lens, np.random.default_rng(3), Truth(scale=0.0, clocking_deg=0.0))
        assert run(Aligner(AlignmentPlan(lens), bench_model), bench).outcome is m.Outcome.ALIGNED
        assert any("back to an earlier place" in move.why for move in bench.moves) is back


def test_homing_again_finds_what_nothing_else_shows() -> None:
    """Steps lost before the first look are like a lens that lies elsewhere, until the axes are homed.

    They do no harm: the lens is aligned by its spots.
    """
    lens, lost = FAMILIES["biconvex f100"], np.array([0.1, 0.0, 0.0, 0.0])
    for how, outcome in (
        (HomeAgain.WHEN_DOUBTFUL, m.Outcome.ALIGNED),
        (HomeAgain.ALWAYS, m.Outcome.STOPPED),
    ):
        bench = SpotBench(lens, np.random.default_rng(2), lost=(1, lost))
        model = nominal_bench(null_axes=(0.5, 0.0, 0.0, 0.0))
        found = run(Aligner(AlignmentPlan(lens, home_again=how), model), bench)
        assert found.outcome is outcome
        if outcome is m.Outcome.ALIGNED:
            assert np.all(np.abs(bench.pose) <= AlignmentPlan(lens).tolerances)
        else:
            assert "lost steps: axis X" in found.reason


def test_homing_again_changes_nothing_where_no_step_was_lost() -> None:
    lens = FAMILIES["biconvex f100"]
    for seed in range(4):
        bench = SpotBench(lens, np.random.default_rng(seed))
        aligner = Aligner(AlignmentPlan(lens, home_again=HomeAgain.ALWAYS), nominal_bench())
        finish = run(aligner, bench)
        assert finish.outcome is m.Outcome.ALIGNED, finish.reason
        assert aligner.notes == ("homed again, to see whether steps had been lost",)
        assert np.all(np.abs(bench.pose) <= AlignmentPlan(lens).tolerances)


@pytest.mark.parametrize("seed", [1, 10, 13, 16, 19, 89, 287])
def test_lost_steps_are_not_taken_for_a_slip(seed: int) -> None:
    """A slip has four numbers to fit; where one axis explains as much, the axis it is."""
    lens = FAMILIES["biconvex f100"]
    truth, lost = Truth(scale=0.002, clocking_deg=0.2), np.array([0.0, -0.1, 0.0, 0.0])
    bench = SpotBench(lens, np.random.default_rng(seed), truth, lost=(2, lost))
    known = nominal_bench(scale_sigma=0.001, clocking_sigma_deg=0.1)
    finish = run(Aligner(AlignmentPlan(lens), known), bench)
    assert finish.outcome is m.Outcome.STOPPED
    assert "lost steps: axis Y" in finish.reason
    assert float(finish.reason.split("stands ")[1].split(" ")[0]) == pytest.approx(-0.1, abs=0.03)


def test_what_is_left_of_a_good_fit_makes_no_fault_sure() -> None:
    """Below these squares faults are not looked for; reference: chi-square's upper tail by scipy.stats."""
    for fault in Fault:
        least = LEAST_GAIN if fault is Fault.WRONG_LENS else LEAST_SUDDEN_GAIN
        assert not any(is_sure(fault, unknowns, least * 0.9999) for unknowns in range(1, 13)), fault
    assert min(chi2.sf(LEAST_SUDDEN_GAIN * 0.9999, degrees) for degrees in range(1, 200)) > SURE
    assert is_sure(Fault.LOST_STEPS, 1, LEAST_SUDDEN_GAIN * 1.0001)
