"""Beam stability, drift, short and long term: published data, numpy as reference, simulated error rates."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from station.quality.checks import QualityError
from station.quality.studies import allan_curve, allan_deviation, beam_stability, short_and_long, trend
from station.quality.studies.beam_stability import SIGMA_NOTE

# Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008), nine-value test suite (from memory).
NINE = [892, 809, 823, 798, 671, 644, 883, 903, 677]


def test_two_sample_deviation_of_published_data():
    assert allan_deviation(NINE, 1) == pytest.approx(91.22945, abs=5e-6)
    assert allan_deviation(NINE, 2, overlapping=False) == pytest.approx(115.8082, abs=5e-5)
    assert allan_deviation(NINE, 2) == pytest.approx(85.95287, abs=5e-6)


def series(count=200, azimuth_deg=30.0, major=3.0, minor=1.0, seed=1):
    rng = np.random.default_rng(seed)
    along, across = rng.normal(0, major, count), rng.normal(0, minor, count)
    c, s = math.cos(math.radians(azimuth_deg)), math.sin(math.radians(azimuth_deg))
    return np.arange(count) * 10.0, 5.0 + c * along - s * across, -2.0 + s * along + c * across


def half_turn(angle_deg):
    """An axis has no direction: half a turn is none."""
    return (angle_deg + 90.0) % 180.0 - 90.0


def test_standard_deviations_along_the_principal_axes():
    t, x, y = series()
    found = beam_stability(t, x, y, pivot_distance_mm=500.0)
    # Principal components by singular values, another way than by the covariance.
    points = np.stack([x - x.mean(), y - y.mean()], axis=1)
    _, singular, rows = np.linalg.svd(points, full_matrices=False)
    assert found.sigma_major_um == pytest.approx(singular[0] / math.sqrt(199), rel=1e-9)
    assert found.sigma_minor_um == pytest.approx(singular[1] / math.sqrt(199), rel=1e-9)
    azimuth = math.degrees(math.atan2(rows[0, 1], rows[0, 0]))
    assert half_turn(found.azimuth_deg - azimuth) == pytest.approx(0.0, abs=1e-6)
    assert found.azimuth_deg == pytest.approx(30.0, abs=4.0)
    assert found.sigma_x_um == pytest.approx(x.std(ddof=1))
    assert found.sigma_radial_um == pytest.approx(math.hypot(x.std(ddof=1), y.std(ddof=1)))
    # 3 um over half a metre are about 6 urad.
    assert found.pointing_sigma_major_urad == pytest.approx(found.sigma_major_um / 0.5)
    assert found.mean_um == (pytest.approx(x.mean()), pytest.approx(y.mean()))
    assert SIGMA_NOTE in found.notes


@given(st.floats(-89.0, 89.0))
def test_azimuth_turns_with_the_scatter(azimuth):
    t, x, y = series(60, azimuth)
    t0, x0, y0 = series(60, 0.0)
    turned = beam_stability(t, x, y).azimuth_deg - beam_stability(t0, x0, y0).azimuth_deg - azimuth
    assert half_turn(turned) == pytest.approx(0.0, abs=1e-6)


def test_a_round_scatter_has_no_azimuth_and_is_hardly_ever_given_one():
    rng = np.random.default_rng(3)
    given_one = sum(
        beam_stability(np.arange(40.0), *rng.normal(size=(2, 40))).azimuth_deg is not None for _ in range(400)
    )
    # Asked for 5 % of 400; four binomial sigmas are 17.
    assert abs(given_one - 20) < 17
    assert any("round" in n for n in beam_stability(np.arange(40.0), *rng.normal(size=(2, 40))).notes)


def test_a_beam_on_a_line_has_an_azimuth():
    t = np.arange(20.0)
    found = beam_stability(t, t, t)
    assert found.azimuth_deg == pytest.approx(45.0)
    assert found.sigma_minor_um == pytest.approx(0.0, abs=1e-6)


def test_drift_is_the_slope_of_least_squares():
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 7200, 100))
    x = 3.0 + 2.0 * t / 3600 + rng.normal(0, 0.5, 100)
    found, reference = trend(t, x), stats.linregress(t / 3600, x)
    assert found.um_per_hour == pytest.approx(reference.slope)
    assert found.sigma_um_per_hour >= reference.stderr * 0.999999
    assert found.sigma_um_per_hour == pytest.approx(reference.stderr, rel=0.4)
    assert found.significant


def wander(rng, count, alike):
    steps = rng.normal(size=count)
    for k in range(1, count):
        steps[k] += alike * steps[k - 1]
    return steps


@pytest.mark.parametrize("alike", [0.0, 0.7])
def test_a_beam_that_only_wanders_is_hardly_ever_said_to_drift(alike):
    rng = np.random.default_rng(5)
    t = np.arange(150) * 30.0
    false = sum(trend(t, wander(rng, 150, alike)).significant for _ in range(300))
    # Asked for 1 %; the correction for wandering is approximate: at most 5 %.
    assert false <= 15


def test_short_and_long_term_are_told_apart():
    rng = np.random.default_rng(6)
    t = np.arange(3000.0)
    slow = np.repeat(rng.normal(0, 2.0, 50), 60)
    found = short_and_long(t, slow + rng.normal(0, 1.0, 3000), 60.0)
    assert found.stretches == 50
    assert found.short_um == pytest.approx(1.0, rel=0.05)
    assert found.long_um == pytest.approx(np.std(slow[::60], ddof=1), rel=0.05)
    quiet = short_and_long(t, rng.normal(0, 1.0, 3000), 60.0)
    # Means of 60 looks scatter by 0.13 by themselves; that is taken off.
    assert quiet.long_um < 0.09


def test_averaging_helps_until_drift_takes_over():
    rng = np.random.default_rng(7)
    t = np.arange(4096) * 2.0
    noise = rng.normal(0, 1.0, 4096)
    plain = allan_curve(t, noise)
    # White noise falls with the root of the stretch.
    assert plain.deviation_um[4] == pytest.approx(1.0 / math.sqrt(16), rel=0.1)
    assert plain.stretch_s[4] == 32.0
    drifting = allan_curve(t, noise + 1e-3 * t)
    assert drifting.best_s < plain.stretch_s[-1]
    # A pure drift gives slope x stretch / sqrt 2.
    pure = allan_curve(t, 1e-3 * t)
    assert pure.deviation_um == pytest.approx(1e-3 * pure.stretch_s / math.sqrt(2.0))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda t, x, y: beam_stability(t[:19], x[:19], y[:19]), "at least 20"),
        (lambda t, x, y: beam_stability(t, x, y[:-1]), "pairs"),
        (lambda t, x, y: beam_stability(t[::-1], x, y), "time does not rise at look 2"),
        (lambda t, x, y: beam_stability(t, np.full(200, np.nan), y), "not finite"),
        (lambda t, x, y: beam_stability(t, x * 0, y * 0), "stuck"),
        (lambda t, x, y: beam_stability(t, x, y, pivot_distance_mm=0.0), "pivot"),
        (lambda t, x, y: short_and_long(t, x, 1e6), "3 are needed"),
        (lambda t, x, y: short_and_long(t, x, 0.0), "positive"),
        (lambda t, x, y: allan_curve(t**1.5, x), "equal intervals"),
        (lambda t, x, y: allan_deviation(x, 0), "at least 1"),
        (lambda t, x, y: allan_deviation(x, 150), "at least 300"),
        (lambda t, x, y: trend(t[:-1], x), "pairs"),
    ],
)
def test_what_cannot_be_judged_is_refused(call, message):
    with pytest.raises(QualityError, match=message):
        call(*series())
