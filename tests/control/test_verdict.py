import math
from dataclasses import replace

import numpy as np
import pytest
from spot_bench import SpotBench, Truth, nominal_bench, run
from test_learning import fresh, look

from control import messages as m
from control.aligner import Aligner
from control.causes import left_out
from control.plan import ARCSEC_PER_MRAD, AlignmentPlan
from control.unknowns import Pose
from control.verdict import Agreement, judge, returns_against_transmitted, scatter
from control.words import why_rejected
from optics.families import FAMILIES, REF_LENS
from optics.observability import observe
from vision.spots import Spot, SpotName

FINE = Agreement(10.0, 10, 0.5, 0.01)


def pose(decenter_um=0.0, tilt_arcsec=0.0, sigma_um=1.0, sigma_arcsec=1.0) -> Pose:
    mean = np.array([decenter_um / 1000.0, 0.0, 0.0, tilt_arcsec / ARCSEC_PER_MRAD])
    sigma = np.array([sigma_um / 1000.0] * 2 + [sigma_arcsec / ARCSEC_PER_MRAD] * 2)
    return Pose(mean, np.diag(sigma**2))


def verdict(**known) -> m.Verdict:
    scattered = known.pop("scattered", FINE)
    where = pose(**known)
    return judge(AlignmentPlan(REF_LENS, 10.0, 20.0), where, {"spots": where.covariance}, scattered)


def test_guard_band_is_the_expanded_uncertainty() -> None:
    # ISO 14253-1 (from memory): conformity is proven only inside the tolerance less the expanded uncertainty.
    expanded = 2.4477
    assert verdict(decenter_um=10.0 - expanded - 0.001).passed
    assert not verdict(decenter_um=10.0 - expanded + 0.001).passed
    assert verdict(tilt_arcsec=20.0 - expanded - 0.001).passed
    assert not verdict(tilt_arcsec=20.0 - expanded + 0.001).passed
    assert not verdict(sigma_um=5.0).passed


def test_figures_of_a_verdict() -> None:
    found = verdict(decenter_um=3.0, tilt_arcsec=4.0, sigma_um=1.0, sigma_arcsec=2.0)
    assert found.decenter_um == pytest.approx((3.0, 0.0))
    assert found.tilt_arcsec == pytest.approx((0.0, 4.0))
    assert found.coverage_factor == pytest.approx(2.4477, abs=1e-4)
    assert found.expanded_tilt_arcsec == pytest.approx(2.0 * 2.4477, abs=1e-3)
    assert found.contributions["spots"] == pytest.approx((1.0, 2.0))
    assert found.dominated_by == "spots"


def test_scatter_beyond_chance_widens_the_interval() -> None:
    wild = Agreement(90.0, 10, 1e-14, 0.2)
    calm, rough = verdict(), verdict(scattered=wild)
    assert rough.expanded_decenter_um > 3.0 * calm.expanded_decenter_um
    assert rough.coverage_factor > calm.coverage_factor  # few degrees of freedom, JCGM 100:2008 annex G


def shifted_transmitted(model, by_mm: float) -> None:
    rng = np.random.default_rng(8)
    for axes in ([0.0] * 4, [0.05, 0.0, 0.0, 0.0], [-0.05, 0.0, 0.0, 0.0]):
        where = nominal_bench().matrix() @ axes
        look(model, axes, where, rng=rng)
        model.looks.values[-1, 4] += by_mm
        model.solve()


def test_returns_and_transmitted_spot_that_contradict_each_other_are_noticed() -> None:
    agreeing, contrary = fresh(), fresh()
    shifted_transmitted(agreeing, 0.0)
    shifted_transmitted(contrary, 0.2)
    assert returns_against_transmitted(agreeing).holds
    found = returns_against_transmitted(contrary)
    assert not found.holds
    assert found.apart_mm == pytest.approx(0.2, abs=0.04)


def test_scatter_of_honest_looks_is_no_more_than_chi_square() -> None:
    """Mean cost over degrees of freedom is 1 when all is as said; the priors are wider than the draws."""
    ratios = []
    for seed in range(30):
        bench = SpotBench(REF_LENS, np.random.default_rng(seed))
        aligner = Aligner(AlignmentPlan(REF_LENS), nominal_bench())
        run(aligner, bench)
        agreement = scatter(aligner.model)
        ratios.append(agreement.chi_square / agreement.degrees_of_freedom)
    assert 0.65 < np.mean(ratios) < 1.0


def test_coverage_of_the_95_percent_regions() -> None:
    inside = []
    for seed in range(80):
        name = list(FAMILIES)[seed % 8]
        bench = SpotBench(FAMILIES[name], np.random.default_rng(3000 + seed))
        finish = run(Aligner(AlignmentPlan(FAMILIES[name]), nominal_bench()), bench)
        assert finish.verdict is not None
        error = bench.pose * [1000, 1000, ARCSEC_PER_MRAD, ARCSEC_PER_MRAD]
        error -= finish.verdict.decenter_um + finish.verdict.tilt_arcsec
        spread = np.array(finish.verdict.covariance)
        for part in (slice(0, 2), slice(2, 4)):
            square = error[part] @ np.linalg.solve(spread[part, part], error[part])
            inside.append(square <= -2.0 * math.log(0.05))
    # 160 regions at 95 %: three standard deviations are 5.2 %.
    assert np.mean(inside) == pytest.approx(0.95, abs=0.052)


def test_a_part_that_cannot_be_told_well_enough_is_rejected_with_the_hidden_direction_named() -> None:
    lens = FAMILIES["near-concentric"]
    finish = run(Aligner(AlignmentPlan(lens), nominal_bench()), SpotBench(lens, np.random.default_rng(1)))
    assert finish.outcome is m.Outcome.REJECTED
    assert "rotation about a point" in finish.reason
    assert "autocollimator" in finish.remedy
    assert finish.verdict is not None
    assert not finish.verdict.passed


def test_a_part_that_is_told_well_enough_is_rejected_for_where_it_stands() -> None:
    model = fresh()
    look(model, np.zeros(4), np.zeros(4))
    off = verdict(decenter_um=12.0, tilt_arcsec=3.0)
    assert not off.passed
    reason, remedy = why_rejected(off, observe(model.sensitivities(), 0.02))
    assert "residual decentre 12.0 um and tilt 3.0 arcsec" in reason
    assert "not sure" not in reason
    assert "align again" in remedy


def test_a_bad_hole_centre_shows_as_what_dominates() -> None:
    truth = replace(Truth(), hole_mm=0.1)
    finish = run(
        Aligner(AlignmentPlan(REF_LENS), nominal_bench()),
        SpotBench(REF_LENS, np.random.default_rng(2), truth),
    )
    assert finish.outcome is m.Outcome.REJECTED
    assert "hole centre" in finish.reason


def test_a_spot_of_one_look_shows_up_in_both_agreements() -> None:
    model = fresh()
    look(model, np.zeros(4), np.zeros(4))
    spot = Spot(np.zeros(2), 1e-4 * np.eye(2), (1.0, 1.0), 1.0)
    assert isinstance(spot, Spot)
    assert scatter(model).holds
    assert left_out(model, SpotName.BACK)[0] == pytest.approx([0.0, 0.0], abs=1e-3)
