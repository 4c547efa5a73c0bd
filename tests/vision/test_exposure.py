"""Exposure advice comes to rest, survives darkness and saturation; brackets keep what one exposure cannot."""

import dataclasses
import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.background import BackgroundError, flicker, mean_background, scale_background
from vision.bracket import bracket_exposures, merge_bracket
from vision.exposure import ExposureLimits, advise_exposure
from vision.image import Image, Sensor

SENSOR = Sensor()
LIMITS = ExposureLimits(20e-6, 0.5)
SHAPE = (256, 320)
Y, X = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
ROOM = 2e4 * (0.5 + 0.5 * X / SHAPE[1]) * np.where((X // 40 + Y // 40) % 5 == 0, 0.2, 1.0)


def spot(peak_e_per_s, sigma_px, place=(150, 120)):
    return peak_e_per_s * np.exp(-((X - place[0]) ** 2 + (Y - place[1]) ** 2) / (2 * sigma_px**2))


def frame(rng, rate_e_per_s, exposure_s, sensor=SENSOR):
    electrons = rng.poisson(np.clip(rate_e_per_s * exposure_s, 0, 1e8)) + rng.normal(
        0, sensor.read_noise_e, SHAPE
    )
    counts = np.rint(electrons / sensor.gain_e_per_dn + sensor.black_level_dn)
    return Image(np.clip(counts, 0, sensor.full_scale_dn).astype(np.uint16), exposure_s, sensor)


def settle(rng, beam, room, background, start_s, limits=LIMITS, ignore=None):
    """Follow the advice until it settles; the room light flickers by 3 %."""
    exposure, advice, seen = start_s, None, 0
    while advice is None or not advice.settled:
        image = frame(rng, beam + room * (1 + 0.03 * rng.normal()), exposure)
        advice = advise_exposure(image, background, limits, ignore)
        assert limits.shortest_s <= advice.next_exposure_s <= limits.longest_s
        exposure = advice.next_exposure_s
        seen += 1
        assert seen <= 7, "does not come to rest"
    return advice, image


@pytest.mark.parametrize("start_s", [20e-6, 5e-3, 0.5])
@pytest.mark.parametrize(("peak", "sigma"), [(1e5, 4), (1e6, 25), (1e8, 25), (3e4, 40), (1e6, 80)])
def test_advice_settles_near_the_target(peak, sigma, start_s):
    rng = np.random.default_rng([int(peak), sigma])
    background = mean_background([frame(rng, ROOM, 0.01) for _ in range(4)])
    advice, image = settle(rng, spot(peak, sigma), ROOM, background, start_s)
    assert advice.good
    assert 0.5 <= advice.fill <= 0.85
    assert np.mean(image.pixels >= SENSOR.full_scale_dn) < 1e-3
    assert advice.next_exposure_s == image.exposure_s
    # The truth of the brightest pixel: within a factor of the fill that is claimed.
    top = (spot(peak, sigma) + ROOM).max() * image.exposure_s / 10_000
    assert advice.fill == pytest.approx(top, abs=0.15)


def test_speckle_does_not_saturate():
    """Contrast 1: the brightest grains are several times the mean; they rule, not the mean."""
    rng = np.random.default_rng(3)
    grains = rng.exponential(1.0, (SHAPE[0] // 4, SHAPE[1] // 4)).repeat(4, 0).repeat(4, 1)
    advice, image = settle(rng, spot(1e6, 40) * grains, ROOM * 0, None, 1e-3)
    assert advice.good
    assert np.mean(image.pixels >= SENSOR.full_scale_dn) < 0.002


@pytest.mark.parametrize("too_long", [2.0, 5.0, 12.0])
def test_too_bright_a_spot_with_speckle_costs_one_frame_more_than_a_good_one(too_long):
    """What saturation hides is told from how much is saturated; cameras see a contrast of about 0.5."""
    rng = np.random.default_rng(11)
    grains = rng.gamma(4.0, 0.25, (SHAPE[0] // 2, SHAPE[1] // 2)).repeat(2, 0).repeat(2, 1)
    beam = spot(1e6, 30) * grains
    background = mean_background([frame(rng, ROOM, 0.01) for _ in range(4)])
    limits = dataclasses.replace(LIMITS, target_fill=0.6, lowest_fill=0.3)
    good, _ = settle(rng, beam, ROOM, background, 3e-3, limits)
    first = advise_exposure(frame(rng, beam + ROOM, too_long * good.next_exposure_s), background, limits)
    assert not first.good
    assert advise_exposure(frame(rng, beam + ROOM, first.next_exposure_s), background, limits).good


def test_darkness_and_excess_are_said_at_the_limits():
    rng = np.random.default_rng(4)
    background = mean_background([frame(rng, ROOM, 0.01) for _ in range(4)])
    for start in (20e-6, 0.5):
        dark, _ = settle(rng, 0 * ROOM, ROOM, background, start)
        assert not dark.good
        assert dark.fill is None
        assert dark.next_exposure_s == LIMITS.longest_s
        assert "no light" in dark.why
        drowned, _ = settle(rng, spot(1e10, 20), ROOM, background, start)
        assert not drowned.good
        assert drowned.next_exposure_s == LIMITS.shortest_s
        assert "dim it" in drowned.why


def test_a_faint_spot_at_the_longest_exposure_is_still_good():
    rng = np.random.default_rng(5)
    advice, _ = settle(rng, spot(2e3, 30), 0 * ROOM, None, 1e-3)
    assert advice.good
    assert advice.next_exposure_s == LIMITS.longest_s
    assert advice.fill < 0.5
    assert "longest" in advice.why


def test_hot_pixels_and_ignored_rims_do_not_rule():
    rng = np.random.default_rng(6)
    beam = spot(1e6, 30)
    rim = np.abs(np.hypot(X - 150, Y - 120) - 12) < 0.8
    hot = np.zeros(SHAPE)
    hot[20, 30] = hot[200, 100] = 1e9
    plain, _ = settle(rng, beam, 0 * ROOM, None, 1e-3)
    spoilt, _ = settle(rng, beam + hot, 0 * ROOM, None, 1e-3)
    assert spoilt.next_exposure_s == pytest.approx(plain.next_exposure_s, rel=0.1)
    # A faint spot at the longest exposure, one saturated pixel: the pixel is not the light.
    faint, _ = settle(rng, spot(300, 30) + 1e3 * hot, 0 * ROOM, None, 0.1)
    assert faint.good
    assert faint.saturated_share == 0
    ruled, _ = settle(rng, beam + 5e7 * rim, 0 * ROOM, None, 1e-3)
    ignoring, _ = settle(rng, beam + 5e7 * rim, 0 * ROOM, None, 1e-3, ignore=rim)
    assert ruled.next_exposure_s < 0.1 * plain.next_exposure_s
    assert ignoring.next_exposure_s == pytest.approx(plain.next_exposure_s, rel=0.2)


@pytest.mark.parametrize(
    "values",
    [
        {"shortest_s": 0.0, "longest_s": 1.0},
        {"shortest_s": 2.0, "longest_s": 1.0},
        {"shortest_s": 0.1, "longest_s": float("inf")},
        {"shortest_s": 0.1, "longest_s": 1.0, "target_fill": 0.9},
        {"shortest_s": 0.1, "longest_s": 1.0, "highest_fill": 1.0},
        {"shortest_s": 0.1, "longest_s": 1.0, "percentile": 0.0},
    ],
)
def test_impossible_limits_are_refused(values):
    with pytest.raises(ValueError, match=r"exposure limits|fill|percentile"):
        ExposureLimits(**values)


# --- background and flicker -----------------------------------------------------------------------------


def test_mean_background_forgets_a_passing_glint():
    rng = np.random.default_rng(7)
    frames = [frame(rng, ROOM, 0.01) for _ in range(6)]
    glint = dataclasses.replace(
        frames[2], pixels=np.where(spot(1, 9) > 0.5, np.uint16(4000), frames[2].pixels)
    )
    clean = mean_background(frames)
    spoilt = mean_background([*frames[:2], glint, *frames[3:]])
    assert clean.frames == 6
    assert np.abs(spoilt.pixels - clean.pixels).max() < 15
    expected = ROOM * 0.01 / SENSOR.gain_e_per_dn
    assert np.abs(clean.pixels - expected).mean() < 4


def test_background_refuses_frames_that_do_not_belong_together():
    rng = np.random.default_rng(8)
    one = frame(rng, ROOM, 0.01)
    for other in (
        frame(rng, ROOM, 0.02),
        dataclasses.replace(one, pixels=one.pixels[:-1]),
        dataclasses.replace(one, sensor=Sensor(black_level_dn=5.0)),
    ):
        with pytest.raises(BackgroundError):
            mean_background([one, other])
    with pytest.raises(BackgroundError):
        mean_background([])


@pytest.mark.parametrize("black", [0.0, 64.0])
@pytest.mark.parametrize("sigma", [25, 33])
@pytest.mark.parametrize("scale", [0.9, 1.0, 1.07])
def test_flicker_is_told_beside_a_spot(scale, sigma, black):
    """The beam reaches a third and more than half of the frame; the rest tells the room light's scale."""
    sensor = Sensor(black_level_dn=black)
    rng = np.random.default_rng(9)
    background = mean_background([frame(rng, ROOM, 0.01, sensor) for _ in range(8)])
    image = frame(rng, ROOM * scale + spot(3e5, sigma), 0.02, sensor)
    seen = flicker(image, background)
    assert seen.told
    assert seen.scale == pytest.approx(scale, abs=0.004)
    scaled = scale_background(background, 0.02, seen.scale)
    corner = np.s_[200:, 260:]
    left = image.pixels[corner].astype(float).mean() - scaled.pixels[corner].mean()
    assert abs(left) < 0.01 * ROOM[corner].mean() * 0.02 / sensor.gain_e_per_dn


def test_flicker_is_not_told_in_the_dark():
    rng = np.random.default_rng(10)
    background = mean_background([frame(rng, 0 * ROOM, 0.01) for _ in range(4)])
    seen = flicker(frame(rng, spot(1e6, 30), 0.01), background)
    assert not seen.told
    assert seen.scale == 1.0


# --- brackets --------------------------------------------------------------------------------------------


@given(shortest=st.floats(1e-6, 1e-1), ratio=st.floats(1, 1e5), step=st.floats(1.5, 20))
def test_bracket_exposures_span_the_range(shortest, ratio, step):
    exposures = bracket_exposures(shortest, shortest * ratio, step)
    assert exposures[0] == pytest.approx(shortest * ratio)
    assert exposures[-1] == pytest.approx(shortest)
    assert all(1 <= long / short <= step * (1 + 1e-6) for long, short in itertools.pairwise(exposures))


def test_merged_bracket_holds_a_range_of_a_thousand():
    """Rates against the truth, in units of the stated standard uncertainty."""
    rng = np.random.default_rng(11)
    rate = spot(3e7, 20) + spot(2e4, 40, (240, 190)) + 500
    images = [frame(rng, rate, exposure) for exposure in (0.1, 0.01, 1e-3, 2e-4)]
    merged = merge_bracket(images)
    assert merged.valid.all()
    pull = (merged.rate_e_per_s - rate) / merged.sigma_e_per_s
    assert np.abs(pull.mean()) < 0.2
    assert pull.std() == pytest.approx(1.0, abs=0.15)
    assert np.abs(merged.rate_e_per_s[120, 150] / rate[120, 150] - 1) < 0.1
    # The same as one frame of the longest exposure, in its digital numbers.
    assert merged.image.exposure_s == 0.1
    assert merged.image.pixels.max() < merged.image.sensor.full_scale_dn
    back = merged.image.pixels * SENSOR.gain_e_per_dn / 0.1
    np.testing.assert_allclose(back, merged.rate_e_per_s, rtol=1e-5, atol=0.1)


def test_what_even_the_shortest_exposure_cannot_hold_is_marked():
    rng = np.random.default_rng(12)
    rate = spot(3e8, 20)
    merged = merge_bracket([frame(rng, rate, exposure) for exposure in (0.01, 1e-4)])
    expected = rate * 1e-4 > 1.05 * 10_000
    assert expected.any()
    assert not merged.valid[expected].any()
    assert merged.valid[rate * 1e-4 < 0.95 * 10_000].all()
    with pytest.raises(ValueError, match="no images"):
        merge_bracket([])
