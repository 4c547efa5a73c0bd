"""The kinds of frame that the vision benchmark measures, and what is asked of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from made_frames import Fringes, MadeFrame, MadeSpot

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table.

    Attributes
    ----------
    name : str
    draw : callable
        From a Generator to a frame.
    ratio : float or None
        What RMS over limit may be.
    ms : float or None
        What a tracked measurement may take.
    radius_sigma : float
        How well the widths are known beforehand (relative, k = 1).
    frames : int
        Frames averaged.
    rms_px : float or None
        What the RMS itself may be, px.
    hole_error_px : float
        By how much the map's hole is wrong.
    """

    name: str
    draw: Callable[[Rng], MadeFrame]
    ratio: float | None
    ms: float | None
    radius_sigma: float = 0.1
    frames: int = 1
    rms_px: float | None = None
    bias: float | None = None


def _at(rng: Rng) -> tuple[float, float]:
    x, y = rng.uniform(-8.0, 8.0, 2)
    return 640.0 + x, 512.0 + y


def _one(sigma: float, peak: float = 5000.0, hole: float = 0.0, **more: float) -> Callable[[Rng], MadeFrame]:
    def draw(rng: Rng) -> MadeFrame:
        x, y = _at(rng)
        spot = MadeSpot(x, y, sigma, peak)
        where = None
        if hole:
            dx, dy = rng.uniform(-0.3, 0.3, 2) * sigma
            where = (x + dx, y + dy, hole * sigma)
        return MadeFrame((spot,), where, **more)

    return draw


def _two(
    apart: float,
    peak: float = 3000.0,
    hole: float = 0.0,
    visibility: float = 0.0,
    grain_px: float = 0.0,
    ghost: float = 0.0,
    sigma: tuple[float, float] = (20.0, 24.0),
) -> Callable[[Rng], MadeFrame]:
    def draw(rng: Rng) -> MadeFrame:
        x, y = _at(rng)
        turn = rng.uniform(0.0, 2.0 * np.pi)
        dx, dy = apart * sigma[0] * np.cos(turn) / 2.0, apart * sigma[0] * np.sin(turn) / 2.0
        spots = (
            MadeSpot(x - dx, y - dy, sigma[0], peak),
            MadeSpot(x + dx, y + dy, sigma[1], 0.8 * peak),
        )
        where = None
        if hole:
            hx, hy = rng.uniform(-0.2, 0.2, 2) * sigma[0]
            where = (x + hx, y + hy, hole * sigma[0])
        rings = None
        if visibility:
            # Rings of 2.5 per radius squared, and stripes from the spots' distance.
            q = rng.uniform(1.5, 4.0) / sigma[0] ** 2
            k = 2.0 * q * np.array([dx, dy]) + rng.normal(0.0, 0.03, 2)
            rings = Fringes(visibility, q, k[0], k[1], rng.uniform(0.0, 2.0 * np.pi), (x, y))
        extra = ()
        if ghost:
            angle = rng.uniform(0.0, 2.0 * np.pi)
            far = 2.0 * sigma[0]
            extra = (MadeSpot(x + far * np.cos(angle), y + far * np.sin(angle), 14.0, ghost * peak),)
        return MadeFrame(spots, where, rings, grain_px, extra=extra)

    return draw


SATURATED = 18_200.0  # peak at which 30 % of the pixels inside the 1/e^2 radius lie above 10,000 e-

# Peak of the first of two at which the brightest pixel beside the hole is at 70 % of full scale, where the
# exposure control of `vision.exposure` puts it.
WELL_EXPOSED = 5400.0

ROWS = (
    Row("one spot, sigma 5 px", _one(5.0), 1.1, 3.0),
    Row("one spot, sigma 20 px", _one(20.0), 1.1, 3.0),
    Row("one spot, sigma 60 px", _one(60.0), 1.1, 3.0),
    Row("one spot, hole radius 1.0 sigma", _one(20.0, hole=1.0), 1.1, 4.0),
    Row("one spot, hole radius 1.5 sigma", _one(20.0, hole=1.5), 1.1, 4.0),
    Row("one spot, 30 % saturated", _one(20.0, SATURATED), 1.15, 4.0),
    Row("two, 2 sigma apart", _two(2.0), 1.1, 8.0),
    Row("two, 1 sigma apart, hole", _two(1.0, hole=0.7), 1.1, 8.0),
    Row("two, 1 sigma apart, hole, saturated", _two(1.0, 9000.0, hole=0.7), 1.2, 10.0),
    Row("two, 1 sigma apart, hole, fringes", _two(1.0, hole=0.7, visibility=0.5), 1.15, 30.0),
    Row("two, 0.4 sigma apart, widths to 2 %, hole", _two(0.4, hole=0.7), 1.15, 8.0, radius_sigma=0.02),
    Row("one, speckle grain 3 px", _one(20.0, 3000.0, grain_px=3.0), 1.2, 9.0),
    Row("two, 1.5 sigma apart, hole, speckle", _two(1.5, 2000.0, hole=0.7, grain_px=3.0), 1.2, 12.0),
    Row(
        "all of it at once",
        _two(1.0, 3500.0, hole=0.7, visibility=0.5, grain_px=3.0, sigma=(30.0, 40.0)),
        1.3,
        80.0,
        radius_sigma=0.02,
        bias=0.3,
    ),
    Row("one, speckle, 16 frames", _one(20.0, 3000.0, grain_px=3.0), 1.2, None, frames=16),
    Row(
        "one, 2 % halo of 3 sigma, speckle",
        _one(20.0, 3000.0, grain_px=3.0, halo=0.02),
        None,
        None,
        rms_px=0.4,
    ),
    Row(
        "two, 1 % ghost 2 sigma away, hole",
        _two(1.0, WELL_EXPOSED, hole=0.7, ghost=0.01),
        None,
        None,
        rms_px=0.04,
    ),
    Row("two, 1 % ghost 2 sigma away, hole, dim", _two(1.0, hole=0.7, ghost=0.01), None, None),
)
