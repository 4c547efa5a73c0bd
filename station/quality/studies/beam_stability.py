"""How still a beam stands: positional and pointing stability in the manner of ISO 11670, and drift.

ISO 11670 describes the positions of a beam by the standard deviations along the principal axes of their
scatter and the azimuth of the larger one. Which multiple of the standard deviation the standard reports could
not be confirmed, so plain standard deviations (one sigma) are given here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, ndtri

from station.quality.checks import Array, as_points, as_series, require, require_rising

LEAST_LOOKS = 20
"""Fewer positions give no stability figure (common practice, no source)."""
SIGMA_NOTE = (
    "Standard deviations (one sigma). The multiple that ISO 11670 reports could not be confirmed and is not "
    "applied."
)
_ROUND = 0.05


@dataclass(frozen=True, slots=True)
class Trend:
    """Drift of one axis by a straight line.

    Attributes
    ----------
    um_per_hour, sigma_um_per_hour : float
        Slope and its standard uncertainty; allows for neighbouring looks being alike.
    significant : bool
        Slope beyond its 99 % interval.
    """

    um_per_hour: float
    sigma_um_per_hour: float
    significant: bool


@dataclass(frozen=True, slots=True, eq=False)
class BeamStability:
    """Stability of a series of positions.

    Attributes
    ----------
    count : int
    duration_s : float
    mean_um : tuple of float
        (x, y).
    sigma_x_um, sigma_y_um : float
    sigma_major_um, sigma_minor_um : float
        Along the principal axes.
    azimuth_deg : float or None
        Of the major axis against x, towards y, -90 to 90; None when the scatter is round within chance.
    sigma_radial_um : float
        Root of the sum of both variances.
    pointing_sigma_major_urad, pointing_sigma_minor_urad : float or None
        The same as angles, when the distance from the pivot was given.
    drift_x, drift_y : Trend
    notes : tuple of str
    """

    count: int
    duration_s: float
    mean_um: tuple[float, float]
    sigma_x_um: float
    sigma_y_um: float
    sigma_major_um: float
    sigma_minor_um: float
    azimuth_deg: float | None
    sigma_radial_um: float
    pointing_sigma_major_urad: float | None
    pointing_sigma_minor_urad: float | None
    drift_x: Trend
    drift_y: Trend
    notes: tuple[str, ...]


def beam_stability(
    time_s: ArrayLike, x_um: ArrayLike, y_um: ArrayLike, *, pivot_distance_mm: float | None = None
) -> BeamStability:
    """Return the stability of a beam from where it landed on a plate.

    Parameters
    ----------
    time_s : array_like, shape (N,)
        Strictly rising, N >= 20; the intervals may differ.
    x_um, y_um : array_like, shape (N,)
        Positions on the plate in the bench's x and y.
    pivot_distance_mm : float, optional
        From where the beam turns (often the laser) to the plate; gives the figures as angles.

    Raises
    ------
    QualityError
        For too few, unequal, not finite or standing-still values, or times that do not rise.
    """
    times, points = _checked(time_s, x_um, y_um)
    covariance = np.cov(points.T)
    variances, directions = np.linalg.eigh(covariance)
    require(variances[1] > 0.0, "beam position: all values are the same; look for a stuck reading")
    minor, major = (math.sqrt(max(0.0, float(v))) for v in variances)
    to_urad = None
    if pivot_distance_mm is not None:
        require(
            math.isfinite(pivot_distance_mm) and pivot_distance_mm > 0.0,
            f"a distance of {pivot_distance_mm} mm from the pivot was given; it has to be positive",
        )
        # um per m is urad.
        to_urad = 1e3 / pivot_distance_mm
    azimuth, note = _azimuth(variances, directions[:, 1], len(times))
    return BeamStability(
        count=len(times),
        duration_s=float(times[-1] - times[0]),
        mean_um=(float(points[:, 0].mean()), float(points[:, 1].mean())),
        sigma_x_um=math.sqrt(covariance[0, 0]),
        sigma_y_um=math.sqrt(covariance[1, 1]),
        sigma_major_um=major,
        sigma_minor_um=minor,
        azimuth_deg=azimuth,
        sigma_radial_um=math.hypot(major, minor),
        pointing_sigma_major_urad=None if to_urad is None else major * to_urad,
        pointing_sigma_minor_urad=None if to_urad is None else minor * to_urad,
        drift_x=trend(times, points[:, 0]),
        drift_y=trend(times, points[:, 1]),
        notes=(SIGMA_NOTE, *note),
    )


def trend(time_s: ArrayLike, value_um: ArrayLike) -> Trend:
    """Return the drift of one axis by least squares; N >= 20 values.

    The uncertainty is widened by the correlation of neighbouring residuals, (1 + r) / (1 - r) (common
    practice, no source): a beam that wanders looks as if it drifted.
    """
    pair = as_points(time_s, value_um, "drift", least=LEAST_LOOKS)
    hours, values = (pair[:, 0] - pair[:, 0].mean()) / 3600.0, pair[:, 1]
    spread = float(hours @ hours)
    require(spread > 0.0, "drift: all times are the same")
    slope = float(hours @ values) / spread
    rest = values - values.mean() - slope * hours
    squares = float(rest @ rest)
    alike = 0.0 if squares <= 0.0 else max(0.0, float(rest[1:] @ rest[:-1]) / squares)
    alike = min(alike, 1.0 - 2.0 / len(values))
    sigma = math.sqrt(squares / (len(values) - 2) / spread * (1.0 + alike) / (1.0 - alike))
    return Trend(slope, sigma, abs(slope) > float(ndtri(0.995)) * sigma)


def _checked(time_s: ArrayLike, x_um: ArrayLike, y_um: ArrayLike) -> tuple[Array, Array]:
    points = as_points(x_um, y_um, "beam position", least=LEAST_LOOKS)
    times = as_series(time_s, "time", least=LEAST_LOOKS)
    require_rising(times, points[:, 0])
    return times, points


def _azimuth(variances: Array, major: Array, count: int) -> tuple[float | None, tuple[str, ...]]:
    """Return the azimuth, or None when a round scatter would look as elongated as this by chance.

    Test of equal variances and no correlation in two dimensions (Mauchly, Ann. Math. Stat. 11, 204 (1940)):
    the determinant over the squared mean variance is W, and (1 - sqrt W) / sqrt W * (N - 2) follows F(2, 2N
    - 4).
    """
    mean = 0.5 * float(variances.sum())
    root = math.sqrt(max(0.0, float(variances[0] * variances[1]))) / mean
    if root > 0.0:
        p = float(fdtrc(2, 2 * (count - 2), (1.0 - root) / root * (count - 2)))
        if p > _ROUND:
            return None, (f"The scatter is round within chance (p = {p:.2f}); it has no azimuth.",)
    angle = math.degrees(math.atan2(float(major[1]), float(major[0])))
    return (angle + 90.0) % 180.0 - 90.0, ()
