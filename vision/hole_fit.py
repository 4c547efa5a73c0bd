"""Fits the circle of a hole to its edge: first through points, then to the brightness across the edge itself.

A chamfer that catches the lamp is a bright line outside the edge, thinner than the camera's blur. It cannot
be seen as a line, but it displaces the half level by many micrometres, on one side more than on the other. So
the last fit has the line in its model: the step says where the edge is, the line takes what is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from optics.compiled import compiled
from vision.hole_edge import Profiles

FEWEST_SECTORS = 24
_FLOOR_MM = 3e-4
_TOLERANCE = 1e-6  # relative; a step less leaves a hundredth of the uncertainty
_HARMONICS = 2
_DEEPEST_PX = 2.5
_ROUNDS = 5
_CLEARLY = 60.0
_UNROUND_ORDERS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Circle:
    """A circle on the plate.

    Attributes
    ----------
    center_mm : ndarray, shape (2,)
    radius_mm : float
    covariance : ndarray, shape (3, 3)
        Of centre x, y and radius.
    residual_mm : float
        Scatter of the edge points about the circle.
    sectors : int
        How many sectors it rests on.
    """

    center_mm: NDArray[np.float64]
    radius_mm: float
    covariance: NDArray[np.float64]
    residual_mm: float
    sectors: int


def fit_circle(points: NDArray[np.float64], center: NDArray[np.float64], radius: float) -> Circle | None:
    """Robust circle through points; dust and a lit wall are outvoted, then left out."""
    start = np.array([center[0], center[1], radius])
    for _ in range(4):
        if len(points) < FEWEST_SECTORS:
            return None
        miss = partial(_circle_misses, points)
        scale = max(1.4826 * float(np.median(np.abs(miss(start)))), _FLOOR_MM)
        start = least_squares(
            miss,
            start,
            partial(_circle_slopes, points),
            loss="cauchy",
            f_scale=scale,
            ftol=_TOLERANCE,
            xtol=_TOLERANCE,
        ).x
        residual = miss(start)
        keep = np.abs(residual) < 4 * max(1.4826 * float(np.median(np.abs(residual))), _FLOOR_MM)
        if keep.all():
            break
        points = points[keep]
    if len(points) < FEWEST_SECTORS:
        return None
    found = least_squares(partial(_circle_misses, points), start, partial(_circle_slopes, points))
    variance = max(float(found.fun @ found.fun) / (len(points) - 3), _FLOOR_MM**2)
    # Neighbouring sectors share pixels and blemishes: count half of them.
    covariance = 2 * variance * np.linalg.inv(found.jac.T @ found.jac)
    return Circle(found.x[:2], float(found.x[2]), covariance, float(np.sqrt(variance)), len(points))


def _circle_misses(points: NDArray[np.float64], circle: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.hypot(points[:, 0] - circle[0], points[:, 1] - circle[1]) - circle[2])


def _circle_slopes(points: NDArray[np.float64], circle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the derivatives of `_circle_misses`, shape (N, 3)."""
    away = circle[:2] - points
    distance = np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-12)
    return np.column_stack([away / distance[:, None], np.full(len(points), -1.0)])


def fit_profiles(profiles: Profiles, start: Circle, offsets_mm: NDArray[np.float64]) -> Circle | None:
    """Fit the circle to the brightness across the edge: a blurred step and a thin line of light outside it.

    Levels inside and outside are free in each sector; the line's strength varies round the hole up to the
    second harmonic.

    Parameters
    ----------
    profiles : Profiles
        Sampled across ``start``.
    start : Circle
    offsets_mm : ndarray, shape (S,)
        Where the edge was found in each sector; infinite where it was not.

    Returns
    -------
    Circle or None
        None where the fit does not settle; then the circle through points stands.
    """
    used = np.isfinite(offsets_mm) & (np.abs(offsets_mm) < 2.5 / profiles.px_per_mm) & _level_inside(profiles)
    plain = _fit_robustly(profiles, used, glint=False)
    glinting = _fit_robustly(profiles, used, glint=True)
    best = glinting if _line_shows(profiles, plain, glinting) else plain
    if best is None:
        return None
    covariance = _sandwich(best.jacobian, best.rest)
    if covariance is None:
        return None
    covariance[:2, :2] += _unround(profiles, best) * np.eye(2)
    center = start.center_mm + best.values[:2]
    radius = start.radius_mm + float(best.values[2])
    return Circle(center, radius, covariance, start.residual_mm, len(best.rest))


@dataclass(frozen=True, slots=True, eq=False)
class _ProfileFit:
    """Shift, growth, blur and place of the line; slopes; what is left, shape (S, N); the sectors used."""

    values: NDArray[np.float64]
    jacobian: NDArray[np.float64]
    rest: NDArray[np.float64]
    used: NDArray[np.bool_]


def _line_shows(profiles: Profiles, plain: _ProfileFit | None, glinting: _ProfileFit | None) -> bool:
    """Tell whether the line explains clearly more than noise: without a glint it only makes the fit loose."""
    if plain is None or glinting is None:
        return plain is None
    if not _shines(profiles, glinting):
        return False
    both = plain.used & glinting.used
    left = [np.sum(fit.rest[both[fit.used]] ** 2) for fit in (plain, glinting)]
    # The profiles are sampled more finely than the pixels: count pixels.
    samples_per_px = profiles.pixel_mm / (profiles.across_mm[1] - profiles.across_mm[0])
    independent = max(both.sum() * len(profiles.across_mm) / samples_per_px, 1.0)
    return bool(independent * (left[0] / max(left[1], 1e-12) - 1) > _CLEARLY)


def _shines(profiles: Profiles, fit: _ProfileFit) -> bool:
    """Tell whether the line adds light all round: dust on the edge may pass for a line, but a dark one."""
    waves = _waves(profiles.ray[fit.used])[..., 0]
    _, strength = _project(profiles, fit.used, fit.values)
    along = strength @ waves
    return bool(along.max() > 0 and along.min() > -0.3 * along.max())


def _fit_robustly(profiles: Profiles, used: NDArray[np.bool_], *, glint: bool) -> _ProfileFit | None:
    """Fit, and leave out sectors that do not look like the others, until all do."""
    used = used.copy()
    for _ in range(_ROUNDS):
        if used.sum() < FEWEST_SECTORS:
            return None
        fit = _fit_once(profiles, used, glint)
        rms = np.sqrt(np.mean(fit.rest**2, axis=1))
        good = rms < 2.5 * np.median(rms)
        if good.all():
            return fit
        used[np.flatnonzero(used)[~good]] = False
    return None


def _fit_once(profiles: Profiles, used: NDArray[np.bool_], glint: bool) -> _ProfileFit:
    start, scale = [0.0, 0.0, 0.0, 1.0], [0.01, 0.01, 0.01, 1.0]
    low, high = [-0.2, -0.2, -0.2, 0.3], [0.2, 0.2, 0.2, 3.0]
    if glint:
        # A line in the very edge would be the same as a shift of it.
        start, scale, low, high = [*start, 0.03], [*scale, 0.05], [*low, 0.015], [*high, 0.15]
    found = least_squares(
        partial(_profile_misses, profiles, used),
        start,
        bounds=(low, high),
        x_scale=scale,
        ftol=1e-6,
        xtol=1e-6,
    )
    rest = np.asarray(found.fun).reshape(int(used.sum()), -1)
    return _ProfileFit(found.x, found.jac, rest, used.copy())


def _level_inside(profiles: Profiles) -> NDArray[np.bool_]:
    """Tell which sectors are level just inside the edge: where a lit wall ends there, the step is not one."""
    depth_px = -profiles.across_mm[None, :] * profiles.px_per_mm[:, None]
    window = (depth_px > _DEEPEST_PX) & (depth_px < _DEEPEST_PX + 2.5)
    inside = np.where(window, profiles.values, np.nan)
    span = np.nanmax(inside, axis=1) - np.nanmin(inside, axis=1)
    step = np.median(profiles.values[:, -8:], axis=1) - np.nanmin(inside, axis=1)
    return np.asarray(span < np.maximum(0.12 * step, 1.5 * np.median(span)))


def _profile_misses(
    profiles: Profiles, used: NDArray[np.bool_], parameters: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return what the best levels and the best line of light leave of the profiles, shape (S * N,)."""
    return _project(profiles, used, parameters)[0]


def _project(
    profiles: Profiles, used: NDArray[np.bool_], parameters: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the rest, shape (S * N,), and the line's strength, one value for each wave round the hole.

    The parameters are shift x, y and growth of the radius (mm), blur (px), place of the line (mm outside)
    where there is one. Levels and line are linear: levels are projected out sector by sector, the line for
    all sectors together.
    """
    ray, scale = profiles.ray[used], profiles.px_per_mm[used]
    edge = ray @ parameters[:2] + parameters[2]
    line_mm = float(parameters[4]) if len(parameters) > 4 else 0.0
    rest, line = np.empty((2, len(edge), len(profiles.across_mm)))
    # Deeper inside a lit wall may end; the window is the same for all parameters.
    without_levels(
        profiles.values[used],
        profiles.across_mm,
        edge,
        parameters[3] / scale,
        -_DEEPEST_PX / scale,
        line_mm,
        rest,
        line,
    )
    if len(parameters) == 4:
        return rest.ravel(), np.zeros(0)
    # Round a sector the waves do not change: what the levels leave of the line serves all of them.
    waves = _waves(ray)[..., 0]
    normal = (waves * (line * line).sum(axis=1)) @ waves.T
    strength = np.linalg.lstsq(normal, waves @ (line * rest).sum(axis=1), rcond=1e-9)[0]
    return (rest - (strength @ waves)[:, None] * line).ravel(), np.asarray(strength)


@compiled()
def without_levels(
    values: NDArray[np.float64],
    across_mm: NDArray[np.float64],
    edge_mm: NDArray[np.float64],
    blur_mm: NDArray[np.float64],
    deepest_mm: NDArray[np.float64],
    line_mm: float,
    rest: NDArray[np.float64],
    line: NDArray[np.float64],
) -> None:
    """Take the levels inside and outside, blurred at the edge, out of profiles and of a line of light.

    Parameters
    ----------
    values : ndarray, shape (S, N)
    across_mm : ndarray, shape (N,)
    edge_mm, blur_mm, deepest_mm : ndarray, shape (S,)
        Place and blur of the edge (1 sigma), and where inside it the profile begins to count.
    line_mm : float
        Place of the line outside the edge; 0 where there is none.
    rest, line : ndarray, shape (S, N)
        Filled with what is left of the profiles, and of a line of unit strength.
    """
    step, glow = np.empty(across_mm.shape[0]), np.empty(across_mm.shape[0])
    for s in range(values.shape[0]):
        width = math.sqrt(blur_mm[s] ** 2 + (0.6 * line_mm) ** 2)
        both, steps, seen, seen_step, lit, lit_step, count = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for n in range(across_mm.shape[0]):
            step[n], glow[n] = 0.0, 0.0
            if across_mm[n] > deepest_mm[s]:
                x = across_mm[n] - edge_mm[s]
                step[n] = 0.5 * math.erfc(-x / (blur_mm[s] * math.sqrt(2.0)))
                if line_mm > 0.0:
                    glow[n] = math.exp(-0.5 * ((x - line_mm) / width) ** 2)
                count += 1.0
                both += step[n]
                steps += step[n] * step[n]
                seen += values[s, n]
                seen_step += values[s, n] * step[n]
                lit += glow[n]
                lit_step += glow[n] * step[n]
        # What is nearly singular still has an answer.
        count, steps = count + 1e-9, steps + 1e-9
        determinant = count * steps - both * both
        level, rise = (
            (steps * seen - both * seen_step) / determinant,
            (count * seen_step - both * seen) / determinant,
        )
        dim, glare = (
            (steps * lit - both * lit_step) / determinant,
            (count * lit_step - both * lit) / determinant,
        )
        for n in range(across_mm.shape[0]):
            inside = across_mm[n] > deepest_mm[s]
            rest[s, n] = values[s, n] - level - rise * step[n] if inside else 0.0
            line[s, n] = glow[n] - dim - glare * step[n] if inside else 0.0


def _waves(ray: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1, cos, sin ... of the azimuth up to the highest harmonic, shape (W, S, 1)."""
    angle = np.arctan2(ray[:, 1], ray[:, 0])
    waves = [np.ones_like(angle)]
    for order in range(1, _HARMONICS + 1):
        waves += [np.cos(order * angle), np.sin(order * angle)]
    return np.stack(waves)[..., None]


def _unround(profiles: Profiles, fit: _ProfileFit) -> float:
    """Variance of the centre, per axis, from what is not round about the edge.

    What displaces part of the edge (a glint over half of the rim, a burr) shows in the harmonics of the
    edge's distance that no circle has, and hides in the first, which passes for a shift. An edge displaced
    over an arc has harmonics that fall as one over their order: each tells how large the first may be.
    """
    slope = fit.jacobian[:, 2].reshape(fit.rest.shape)
    distance = -(slope * fit.rest).sum(axis=1) / np.maximum((slope**2).sum(axis=1), 1e-12)
    ray = profiles.ray[fit.used]
    angle = np.arctan2(ray[:, 1], ray[:, 0])
    orders = np.arange(_UNROUND_ORDERS + 1)
    design = np.column_stack([np.cos(np.outer(angle, orders)), np.sin(np.outer(angle, orders[1:]))])
    # Where part of the edge is missing the waves are not independent: small ones are preferred.
    stiffness = 0.05 * len(distance) * np.eye(design.shape[1])
    waves = np.linalg.solve(design.T @ design + stiffness, design.T @ distance)
    power = waves[2 : _UNROUND_ORDERS + 1] ** 2 + waves[_UNROUND_ORDERS + 2 :] ** 2
    return float(np.mean(orders[2:] ** 2 * power) / 2)


def _sandwich(jacobian: NDArray[np.float64], residual: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Covariance of shift and growth with whole sectors as the independent units: samples overlap."""
    sectors, samples = residual.shape
    slopes = jacobian.reshape(sectors, samples, -1)
    scale = np.linalg.norm(jacobian, axis=0)
    if not np.all(scale[:4] > 0):
        return None
    # The line's place may be at its limit or without effect where nothing glints.
    free = scale > 1e-9 * scale.max()
    normal_matrix = np.einsum("sni,snj->ij", slopes, slopes)[np.ix_(free, free)]
    pull = np.einsum("sni,sn->si", slopes, residual)[:, free]
    inverse = np.linalg.pinv(normal_matrix / np.outer(scale[free], scale[free])) / np.outer(
        scale[free], scale[free]
    )
    covariance = inverse @ (pull.T @ pull) @ inverse * sectors / max(sectors - 10, 1)
    # Neighbouring sectors share pixels and blemishes: count half of them.
    return np.asarray(2 * covariance[:3, :3] + _FLOOR_MM**2 * np.eye(3))
