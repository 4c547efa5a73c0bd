"""The light of the spots on the pixels of one camera: Gaussians, speckle, fringes, halo.

A spot is evaluated only where it gives more than a few millionths of the brightest one's light. So the
picture is the same at every exposure, but for a factor. Here is worked out what there is to paint and where;
the painting is done by the kernel in ``painting``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.camera_geometry import PlateView
from sim.drawing import Map
from sim.painting import HALO_STEP, add_gaussian, paint
from sim.plate_art import Area, bounds
from sim.scene_spots import TrueSpot
from sim.speckle import SpeckleMap, field

_LEAST_PART = 3e-6
# Light so many times brighter shows speckle: less than an electron does not where the brightest saturates.
_SPECKLE_SHOWS = 20.0
# Fringes finer than this many radians per blur radius have lost 99.8 % of their contrast.
_FINEST_FRINGE = 3.5
_DARK = np.zeros(4, np.int64)


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
class _Brush:
    """One Gaussian as the kernel paints it: where, in which shape, and with which speckle."""

    spot: TrueSpot
    area: Area
    shape: tuple[float, ...]
    mixture: NDArray[np.uint64]


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
        jacobian = view.middle_jacobian
        # A pixel averages over a square (variance 1/12 px^2) what the optics have blurred.
        self.blur_mm2: NDArray[np.float64] = (view.setup.blur_px**2 + 1 / 12) * jacobian @ jacobian.T
        x, y = _border(x_mm), _border(y_mm)
        self._seen = (float(x.min()), float(x.max()), float(y.min()), float(y.max()))
        self._coarse_x = _shrunk(x_mm)
        self._coarse_y = _shrunk(y_mm)

    def paint(
        self, picture: Map, spots: tuple[TrueSpot, ...], texture: Texture, stray: float, response: Map
    ) -> None:
        """Fill ``picture`` with the light that the pixels answer to, in beam powers per mm2.

        Parameters
        ----------
        picture : ndarray of float32, shape (height, width)
            Is overwritten.
        spots : tuple of TrueSpot
        texture : Texture
        stray : float
            Even light, in beam powers per mm2.
        response : ndarray of float32, shape (height, width)
            Of the pixels, by which all light is multiplied.
        """
        lit = [(number, spot) for number, spot in enumerate(spots) if spot.lit]
        least = _LEAST_PART * max(
            (self._peak(spot.radius_matrix_mm2, spot.power)[0] for _, spot in lit), default=0.0
        )
        halo = np.zeros_like(self._coarse_x)
        found = [self._core(number, spot, texture, least) for number, spot in lit]
        cores = [core for core in found if core is not None]
        halos = [self._halo(halo, spot, texture, least) for _, spot in lit if texture.halo_fraction > 0]
        brushes = [*cores, *(narrow for narrow in halos if narrow is not None)]
        fringed, wave = _DARK, np.zeros(10, np.float32)
        if texture.fringe_visibility > 0 and len(cores) >= 2:
            fringed, wave = self._fringes(cores[0], cores[1], texture)
        paint(
            picture,
            response,
            self._x,
            self._y,
            halo,
            np.float32(stray),
            np.array([bounds(brush.area) for brush in brushes], np.int64).reshape(-1, 4),
            np.array([brush.shape for brush in brushes], np.float32).reshape(-1, 8),
            field(),
            texture.speckle.place,
            np.array([brush.mixture for brush in brushes], np.uint64).reshape(-1, 8),
            np.float32(texture.speckle_contrast),
            fringed,
            wave,
        )

    def _peak(
        self, radius_matrix_mm2: NDArray[np.float64], power: float
    ) -> tuple[float, NDArray[np.float64]]:
        """Return the light at the centre of a Gaussian that the camera blurs, and its radius matrix then."""
        matrix = radius_matrix_mm2 + 4 * self.blur_mm2
        return 2 * power / (math.pi * math.sqrt(float(np.linalg.det(matrix)))), matrix

    def _core(self, number: int, spot: TrueSpot, texture: Texture, least: float) -> _Brush | None:
        """Return the spot itself, broken up where it is bright enough for speckle to show."""
        peak, matrix = self._peak(spot.radius_matrix_mm2, spot.power * (1 - texture.halo_fraction))
        speckled = -1.0
        mixture = np.zeros(8, np.uint64)
        if texture.speckle_contrast > 0 and peak > least * _SPECKLE_SHOWS:
            speckled = math.log(peak / (least * _SPECKLE_SHOWS))
            mixture = texture.speckle.mixture(number, spot.center_mm)
        return self._brush(spot, peak, matrix, least, speckled, mixture)

    def _halo(self, coarse: Map, spot: TrueSpot, texture: Texture, least: float) -> _Brush | None:
        """Add the halo to the coarse picture where it is wide, else return it."""
        peak, matrix = self._peak(
            spot.radius_matrix_mm2 * texture.halo_width**2, spot.power * texture.halo_fraction
        )
        narrow = math.sqrt(float(np.linalg.eigvalsh(matrix)[0])) / self._view.pixel_mm
        if peak <= least or narrow <= 5 * HALO_STEP:
            return self._brush(spot, peak, matrix, least, -1.0, np.zeros(8, np.uint64))
        add_gaussian(coarse, self._coarse_x, self._coarse_y, np.array(_shape(spot, peak, matrix), np.float32))
        return None

    def _brush(
        self,
        spot: TrueSpot,
        peak: float,
        matrix: NDArray[np.float64],
        least: float,
        speckled: float,
        mixture: NDArray[np.uint64],
    ) -> _Brush | None:
        if peak <= least:
            return None
        area = self.area_round(spot.bench_mm, _reach_mm(peak, least, matrix))
        if area is None:
            return None
        shape = (*_shape(spot, peak, matrix), math.log(peak / least), speckled)
        return _Brush(spot, area, shape, mixture)

    def _fringes(
        self, one: _Brush, two: _Brush, texture: Texture
    ) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Return where two spots interfere to be seen, and how, as the kernel wants them."""
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
        area = self._where_fringes_show(_overlap(one.area, two.area), middle, gradient, k * curved, blur_mm)
        bent = (k * float(value) for value in (curved[0, 0], curved[0, 1], curved[1, 1]))
        turn = math.remainder(phase, 2 * math.pi)
        wave = (*middle, turn, *gradient, *bent, -(blur_mm**2) / 2, 2 * texture.fringe_visibility)
        return _DARK if area is None else bounds(area), np.array(wave, np.float32)

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
        seen = self._view.to_px(border)
        low, high = seen.min(axis=0), seen.max(axis=0)
        rows, columns = self._x.shape
        column = slice(max(0, int(low[0]) - 1), min(columns, int(high[0]) + 3))
        row = slice(max(0, int(low[1]) - 1), min(rows, int(high[1]) + 3))
        return (row, column) if row.start < row.stop and column.start < column.stop else None


def _reach_mm(peak: float, least: float, matrix_mm2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far, along x and y, a Gaussian is brighter than ``least``."""
    return math.sqrt(0.5 * math.log(peak / least)) * np.asarray(np.sqrt(np.diag(matrix_mm2)))


def _shape(spot: TrueSpot, peak: float, matrix_mm2: NDArray[np.float64]) -> tuple[float, ...]:
    """Return centre, factors of dx^2, dx dy and dy^2 in the exponent -2 r^T M^-1 r, and peak."""
    inverse = np.linalg.inv(matrix_mm2)
    return (*spot.bench_mm, -2 * inverse[0, 0], -4 * inverse[0, 1], -2 * inverse[1, 1], peak)


def _border(values: Map) -> Map:
    """Return the values at the edges of a view, where its extremes are."""
    return np.concatenate([values[0], values[-1], values[:, 0], values[:, -1]])


def _shrunk(values: Map) -> Map:
    """Return the means of blocks of a smooth map; blocks that reach over its end have their end's value."""
    rows, columns = (np.arange(HALO_STEP // 2 - 1, size + HALO_STEP // 2, HALO_STEP) for size in values.shape)
    mean = np.zeros((rows.size, columns.size), np.float32)
    for down in (0, 1):
        for right in (0, 1):
            row, column = (
                np.minimum(rows + down, values.shape[0] - 1),
                np.minimum(columns + right, values.shape[1] - 1),
            )
            mean += values[np.ix_(row, column)]
    return mean / np.float32(4)


def _overlap(one: Area, two: Area) -> Area:
    return (
        slice(max(one[0].start, two[0].start), min(one[0].stop, two[0].stop)),
        slice(max(one[1].start, two[1].start), min(one[1].stop, two[1].stop)),
    )
