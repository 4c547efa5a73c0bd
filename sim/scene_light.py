"""The light of the spots on the pixels of one camera: Gaussians, speckle, fringes, halo.

Works in regions of interest: a spot is evaluated only where it gives more than a few millionths of the
brightest one's light. So the picture is the same at every exposure, but for a factor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sim.camera_geometry import PlateView
from sim.plate_art import Map
from sim.scene_spots import TrueSpot
from sim.speckle import SpeckleMap

Area = tuple[slice, slice]

_LEAST_PART = 3e-6
# Light so many times brighter shows speckle: less than an electron does not where the brightest saturates.
_SPECKLE_SHOWS = 20.0
# Fringes finer than this many radians per blur radius have lost 99.8 % of their contrast.
_FINEST_FRINGE = 3.5
_HALO_STEP = 8


@dataclass(frozen=True, slots=True)
class Texture:
    """How the light is broken up.

    Attributes
    ----------
    speckle : SpeckleMap
    speckle_contrast : float
        As seen by the pixels.
    fringe_visibility : float
    halo_fraction, halo_width : float
        Share of the power in the halo, and its radius in spot radii.
    wave_number_per_mm : float
    """

    speckle: SpeckleMap
    speckle_contrast: float
    fringe_visibility: float
    halo_fraction: float
    halo_width: float
    wave_number_per_mm: float


@dataclass(frozen=True, slots=True)
class _Painted:
    """The light of one spot on its region; its peak and its radius matrix as the camera blurs them."""

    spot: TrueSpot
    area: Area
    light: Map
    peak: float
    matrix_mm2: NDArray[np.float64]


class SpotPainter:
    """Adds spots to a picture of irradiance.

    Parameters
    ----------
    view : PlateView
    x_mm, y_mm : ndarray of float32, shape (height, width)
        Bench coordinates of the pixels' centres.
    """

    def __init__(self, view: PlateView, x_mm: Map, y_mm: Map) -> None:
        self._view = view
        self._x, self._y = x_mm, y_mm
        middle = np.array([(x_mm.shape[1] - 1) / 2, (x_mm.shape[0] - 1) / 2])
        jacobian = view.jacobian_mm_per_px(middle)
        # A pixel averages over a square (variance 1/12 px^2) what the optics have blurred.
        self.blur_mm2: NDArray[np.float64] = (view.setup.blur_px**2 + 1 / 12) * jacobian @ jacobian.T
        self.pixel_mm = math.sqrt(abs(float(np.linalg.det(jacobian))))
        self._seen = (float(x_mm.min()), float(x_mm.max()), float(y_mm.min()), float(y_mm.max()))
        self._coarse_x = _shrunk(x_mm)
        self._coarse_y = _shrunk(y_mm)

    def paint(self, picture: Map, spots: tuple[TrueSpot, ...], texture: Texture) -> None:
        """Add the spots' light, in beam powers per mm2, to ``picture``."""
        painted = []
        halos = np.zeros_like(self._coarse_x)
        lit = [(number, spot) for number, spot in enumerate(spots) if spot.lit]
        least = _LEAST_PART * max(
            (self._peak(spot.radius_matrix_mm2, spot.power)[0] for _, spot in lit), default=0.0
        )
        for number, spot in lit:
            core = self._gaussian(spot, 1 - texture.halo_fraction, least)
            if core is not None:
                self._speckle(core, number, texture, least * _SPECKLE_SHOWS)
                picture[core.area] += core.light
                painted.append(core)
            if texture.halo_fraction > 0:
                self._halo(picture, halos, spot, texture, least)
        if halos.any():
            cv2.add(picture, _enlarged(halos, picture.shape), dst=picture)
        if texture.fringe_visibility > 0 and len(painted) >= 2:
            self._fringes(picture, painted[0], painted[1], texture)

    def _peak(
        self, radius_matrix_mm2: NDArray[np.float64], power: float
    ) -> tuple[float, NDArray[np.float64]]:
        """Return the light at the centre of a Gaussian that the camera blurs, and its radius matrix then."""
        matrix = radius_matrix_mm2 + 4 * self.blur_mm2
        return 2 * power / (math.pi * math.sqrt(float(np.linalg.det(matrix)))), matrix

    def _gaussian(self, spot: TrueSpot, share: float, least: float) -> _Painted | None:
        peak, matrix = self._peak(spot.radius_matrix_mm2, spot.power * share)
        if peak <= least:
            return None
        area = self.area_round(spot.bench_mm, _reach_mm(peak, least, matrix))
        if area is None:
            return None
        inverse = np.linalg.inv(matrix)
        light = _exponential(self._x[area], self._y[area], spot.bench_mm, inverse)
        light *= np.float32(peak)
        return _Painted(spot, area, light, peak, matrix)

    def _speckle(self, core: _Painted, number: int, texture: Texture, least: float) -> None:
        """Break the light up where it is bright enough for that to show."""
        contrast = np.float32(texture.speckle_contrast)
        if contrast <= 0 or core.peak <= least:
            return
        area = self.area_round(core.spot.bench_mm, _reach_mm(core.peak, least, core.matrix_mm2))
        area = None if area is None else _overlap(area, core.area)
        if area is None or not core.light[_within(area, core.area)].size:
            return
        pattern = texture.speckle.pattern(area, number, core.spot.center_mm)
        pattern *= contrast
        pattern += np.float32(1) - contrast
        core.light[_within(area, core.area)] *= pattern

    def _halo(self, picture: Map, coarse: Map, spot: TrueSpot, texture: Texture, least: float) -> None:
        """Add the halo to the coarse picture where it is wide, else pixel by pixel."""
        peak, matrix = self._peak(
            spot.radius_matrix_mm2 * texture.halo_width**2, spot.power * texture.halo_fraction
        )
        if peak <= least:
            return
        inverse = np.linalg.inv(matrix)
        narrow = math.sqrt(float(np.linalg.eigvalsh(matrix)[0])) / self.pixel_mm
        if narrow > 5 * _HALO_STEP:
            wide = _exponential(self._coarse_x, self._coarse_y, spot.bench_mm, inverse)
            cv2.scaleAdd(wide, peak, coarse, dst=coarse)
            return
        area = self.area_round(spot.bench_mm, _reach_mm(peak, least, matrix))
        if area is not None:
            light = _exponential(self._x[area], self._y[area], spot.bench_mm, inverse)
            picture[area] += light * np.float32(peak)

    def _fringes(self, picture: Map, one: _Painted, two: _Painted, texture: Texture) -> None:
        """Add 2 V sqrt(I1 I2) cos(phase), washed out where fringes are finer than the blur."""
        area = _overlap(one.area, two.area)
        curved = one.spot.curvature_per_mm - two.spot.curvature_per_mm
        middle = (one.spot.bench_mm + two.spot.bench_mm) / 2
        k = texture.wave_number_per_mm
        # Phase difference about the middle: constant, gradient, curvature.
        phase, gradient = 0.0, np.zeros(2)
        for sign, spot in ((1.0, one.spot), (-1.0, two.spot)):
            away = middle - spot.bench_mm
            phase += sign * (
                spot.phase_rad + k * float(spot.direction_xy @ away + away @ spot.curvature_per_mm @ away / 2)
            )
            gradient += sign * k * (spot.direction_xy + spot.curvature_per_mm @ away)
        blur_mm = math.sqrt(float(np.trace(self.blur_mm2)) / 2)
        slow = self._where_fringes_show(area, middle, gradient, k * curved, blur_mm)
        if slow is None:
            return
        area = slow
        dx, dy = self._x[area] - np.float32(middle[0]), self._y[area] - np.float32(middle[1])
        xx, xy, yy = (np.float32(k * value) for value in (curved[0, 0], curved[0, 1], curved[1, 1]))
        slope_x = dx * xx + dy * xy
        slope_y = dx * xy + dy * yy
        angle = dx * (slope_x / 2 + np.float32(gradient[0]))
        angle += dy * (slope_y / 2 + np.float32(gradient[1]))
        angle += np.float32(math.remainder(phase, 2 * math.pi))
        slope_x += np.float32(gradient[0])
        slope_y += np.float32(gradient[1])
        washed = cv2.exp((slope_x * slope_x + slope_y * slope_y) * np.float32(-(blur_mm**2) / 2))
        envelope = cv2.sqrt(
            cv2.multiply(one.light[_within(area, one.area)], two.light[_within(area, two.area)])
        )
        washed *= envelope
        washed *= np.cos(angle)
        washed *= np.float32(2 * texture.fringe_visibility)
        picture[area] += washed

    def _where_fringes_show(
        self,
        area: Area,
        middle: NDArray[np.float64],
        gradient: NDArray[np.float64],
        curved: NDArray[np.float64],
        blur_mm: float,
    ) -> Area | None:
        """Cut the area down to where the phase is slow enough for the camera."""
        if area[0].stop <= area[0].start or area[1].stop <= area[1].start:
            return None
        determinant = float(np.linalg.det(curved))
        if abs(determinant) < 1e-6 * max(float(np.abs(curved).max()) ** 2, 1e-12):
            return area
        still = middle - np.linalg.solve(curved, gradient)
        reach = _FINEST_FRINGE / blur_mm * np.sqrt(np.diag(np.linalg.inv(curved @ curved.T)))
        slow = self.area_round(still, reach)
        if slow is None:
            return None
        area = _overlap(area, slow)
        return area if area[0].stop > area[0].start and area[1].stop > area[1].start else None

    def area_round(self, center_mm: NDArray[np.float64], reach_mm: NDArray[np.float64]) -> Area | None:
        """Return the pixels that hold a rectangle on the plate, or None when it is not in view."""
        left, right, bottom, top = self._seen
        x0, x1 = max(center_mm[0] - reach_mm[0], left), min(center_mm[0] + reach_mm[0], right)
        y0, y1 = max(center_mm[1] - reach_mm[1], bottom), min(center_mm[1] + reach_mm[1], top)
        if x0 >= x1 or y0 >= y1:
            return None
        xm, ym = (x0 + x1) / 2, (y0 + y1) / 2
        border = np.array([[x0, y0], [xm, y0], [x1, y0], [x1, ym], [x1, y1], [xm, y1], [x0, y1], [x0, ym]])
        low, high = (f(self._view.to_px(border), axis=0) for f in (np.min, np.max))
        rows, columns = self._x.shape
        column = slice(max(0, int(low[0]) - 1), min(columns, int(high[0]) + 3))
        row = slice(max(0, int(low[1]) - 1), min(rows, int(high[1]) + 3))
        return (row, column) if row.start < row.stop and column.start < column.stop else None


def _reach_mm(peak: float, least: float, matrix_mm2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far, along x and y, a Gaussian is brighter than ``least``."""
    return math.sqrt(0.5 * math.log(peak / least)) * np.asarray(np.sqrt(np.diag(matrix_mm2)))


def _shrunk(values: Map) -> Map:
    """Average blocks; the last row and column of a size that does not divide are taken from the edge."""
    rows, columns = values.shape
    padded = np.pad(values, ((0, -rows % _HALO_STEP), (0, -columns % _HALO_STEP)), mode="edge")
    size = (padded.shape[1] // _HALO_STEP, padded.shape[0] // _HALO_STEP)
    return np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA), np.float32)


def _enlarged(coarse: Map, shape: tuple[int, ...]) -> Map:
    """Return a coarse picture at full size."""
    size = (coarse.shape[1] * _HALO_STEP, coarse.shape[0] * _HALO_STEP)
    wide = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide[: shape[0], : shape[1]], np.float32)


def _exponential(x_mm: Map, y_mm: Map, center_mm: NDArray[np.float64], inverse: NDArray[np.floating]) -> Map:
    """exp(-2 r^T M^-1 r) on a region."""
    dx, dy = x_mm - np.float32(center_mm[0]), y_mm - np.float32(center_mm[1])
    xx, xy, yy = (np.float32(value) for value in (-2 * inverse[0, 0], -4 * inverse[0, 1], -2 * inverse[1, 1]))
    exponent = dx * xx
    exponent += dy * xy
    exponent *= dx
    dy *= dy
    dy *= yy
    exponent += dy
    return np.asarray(cv2.exp(exponent, dst=exponent), np.float32)


def _overlap(one: Area, two: Area) -> Area:
    return (
        slice(max(one[0].start, two[0].start), min(one[0].stop, two[0].stop)),
        slice(max(one[1].start, two[1].start), min(one[1].stop, two[1].stop)),
    )


def _within(area: Area, outer: Area) -> Area:
    return (
        slice(area[0].start - outer[0].start, area[0].stop - outer[0].start),
        slice(area[1].start - outer[1].start, area[1].stop - outer[1].start),
    )
