"""Against JCGM 100:2008: table G.2, worked example H.2 (its numbers from memory), and scipy.stats."""

import math

import numpy as np
import pytest
from scipy import stats

from control.uncertainty import (
    coverage_factor,
    effective_degrees_of_freedom,
    largest_sigma,
    mean_with_covariance,
    propagate,
    radial_coverage_factor,
)


@pytest.mark.parametrize(("freedom", "t95"), [(1, 12.71), (2, 4.30), (3, 3.18), (5, 2.57), (10, 2.23)])
def test_t95_of_jcgm_100_table_g2(freedom: int, t95: float) -> None:
    assert coverage_factor(0.95, freedom) == pytest.approx(t95, abs=0.005)


def test_normal_limit_of_jcgm_100_table_g1() -> None:
    assert coverage_factor(0.95) == pytest.approx(1.960, abs=5e-4)


def test_radial_factor_at_95_percent_is_2_4477() -> None:
    assert radial_coverage_factor(0.95) == pytest.approx(2.4477, abs=5e-5)
    assert radial_coverage_factor(0.95) == pytest.approx(math.sqrt(stats.chi2.ppf(0.95, 2)), rel=1e-12)


def test_radial_factor_for_few_degrees_of_freedom_holds_its_coverage() -> None:
    rng = np.random.default_rng(1)
    freedom, runs = 4, 200_000
    error = rng.normal(size=(runs, 2))
    sigma = np.sqrt(rng.chisquare(freedom, runs) / freedom)
    inside = np.hypot(*error.T) <= radial_coverage_factor(0.95, freedom) * sigma
    assert np.mean(inside) == pytest.approx(0.95, abs=0.002)
    assert radial_coverage_factor(0.95, 1e7) == pytest.approx(radial_coverage_factor(0.95), rel=1e-4)


# JCGM 100:2008, H.2, table H.2: five simultaneous observations of V (V), I (A), phase (rad); from memory.
OBSERVED = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def test_worked_example_h2_resistance_reactance_impedance() -> None:
    mean, covariance, freedom = mean_with_covariance(OBSERVED)
    assert freedom == 4
    volt, ampere, phase = mean
    assert mean == pytest.approx([4.9990, 19.6610e-3, 1.04446], rel=1e-5)
    z = volt / ampere
    slopes = np.array(
        [
            [math.cos(phase) / ampere, -z * math.cos(phase) / ampere, -z * math.sin(phase)],
            [math.sin(phase) / ampere, -z * math.sin(phase) / ampere, z * math.cos(phase)],
            [1.0 / ampere, -z / ampere, 0.0],
        ]
    )
    result = propagate(slopes, covariance)
    sigma = np.sqrt(np.diag(result))
    assert [z * math.cos(phase), z * math.sin(phase), z] == pytest.approx(
        [127.732, 219.847, 254.260], abs=6e-4
    )
    assert sigma == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    correlation = result / np.outer(sigma, sigma)
    assert correlation[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_welch_satterthwaite_of_equal_parts_adds_their_freedom() -> None:
    # JCGM 100:2008, G.4.1: two equal parts with nu degrees of freedom each have 2 nu together.
    assert effective_degrees_of_freedom([1.0, 1.0], [5, 5]) == pytest.approx(10.0)
    assert effective_degrees_of_freedom([1.0, 3.0], [4, math.inf]) == pytest.approx(400.0)
    assert math.isinf(effective_degrees_of_freedom([1.0], [math.inf]))


def test_one_sample_has_no_scatter() -> None:
    with pytest.raises(ValueError, match="two or more"):
        mean_with_covariance(np.zeros((1, 3)))


def test_worst_direction_of_a_covariance() -> None:
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])
    assert largest_sigma(turn @ np.diag([4.0, 9.0]) @ turn.T) == pytest.approx(3.0)
