"""Run rules: each pattern by itself, and false alarms as often as published."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.quality.control_charts.rules import LIMITS_ONLY, NELSON, WESTERN_ELECTRIC, find_signals

RULES = {rule.name: rule for rule in (*NELSON, *WESTERN_ELECTRIC)}


def signals(z, rules):
    labels = [f"p{k}" for k in range(len(z))]
    return find_signals(np.array(z, float), rules, name="tilt x", labels=labels, shown=[f"{v:g}" for v in z])


@pytest.mark.parametrize(
    ("rule", "z", "first", "last", "side"),
    [
        ("beyond_limits", [0, 0, 3.1, 0], 2, 2, 1),
        ("beyond_limits", [0, -3.1, 0], 1, 1, -1),
        ("two_of_three", [0, 2.1, 0, 2.2, 0], 1, 3, 1),
        ("four_of_five", [0, -1.1, -1.2, 0.5, -1.3, -1.4], 1, 5, -1),
        ("8_on_one_side", [-0.1, *[0.1] * 8, -0.1], 1, 8, 1),
        ("9_on_one_side", [0.1, *[-0.1] * 9, 0.1], 1, 9, -1),
        ("trend", [0.5, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.1], 1, 6, 1),
        ("trend", [0.0, 0.5, 0.4, 0.3, 0.2, 0.1, 0.0, 0.4], 1, 6, -1),
        ("alternating", [0.1 * (-1) ** k for k in range(14)], 0, 13, 0),
        ("hugging", [0.5 * (-1) ** (k // 2) for k in range(15)], 0, 14, 0),
        ("avoiding", [1.5, -1.5, -1.6, 1.7, -1.2, 1.3, -1.1, 1.1], 0, 7, 0),
    ],
)
def test_a_pattern_is_found_where_it_is(rule, z, first, last, side):
    found = signals(z, [RULES[rule]])
    assert [(s.first, s.last, s.side) for s in found] == [(first, last, side)]
    assert f"p{last}" in found[0].reason
    assert found[0].reason.startswith("tilt x: ")


@pytest.mark.parametrize(
    ("rule", "z"),
    [
        ("beyond_limits", [2.99, -2.99]),
        ("two_of_three", [2.1, 0, 0, 2.1, 0, -2.1, 2.1]),
        ("two_of_three", [2.1, -2.1, 0]),
        ("four_of_five", [1.1, 1.1, 0, 0, 1.1, 1.1]),
        ("8_on_one_side", [0.1] * 7 + [-0.1] + [0.1] * 7),
        ("trend", [0.0, 0.1, 0.2, 0.3, 0.4, 0.4, 0.5]),
        ("alternating", [0.1 * (-1) ** k for k in range(13)]),
        ("hugging", [0.5] * 14 + [1.5]),
        ("avoiding", [1.5] * 7 + [0.5]),
    ],
)
def test_one_point_less_is_no_pattern(rule, z):
    assert signals(z, [RULES[rule]]) == ()


def test_a_run_that_goes_on_is_one_signal():
    found = signals([0.1] * 20, [RULES["8_on_one_side"]])
    assert [(s.first, s.complete, s.last) for s in found] == [(0, 7, 19)]


@given(st.lists(st.floats(-5, 5), max_size=40))
def test_mirrored_values_give_mirrored_signals(z):
    there, back = signals(z, NELSON), signals([-value for value in z], NELSON)
    assert {(s.rule, s.first, s.last, s.side) for s in there} == {
        (s.rule, s.first, s.last, -s.side) for s in back
    }
    assert all(0 <= s.first <= s.complete <= s.last < len(z) for s in there)


def mean_run_length(rules, shift, rng, count=1500, longest=1000):
    lengths = []
    for _ in range(count):
        z = rng.normal(shift, 1.0, longest)
        flagged = [np.flatnonzero(r.find(side * z)) for r in rules for side in (1, -1)]
        lengths.append(min((f[0] + 1 for f in flagged if f.size), default=longest))
    return float(np.mean(lengths))


def test_false_alarms_of_the_zone_tests_come_as_often_as_published():
    # Champ & Woodall, Technometrics 29, 393 (1987) (from memory): mean run length 91.75 in control and
    # 9.22 after a shift of one sigma, for the four zone tests together.
    rng = np.random.default_rng(11)
    assert mean_run_length(WESTERN_ELECTRIC, 0.0, rng) == pytest.approx(91.75, rel=0.08)
    assert mean_run_length(WESTERN_ELECTRIC, 1.0, rng, longest=200) == pytest.approx(9.22, rel=0.08)


def test_limits_alone_find_a_shift_of_one_sigma_as_late_as_published():
    # Textbooks (Montgomery, Introduction to Statistical Quality Control; from memory): 43.9 points.
    assert mean_run_length(LIMITS_ONLY, 1.0, np.random.default_rng(12)) == pytest.approx(43.9, rel=0.08)
