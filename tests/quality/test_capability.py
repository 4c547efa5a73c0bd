"""Capability against published examples, exact distributions and simulated coverage."""

import math

import numpy as np
import pytest
from scipy import stats

from station.quality.capability import (
    Capability,
    NoCapability,
    Tolerance,
    axis_tolerance,
    capability,
    nearest_index_interval,
    radial_share_outside,
    spread_index_interval,
)
from station.quality.checks import QualityError
from station.quality.control_charts import individuals_chart, individuals_limits, xbar_r_chart


def of(values, tolerance, **options):
    return capability(individuals_chart(values, name="decenter x", unit="um"), values, tolerance, **options)


def test_interval_of_cp_of_a_published_example():
    # Montgomery, Introduction to Statistical Quality Control, capability chapter (from memory): limits 38
    # and 62, 20 parts, s = 1.75: Cp = 2.29, 95 % interval 1.57 to 3.01.
    assert pytest.approx(2.29, abs=0.005) == (62 - 38) / (6 * 1.75)
    # The book goes on with the rounded index.
    index = spread_index_interval(2.29, 19, 0.95)
    assert index.low == pytest.approx(1.57, abs=0.005)
    assert index.high == pytest.approx(3.01, abs=0.006)


def test_indices_of_a_published_example():
    # NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, s = 2: Cp = 1.0, Cpk = 0.6667.
    rng = np.random.default_rng(3)
    values = stats.norm.ppf((np.arange(200) + 0.5) / 200)
    values = 16.0 + 2.0 * (values - values.mean()) / values.std(ddof=1)
    result = of(rng.permutation(values), Tolerance(8.0, 20.0))
    assert isinstance(result, Capability)
    assert result.pp is not None
    assert result.pp.value == pytest.approx(1.0)
    assert result.ppk.value == pytest.approx(2.0 / 3.0)
    assert result.cpk.value == pytest.approx((20 - 16) / (3 * result.sigma_within))


@pytest.mark.parametrize("index", [0.8, 1.33, 2.0])
def test_interval_of_cpk_is_close_to_the_exact_one(index):
    # One-sided index: 3 sqrt(n) Cpk follows a noncentral t, which gives the exact interval.
    n = 100
    ours = nearest_index_interval(index, n, n - 1, 0.95)
    t = 3 * math.sqrt(n) * index

    def bound(p):
        from scipy.optimize import brentq

        return brentq(lambda nc: stats.nct.cdf(t, n - 1, nc) - p, 0.5 * t, 1.6 * t) / (3 * math.sqrt(n))

    assert ours.low == pytest.approx(bound(0.975), rel=0.02)
    assert ours.high == pytest.approx(bound(0.025), rel=0.02)


def test_intervals_cover_the_true_index():
    rng = np.random.default_rng(8)
    tolerance, hits, tries = Tolerance(-5.0, 4.0), {"cp": 0, "cpk": 0, "ppk": 0}, 0
    true_cp, true_cpk = 9.0 / 6.0, 4.0 / 3.0
    for _ in range(400):
        result = of(rng.normal(size=80), tolerance)
        if isinstance(result, NoCapability):
            continue
        tries += 1
        assert result.cp is not None
        hits["cp"] += result.cp.low <= true_cp <= result.cp.high
        hits["cpk"] += result.cpk.low <= true_cpk <= result.cpk.high
        hits["ppk"] += result.ppk.low <= true_cpk <= result.ppk.high
    assert tries > 380
    for name, count in hits.items():
        # 95 % within four binomial sigmas.
        assert abs(count / tries - 0.95) < 4 * math.sqrt(0.05 * 0.95 / tries), name


def test_no_index_from_few_parts_or_out_of_control():
    rng = np.random.default_rng(9)
    few = of(rng.normal(size=49), Tolerance(-5, 5))
    assert isinstance(few, NoCapability)
    assert "49" in few.reason
    moved = rng.normal(size=200)
    moved[100:] += 3.0
    out = of(moved, Tolerance(-5, 5))
    assert isinstance(out, NoCapability)
    assert out.reason.startswith("out of control: decenter x")


def test_one_limit_gives_cpk_alone():
    result = of(np.random.default_rng(10).normal(size=100), Tolerance(None, 4.0))
    assert isinstance(result, Capability)
    assert result.cp is None
    assert result.pp is None
    assert result.cpk.value == pytest.approx((4.0 - result.mean) / (3 * result.sigma_within))


def test_values_that_are_not_normal_come_with_a_note():
    # Skewed, but not so far that the chart calls it out of control.
    p = (np.random.default_rng(11).permutation(200) + 0.5) / 200
    result = of(stats.triang(0.0).ppf(p), Tolerance(-5, 5))
    assert isinstance(result, Capability)
    assert any("not normal" in note for note in result.notes)


def test_subgroups_use_the_scatter_within_them():
    groups = np.random.default_rng(12).normal(size=(30, 5))
    result = capability(xbar_r_chart(groups), groups, Tolerance(-4, 4))
    assert isinstance(result, Capability)
    assert result.count == 150
    assert result.sigma_within == pytest.approx(np.ptp(groups, axis=1).mean() / 2.326, rel=1e-3)


def test_phase_two_values_are_judged_by_their_own_spread_of_the_chart():
    rng = np.random.default_rng(13)
    limits = individuals_limits(rng.normal(size=100))
    values = rng.normal(size=60)
    result = capability(individuals_chart(values, limits), values, Tolerance(-4, 4))
    assert isinstance(result, Capability)
    assert result.sigma_within == limits.sigma


def test_a_square_in_the_circle():
    tolerance = axis_tolerance(10.0)
    assert tolerance.lower is not None
    assert tolerance.upper is not None
    assert math.hypot(tolerance.lower, tolerance.upper) == pytest.approx(10.0)


def exact_points(mean, covariance, count=60, seed=1):
    """Points whose sample mean and covariance are exactly those asked for."""
    raw = np.random.default_rng(seed).normal(size=(count, 2))
    raw -= raw.mean(axis=0)
    white = raw @ np.linalg.inv(np.linalg.cholesky(np.cov(raw.T))).T
    return (white @ np.linalg.cholesky(np.array(covariance, float)).T + mean).T


@pytest.mark.parametrize("sigma", [0.05, 0.3, 1.0, 4.0])
def test_share_outside_a_circle_of_centred_axes_is_rayleighs(sigma):
    x, y = exact_points((0, 0), np.eye(2) * sigma**2)
    assert radial_share_outside(x, y, 1.0) == pytest.approx(math.exp(-0.5 / sigma**2), abs=1e-12)


def test_share_outside_a_circle_off_the_centre_is_the_noncentral_chi_square():
    x, y = exact_points((0.6, -0.8), np.eye(2) * 0.25)
    assert radial_share_outside(x, y, 2.0) == pytest.approx(stats.ncx2.sf(16.0, 2, 4.0), rel=1e-9)


def test_share_outside_a_circle_of_tilted_scatter_is_that_of_simulated_points():
    covariance = [[1.0, 0.6], [0.6, 0.8]]
    x, y = exact_points((0.3, 0.2), covariance)
    points = np.random.default_rng(2).multivariate_normal([0.3, 0.2], covariance, 400_000)
    simulated = float(np.mean(np.hypot(*points.T) > 2.0))
    assert radial_share_outside(x, y, 2.0) == pytest.approx(simulated, abs=0.002)


@pytest.mark.parametrize(
    "limits", [(None, None), (2.0, 1.0), (1.0, 1.0), (float("nan"), 1.0), (0.0, math.inf)]
)
def test_tolerances_that_make_no_sense_are_refused(limits):
    with pytest.raises(QualityError, match="tolerance"):
        Tolerance(*limits)


def test_values_of_another_chart_are_refused():
    chart = individuals_chart(np.random.default_rng(1).normal(size=60))
    with pytest.raises(QualityError, match="hand in those charted"):
        capability(chart, np.zeros(61), Tolerance(-1, 1))
    with pytest.raises(QualityError, match="confidence"):
        capability(chart, chart.points, Tolerance(-1, 1), confidence=95.0)
