"""The least standard deviation that any unbiased measurement of a made frame's spots can have (Cramer-Rao).

Unknown are, per spot (ghosts too), centre, ln sigma and amplitude; a background plane; the five numbers of
the fringes; and share and relative width of a halo.
Information of one pixel about its mean:

* shot and read noise: 1 / variance (Mortensen et al., Nat. Methods 7, 377 (2010); Thompson et al.,
Biophys. J. 82,
  2775 (2002); both from memory; the tests compare with Thompson's closed form),
* a pixel that may saturate: the information of a censored normal variable,
* speckle: neighbouring pixels share grains; for a signal that changes slowly over a grain the information of
  the correlated field is that of independent grains, one per correlation area (`tests` compare with the full
  covariance matrix), and a saturating grain is a censored gamma variable.

Pixels of the hole carry none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from made_frames import HALO_WIDTH, MadeFrame, MadeSpot
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
PART = 16_000  # pixels taken at once, so that they stay in the processor's cache


def center_limits_px(
    frame: MadeFrame, radius_sigmas: Sequence[float | None] = (), frames: int = 1, margin_px: float = 0.0
) -> Array:
    """Return the limit of each wanted spot's centre (root mean square of x and y), px, shape (spots,).

    A ghost's place, width and amplitude are unknown too.
    """
    count = len(frame.spots)
    told = [*radius_sigmas, *[None] * (count - len(radius_sigmas)), *[None] * len(frame.extra)]
    everything = replace(frame, spots=(*frame.spots, *frame.extra), extra=())
    covariance = np.linalg.inv(fisher(everything, told, frames, margin_px))
    variances = np.diag(covariance)
    return np.sqrt([(variances[4 * k] + variances[4 * k + 1]) / 2.0 for k in range(count)])


def fisher(
    frame: MadeFrame, radius_sigmas: Sequence[float | None] = (), frames: int = 1, margin_px: float = 0.0
) -> Array:
    """Return the information matrix: per spot x, y, ln sigma, amplitude; plane; five of the fringes."""
    parts = zip(*(np.array_split(a, a.size // PART + 1) for a in _pixels(frame, margin_px)), strict=True)
    matrix = sum((_information_of(frame, *part, frames) for part in parts), np.zeros(()))
    for k, sigma in enumerate(radius_sigmas):
        if sigma is not None:
            matrix[4 * k + 2, 4 * k + 2] += 1.0 / sigma**2
    return matrix


def _information_of(frame: MadeFrame, y: Array, x: Array, valid: Array, frames: int) -> Array:
    signal = frame.expected(x, y) + frame.unwanted(x, y)
    rows = _derivatives(frame, x, y)
    info = pixel_information(frame, signal, frame.background(x, y), frames) * valid
    matrix: Array = (rows * info) @ rows.T
    return matrix


def _pixels(frame: MadeFrame, margin_px: float) -> tuple[Array, Array, Array]:
    reach = 7.0 * max(s.sigma for s in frame.spots) * (HALO_WIDTH if frame.halo else 1.0)
    x0, x1 = min(s.x for s in frame.spots) - reach, max(s.x for s in frame.spots) + reach
    y0, y1 = min(s.y for s in frame.spots) - reach, max(s.y for s in frame.spots) + reach
    rows = np.arange(max(0, int(y0)), min(frame.shape[0], int(y1) + 1))
    columns = np.arange(max(0, int(x0)), min(frame.shape[1], int(x1) + 1))
    # What changes slowly from pixel to pixel need not be looked at in every one; each stands for its square.
    step = max(1, int(min(s.sigma for s in frame.spots) / 10.0))
    y, x = (a.ravel().astype(float) for a in np.meshgrid(rows[::step], columns[::step], indexing="ij"))
    valid = np.full(x.size, float(step**2))
    if frame.hole is not None:
        cx, cy, radius = frame.hole
        # A pixel on the rim counts by the part of its square that lies outside.
        away = np.hypot(x - cx, y - cy) - radius - margin_px
        valid *= np.clip(away / step + 0.5, 0.0, 1.0)
    return y, x, valid


def _derivatives(frame: MadeFrame, x: Array, y: Array) -> Array:
    """Derivatives of the mean by every parameter, analytic, shape (parameters, N)."""
    rows: list[Array] = []
    profiles = [s.profile(x, y) for s in frame.spots]
    cross = _cross(frame, profiles, x, y)
    for k, spot in enumerate(frame.spots):
        dx, dy = (x - spot.x) / spot.sigma**2, (y - spot.y) / spot.sigma**2
        widen = ((x - spot.x) ** 2 + (y - spot.y) ** 2) / spot.sigma**2
        light = spot.peak_e * profiles[k] + (0.5 * cross[0] if k < 2 else 0.0)
        # The fringes' amplitude is a parameter of its own, so the spot's amplitude scales its own light only.
        rows += [light * dx, light * dy, light * widen, profiles[k]]
    rows += [np.ones_like(x), x / frame.shape[1] - 0.5, y / frame.shape[0] - 0.5]
    if frame.fringes is not None:
        _, turn, envelope, angle = cross
        ox, oy = x - frame.fringes.center[0], y - frame.fringes.center[1]
        rows += [
            turn * ox,
            turn * oy,
            turn * (ox**2 + oy**2),
            envelope * np.cos(angle),
            envelope * np.sin(angle),
        ]
    if frame.halo:
        _add_halo(frame, rows, x, y)
    return np.array(rows)


def _add_halo(frame: MadeFrame, rows: list[Array], x: Array, y: Array) -> None:
    """Let the halo move and widen with its spot; its share and ln of its relative width are unknown."""
    share, wider = np.zeros_like(x), np.zeros_like(x)
    for k, spot in enumerate(frame.spots):
        sigma = HALO_WIDTH * spot.sigma
        profile = spot.peak_e * MadeSpot(spot.x, spot.y, sigma, 1.0).profile(x, y)
        light, dx, dy = frame.halo * profile, (x - spot.x) / sigma**2, (y - spot.y) / sigma**2
        widen = light * (dx**2 + dy**2) * sigma**2
        moved = (light * dx, light * dy, widen)
        rows[4 * k : 4 * k + 3] = [rows[4 * k + i] + more for i, more in enumerate(moved)]
        share, wider = share + profile, wider + widen
    rows += [share, wider]


def _cross(frame: MadeFrame, profiles: list[Array], x: Array, y: Array) -> tuple[Array, Array, Array, Array]:
    """Interference term, its derivative by the phase, envelope, phase."""
    if frame.fringes is None:
        none = np.zeros_like(x)
        return none, none, none, none
    a, b = frame.spots[0], frame.spots[1]
    envelope = 2.0 * np.sqrt(a.peak_e * profiles[0] * b.peak_e * profiles[1])
    angle = frame.fringes.angle(x, y)
    v = frame.fringes.visibility
    return v * envelope * np.cos(angle), -v * envelope * np.sin(angle), envelope, angle


def pixel_information(frame: MadeFrame, signal: Array, background: Array, frames: int = 1) -> Array:
    """Return the information of each pixel about its mean signal, 1 / electrons squared."""
    sensor = frame.sensor
    variance = signal + background + sensor.read_noise_e**2 + sensor.gain_e_per_dn**2 / 12.0
    limit = (sensor.full_scale_dn - 0.5 - sensor.black_level_dn) * sensor.gain_e_per_dn - background
    if not frame.grain_px:
        return frames * censored_normal((limit - signal) / np.sqrt(variance)) / variance
    safe = np.maximum(signal, 1e-12)
    kept = censored_gamma(limit / safe, 1.0 / frame.contrast**2)
    grains = safe**2 * frame.contrast**2 * frame.grain_px**2 / kept
    return frames / (grains + variance)


def censored_normal(z: Array) -> Array:
    """Return what saturation z sigma above the mean leaves of a normal variable's information about it."""
    z = np.clip(z, -30.0, 30.0)
    density = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    above = special.ndtr(-z)
    hazard = np.where(z < 25.0, density / np.maximum(above, 1e-300), z)
    return np.clip(special.ndtr(z) - z * density + density * hazard, 0.0, 1.0)


def censored_gamma(t: Array, m: float) -> Array:
    """Return what saturation at t times the mean leaves of a gamma variable's information about its mean.

    Shape ``m``; information of the uncensored variable about the logarithm of its mean is m.
    """
    grid, share = _gamma_share(m)
    return np.interp(np.log(np.clip(t, 1e-3, 60.0)), grid, share)


@lru_cache(maxsize=8)
def _gamma_share(m: float) -> tuple[Array, Array]:
    """Return ln of the saturation level over the mean, and the share of the information that it leaves."""
    grid = np.linspace(np.log(1e-3), np.log(60.0), 4000)
    u = np.exp(grid)
    log_density = m * np.log(m) + (m - 1.0) * np.log(u) - m * u - special.gammaln(m)
    density = np.exp(log_density)
    integrand = (m * u - m) ** 2 * density * u
    below = np.concatenate([[0.0], np.cumsum((integrand[1:] + integrand[:-1]) / 2.0 * np.diff(grid))])
    above = special.gammaincc(m, m * u)
    share = (below + (u * density) ** 2 / np.maximum(above, 1e-300)) / m
    share = np.where(above > 1e-12, share, 1.0)
    return grid, np.clip(share, 1e-6, 1.0)


def thompson_px(spot: MadeSpot, background_e: float, read_e: float) -> float:
    """Thompson's closed form for least squares on a pixelated spot, px (from memory; pixel size 1)."""
    photons = 2.0 * np.pi * spot.sigma**2 * spot.peak_e
    s2 = spot.sigma**2 + 1.0 / 12.0
    return float(np.sqrt(s2 / photons + 8.0 * np.pi * s2**2 * (background_e + read_e**2) / photons**2))
