"""Beam widths by second moments, as ISO 11146-1 defines them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_REGION = 3.0
_MOST_ROUNDS = 60


@dataclass(frozen=True, slots=True)
class BeamWidths:
    """First and second moments of a beam profile.

    Attributes
    ----------
    center : tuple of float
        Centroid x, y in the units of the pixel pitch.
    width_major, width_minor : float
        D4sigma widths along the principal axes (twice the 1/e^2 radius of a Gaussian beam).
    width_x, width_y : float
        D4sigma widths along x and y.
    azimuth_rad : float
        From x to that principal axis which is closer to x, towards +y; between -pi/4 and pi/4.
    ellipticity : float
        Minor over major.
    """

    center: tuple[float, float]
    width_major: float
    width_minor: float
    width_x: float
    width_y: float
    azimuth_rad: float
    ellipticity: float


@dataclass(frozen=True, slots=True)
class NoWidths:
    """Why there are no widths; ``detail`` is one sentence for a person."""

    detail: str


def second_moment_widths(
    intensity: NDArray[np.floating], pitch: float = 1.0, *, region: float = _REGION
) -> BeamWidths | NoWidths:
    """Return centroid and D4sigma widths of a beam profile.

    The moments are taken over a rectangle of ``region`` times the beam's widths around its centroid, found by
    iteration, as ISO 11146-1:2021 (clauses on second moments and on the integration area; from memory) and
    ISO/TR 11146-3 recommend. Twisted rectangles are not used: the rectangle stays parallel to x and y.

    Parameters
    ----------
    intensity : ndarray, shape (height, width)
        Linear in irradiance, background already taken off (negative noise left in).
    pitch : float
        Distance between pixels; the unit of the result.
    region : float
        Sides of the integration rectangle in beam widths.

    Returns
    -------
    BeamWidths or NoWidths
        No widths when there is no net light, or the rectangle does not settle.
    """
    values = np.asarray(intensity, np.float64)
    height, width = values.shape
    if values.size == 0:
        return NoWidths("an empty frame")
    low_x, high_x, low_y, high_y = 0, width, 0, height
    start: NDArray[np.float64] | None = _bright_part(values)
    for _ in range(_MOST_ROUNDS):
        inside = values if start is None else start
        moments = _moments(inside[low_y:high_y, low_x:high_x], low_x, low_y)
        if moments is None:
            return NoWidths("no net light, or a negative second moment: take the background off first")
        x, y, xx, yy, xy = moments
        reach_x, reach_y = region * 2 * math.sqrt(xx), region * 2 * math.sqrt(yy)
        box = (
            max(0, math.floor(x - reach_x)),
            min(width, math.ceil(x + reach_x) + 1),
            max(0, math.floor(y - reach_y)),
            min(height, math.ceil(y + reach_y) + 1),
        )
        if start is None and box == (low_x, high_x, low_y, high_y):
            return _widths(x, y, xx, yy, xy, pitch)
        low_x, high_x, low_y, high_y = box
        start = None
    return NoWidths("the integration area does not settle: too little light for a second moment")


def _bright_part(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the smoothed beam above a fifth of its peak: only for a first guess of the integration area."""
    smooth = cv2.blur(values, (5, 5))
    return np.asarray(np.clip(smooth - 0.2 * smooth.max(), 0, None), np.float64)


def _moments(
    values: NDArray[np.float64], low_x: int, low_y: int
) -> tuple[float, float, float, float, float] | None:
    columns, rows = values.sum(axis=0), values.sum(axis=1)
    total = float(columns.sum())
    if total <= 0:
        return None
    across, down = np.arange(len(columns)) + low_x, np.arange(len(rows)) + low_y
    x, y = float(columns @ across) / total, float(rows @ down) / total
    xx = float(columns @ (across - x) ** 2) / total
    yy = float(rows @ (down - y) ** 2) / total
    xy = float((down - y) @ values @ (across - x)) / total
    return (x, y, xx, yy, xy) if xx > 0 and yy > 0 else None


def _widths(x: float, y: float, xx: float, yy: float, xy: float, pitch: float) -> BeamWidths | NoWidths:
    """ISO 11146-1: widths along the principal axes, and their azimuth, from the second moments."""
    spread = math.hypot(xx - yy, 2 * xy)
    if xx + yy <= spread:
        return NoWidths("a negative second moment: take the background off first")
    major = 2 * math.sqrt(2) * math.sqrt(xx + yy + spread)
    minor = 2 * math.sqrt(2) * math.sqrt(xx + yy - spread)
    azimuth = 0.5 * math.atan2(2 * xy * math.copysign(1.0, xx - yy), abs(xx - yy)) if spread > 0 else 0.0
    return BeamWidths(
        (x * pitch, y * pitch),
        major * pitch,
        minor * pitch,
        4 * math.sqrt(xx) * pitch,
        4 * math.sqrt(yy) * pitch,
        azimuth,
        minor / major,
    )
