"""The measurement-system study against a published worked example and an independent library."""

import math

import numpy as np
import pytest
from scipy import stats

from station.quality.checks import QualityError
from station.quality.studies import analysis_of_variance, average_and_range, remount_study

# Automotive Industry Action Group, Measurement Systems Analysis, 4th edition (2010): ten parts, three
# appraisers, three trials (data and results from memory; sums of squares to four decimals speak for it).
APPRAISERS = """
 .29 -.56 1.34  .47  -.80  .02 .59 -.31 2.26 -1.36
 .41 -.68 1.17  .50  -.92 -.11 .75 -.20 1.99 -1.25
 .64 -.58 1.27  .64  -.84 -.21 .66 -.17 2.01 -1.31
 .08 -.47 1.19  .01  -.56 -.20 .47 -.63 1.80 -1.68
 .25 -1.22 .94 1.03 -1.20  .22 .55  .08 2.12 -1.62
 .07 -.68 1.34  .20 -1.28  .06 .83 -.34 2.19 -1.50
 .04 -1.38 .88  .14 -1.46 -.29 .02 -.46 1.77 -1.49
-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96  .67  .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""
# Operators first, then parts, then trials.
STUDY = np.array(APPRAISERS.split(), float).reshape(3, 3, 10).transpose(0, 2, 1)


def test_average_and_range_of_the_published_example():
    study = average_and_range(STUDY)
    assert (study.operators, study.parts, study.trials) == (3, 10, 3)
    assert study.repeatability == pytest.approx(0.20188, abs=1e-4)
    assert study.reproducibility == pytest.approx(0.22963, abs=1e-4)
    assert study.gauge == pytest.approx(0.30575, abs=1e-4)
    assert study.part == pytest.approx(1.10456, abs=2e-4)
    assert study.total == pytest.approx(1.14610, abs=2e-4)
    assert study.share_of_total == pytest.approx(0.2668, abs=1e-4)
    assert study.categories == 5


def test_analysis_of_variance_of_the_published_example():
    study = analysis_of_variance(STUDY)
    lines = {line.source: line for line in study.table}
    for source, squares, freedom in (
        ("operator", 3.1673, 2),
        ("part", 88.3619, 9),
        ("operator x part", 0.3590, 18),
        ("repeats", 2.7589, 60),
    ):
        assert lines[source].squares == pytest.approx(squares, abs=5e-5), source
        assert lines[source].freedom == freedom
    assert lines["operator x part"].f == pytest.approx(0.434, abs=5e-4)
    assert study.repeatability == pytest.approx(0.199933, abs=1e-6)
    assert study.reproducibility == pytest.approx(0.226838, abs=1e-6)
    assert study.gauge == pytest.approx(0.302373, abs=2e-6)
    assert study.part == pytest.approx(1.042327, abs=1e-6)
    assert study.share_of_total == pytest.approx(0.279, abs=5e-4)
    assert study.categories == 4
    assert study.interaction is None


def test_table_agrees_with_an_independent_library():
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(5)
    shape = (3, 6, 4)
    data = rng.normal(size=shape) + rng.normal(size=(3, 6, 1)) + rng.normal(size=(1, 6, 1)) * 3
    o, p, t = np.indices(shape)
    frame = pd.DataFrame({"y": data.ravel(), "o": o.ravel(), "p": p.ravel(), "t": t.ravel()})
    table = anova_lm(ols("y ~ C(o) * C(p)", data=frame).fit())
    ours = {line.source: line for line in analysis_of_variance(data).table}
    names = {"operator": "C(o)", "part": "C(p)", "operator x part": "C(o):C(p)", "repeats": "Residual"}
    for source, theirs in names.items():
        assert ours[source].squares == pytest.approx(table.loc[theirs, "sum_sq"], rel=1e-9)
        assert ours[source].freedom == table.loc[theirs, "df"]
    cross = ours["operator x part"]
    assert cross.f == pytest.approx(table.loc["C(o):C(p)", "F"], rel=1e-9)
    assert cross.p == pytest.approx(table.loc["C(o):C(p)", "PR(>F)"], rel=1e-9)
    # Random factors are tested against the interaction, not against repeats.
    f = table.loc["C(p)", "mean_sq"] / table.loc["C(o):C(p)", "mean_sq"]
    assert ours["part"].f == pytest.approx(f, rel=1e-9)
    assert ours["part"].p == pytest.approx(stats.f.sf(f, 5, 10), rel=1e-9)


def test_components_are_those_that_made_the_data():
    rng = np.random.default_rng(6)
    true = {"repeat": 0.5, "operator": 0.7, "cross": 0.4, "part": 2.0}
    found = []
    for _ in range(300):
        data = rng.normal(0, true["repeat"], (6, 12, 3)) + rng.normal(0, true["operator"], (6, 1, 1))
        data += rng.normal(0, true["cross"], (6, 12, 1)) + rng.normal(0, true["part"], (1, 12, 1))
        study = analysis_of_variance(data, pooling=1.0)
        found.append([study.repeatability**2, study.reproducibility**2, study.interaction**2, study.part**2])
    repeat, reproducibility, cross, part = np.mean(found, axis=0)
    assert repeat == pytest.approx(0.25, rel=0.03)
    assert cross == pytest.approx(0.16, rel=0.08)
    assert reproducibility == pytest.approx(0.49 + 0.16, rel=0.12)
    assert part == pytest.approx(4.0, rel=0.1)


def test_a_significant_interaction_is_what_parts_and_operators_are_judged_against():
    # Estimators of the crossed random model (Montgomery, Design and Analysis of Experiments; from memory).
    rng = np.random.default_rng(9)
    data = rng.normal(0, 0.1, (4, 6, 3)) + rng.normal(0, 1, (4, 6, 1)) + rng.normal(0, 3, (1, 6, 1))
    data += np.array([0.0, 2.0, 4.0, 6.0])[:, None, None]
    study = analysis_of_variance(data)
    ms = {line.source: line.mean_square for line in study.table}
    cross, repeats = ms["operator x part"], ms["repeats"]
    assert study.repeatability == pytest.approx(math.sqrt(repeats))
    assert study.interaction == pytest.approx(math.sqrt((cross - repeats) / 3))
    assert study.part == pytest.approx(math.sqrt((ms["part"] - cross) / 12))
    between = (ms["operator"] - cross) / 18
    assert study.reproducibility == pytest.approx(math.sqrt(between + (cross - repeats) / 3))


def test_both_methods_agree_on_plain_data():
    rng = np.random.default_rng(7)
    data = (
        rng.normal(0, 0.3, (3, 10, 3))
        + rng.normal(0, 1, (1, 10, 1))
        + np.array([0.0, 1.0, -1.0])[:, None, None]
    )
    a, b = average_and_range(data), analysis_of_variance(data)
    assert a.repeatability == pytest.approx(b.repeatability, rel=0.15)
    assert a.reproducibility == pytest.approx(b.reproducibility, rel=0.15)
    assert a.part == pytest.approx(b.part, rel=0.15)


def test_one_station_leaves_reproducibility_open_and_says_so():
    for method in (average_and_range, analysis_of_variance):
        study = method(STUDY[:1])
        assert study.reproducibility is None
        assert study.gauge == study.repeatability
        assert any("not studied" in word for word in study.words)
    assert [line.source for line in analysis_of_variance(STUDY[:1]).table] == ["part", "repeats"]


def test_verdict_in_words_follows_the_tolerance():
    study = analysis_of_variance(STUDY, tolerance_width=30.0)
    assert study.share_of_tolerance == pytest.approx(6 * study.gauge / 30.0)
    assert "6% of the tolerance: good" in study.words[0]
    assert "not good enough" in analysis_of_variance(STUDY, tolerance_width=5.0).words[0]
    assert any("4 groups" in word for word in study.words)


def test_remounting_one_lens():
    values = np.random.default_rng(8).normal(3.0, 0.5, 25)
    study = remount_study(values, tolerance_width=20.0)
    assert study.repeatability == pytest.approx(values.std(ddof=1))
    # Interval of a standard deviation as scipy's chi-square gives it.
    low, high = stats.chi2.ppf([0.975, 0.025], 24)
    assert study.low == pytest.approx(study.repeatability * math.sqrt(24 / low))
    assert study.high == pytest.approx(study.repeatability * math.sqrt(24 / high))
    assert study.share_of_tolerance == pytest.approx(6 * study.repeatability / 20.0)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (np.zeros((3, 10)), "operators, parts, trials"),
        (np.zeros((3, 1, 3)), "at least 1, 2 and 2"),
        (np.zeros((3, 10, 1)), "at least 1, 2 and 2"),
        (np.zeros((2, 30, 2)), "at most 25"),
        (np.zeros((3, 10, 3)), "never differ"),
        (np.where(np.arange(90).reshape(3, 10, 3) == 4, np.nan, STUDY), "1 values are missing"),
        ([[[1, 2], [3, 4]], [[1, 2], [3]]], "equally often"),
    ],
)
def test_studies_that_are_none_are_refused(data, message):
    for method in (average_and_range, analysis_of_variance):
        with pytest.raises(QualityError, match=message):
            method(data)


def test_remount_refusals():
    with pytest.raises(QualityError, match="at least 10"):
        remount_study([1.0] * 9)
    with pytest.raises(QualityError, match="stuck"):
        remount_study([1.0] * 10)
    with pytest.raises(QualityError, match="tolerance width"):
        average_and_range(STUDY, tolerance_width=0.0)
