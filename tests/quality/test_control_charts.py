"""Control charts against published worked examples, phases I and II, and the state of control."""

import numpy as np
import pytest

from station.quality.checks import QualityError
from station.quality.control_charts import (
    LIMITS_ONLY,
    control_state,
    individuals_chart,
    individuals_limits,
    xbar_r_chart,
    xbar_r_limits,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, individuals chart of a flow rate (from memory).
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]

# Montgomery, Introduction to Statistical Quality Control, inside diameter of piston rings, 25 samples
# (from memory; that the published sums come out speaks for the memory). In um above 73.9 mm.
RINGS = """
130 102 119  92 108   95  92 101 111 104   88 124 121 105 102  102  96  93 115 109   92 107 115  89 114
109  94  97  85  93   95 106  94 100 105   85 103  93 115  88  108  95 109 105 104   98 100  90 107  95
 94  98  94  95  90  104 100 107 100  96   83 102  98  97 112  106  67  94 100  84  112 114  98  99 107
100  84 105  98  96   94 112  86 105 107  106 110 118 103 100   84 102 103 105  97  100 110 113 120 103
 82 101 115 105  96  104  99  90 106 109  110  89  90 109 114  115 108  93 100 110   82  84  95 117 113
"""


def rings():
    return 73.9 + np.array(RINGS.split(), float).reshape(25, 5) / 1000.0


def test_individuals_chart_of_a_published_example():
    limits = individuals_limits(FLOW)
    assert limits.center == pytest.approx(50.81)
    assert np.abs(np.diff(FLOW)).mean() == pytest.approx(1.8778, abs=5e-5)
    # The handbook divides by d2 = 1.128.
    assert limits.upper == pytest.approx(55.8041, abs=0.002)
    assert limits.lower == pytest.approx(45.8159, abs=0.002)
    assert individuals_chart(FLOW, rules=LIMITS_ONLY).in_control


def test_means_and_ranges_of_a_published_example():
    # Published sums: ranges 0.581, rounded means 1850.028, standard deviations 0.2350; limits of means 74.014
    # and 73.988, of ranges 0.049.
    groups = rings()
    assert np.round(groups.mean(axis=1), 3).sum() == pytest.approx(1850.028, abs=1e-9)
    assert groups.std(axis=1, ddof=1).sum() == pytest.approx(0.2350, abs=5e-5)
    limits = xbar_r_limits(groups)
    assert limits.center == pytest.approx(74.001, abs=5e-4)
    assert 25 * limits.range_center == pytest.approx(0.581, abs=1e-9)
    # The book rounds the mean range to 0.023 first.
    assert limits.upper == pytest.approx(74.014, abs=1e-3)
    assert limits.lower == pytest.approx(73.988, abs=1e-3)
    assert limits.range_upper == pytest.approx(0.049, abs=5e-4)
    assert limits.range_lower == 0.0
    assert not limits.provisional
    chart = xbar_r_chart(rings(), rules=LIMITS_ONLY)
    assert chart.in_control
    assert chart.points.shape == chart.ranges.shape == (25,)


def test_phase_two_judges_new_values_by_old_limits():
    rng = np.random.default_rng(1)
    limits = individuals_limits(rng.normal(5.0, 1.0, 60))
    shifted = individuals_chart(rng.normal(8.0, 1.0, 12), limits, name="decenter x", unit="um")
    assert shifted.limits is limits
    assert {signal.rule for signal in shifted.signals} >= {"beyond_limits", "8_on_one_side"}
    assert any("decenter x" in reason and "um" in reason and "above" in reason for reason in shifted.reasons)
    # Judged by itself the same stretch has nothing to show.
    assert individuals_chart(shifted.points, name="decenter x", rules=LIMITS_ONLY).in_control


def test_a_single_new_value_can_be_monitored():
    limits = individuals_limits(FLOW)
    chart = individuals_chart([60.0], limits)
    assert [signal.rule for signal in chart.signals] == ["beyond_limits"]
    assert chart.ranges.size == 0


def test_a_place_with_a_known_cause_leaves_the_limits_alone_and_is_not_reported():
    rng = np.random.default_rng(2)
    clean = rng.normal(0.0, 1.0, 40)
    spoilt = clean.copy()
    spoilt[20] = 50.0
    chart = individuals_chart(spoilt, excluded=[20], rules=LIMITS_ONLY)
    keep = np.delete(clean, 20)
    ranges = [
        abs(a - b) for part in (clean[:20], clean[21:]) for a, b in zip(part[1:], part[:-1], strict=True)
    ]
    assert chart.limits.center == pytest.approx(keep.mean())
    assert chart.limits.range_center == pytest.approx(np.mean(ranges))
    assert 20 not in {signal.first for signal in chart.signals}
    assert individuals_chart(spoilt, rules=LIMITS_ONLY).signals[0].first == 20


def test_a_large_range_is_reported_by_the_place_where_it_ends():
    values = np.tile([0.0, 0.4, -0.3, 0.2], 10)
    values[30] = 2.0
    limits = individuals_limits(np.tile([0.0, 0.4, -0.3, 0.2], 10))
    chart = individuals_chart(values, limits, labels=[f"L{k}" for k in range(40)])
    # Into the spike, and out of it again.
    assert any("moving range" in reason and "(L30 to L31" in reason for reason in chart.reasons)


def test_few_points_give_provisional_limits_and_say_so():
    chart = individuals_chart(FLOW)
    assert chart.limits.provisional
    assert "10 points" in chart.notes[0]


def test_a_radial_error_is_told_from_an_axis():
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=(2, 100))
    assert any("radial" in note for note in individuals_chart(np.hypot(x, y)).notes)
    assert not individuals_chart(x).notes


@pytest.mark.parametrize("length", [60, 400])
def test_a_series_in_control_is_hardly_ever_called_out_of_control(length):
    rng = np.random.default_rng(length)
    bad = sum(not control_state(individuals_chart(rng.normal(size=length))).in_control for _ in range(400))
    # Asked for 1 %; three binomial sigmas above that is 10 of 400.
    assert bad <= 10
    means = sum(not control_state(xbar_r_chart(rng.normal(size=(40, 5)))).in_control for _ in range(200))
    assert means <= 6


def test_what_speaks_against_control_is_said():
    rng = np.random.default_rng(6)
    values = rng.normal(size=300)
    drifting = individuals_chart(values + np.linspace(0.0, 2.0, 300), name="tilt y", unit="arcsec")
    assert any("level has moved or drifts" in reason for reason in control_state(drifting).reasons)
    values[100] = 8.0
    state = control_state(individuals_chart(values, name="tilt y"))
    assert not state.in_control
    assert "101 lies" in state.reasons[0]
    # The cause of that one is known: without it the series is in control.
    assert control_state(individuals_chart(values, name="tilt y", excluded=[100])).in_control


def test_a_step_too_large_is_found_where_no_point_is_too_far():
    rng = np.random.default_rng(8)
    values = rng.normal(size=200)
    values[[100, 101]] = 3.5, -3.5
    reasons = control_state(individuals_chart(values, name="tilt y", unit="arcsec")).reasons
    assert len(reasons) == 1
    assert reasons[0].startswith("tilt y: the step to 102 (7 arcsec) is too large")


def test_a_long_run_is_found_where_the_level_hardly_moves():
    rng = np.random.default_rng(9)
    values = rng.normal(size=400)
    limits = individuals_limits(values)
    values[60:80] = limits.center - 0.05
    reasons = control_state(individuals_chart(values, limits, name="tilt y")).reasons
    assert len(reasons) == 1
    assert "points in a row below the centre" in reasons[0]


@pytest.mark.parametrize("shift", [1.0, -1.0])
def test_a_moved_level_is_found(shift):
    rng = np.random.default_rng(7)
    values = rng.normal(size=200)
    values[120:] += shift
    reasons = control_state(individuals_chart(values)).reasons
    assert reasons


def test_limits_for_other_subgroups_are_refused():
    limits = xbar_r_limits(rings())
    with pytest.raises(QualityError, match="subgroups of 4"):
        xbar_r_chart(rings()[:, :4], limits)
