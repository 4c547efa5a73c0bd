"""Fit a group of spots to the blocks of a region: Levenberg-Marquardt with weights taken from the model.

The variance of a block is (signal + read noise^2 + quantisation) / pixels + speckle x signal^2, re-evaluated
from the model and never from the data, so that bright fluctuations are not believed less than dark ones. The
speckle term is estimated from the residuals after shot noise is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision import censor
from vision.blocks import Blocks
from vision.fit_kernels import (
    NOTHING,
    damped_step,
    grains,
    normal_of,
    solved,
    squares,
    weigh,
)
from vision.fit_model import Shape, evaluate, shape_matrix, stretch_rows
from vision.model_kernels import light_and_signal
from vision.noise import (
    SPECKLED,
    Noise,
    first_noise,
    may_saturate,
    neighbour_spread,
    pixel_contrast2,
    variance_e2,
)

Array = NDArray[np.float64]

LONGEST = 0.5  # radii (or units of ln w) that one step may move a spot
SETTLED = 4e-3  # squared length of a step, in standard deviations, after which the next one would be idle
FEWEST_BRIGHT = 12  # blocks nearly as bright as the brightest that can tell of speckle by themselves
FEWEST_WIDE = 200  # blocks of a wide spot that can tell of it where a small one is brighter
OUTLIER = 4.5  # standard deviations from which a block counts less (dust, scratches, unknown print)


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of parameters beforehand: means and inverse variances, shape (parameters,)."""

    mean: Array
    weight: Array


@dataclass(frozen=True, slots=True)
class Fit:
    """Result of a fit.

    Attributes
    ----------
    shape : Shape
    theta : ndarray, shape (parameters,)
    covariance : ndarray, shape (parameters, parameters)
    cost : float
        Sum of squared weighted residuals plus that of the priors.
    dof : int
    residual : ndarray, shape (N,)
        Weighted residuals of the used blocks (0 for unused ones).
    signal_e, light_e, variance_e2 : ndarray, shape (N,)
        The model, the spots' part of it, and the variance of each block.
    noise : Noise
    prior : Prior
        That the fit was made with.
    converged : bool
    rows : ndarray, shape (parameters, N)
        Derivatives of the model.
    """

    shape: Shape
    theta: Array
    covariance: Array
    cost: float
    dof: int
    residual: Array
    signal_e: Array
    light_e: Array
    variance_e2: Array
    noise: Noise
    prior: Prior
    converged: bool
    rows: Array

    def center_mm(self, spot: int) -> Array:
        """Return a spot's centre."""
        return self.theta[self.shape.center(spot)]

    def center_covariance_mm2(self, spot: int) -> Array:
        """Return the covariance of a spot's centre."""
        part = self.shape.center(spot)
        return self.covariance[part, part]

    def second_moments_mm2(self, spot: int) -> Array:
        """Return a spot's own second moments (w = 2 sigma), shape (2, 2)."""
        return shape_matrix(self.shape, self.theta, spot)[0]

    @property
    def deviance(self) -> float:
        """Twice the negative log likelihood of the blocks' values, less a constant, with the priors' part."""
        used = self.residual != 0.0
        return self.cost + float(np.log(self.variance_e2[used]).sum())


@dataclass(slots=True)
class _State:
    """One point of the parameter space with everything that was computed there."""

    theta: Array
    signal: Array
    light: Array
    rows: Array
    residual: Array
    use: NDArray[np.bool_]
    slope: Array | None = None
    kept: Array | None = None
    cost: float = np.inf


def amplitude_significance(result: Fit, blocks: Blocks, spot: int, plainly: float = np.inf) -> float:
    """Return a spot's amplitude over the standard deviation that it would have if the spot were not there.

    Its own shot noise and speckle do not count against it; those of the light that it lies on do. Where a
    lower bound that costs nothing exceeds ``plainly``, that bound is returned.
    """
    k, rows = result.shape.amplitude(spot), result.rows
    # Its own noise and the freedom of all other parameters only lower the figure: mostly that is enough.
    least = float(result.theta[k] / np.sqrt(max(result.covariance[k, k], 1e-300) * result.noise.spread))
    if least > plainly:
        return least
    own = result.theta[k] * rows[k]
    rest, light = result.signal_e - own, result.light_e - own
    weight = (result.residual != 0.0) / variance_e2(blocks, rest, light, result.noise)
    linear = rows[result.shape.nonlinear : result.shape.nonlinear + result.shape.linear]
    normal = (linear * weight) @ linear.T
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    try:
        inverse = np.linalg.inv(normal / np.outer(scale, scale) + 1e-12 * np.eye(scale.size))
    except np.linalg.LinAlgError:
        return 0.0
    sigma = np.sqrt(max(inverse[spot, spot], 1e-300)) / scale[spot]
    return float(result.theta[k] / (sigma * np.sqrt(result.noise.spread)))


def ellipse_gain(result: Fit, blocks: Blocks, spot: int = 0) -> float:
    """Return the first-order gain of twice the log likelihood if a round spot could be elliptical."""
    inverse = (result.residual != 0.0) / np.sqrt(result.variance_e2)
    extra = stretch_rows(result.shape, result.theta, blocks.at_mm, blocks.smear_mm2, spot) * inverse
    known = result.rows * inverse
    pull = extra @ result.residual
    normal = extra @ extra.T
    cross = known @ extra.T
    inner = known @ known.T
    _diagonal(inner)[:] *= 1.0 + 1e-9
    normal -= cross.T @ np.linalg.solve(inner, cross)
    return float(pull @ np.linalg.solve(normal + 1e-12 * np.eye(2), pull))


def fit(
    blocks: Blocks,
    shape: Shape,
    theta: Array,
    prior: Prior,
    noise: Noise | None = None,
    rounds: int = 12,
) -> Fit | None:
    """Fit the model to the blocks from a start; None when it runs away or the problem is singular.

    Parameters
    ----------
    blocks : Blocks
    shape : Shape
    theta : ndarray, shape (parameters,)
        Start; the linear parameters are solved for first.
    prior : Prior
    noise : Noise, optional
        Start of the multiplicative noise; by default from the scatter inside the blocks.
    rounds : int
        Most re-evaluations of the weights.
    """
    noise = noise or first_noise(pixel_contrast2(blocks), blocks.frames)
    if blocks.value_e.size <= shape.size:
        return None
    state = _first_state(blocks, shape, np.array(theta, float), noise)
    damping, converged = 1e-3, False
    low_mm, high_mm = blocks.at_mm.min(axis=1).tolist(), blocks.at_mm.max(axis=1).tolist()
    weight = _weigh(blocks, state, noise, prior)
    for count in range(rounds):
        moved, state, damping = _step(blocks, shape, state, weight, prior, noise, damping)
        if not np.isfinite(state.cost) or _ran_away(shape, state.theta, low_mm, high_mm):
            return None
        if count >= 1:
            noise = _estimate_noise(blocks, state, noise, shape.size)
        weight = _weigh(blocks, state, noise, prior)
        if count >= 2 and moved < SETTLED:
            converged = True
            break
    return _result(blocks, shape, state, weight, prior, noise, converged)


def _evaluate(blocks: Blocks, shape: Shape, theta: Array, noise: Noise) -> _State:
    return _compare(
        blocks, theta, evaluate(shape, theta, blocks.at_mm, blocks.cell_mm, blocks.smears_mm2), noise
    )


def _compare(blocks: Blocks, theta: Array, model: tuple[Array, Array, Array], noise: Noise) -> _State:
    """Hold a model against the blocks, with what saturation hides."""
    signal, light, rows = model
    if not may_saturate(blocks, noise):
        return _State(theta, signal, light, rows, blocks.value_e - signal, np.ones(signal.size, bool))
    if noise.contrast2 > SPECKLED:
        expected, slope, kept = censor.recorded_mean(signal, blocks.limit_e, noise.contrast2)
        use = np.ones(signal.size, bool)
        return _State(theta, signal, light, rows, blocks.value_e - expected, use, slope, kept)
    use, _ = censor.one_sided(signal, blocks.limit_e, blocks.clipped)
    return _State(theta, signal, light, rows, blocks.value_e - signal, use)


def _weigh(blocks: Blocks, state: _State, noise: Noise, prior: Prior) -> Array:
    """Return the weights of the blocks, and set the state's cost by them."""
    weight = np.empty_like(state.residual)
    state.cost = _pull_of(prior, state.theta) + weigh(
        (noise.grain_px2, float(blocks.frames), OUTLIER),
        blocks.base_e2,
        blocks.pixels,
        state.signal,
        state.light,
        NOTHING if state.kept is None else state.kept,
        state.use,
        state.residual,
        weight,
    )
    return weight


def _pull_of(prior: Prior, theta: Array) -> float:
    pull = theta - prior.mean
    return float(prior.weight @ (pull * pull))


def _normal(state: _State, weight: Array, prior: Prior) -> tuple[Array, Array]:
    slope = NOTHING if state.slope is None else state.slope
    normal, gradient = normal_of(state.rows, slope, weight, state.residual)
    _diagonal(normal)[:] += prior.weight
    gradient -= prior.weight * (state.theta - prior.mean)
    return normal, gradient


def _diagonal(square: Array) -> Array:
    """Return a view of a matrix's diagonal that can be written to."""
    diagonal: Array = np.einsum("ii->i", square)
    return diagonal


def _sloped(state: _State) -> Array:
    """Return the derivatives of what is recorded: those of the model, less where saturation hides it."""
    return state.rows if state.slope is None else state.rows * state.slope


def _step(
    blocks: Blocks, shape: Shape, state: _State, weight: Array, prior: Prior, noise: Noise, damping: float
) -> tuple[float, _State, float]:
    """Take one step; return its squared length in standard deviations, new state, damping."""
    normal, gradient = _normal(state, weight, prior)
    for _ in range(8):
        regular, step = damped_step(normal, gradient, damping)
        if not regular:
            damping *= 10.0
            continue
        step *= min(1.0, LONGEST / max(_size(shape, step, state.theta), 1e-12))
        trial = _evaluate(blocks, shape, state.theta + step, noise)
        trial.cost = squares(trial.residual, weight, trial.use) + _pull_of(prior, trial.theta)
        if trial.cost <= state.cost * (1.0 + 1e-9):
            return float(step @ normal @ step), trial, max(damping / 10.0, 1e-9)
        damping *= 10.0
    return 0.0, state, damping


def _size(shape: Shape, step: Array, theta: Array) -> float:
    """Return the largest move of a spot over its radius, or of ln w, in a step."""
    largest = 0.0
    moves, places = step.tolist(), theta.tolist()
    for spot in range(shape.spots):
        k = shape.log_radius(spot)
        moved = math.hypot(moves[k - 2], moves[k - 1]) / math.exp(min(places[k], 300.0))
        largest = max(largest, moved, abs(moves[k]))
    return largest


def _ran_away(shape: Shape, theta: Array, low_mm: list[float], high_mm: list[float]) -> bool:
    values = theta.tolist()
    if not all(map(math.isfinite, values)):
        return True
    for spot in range(shape.spots):
        k = shape.log_radius(spot)
        room = 4.0 * math.exp(min(values[k], 300.0))
        for place, low, high in zip(values[k - 2 : k], low_mm, high_mm, strict=True):
            if abs(place - (low + high) / 2.0) > high - low + room:
                return True
    return False


def _first_state(blocks: Blocks, shape: Shape, theta: Array, noise: Noise) -> _State:
    """Solve for amplitudes and background with the places and radii held, and evaluate there."""
    lights = slice(shape.amplitude(0), shape.amplitude(0) + shape.spots)
    theta[shape.nonlinear :] = 0.0
    theta[lights] = 1.0
    rows = evaluate(shape, theta, blocks.at_mm, blocks.cell_mm, blocks.smears_mm2)[2]
    use = blocks.clipped < (0.2 if noise.contrast2 > SPECKLED else 1e-6)
    if use.sum() <= shape.linear:
        use = np.ones(blocks.value_e.size, bool)
    seen = np.maximum(blocks.value_e, 0.0)
    linear = rows[shape.nonlinear :]
    normal, pull = normal_of(linear, NOTHING, use / variance_e2(blocks, seen, seen, noise), blocks.value_e)
    theta[shape.nonlinear :] = solved(normal, pull)
    theta[lights] = np.maximum(theta[lights], 1e-3 * max(float(blocks.value_e.max()), 1.0))
    if shape.fringes or shape.halo:
        return _evaluate(blocks, shape, theta, noise)
    # A spot's other derivatives are in proportion to its light.
    for spot in range(shape.spots):
        first = spot * shape.per_spot
        rows[first : first + shape.per_spot] *= theta[shape.amplitude(spot)]
    light, signal = light_and_signal(theta[shape.nonlinear :], linear, shape.spots, 3 if shape.slopes else 1)
    return _compare(blocks, theta, (signal, light, rows), noise)


def _estimate_noise(blocks: Blocks, state: _State, noise: Noise, parameters: int) -> Noise:
    """Estimate the speckle term from the residuals of the bright blocks after shot noise is taken off."""
    grain_px2 = grains(
        (noise.grain_px2, float(blocks.frames)),
        (FEWEST_BRIGHT, FEWEST_WIDE, parameters),
        (blocks.base_e2, blocks.pixels, blocks.clipped),
        state.signal,
        state.light,
        NOTHING if state.kept is None else state.kept,
        state.use,
        state.residual,
    )
    return noise if grain_px2 < 0.0 or grain_px2 == noise.grain_px2 else replace(noise, grain_px2=grain_px2)


def _result(
    blocks: Blocks, shape: Shape, state: _State, weight: Array, prior: Prior, noise: Noise, converged: bool
) -> Fit | None:
    normal, _ = _normal(state, weight, prior)
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    outer = scale[:, None] * scale
    try:
        inverse = np.linalg.inv(normal / outer) / outer
    except np.linalg.LinAlgError:
        return None
    covariance = inverse
    root = np.sqrt(weight)
    z = state.residual * root
    speckle = noise.grain_px2 * state.light**2 / blocks.pixels
    variance = variance_e2(blocks, state.signal, state.light, noise)
    bright = np.flatnonzero(state.use & (speckle > 0.5 * variance))
    if bright.size > 40:
        taken = np.linalg.inv(np.linalg.cholesky(normal)) @ (_sloped(state)[:, bright] * root[bright])
        noise = replace(noise, spread=neighbour_spread(blocks, z[bright], taken, bright))
        extra = weight * weight * ((noise.spread - 1.0) * speckle)
        slope = NOTHING if state.slope is None else state.slope
        covariance = inverse + inverse @ normal_of(state.rows, slope, extra, z)[0] @ inverse
    return Fit(
        shape=shape,
        theta=state.theta,
        covariance=(covariance + covariance.T) / 2.0,
        cost=state.cost,
        dof=int((weight > 0).sum()) - shape.size + int((prior.weight > 0).sum()),
        residual=z,
        signal_e=state.signal,
        light_e=state.light,
        variance_e2=variance,
        noise=noise,
        prior=prior,
        converged=converged,
        rows=state.rows,
    )
