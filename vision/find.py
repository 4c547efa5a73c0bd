"""Where in a frame spots may be: shrunk frame, robust background plane, matched filters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.blocks import Array, Box, PixelMap, jacobian_at, sums_of_blocks
from vision.image import Image

Image32 = NDArray[np.float32]
TILTED = 0.02  # of a kernel's peak: what its axes may be turned by before two passes no longer serve
SIGNIFICANT = 7.0  # standard deviations of a matched filter's answer from which light counts as seen


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place where a spot of a given radius would explain light.

    Attributes
    ----------
    center_mm : ndarray, shape (2,)
    radius_mm : float
    amplitude_e : float
        Peak, electrons.
    significance : float
        The matched filter's answer over its standard deviation.
    """

    center_mm: Array
    radius_mm: float
    amplitude_e: float
    significance: float


@dataclass(frozen=True, slots=True)
class Overview:
    """A frame shrunk by ``shrink``: light above a robust background plane, valid cells, noise of one cell.

    ``norms`` keeps what a filter of each radius makes of the valid cells.
    """

    light_e: Image32
    valid: Image32
    sigma_e: float
    shrink: int
    plate_map: PixelMap
    norms: dict[float, Image32] = field(default_factory=dict)

    def to_mm(self, cell: Array) -> Array:
        """Return the place on the plate of a cell (column, row)."""
        pixel = (np.asarray(cell, float) + 0.5) * self.shrink - 0.5
        place: Array = self.plate_map.to_mm(pixel[None, :])[0]
        return place

    def to_cell(self, point_mm: Array) -> Array:
        """Return the cell (column, row) of a place on the plate."""
        pixel = self.plate_map.to_px(np.asarray(point_mm, float)[None, :])[0]
        cell: Array = (pixel + 0.5) / self.shrink - 0.5
        return cell


def overview(
    image: Image, background: Image | None, plate_map: PixelMap, valid: Image32 | None, shrink: int
) -> Overview:
    """Shrink a frame, take background and dead pixels off (``valid`` is 0), and judge its noise."""
    return overviews(image, background, plate_map, valid, [shrink])[shrink]


def overviews(
    image: Image,
    background: Image | None,
    plate_map: PixelMap,
    valid: Image32 | None,
    shrinks: Sequence[int],
) -> dict[int, Overview]:
    """Return overviews of one frame, shrunk by several factors."""
    return {shrink: _shrunk(image, background, plate_map, valid, shrink) for shrink in set(shrinks)}


def _shrunk(
    image: Image, background: Image | None, plate_map: PixelMap, mask: Image32 | None, shrink: int
) -> Overview:
    rows, columns = image.pixels.shape[0] // shrink, image.pixels.shape[1] // shrink
    count, light = sums_of_blocks(
        image, background, mask, Box(0, 0, columns * shrink, rows * shrink), shrink
    )[:2]
    share = count / shrink**2
    share[share < 0.3] = 0.0
    valid = np.asarray(share > 0.0, np.float32)
    small = np.asarray(light * (image.sensor.gain_e_per_dn / np.maximum(count, 0.3 * shrink**2)), np.float32)
    small, sigma = _take_plane_off(small * valid, share)
    floor = image.sensor.read_noise_e / shrink / np.sqrt(image.frames)
    return Overview(small, valid, max(sigma, floor), shrink, plate_map)


def _take_plane_off(small: Image32, valid: Array) -> tuple[Image32, float]:
    """Fit a plane to the dimmer 70 % of the valid cells; return the light above it and the cells' noise."""
    rows, columns = small.shape
    step = max(1, int(np.sqrt(rows * columns / 6000)))
    part = np.s_[step // 2 :: step, step // 2 :: step]
    y, x = np.meshgrid(np.arange(rows)[part[0]], np.arange(columns)[part[1]], indexing="ij")
    use = valid[part] > 0.5
    values = small[part][use].astype(float)
    if values.size < 12:
        return small, float(np.std(small))
    basis = np.stack([np.ones(values.size), x[use] / columns - 0.5, y[use] / rows - 0.5], axis=1)
    plane = np.array([np.percentile(values, 35.0), 0.0, 0.0])
    # The dimmer 70 % gives the first plane; what lies below it holds no spot and gives the noise.
    keep = values <= np.percentile(values, 70.0)
    sigma = 0.0
    for _ in range(5):
        plane = np.linalg.lstsq(basis[keep], values[keep], rcond=None)[0]
        rest = values - basis @ plane
        below = -rest[rest < 0.0]
        sigma = 1.4826 * float(np.median(below)) if below.size else sigma
        near = np.abs(rest) < 2.5 * max(sigma, 1e-6)
        if near.sum() < 12:
            break
        keep = near
    columns_part = plane[1] * (np.arange(columns) / columns - 0.5)
    rows_part = plane[0] + plane[2] * (np.arange(rows) / rows - 0.5)
    above = small - columns_part.astype(np.float32)
    above -= rows_part.astype(np.float32)[:, None]
    above *= valid > 0
    return above, sigma


def candidates(view: Overview, radius_mm: float, count: int = 3) -> list[Candidate]:
    """Return the places that a spot of this radius explains best, best first.

    Places up to one radius beyond the frame's edge are looked at as well.
    """
    kernel = _kernel(view, radius_mm)
    pad = kernel.shape[0] // 2, kernel.shape[1] // 2
    if radius_mm not in view.norms:
        view.norms[radius_mm] = _filtered(_padded(view.valid, pad), kernel * kernel)
    weight = view.norms[radius_mm]
    answer = _filtered(_padded(view.light_e, pad), kernel)
    np.maximum(answer, 0.0, out=answer)
    score = answer / np.sqrt(np.maximum(weight, 1e-6))
    score *= np.float32(1.0 / view.sigma_e)
    score[weight <= 0.05 * float((kernel * kernel).sum())] = 0.0
    apart_y, apart_x = max(1, pad[0] // 2), max(1, pad[1] // 2)
    found: list[Candidate] = []
    for _ in range(count):
        row, column = np.unravel_index(int(np.argmax(score)), score.shape)
        best = float(score[row, column])
        if best < SIGNIFICANT:
            break
        center = view.to_mm(np.array([column - pad[1], row - pad[0]], float))
        amplitude = float(answer[row, column] / weight[row, column])
        found.append(Candidate(center, radius_mm, amplitude, best))
        low_y, low_x = max(0, row - apart_y), max(0, column - apart_x)
        score[low_y : row + apart_y + 1, low_x : column + apart_x + 1] = 0.0
    return found


def _padded(cells: Image32, pad: tuple[int, int]) -> Image32:
    return np.asarray(
        cv2.copyMakeBorder(cells, pad[0], pad[0], pad[1], pad[1], cv2.BORDER_CONSTANT, value=0.0)
    )


def _filtered(image: Image32, kernel: Image32) -> Image32:
    """Filter by a kernel; in two passes where it is a product of a row and a column."""
    down, across = kernel[:, kernel.shape[1] // 2], kernel[kernel.shape[0] // 2]
    if np.abs(kernel - np.outer(down, across)).max() < TILTED:
        answer = cv2.sepFilter2D(image, cv2.CV_32F, across, down, borderType=cv2.BORDER_CONSTANT)
    else:
        answer = cv2.filter2D(image, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT)
    filtered: Image32 = answer.astype(np.float32, copy=False)
    return filtered


def without(view: Overview, spots: Sequence[Candidate]) -> Overview:
    """Return the overview with the light of some spots taken off."""
    light = view.light_e.copy()
    for spot in spots:
        cell, moments = view.to_cell(spot.center_mm), _cell_moments(view, spot.center_mm, spot.radius_mm)
        # Beyond six standard deviations nothing is left.
        reach = 6.0 * np.sqrt(np.diag(moments))
        low = np.clip(np.floor(cell - reach), 0, light.shape[::-1]).astype(int)
        high = np.clip(np.ceil(cell + reach) + 1, 0, light.shape[::-1]).astype(int)
        window = np.s_[low[1] : high[1], low[0] : high[0]]
        x, y = np.arange(low[0], high[0]) - cell[0], (np.arange(low[1], high[1]) - cell[1])[:, None]
        profile = _gaussian(np.linalg.inv(moments), x, y)
        light[window] -= np.float32(spot.amplitude_e) * profile * view.valid[window]
    return replace(view, light_e=light)


def _cell_moments(view: Overview, center_mm: Array, radius_mm: float) -> Array:
    """Return the second moments of a round spot in cells, shape (2, 2)."""
    pixel = view.plate_map.to_px(np.asarray(center_mm, float)[None, :])[0]
    inverse = np.linalg.inv(jacobian_at(view.plate_map, pixel)) / view.shrink
    moments: Array = inverse @ inverse.T * (radius_mm / 2.0) ** 2 + np.eye(2) / 12.0
    return moments


def _kernel(view: Overview, radius_mm: float) -> Image32:
    middle = view.to_mm(np.array([view.light_e.shape[1], view.light_e.shape[0]]) / 2.0)
    moments = _cell_moments(view, middle, radius_mm)
    half_x = max(1, int(np.ceil(2.5 * np.sqrt(moments[0, 0]))))
    half_y = max(1, int(np.ceil(2.5 * np.sqrt(moments[1, 1]))))
    y = np.arange(-half_y, half_y + 1, dtype=np.float64)[:, None]
    x = np.arange(-half_x, half_x + 1, dtype=np.float64)[None, :]
    p = np.linalg.inv(moments)
    return _gaussian(p, x, y)


def _gaussian(precision: NDArray[np.floating], x: Array, y: Array) -> Image32:
    exponent = precision[0, 0] * x * x + 2.0 * precision[0, 1] * x * y + precision[1, 1] * y * y
    profile: Image32 = np.exp(-0.5 * exponent).astype(np.float32)
    return profile


def shrink_for(radius_mm: float, pitch_mm: float) -> int:
    """Return by how much a frame may be shrunk so that a spot still spans a few cells."""
    return int(np.clip(radius_mm / pitch_mm / 2.0 / 2.0, 1, 12))


def box_around(
    plate_map: PixelMap, centers_mm: Sequence[Array], radii_mm: Sequence[float], reach: float, size_px: int
) -> Box:
    """Return the box of the frame that holds all spots out to ``reach`` standard deviations."""
    points = []
    angle = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    around = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    for center, radius in zip(centers_mm, radii_mm, strict=True):
        points.append(np.asarray(center) + reach * radius / 2.0 * around)
    pixels = plate_map.to_px(np.concatenate(points))
    low, high = np.floor(pixels.min(axis=0)), np.ceil(pixels.max(axis=0))
    # Whole blocks: a remainder at the edge would be lost.
    count = np.ceil((high - low) / size_px)
    low, high = np.clip(low, -1e6, 1e6), np.clip(low + count * size_px, -1e6, 1e6)
    return Box(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
