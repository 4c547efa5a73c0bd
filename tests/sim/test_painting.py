"""The kernels of the light against plain numpy in double precision."""

from __future__ import annotations

import numpy as np

from sim.painting import FIELD_ONE, FIELD_SIZE, HALO_STEP, exponentials, paint, speckle_pattern
from sim.speckle import field

ROWS, COLUMNS = 90, 117  # neither divides by the blocks of the halo
NEAR, FAR = (-0.4, 0.3), (0.9, -0.2)
CUT, SPECKLED = 10.0, 9.0


def test_exponentials_are_right_to_a_few_millionths_over_the_range_of_single_precision() -> None:
    values = np.concatenate([np.linspace(-69, 88, 20_001), np.linspace(-20, 20, 20_001)]).astype(np.float32)
    found = values.copy()
    exponentials(found, np.empty(values.size, np.int32))
    off = np.abs(found / np.exp(values.astype(float)) - 1)
    assert off.max() < 4e-6
    assert off[np.abs(values) < 20].max() < 2e-6
    low = np.array([-100.0, -1e4, -1e9], np.float32)
    exponentials(low, np.empty(3, np.int32))
    assert (low < 1e-30).all()


def grid() -> tuple[np.ndarray, np.ndarray]:
    """An oblique view, so that rows and columns mix."""
    column, row = np.meshgrid(np.arange(COLUMNS) - 58.0, np.arange(ROWS) - 45.0)
    return (0.05 * column + 0.004 * row).astype(np.float32), (-0.06 * row + 0.002 * column).astype(np.float32)


def gaussian(x: np.ndarray, y: np.ndarray, shape: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    dx, dy = x.astype(float) - shape[0], y.astype(float) - shape[1]
    exponent = shape[2] * dx**2 + shape[3] * dx * dy + shape[4] * dy**2
    return shape[5] * np.exp(exponent), exponent


def test_a_painted_picture_is_the_plain_sum_of_spots_speckle_fringes_halo_and_stray_light() -> None:
    x, y = grid()
    rng = np.random.default_rng(4)
    response = rng.uniform(0.5, 1.0, x.shape).astype(np.float32)
    shapes = [(*NEAR, -3.0, 0.8, -2.0, 5.0, CUT, SPECKLED), (*FAR, -0.9, 0.0, -0.9, 2.0, CUT, SPECKLED)]
    halo = rng.uniform(0.0, 0.1, (-(-ROWS // HALO_STEP), -(-COLUMNS // HALO_STEP))).astype(np.float32)
    place = np.array([[24.0, 1.0, 0.3], [-1.0, 24.0, 0.1]], np.float32)
    mixtures = rng.integers(0, FIELD_SIZE, (2, 8)).astype(np.uint64)
    mixtures[:, 4:] = FIELD_ONE // 2
    wave = (0.2, 0.1, 0.7, 6.0, -4.0, 9.0, 1.0, 7.0, -0.0008, 0.8)
    light = np.full(x.shape, np.nan, np.float32)
    paint(
        light, response, x, y, halo, np.float32(0.02), np.array([[0, ROWS, 0, COLUMNS]] * 2),
        np.array(shapes, np.float32), field(), place, mixtures, np.float32(0.6),
        np.array([10, 80, 15, 100]), np.array(wave, np.float32),
    )  # fmt: skip
    cores, edge = [], np.zeros(x.shape, bool)
    for shape, mixture in zip(shapes, mixtures, strict=True):
        core, exponent = gaussian(x, y, shape)
        pattern = np.empty_like(x)
        speckle_pattern(pattern, x, y, place, field(), mixture)
        core *= np.where(exponent > -SPECKLED, 0.4 + 0.6 * pattern, 1.0)
        cores.append(np.where(exponent > -CUT, core, 0.0))
        edge |= (exponent < -SPECKLED) & (exponent > -SPECKLED - 5)  # both ends are some pixels later
    dx, dy = x - wave[0], y - wave[1]
    angle = wave[2] + wave[3] * dx + wave[4] * dy
    angle += (wave[5] * dx**2 + 2 * wave[6] * dx * dy + wave[7] * dy**2) / 2
    slopes = wave[3] + wave[5] * dx + wave[6] * dy, wave[4] + wave[6] * dx + wave[7] * dy
    fringes = wave[9] * np.exp(wave[8] * (slopes[0] ** 2 + slopes[1] ** 2))
    fringes = fringes * np.sqrt(cores[0] * cores[1]) * np.cos(angle)
    fringes[:10], fringes[80:], fringes[:, :15], fringes[:, 100:] = 0, 0, 0, 0
    # Samples of the halo stand at the middles of their blocks.
    down, across = (
        np.clip((np.arange(n) - 3.5) / HALO_STEP, 0, m - 1) for n, m in zip(x.shape, halo.shape, strict=True)
    )
    wide = np.array([np.interp(across, np.arange(halo.shape[1]), line) for line in halo])
    wide = np.array([np.interp(down, np.arange(halo.shape[0]), line) for line in wide.T]).T
    expected = (0.02 + wide + sum(cores) + fringes) * response
    assert edge.mean() < 0.3
    assert np.abs(light - expected)[~edge].max() < 2e-5
    assert np.abs(light - expected).max() < 0.02


def test_speckle_is_the_squared_modulus_of_the_mixed_field() -> None:
    x, y = grid()
    place = np.array([[24.0, 0.0, 0.25], [0.0, -24.0, -700.25]], np.float32)
    starts, weights = [(3, 1000), (900, 20), (511, 512), (1023, 1023)], [0.1, 0.7, 0.5, 0.5]
    mixture = [row * 2 * FIELD_SIZE + column for row, column in starts]
    mixture += [round(weight * FIELD_ONE) for weight in weights]
    pattern = np.empty_like(x)
    speckle_pattern(pattern, x, y, place, field(), np.array(mixture, np.uint64))
    texels = field().reshape(2 * FIELD_SIZE, 2 * FIELD_SIZE)[:FIELD_SIZE, :FIELD_SIZE]
    waves = ((texels & 255).astype(float) - 128 + 1j * ((texels >> 24).astype(float) - 128)) / 42
    column = np.floor(np.float32(24) * x + np.float32(0.75)).astype(int)
    row = np.floor(np.float32(-24) * y + np.float32(-699.75)).astype(int)
    mixed = sum(
        weight * waves[(row + start[0]) % FIELD_SIZE, (column + start[1]) % FIELD_SIZE]
        for start, weight in zip(starts, weights, strict=True)
    )
    same = np.abs(pattern - np.abs(mixed) ** 2) < 2e-3
    assert same.mean() > 0.999  # a place on the border of two texels may fall to either
