"""What is no usable series is refused with words that say what is wrong and where."""

import numpy as np
import pytest

from station.quality.checks import QualityError, as_labels, as_points, as_series, as_subgroups, kept
from station.quality.control_charts import individuals_chart, individuals_limits, xbar_r_limits


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ([], "decenter x: the series is empty"),
        ([1.0, 2.0], "decenter x: 2 values, at least 8"),
        ([[1.0, 2.0]], r"not an array of shape \(1, 2\)"),
        ([*range(8), float("nan")], r"1 of 9 values are not finite numbers \(first: place 9\)"),
        ([float("inf"), *range(8)], "place 1"),
        ([*range(8), None], "not finite"),
        (["1", "two"], "not numbers"),
        ([3.0] * 20, "neighbouring values do not differ"),
        ([1e9 + 1e-6 * (k % 2) for k in range(20)], "neighbouring values do not differ"),
    ],
)
def test_series_that_make_no_chart(values, message):
    with pytest.raises(QualityError, match=message):
        individuals_limits(values, name="decenter x")


@pytest.mark.parametrize(
    ("groups", "message"),
    [
        ([], "no subgroups"),
        ([[1, 2, 3], [1, 2]], "subgroup 2 has 2 values, subgroup 1 has 3"),
        ([[1], [2]], "subgroups of 1"),
        ([range(26)] * 9, "subgroups of 26"),
        ([[1, 2]] * 7, "7 subgroups, at least 8"),
        ([[1, 2]] * 8 + [[1, float("nan")]], "not finite"),
        ([[4, 4]] * 9, "do not differ"),
        ([["a", "b"]], "not numbers"),
    ],
)
def test_subgroups_that_make_no_chart(groups, message):
    with pytest.raises(QualityError, match=message):
        xbar_r_limits(groups, name="tilt x")


def test_what_is_checked_is_handed_back_as_an_array_of_its_own():
    values = np.arange(5.0)
    series = as_series(values, "x")
    series[0] = 99.0
    assert values[0] == 0.0
    assert as_points([1, 2], [3, 4], "p").tolist() == [[1, 3], [2, 4]]
    assert as_subgroups([(1, 2), (3, 4)], "g").shape == (2, 2)


def test_labels_and_places_have_to_belong_to_the_series():
    assert as_labels(None, 3, "x") == ("1", "2", "3")
    with pytest.raises(QualityError, match="2 labels for 3 values"):
        as_labels(["a", "b"], 3, "x")
    with pytest.raises(QualityError, match="place 30"):
        kept(30, [30], "x")
    with pytest.raises(QualityError, match="2 values of x but 3 of y"):
        as_points([1, 2], [1, 2, 3], "x")
    with pytest.raises(QualityError, match="1 labels for 20 values"):
        individuals_chart(np.random.default_rng(0).normal(size=20), labels=["only one"])
    with pytest.raises(QualityError, match="without those left out"):
        individuals_limits(np.random.default_rng(0).normal(size=10), excluded=range(5))
