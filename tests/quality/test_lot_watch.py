"""Drift and reject tests of the lot runner: published examples, published run lengths, and what they say."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from control.messages import Outcome
from station.quality.checks import QualityError
from station.quality.lot_watch import (
    DriftSettings,
    DriftWatch,
    RejectLimits,
    cusum,
    cusum_run_length,
    ewma,
    reject_signal,
    rejects_in_a_row,
    rejects_in_a_row_run_length,
)

GOOD, BAD, LATE, HALT = Outcome.ALIGNED, Outcome.REJECTED, Outcome.TIMED_OUT, Outcome.STOPPED

# NIST/SEMATECH e-Handbook 6.3.2.3, CUSUM (data and result from memory): target 325, k = 0.3175, h = 4.1959.
CUSUM_DATA = """324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600
324.625 325.150 328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350"""
# The same, 6.3.2.4, EWMA (from memory): centre 50, s = 2.0539, weight 0.3, limits 47.4115 and 52.5884.
EWMA_DATA = "52 47 53 49.3 50.1 47 51 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
EWMA_MEANS = """50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38
49.92 50.73 51.23 51.94 51.99"""


def test_cusum_of_a_published_example():
    high, _ = cusum(np.array(CUSUM_DATA.split(), float) - 325.0, 0.3175)
    assert np.flatnonzero(high > 4.1959)[0] == 13
    assert high[13:] == pytest.approx([4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04], abs=0.011)


def test_ewma_of_a_published_example():
    found = ewma(np.array(EWMA_DATA.split(), float), 50.0, 2.0539, weight=0.3, width=3.0, settled=True)
    assert found.means == pytest.approx(np.array(EWMA_MEANS.split(), float), abs=0.0051)
    assert found.upper[0] == pytest.approx(52.5884, abs=1e-3)
    assert found.lower[0] == pytest.approx(47.4115, abs=1e-3)
    assert found.outside == ()


def test_ewma_limits_open_from_the_first_value():
    found = ewma([0.0] * 60, 0.0, 1.0)
    assert found.upper[0] == pytest.approx(2.962 * 0.2)
    assert found.upper[-1] == pytest.approx(2.962 * np.sqrt(0.2 / 1.8), rel=1e-6)


def test_ewma_of_a_healthy_process_signals_as_seldom_as_published():
    # Lucas & Saccucci, Technometrics 32, 1 (1990) (from memory): 500 points at weight 0.2 and width 2.962,
    # 10.5 after a shift of one sigma.
    rng = np.random.default_rng(1)
    healthy, moved = [], []
    for _ in range(400):
        outside = ewma(rng.normal(size=3000), 0.0, 1.0, settled=True).outside
        healthy.append(outside[0] + 1 if outside else 3000)
        outside = ewma(rng.normal(1.0, 1.0, 300), 0.0, 1.0, settled=True).outside
        moved.append(outside[0] + 1)
    assert np.mean(healthy) == pytest.approx(500, rel=0.2)
    assert np.mean(moved) == pytest.approx(10.5, rel=0.1)


@pytest.mark.parametrize(
    ("decision", "shift", "published"),
    [
        # Lucas & Crosier, Technometrics 24, 199 (1982), as tabled by Montgomery (from memory), k = 0.5.
        (4.0, 0.0, 168.0),
        (4.0, 0.5, 26.6),
        (4.0, 1.0, 8.38),
        (4.0, 2.0, 3.34),
        (5.0, 0.0, 465.0),
        (5.0, 0.25, 139.0),
        (5.0, 1.0, 10.4),
        (5.0, 3.0, 2.57),
    ],
)
def test_run_lengths_of_the_cusum_are_the_published_ones(decision, shift, published):
    assert cusum_run_length(0.5, decision, shift) == pytest.approx(published, rel=0.006)
    assert cusum_run_length(0.5, decision, -shift) == pytest.approx(published, rel=0.006)


def until_signal(watch, values):
    for count, value in enumerate(values, 1):
        watch = watch.with_value(float(value))
        if watch.signal is not None:
            return count, watch.signal
    return len(values), None


@pytest.mark.parametrize("known", [{"center": 10.0, "sigma": 2.0}, {}], ids=["known", "self-starting"])
def test_the_watch_signals_as_seldom_as_the_run_length_says(known):
    settings = DriftSettings(warn=4.0, stop=4.0, largest=6.0)
    rng = np.random.default_rng(2)
    watch = DriftWatch("decenter x", "um", settings, **known)
    lengths = [until_signal(watch, rng.normal(10.0, 2.0, 1500))[0] for _ in range(250)]
    assert np.mean(lengths) == pytest.approx(cusum_run_length(0.5, 4.0), rel=0.2)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("known", [{"center": 10.0, "sigma": 2.0}, {}], ids=["known", "self-starting"])
def test_a_drift_is_found_on_its_side_and_said_in_words(side, known):
    rng = np.random.default_rng(3)
    values = rng.normal(10.0, 2.0, 200)
    values[100:] += side * 4.0
    count, signal = until_signal(DriftWatch("decenter x", "um", DriftSettings(warn=10.0), **known), values)
    assert 100 < count < 125
    assert signal.side == side
    assert signal.stop
    assert count - 102 <= signal.parts <= count - 95
    assert ("up" if side > 0 else "down") in signal.reason
    assert "decenter x" in signal.reason
    assert np.sign(signal.shift_sigma) == side
    assert "check part" in signal.remedy


def test_a_slow_drift_warns_first_then_stops():
    rng = np.random.default_rng(4)
    watch = DriftWatch("tilt x", "arcsec", center=0.0, sigma=1.0)
    kinds = []
    for k in range(400):
        watch = watch.with_value(float(rng.normal(0.01 * k)))
        kinds.append(None if watch.signal is None else watch.signal.stop)
    assert kinds.index(False) < kinds.index(True) < 250
    assert watch.restarted().signal is None
    assert watch.restarted().count == 400


def test_one_bad_lens_is_no_drift():
    rng = np.random.default_rng(5)
    for known in ({"center": 0.0, "sigma": 1.0}, {}):
        watch = DriftWatch("decenter x", **known)
        for value in rng.normal(size=60):
            watch = watch.with_value(float(value))
        before = watch.restarted()
        after = before.with_value(500.0)
        assert after.signal is None
        # Nor does it spoil what was learnt.
        assert abs(after.mean - before.mean) < 0.5


@given(st.lists(st.floats(-1e6, 1e6), max_size=60))
def test_states_stay_finite_and_old_ones_unchanged(values):
    watch = DriftWatch("decenter x")
    for value in values:
        before = (watch.count, watch.high, watch.low)
        after = watch.with_value(value)
        assert (watch.count, watch.high, watch.low) == before
        assert np.isfinite([after.high, after.low, after.mean, after.squares]).all()
        assert min(after.high, after.low) >= 0.0
        watch = after


def test_the_same_value_again_and_again_is_no_drift():
    watch = DriftWatch("decenter x")
    for _ in range(50):
        watch = watch.with_value(3.0)
    assert watch.signal is None


def test_rejects_in_a_row_stop_the_lot():
    limits = RejectLimits(in_a_row=3)
    assert reject_signal([GOOD, BAD, BAD], limits) is None
    assert "3 parts rejected in a row" in reject_signal([GOOD, BAD, BAD, BAD], limits).reason
    assert reject_signal([BAD, BAD, GOOD, BAD], limits) is None
    # A stop or a time-out is another outcome: it neither adds nor ends.
    assert rejects_in_a_row([GOOD, BAD, LATE, BAD, HALT]) == 2
    assert reject_signal([BAD, LATE, HALT, LATE], limits) is None
    assert reject_signal([BAD, HALT, BAD, LATE, BAD], limits) is not None


def test_scattered_rejects_stop_the_lot_when_chance_does_not_explain_them():
    limits = RejectLimits(in_a_row=3, window=40, share=0.02)
    # Binomial(40, 0.02): P(more than 5) = 1.7e-4, P(more than 6) = 1.9e-5.
    from scipy.stats import binom

    assert binom.sf(limits.most_in_window, 40, 0.02) <= 1e-4 < binom.sf(limits.most_in_window - 1, 40, 0.02)
    every_fifth = ([GOOD] * 4 + [BAD]) * 8
    assert "8 of the last 40" in reject_signal(every_fifth, limits).reason
    assert reject_signal(([GOOD] * 9 + [BAD]) * 4, limits) is None


def test_run_length_of_rejects_in_a_row_is_that_of_simulated_lots():
    # Feller, chapter XIII: three heads in a row of a fair coin take 14 throws.
    assert rejects_in_a_row_run_length(3, 0.5) == pytest.approx(14.0)
    assert rejects_in_a_row_run_length(3, 0.02) == pytest.approx(127_550)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: DriftWatch("x").with_value(float("nan")), "no measurement"),
        (lambda: DriftWatch("x", center=1.0), "both or neither"),
        (lambda: DriftWatch("x", center=1.0, sigma=0.0), "positive"),
        (lambda: DriftSettings(reference=0.0), "drift settings"),
        (lambda: DriftSettings(warn=9.0, stop=5.0), "drift settings"),
        (lambda: RejectLimits(in_a_row=1), "at least 2"),
        (lambda: RejectLimits(window=3), "not longer"),
        (lambda: RejectLimits(share=0.0), "share of bad lenses"),
        (lambda: ewma([], 0.0, 1.0), "empty"),
        (lambda: ewma([1.0], 0.0, 0.0), "not positive"),
        (lambda: ewma([1.0], 0.0, 1.0, weight=0.0), "no EWMA"),
        (lambda: cusum_run_length(0.0, 5.0), "positive"),
        (lambda: rejects_in_a_row_run_length(0, 0.1), "at least 1"),
        (lambda: rejects_in_a_row_run_length(3, 1.0), "between 0 and 1"),
    ],
)
def test_settings_that_make_no_sense_are_refused(make, message):
    with pytest.raises(QualityError, match=message):
        make()
