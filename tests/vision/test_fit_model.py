"""Derivatives against finite differences, the average over a block against a sum over points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.fit_model import Shape, evaluate

CELL = np.array([[0.02, 0.0], [0.0, 0.02]])


def _shape(fringes: bool, halo: bool, ellipse: bool) -> Shape:
    return Shape(2, np.zeros(2), 4.0, (np.eye(2), np.eye(2)), ellipse, fringes, True, 0, halo)


def _theta(shape: Shape, rng: np.random.Generator) -> np.ndarray:
    theta = np.zeros(shape.size)
    for k in range(2):
        theta[shape.center(k)] = rng.normal(0.0, 0.7, 2)
        theta[shape.log_radius(k)] = np.log(2.0) + rng.normal(0.0, 0.2)
        if shape.free_ellipse:
            theta[k * 5 + 3 : k * 5 + 5] = rng.normal(0.0, 0.05, 2)
    at = 2 * shape.per_spot
    if shape.fringes:
        theta[at : at + 3] = rng.normal(0.0, 0.8, 3)
    if shape.halo:
        theta[shape.nonlinear - 1] = np.log(3.0)
    theta[shape.nonlinear : shape.nonlinear + 2] = rng.uniform(500.0, 900.0, 2)
    theta[shape.plane] = rng.normal(5.0, 2.0, 3)
    if shape.fringes:
        theta[shape.plane.stop : shape.plane.stop + 2] = rng.normal(0.0, 200.0, 2)
    if shape.halo:
        theta[-1] = 12.0
    return theta


@settings(max_examples=25)
@given(seed=st.integers(0, 10_000), kind=st.sampled_from(["round", "fringes", "ellipse"]))
def test_derivatives_agree_with_finite_differences(seed: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    fringes, ellipse = kind == "fringes", kind == "ellipse"
    shape = _shape(fringes, False, ellipse)
    if ellipse:
        # The ellipse's derivatives are those about the expected shape; they serve small deviations.
        theta = _theta(shape, rng)
        for k in range(2):
            theta[k * 5 + 3 : k * 5 + 5] = 0.0
    else:
        theta = _theta(shape, rng)
    at = rng.uniform(-3.0, 3.0, (2, 40))
    cell = CELL * 1e-3  # derivatives of the small block corrections of fringes are left out on purpose
    _, _, rows = evaluate(shape, theta, at, cell)
    for k in range(shape.size):
        step = 1e-5 * max(1.0, abs(theta[k]))
        up, down = theta.copy(), theta.copy()
        up[k] += step
        down[k] -= step
        numeric = (evaluate(shape, up, at, cell)[0] - evaluate(shape, down, at, cell)[0]) / (2.0 * step)
        assert rows[k] == pytest.approx(numeric, rel=2e-4, abs=2e-4 * np.abs(rows[k]).max() + 1e-7)


def test_a_block_is_the_mean_of_its_pixels_fringes_included() -> None:
    rng = np.random.default_rng(3)
    shape = _shape(True, False, False)
    theta = _theta(shape, rng)
    theta[6:9] = 4.0, -3.0, 2.0  # 1.3 rad across a block of 0.2 mm
    centers = rng.uniform(-1.5, 1.5, (2, 30))
    block, _, _ = evaluate(shape, theta, centers, np.eye(2) * 0.2)
    fine = (np.arange(40) + 0.5) / 40.0 * 0.2 - 0.1
    dx, dy = np.meshgrid(fine, fine)
    means = [
        evaluate(shape, theta, c[:, None] + np.stack([dx.ravel(), dy.ravel()]), np.eye(2) * 1e-6)[0].mean()
        for c in centers.T
    ]
    point, _, _ = evaluate(shape, theta, centers, np.eye(2) * 1e-6)
    wrong, left = np.abs(point - means).max(), np.abs(block - means).max()
    assert left < 0.3 * wrong


def test_a_halo_widens_what_surrounds_the_spot() -> None:
    rng = np.random.default_rng(5)
    shape = _shape(False, True, False)
    theta = _theta(shape, rng)
    at = np.array([[5.0, 0.0], [5.0, 0.0]])
    lit, _, _ = evaluate(shape, theta, at, CELL)
    theta[-1] = 0.0
    dark, _, _ = evaluate(shape, theta, at, CELL)
    assert np.all(lit > dark)
