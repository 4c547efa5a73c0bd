"""Sensor noise against the photon-transfer relation variance = mean / gain + read noise (common practice)."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.stats import kstest

from sim.scene_nuisances import SceneNuisances
from sim.sensor import FixedPattern, expose
from vision.image import Sensor

SHAPE = (256, 320)
SENSOR = Sensor(black_level_dn=64.0)
NOTHING = np.zeros(SHAPE, np.int16)
EVEN = FixedPattern(NOTHING, 0.0, NOTHING, 0.0, np.array([], np.intp), np.array([], np.float32))


def frame(electrons: float, seed: int, sensor: Sensor = SENSOR, pattern: FixedPattern = EVEN) -> np.ndarray:
    mean = np.full(SHAPE, electrons, np.float32)
    return expose([(mean, 1.0)], pattern, sensor, 10_000.0, 0.02, seed)


def test_variance_against_mean_gives_gain_and_read_noise() -> None:
    # Photon transfer: half the variance of a difference against the mean; slope 1/gain.
    levels = np.array([200.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0])
    means, variances = [], []
    for number, level in enumerate(levels):
        one, two = (frame(level, 100 * number + k).astype(float) for k in (1, 2))
        means.append((one.mean() + two.mean()) / 2 - SENSOR.black_level_dn)
        variances.append((one - two).var() / 2 - 1 / 12)
    slope, intercept = np.polyfit(means, variances, 1)
    assert means == pytest.approx(levels / SENSOR.gain_e_per_dn, rel=1e-3)
    assert 1 / slope == pytest.approx(SENSOR.gain_e_per_dn, rel=0.015)
    dark = (frame(0.0, 7).astype(float) - frame(0.0, 8)).var() / 2 - 1 / 12
    assert np.sqrt(dark) * SENSOR.gain_e_per_dn == pytest.approx(SENSOR.read_noise_e, rel=0.02)
    assert abs(intercept) < 15


def test_noise_is_normal_and_white() -> None:
    fine = Sensor(full_scale_dn=65535, gain_e_per_dn=0.2)
    noise = (frame(5000.0, 11, fine).astype(float) - 5000 / 0.2) * 0.2 / np.sqrt(5000 + 16)
    assert kstest(noise.ravel()[::7], "norm").pvalue > 0.01
    assert np.abs(np.mean(noise)) < 4 / np.sqrt(noise.size)
    for shift in ((0, 1), (1, 0), (1, 1), (0, 2)):
        neighbour = np.roll(noise, shift, axis=(0, 1))
        assert abs(np.mean(noise * neighbour)) < 5 / np.sqrt(noise.size)


def test_frames_have_independent_noise_and_repeat_with_their_seed() -> None:
    one, again, other = frame(3000.0, 21), frame(3000.0, 21), frame(3000.0, 22)
    assert np.array_equal(one, again)
    assert abs(np.corrcoef(one.ravel(), other.ravel())[0, 1]) < 5 / np.sqrt(one.size)


def test_full_well_and_full_scale_clip() -> None:
    assert (frame(50_000.0, 1) == 4095).all()
    shallow = expose([(np.full(SHAPE, 9000, np.float32), 1.0)], EVEN, SENSOR, 5_000.0, 0.02, 1)
    assert (shallow == round(5000 / SENSOR.gain_e_per_dn + 64)).all()
    dark = frame(0.0, 1, Sensor(black_level_dn=0.0))
    assert dark.min() == 0
    assert frame(0.0, 1).mean() == pytest.approx(64, abs=0.05)


def test_layers_are_added_with_their_factors() -> None:
    rng = np.random.default_rng(6)
    layers = [(rng.uniform(0, 900, SHAPE).astype(np.float32), factor) for factor in (0.5, 2.0, 1.25)]
    for count in (1, 2, 3):
        light = layers[:count]
        summed = sum(layer * np.float32(factor) for layer, factor in light)
        apart, at_once = (
            expose(maps, EVEN, SENSOR, 10_000.0, 0.02, 5).astype(int) for maps in (light, [(summed, 1.0)])
        )
        assert np.abs(apart - at_once).max() <= 1  # rounding
        assert (apart == at_once).mean() > 0.999


def test_fixed_pattern_is_the_same_in_every_frame() -> None:
    nuisances = dataclasses.replace(SceneNuisances(), hot_pixels=5.0, dark_offset_sigma_e=20.0)
    pattern = FixedPattern.draw(SHAPE, nuisances, np.random.default_rng(2))
    mean = np.mean([frame(0.0, seed, pattern=pattern) for seed in range(16)], axis=0) - 64
    expected = pattern.offset_steps * pattern.offset_step_e / SENSOR.gain_e_per_dn
    assert np.corrcoef(mean.ravel(), expected.ravel())[0, 1] > 0.95
    assert (pattern.gain_steps * pattern.gain_step).std() == pytest.approx(0.005, rel=0.02)
    hot = np.zeros(SHAPE)
    np.add.at(hot.reshape(-1), pattern.hot_index, pattern.hot_e_per_s * 0.02)
    assert pattern.hot_index.size > 0
    ordinary = mean - expected
    brightest = np.unravel_index(np.argmax(hot), SHAPE)
    assert ordinary[brightest] == pytest.approx(hot[brightest] / SENSOR.gain_e_per_dn, abs=5)
