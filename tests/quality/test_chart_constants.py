"""Factors of control charts against published tables and closed forms."""

import math

import numpy as np
import pytest
from scipy import stats

from station.quality.checks import QualityError
from station.quality.control_charts.constants import (
    chart_factors,
    mean_range_degrees_of_freedom,
    mean_range_factor,
    moving_range_degrees_of_freedom,
)

# ISO 7870-2 and ASTM MNL 7, tables of factors; E2 as in handbooks of quality control (all from memory).
# Columns: d2, d3, A2, D3, D4, E2.
PUBLISHED = {
    2: (1.128, 0.853, 1.880, 0.0, 3.267, 2.660),
    3: (1.693, 0.888, 1.023, 0.0, 2.574, 1.772),
    4: (2.059, 0.880, 0.729, 0.0, 2.282, 1.457),
    5: (2.326, 0.864, 0.577, 0.0, 2.114, 1.290),
    6: (2.534, 0.848, 0.483, 0.0, 2.004, 1.184),
    7: (2.704, 0.833, 0.419, 0.076, 1.924, 1.109),
    8: (2.847, 0.820, 0.373, 0.136, 1.864, 1.054),
    9: (2.970, 0.808, 0.337, 0.184, 1.816, 1.010),
    10: (3.078, 0.797, 0.308, 0.223, 1.777, 0.975),
}
NAMES = ("d2", "d3", "A2", "D3", "D4", "E2")


@pytest.mark.parametrize("n", PUBLISHED)
def test_factors_are_those_of_the_published_tables(n):
    factors = chart_factors(n)
    for name, published in zip(NAMES, PUBLISHED[n], strict=True):
        # Half a unit of the last place, and what the tables' own rounding of d2 and d3 adds (E2 = 3 / 1.128).
        allowed = 0.0015 if name == "E2" else 0.0008
        assert getattr(factors, name) == pytest.approx(published, abs=allowed), name


def test_closed_forms_of_small_samples():
    # David & Nagaraja, Order Statistics (from memory): exact moments of the range of few normal values.
    assert chart_factors(2).d2 == pytest.approx(2.0 / math.sqrt(math.pi), abs=1e-11)
    assert chart_factors(2).d3 == pytest.approx(math.sqrt(2.0 - 4.0 / math.pi), abs=1e-10)
    assert chart_factors(3).d2 == pytest.approx(3.0 / math.sqrt(math.pi), abs=1e-11)
    exact = 6.0 / math.sqrt(math.pi) * (0.5 + math.asin(1.0 / 3.0) / math.pi)
    assert chart_factors(4).d2 == pytest.approx(exact, abs=1e-11)


def test_the_tail_of_the_range_is_that_of_the_studentized_range():
    # scipy's studentized range with infinite degrees of freedom is the range of normal values.
    from station.quality.control_charts.constants import range_exceedance

    w = np.array([1.0, 2.5, 4.0])
    ours = range_exceedance(5, w)
    assert ours == pytest.approx(stats.studentized_range.sf(w, 5, np.inf), rel=1e-6)


def test_c4_is_the_mean_of_the_chi_distribution():
    for n in (2, 5, 25):
        assert chart_factors(n).c4 == pytest.approx(stats.chi(n - 1).mean() / math.sqrt(n - 1), rel=1e-9)


def test_factor_of_few_ranges():
    # Duncan's table of d2* (from memory): one range of 2, 3 and 10 values: 1.414, 1.912, 3.179.
    assert mean_range_factor(2, 1) == pytest.approx(1.414, abs=6e-4)
    assert mean_range_factor(3, 1) == pytest.approx(1.912, abs=6e-4)
    assert mean_range_factor(10, 1) == pytest.approx(3.179, abs=6e-4)
    assert mean_range_factor(5, 10**9) == pytest.approx(chart_factors(5).d2)


def test_what_a_mean_moving_range_is_worth():
    # Cryer & Ryan, J. Quality Technology 22, 187 (1990) (from memory): asymptotic efficiency 0.605.
    assert moving_range_degrees_of_freedom(100_000) / 100_000 == pytest.approx(0.605, abs=0.001)
    rng = np.random.default_rng(4)
    means = np.abs(np.diff(rng.normal(size=(20_000, 30)), axis=1)).mean(axis=1)
    simulated = means.mean() ** 2 / (2.0 * means.var())
    assert moving_range_degrees_of_freedom(30) == pytest.approx(simulated, rel=0.05)


def test_what_a_mean_range_is_worth():
    rng = np.random.default_rng(5)
    means = np.ptp(rng.normal(size=(5_000, 25, 5)), axis=2).mean(axis=1)
    simulated = means.mean() ** 2 / (2.0 * means.var())
    assert mean_range_degrees_of_freedom(5, 25) == pytest.approx(simulated, rel=0.08)


@pytest.mark.parametrize("n", [0, 1, 26])
def test_sizes_without_factors_are_refused(n):
    with pytest.raises(QualityError, match="2 to 25"):
        chart_factors(n)
