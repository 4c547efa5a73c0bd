"""The fit's inner loops against numpy: what they replace, or what defines them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from vision import fit_kernels, model_kernels
from vision.fit_kernels import NOTHING

N = 700  # more than two of the chunks in which rows are summed


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(17)


@pytest.mark.parametrize("uneven", [False, True])
def test_a_spot_is_a_gaussian_of_its_own_moments_and_the_blocks(
    rng: np.random.Generator, uneven: bool
) -> None:
    at, smear = rng.normal(0.0, 1.5, (2, N)), np.array([[0.03, 0.01], [0.01, 0.02]])
    smears = np.einsum("ij,n->ijn", smear, rng.uniform(0.7, 1.4, N)) if uneven else model_kernels.NO_MOMENTS
    own = np.array([[0.5, 0.1], [0.1, 0.4]])
    spots = np.array([[0.2, -0.3, 0.5, 0.1, 0.4, 800.0], [-0.6, 0.1, 1.1, 0.0, 1.1, 300.0]])
    rows, parts = np.zeros((8, N)), np.zeros((2, 3, N))
    model_kernels.spot_rows(at, spots, np.empty((0, 2, 3)), smear, smears, 6, rows, parts)
    for n in range(0, N, 37):
        total = own + (smears[..., n] if uneven else smear)
        away = at[:, n] - spots[0, :2]
        dimmer = np.sqrt(np.linalg.det(own + smear) / np.linalg.det(total))
        profile = dimmer * np.exp(-0.5 * away @ np.linalg.solve(total, away))
        u = np.linalg.solve(total, away)
        assert_allclose(rows[6, n], profile, rtol=1e-12)
        assert_allclose(rows[:2, n], 800.0 * profile * u, rtol=1e-12)
        assert_allclose(rows[2, n], 800.0 * profile * (u @ own @ u), rtol=1e-12)
        assert_allclose(parts[0, :, n], [*u, u @ own @ u], rtol=1e-12)


def test_a_halo_adds_to_the_rows_of_its_spot(rng: np.random.Generator) -> None:
    at, smear, before = rng.normal(0.0, 3.0, (2, N)), 0.02 * np.eye(2), rng.normal(0.0, 1.0, (6, N))
    halos, own = np.array([[0.2, -0.3, 4.0, 0.5, 3.0, 12.0]]), np.array([[4.0, 0.5], [0.5, 3.0]])
    rows = before.copy()
    model_kernels.halo_rows(at, halos, np.array([0.7]), smear, 3, 3, rows)
    away = at - halos[0, :2, None]
    u = np.linalg.solve(own + smear, away)
    profile = 0.7 * np.exp(-0.5 * (away * u).sum(axis=0))
    widen = 12.0 * profile * (u * (own @ u)).sum(axis=0)
    expected = before + np.array([*(12.0 * profile * u), widen, widen, 0.0 * widen, profile])
    assert_allclose(rows, expected, rtol=1e-10, atol=1e-12)


def test_light_is_the_signal_less_the_plane(rng: np.random.Generator) -> None:
    linear, rows = rng.normal(0.0, 1.0, 7), rng.normal(0.0, 1.0, (7, N))
    light, signal = model_kernels.light_and_signal(linear, rows, 2, 3)
    assert_allclose(signal, linear @ rows, atol=1e-12)
    assert_allclose(light, linear @ rows - linear[2:5] @ rows[2:5], atol=1e-12)


@pytest.mark.parametrize("parameters", [4, 7])
@pytest.mark.parametrize("sloped", [False, True])
def test_the_normal_matrix_is_numpys(rng: np.random.Generator, parameters: int, sloped: bool) -> None:
    rows, weight, residual = (
        rng.normal(0.0, 1.0, (parameters, N)),
        rng.uniform(0.0, 2.0, N),
        rng.normal(0.0, 1.0, N),
    )
    slope = rng.uniform(0.2, 1.0, N) if sloped else NOTHING
    normal, pull = fit_kernels.normal_of(rows, slope, weight, residual)
    true = rows * slope if sloped else rows
    assert_allclose(normal, (true * weight) @ true.T, atol=1e-11)
    assert_allclose(pull, (true * weight) @ residual, atol=1e-11)


def test_a_damped_step_solves_the_scaled_equations(rng: np.random.Generator) -> None:
    rows = rng.normal(0.0, 1.0, (5, 40)) * np.array([1e-3, 1.0, 40.0, 1e3, 1e-1])[:, None]
    normal, pull = rows @ rows.T, rng.normal(0.0, 1.0, 5)
    regular, step = fit_kernels.damped_step(normal, pull, 0.3)
    assert regular
    assert_allclose(step, np.linalg.solve(normal + 0.3 * np.diag(np.diag(normal)), pull), rtol=1e-9)
    twice = np.array([[1.0, 2.0], [2.0, 1.0]])
    assert not fit_kernels.damped_step(twice, np.ones(2), 0.0)[0]
    assert_allclose(fit_kernels.solved(twice, np.array([5.0, 4.0])), [1.0, 2.0])


@pytest.mark.parametrize("part", [False, True])
def test_weights_are_the_inverse_variance_and_less_beyond_the_limit(
    rng: np.random.Generator, part: bool
) -> None:
    base, pixels, light = rng.uniform(5.0, 9.0, N), rng.uniform(1.0, 4.0, N), rng.uniform(0.0, 500.0, N)
    signal, use, weight = light - 20.0, rng.uniform(0.0, 1.0, N) < 0.9, np.empty(N)
    kept = rng.uniform(0.1, 1.0, N) if part else np.ones(N)
    residual = rng.normal(0.0, 60.0, N)
    cost = fit_kernels.weigh(
        (0.02, 2.0, 3.0), base, pixels, signal, light, kept if part else NOTHING, use, residual, weight
    )
    expected = use * pixels / (base + np.maximum(signal, 0.0) / 2.0 + 0.02 * kept * light**2)
    z = np.abs(residual) * np.sqrt(expected)
    assert z.max() > 3.0
    expected *= 3.0 / np.maximum(z, 3.0)
    assert_allclose(weight, expected, rtol=1e-12)
    assert_allclose(cost, (expected * residual**2).sum(), rtol=1e-12)
    assert_allclose(fit_kernels.squares(residual, weight, ~use), 0.0)
    assert_allclose(fit_kernels.squares(residual, np.ones(N), use), (residual**2)[use].sum(), rtol=1e-12)


def grain_of(light: np.ndarray, true_px2: float, rng: np.random.Generator, grain_px2: float) -> float:
    base, pixels = np.full(light.size, 16.0), np.full(light.size, 4.0)
    variance = (base + light + true_px2 * light**2) / pixels
    residual = rng.normal(0.0, 1.0, light.size) * np.sqrt(variance)
    use, clipped = np.ones(light.size, bool), np.zeros(light.size)
    return fit_kernels.grains(
        (grain_px2, 1.0), (12, 200, 6), (base, pixels, clipped), light, light, NOTHING, use, residual
    )


def test_speckle_is_told_from_shot_noise(rng: np.random.Generator) -> None:
    light = rng.uniform(200.0, 900.0, 4000)
    found = 0.0
    for _ in range(4):
        found = grain_of(light, 0.05, np.random.default_rng(3), found)
    assert found == pytest.approx(0.05, rel=0.08)
    assert grain_of(light, 0.0, rng, 0.0) == 0.0
    assert grain_of(light[:10], 0.05, rng, 0.0) < 0.0


def test_neighbours_are_those_of_the_grid(rng: np.random.Generator) -> None:
    rows, columns = 7, 9
    there = rng.uniform(0.0, 1.0, rows * columns) < 0.8
    at = np.flatnonzero(there)
    z, taken = rng.normal(0.0, 1.0, at.size), rng.normal(0.0, 1.0, (3, at.size))
    sums = fit_kernels.neighbour_sums(at, columns, rows * columns, z, taken)
    expected = np.zeros((4, 3))
    for k, (down, across) in enumerate(((0, 1), (1, 0), (1, 1), (1, -1))):
        for m, cell in enumerate(at):
            row, column = divmod(int(cell), columns)
            other = (row + down) * columns + column + across
            if 0 <= column + across < columns and row + down < rows and there[other]:
                p = int(np.searchsorted(at, other))
                expected[k] += 1.0, z[m] * z[p], taken[:, m] @ taken[:, p]
    assert_allclose(sums, expected, atol=1e-12)
