"""Speckle against its textbook statistics (Goodman, Speckle Phenomena in Optics; from memory)."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from sim.speckle import SpeckleMap, seen_grain

GRAIN_MM = 0.08
PITCH_MM = 0.02


def plane(size: int = 512, pitch_mm: float = PITCH_MM) -> tuple[np.ndarray, np.ndarray]:
    axis = (np.arange(size) * pitch_mm).astype(np.float32)
    x, y = np.meshgrid(axis, axis)
    return x, y


@pytest.fixture(scope="module")
def speckle() -> SpeckleMap:
    x, y = plane()
    return SpeckleMap.of_plate(x, y, GRAIN_MM, 0.06, seed=5)


def seen(speckle: SpeckleMap, x_mm: float, y_mm: float = 0.0, spot: int = 0) -> np.ndarray:
    area = (slice(0, 512), slice(0, 512))
    return speckle.pattern(area, spot, np.array([x_mm, y_mm])).astype(float)


def correlation(one: np.ndarray, two: np.ndarray) -> float:
    return float(np.corrcoef(one.ravel(), two.ravel())[0, 1])


@pytest.mark.parametrize("place", [(0.0, 0.0), (0.03, 0.03), (1.234, -0.777), (-9.34, 0.8)])
def test_intensity_is_exponential_wherever_the_spot_stands(
    speckle: SpeckleMap, place: tuple[float, float]
) -> None:
    # Fully developed speckle: mean 1, contrast 1, third moment 6, P(I > 2) = exp(-2).
    light = seen(speckle, *place)
    # 10 mm hold some 16 000 grains: the mean is known to 1/sqrt(16 000) = 0.8 %.
    assert light.mean() == pytest.approx(1.0, abs=0.035)
    assert light.std() / light.mean() == pytest.approx(1.0, abs=0.05)
    assert (light > 2 * light.mean()).mean() == pytest.approx(math.exp(-2), abs=0.012)
    assert ((light / light.mean()) ** 3).mean() == pytest.approx(6.0, rel=0.2)


def test_correlation_area_is_the_grain_squared(speckle: SpeckleMap) -> None:
    # Goodman: correlation area = integral of the normalised autocovariance of the intensity.
    covariance = np.zeros((512, 512))
    for number in range(8):
        light = seen(speckle, 3.0 * number)
        light -= light.mean()
        covariance += np.abs(np.fft.fft2(light)) ** 2
    covariance = np.fft.fftshift(np.fft.ifft2(covariance).real)
    covariance /= covariance.max()
    middle = covariance[256 - 16 : 256 + 17, 256 - 16 : 256 + 17]
    assert math.sqrt(middle.sum() * PITCH_MM**2) == pytest.approx(GRAIN_MM, rel=0.05)


def test_nothing_moved_nothing_changed(speckle: SpeckleMap) -> None:
    assert np.array_equal(seen(speckle, 1.5, 0.2), seen(speckle, 1.5, 0.2))


def test_pattern_fades_smoothly_as_the_spot_moves(speckle: SpeckleMap) -> None:
    start = seen(speckle, 0.5)
    fading = [correlation(start, seen(speckle, 0.5 + step)) for step in (0.003, 0.01, 0.02, 0.04, 0.06, 0.12)]
    assert fading[0] > 0.97
    assert all(later < earlier + 0.02 for earlier, later in itertools.pairwise(fading))
    assert fading[2] > 0.5
    assert fading[-1] < 0.03


def test_averaging_beats_speckle_only_with_dither(speckle: SpeckleMap) -> None:
    still = np.mean([seen(speckle, 0.5) for _ in range(4)], axis=0)
    dithered = np.mean([seen(speckle, 0.5 + 0.15 * step) for step in range(4)], axis=0)
    assert still.std() == pytest.approx(1.0, abs=0.05)
    assert dithered.std() == pytest.approx(0.5, abs=0.03)  # 1/sqrt(4)


def test_spots_and_seeds_have_patterns_of_their_own(speckle: SpeckleMap) -> None:
    x, y = plane()
    other = SpeckleMap.of_plate(x, y, GRAIN_MM, 0.06, seed=6)
    assert abs(correlation(seen(speckle, 0.5), seen(speckle, 0.5, spot=1))) < 0.03
    assert abs(correlation(seen(speckle, 0.5), seen(other, 0.5))) < 0.03


def test_pattern_is_fixed_to_the_plate() -> None:
    x, y = plane(256)
    here = SpeckleMap.of_plate(x, y, GRAIN_MM, 0.06, seed=5)
    shifted = SpeckleMap.of_plate(x + np.float32(20 * PITCH_MM), y, GRAIN_MM, 0.06, seed=5)
    area, place = (slice(0, 256), slice(0, 256)), np.array([2.0, 1.0])
    one, two = here.pattern(area, 0, place), shifted.pattern(area, 0, place)
    assert correlation(one[:, 20:], two[:, :-20]) > 0.8  # rounding to the field's own raster costs the rest


def test_centroid_noise_is_a_fifth_of_contrast_times_grain() -> None:
    # Dorsch, Haeusler & Herrmann, Appl. Opt. 33, 1306 (1994) (from memory): about 0.2 C s per axis. For a
    # Gaussian spot the integral is exact: C s / sqrt(8 pi).
    x, y = plane(200, 0.025)
    pixel = SpeckleMap.of_plate(x, y, GRAIN_MM, 0.06, seed=9)
    spot = np.exp(-2 * ((x - 2.5) ** 2 + (y - 2.5) ** 2) / 1.0**2)
    area, found = (slice(0, 200), slice(0, 200)), []
    for number in range(300):
        light = spot * pixel.pattern(area, 0, np.array([0.3 * number, 0.0]))
        found.append([(light * x).sum() / light.sum(), (light * y).sum() / light.sum()])
    rms = np.sqrt(((np.array(found) - 2.5) ** 2).mean())
    assert rms == pytest.approx(GRAIN_MM / math.sqrt(8 * math.pi), rel=0.1)


@pytest.mark.parametrize("pixel_mm", [0.02, 0.05, 0.1])
def test_pixels_lower_contrast_and_keep_contrast_times_grain(pixel_mm: float) -> None:
    # Goodman, integrated intensity: a fine pattern averaged over square pixels, against the formula used.
    rng = np.random.default_rng(3)
    fine_mm, size = 0.005, 2048
    frequency = np.fft.fftfreq(size, fine_mm) * 2 * math.pi
    rho = 0.06 / math.sqrt(math.pi)
    shape = np.exp(-(rho**2) * frequency**2 / 4)
    white = rng.standard_normal((size, size)) + 1j * rng.standard_normal((size, size))
    light = np.abs(np.fft.ifft2(np.fft.fft2(white) * shape[:, None] * shape)) ** 2
    block = round(pixel_mm / fine_mm)
    used = size // block * block
    pixels = light[:used, :used].reshape(used // block, block, used // block, block).mean(axis=(1, 3))
    grain, contrast = seen_grain(0.06, 1.0, pixel_mm)
    assert contrast == pytest.approx(pixels.std() / pixels.mean(), rel=0.06)
    assert contrast * grain == pytest.approx(0.06)
