"""A region of a frame, averaged in square blocks, with its place on the plate and what is known of its noise.

Nearly all information about a spot of many pixels survives averaging; nearly all cost goes. Pixels that
do not show the plate's own scatter (the hole, printed lines, markers, beyond the plate's edge) are left out:
they are masked, never filled in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frame_kernels import NO_PIXELS, block_sums
from vision.image import Image

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
UNEVEN = 0.02  # change of a block's second moments over a region, relative, from which it is allowed for


class PixelMap(Protocol):
    """Pixels to mm on the plate and back; points have shape (N, 2), (x, y)."""

    def to_mm(self, points_px: Array, /) -> Array:
        """Return the places on the plate of image points."""
        ...

    def to_px(self, points_mm: Array, /) -> Array:
        """Return the image points of places on the plate."""
        ...


@runtime_checkable
class HoleLike(Protocol):
    """Where the hole is; ``covariance_mm2`` is that of its centre (k = 1)."""

    @property
    def center_mm(self) -> Array:
        """Centre in the bench frame."""
        ...

    @property
    def covariance_mm2(self) -> Array:
        """Covariance of the centre."""
        ...

    @property
    def radius_mm(self) -> float:
        """Radius of the hole."""
        ...


def as_hole(hole: HoleLike | object | None) -> HoleLike | None:
    """Return a hole that was found; None for anything without a centre."""
    return None if hole is None or not isinstance(hole, HoleLike) else hole


@dataclass(frozen=True, slots=True)
class DeadArea:
    """A shape on the plate whose pixels carry no information about a spot.

    Attributes
    ----------
    outline_mm : ndarray, shape (N, 2)
        Closed polygon, or the middle of a closed line.
    width_mm : float
        0 for a filled shape; else the width of the line.
    outside : bool
        True when everything outside the polygon is dead (the plate's edge).
    """

    outline_mm: Array
    width_mm: float = 0.0
    outside: bool = False


@dataclass(frozen=True, slots=True)
class Box:
    """A region of the frame: columns x0 <= x < x1, rows y0 <= y < y1."""

    x0: int
    y0: int
    x1: int
    y1: int

    def clipped_to(self, shape: tuple[int, ...]) -> Box:
        """Return the part of the box that lies in a frame of ``shape`` (rows, columns)."""
        rows, columns = shape[0], shape[1]
        return Box(max(self.x0, 0), max(self.y0, 0), min(self.x1, columns), min(self.y1, rows))


@dataclass(frozen=True, slots=True)
class Blocks:
    """The valid blocks of a region; all arrays have shape (N,) unless said otherwise.

    Attributes
    ----------
    at_mm : ndarray, shape (2, N)
        Centroid of each block's valid pixels on the plate.
    value_e : ndarray
        Mean of the valid pixels above background, electrons.
    pixels : ndarray
        Number of valid pixels (a float: rims are soft).
    base_e2 : ndarray
        Variance of one pixel without the spots: background light, read noise, quantisation, and the
        noise of the background frame, electrons squared.
    inner_e2 : ndarray
        Variance of the pixels inside each block, electrons squared.
    clipped : ndarray
        Fraction of the block's pixels that are saturated.
    limit_e : ndarray
        Saturation level above background, electrons.
    index : ndarray of int
        Flat index of each block in the region's grid.
    grid : tuple of int
        Rows and columns of the grid.
    size_px : int
        Side of a block.
    jacobian : ndarray, shape (2, 2)
        d mm / d px at the middle of the region.
    frames : int
        How many frames the image is the mean of.
    smears_mm2 : ndarray, shape (2, 2, N), or None
        What averaging over each block adds to second moments, where an oblique view makes that uneven.
    """

    at_mm: Array
    value_e: Array
    pixels: Array
    base_e2: Array
    inner_e2: Array
    clipped: Array
    limit_e: Array
    index: NDArray[np.intp]
    grid: tuple[int, int]
    size_px: int
    jacobian: Array
    frames: int
    smears_mm2: Array | None = None

    @property
    def smear_mm2(self) -> Array:
        """What averaging over a block (and over a pixel) adds to a spot's second moments, shape (2, 2)."""
        smear: Array = self.jacobian @ self.jacobian.T * (self.size_px**2 / 12.0)
        return smear

    @property
    def cell_mm(self) -> Array:
        """The two sides of a block on the plate, as columns, shape (2, 2)."""
        return self.jacobian * float(self.size_px)

    @property
    def pitch_mm(self) -> float:
        """Geometric mean size of a pixel on the plate."""
        return float(np.sqrt(abs(np.linalg.det(self.jacobian))))

    def take(self, keep: NDArray[np.bool_]) -> Blocks:
        """Return only the blocks for which ``keep`` is True."""
        return Blocks(
            np.ascontiguousarray(self.at_mm[:, keep]),
            self.value_e[keep],
            self.pixels[keep],
            self.base_e2[keep],
            self.inner_e2[keep],
            self.clipped[keep],
            self.limit_e[keep],
            self.index[keep],
            self.grid,
            self.size_px,
            self.jacobian,
            self.frames,
            None if self.smears_mm2 is None else np.ascontiguousarray(self.smears_mm2[..., keep]),
        )


def jacobian_at(plate_map: PixelMap, point_px: Array) -> Array:
    """Return d mm / d px at an image point by central differences, shape (2, 2)."""
    steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
    mm = plate_map.to_mm(point_px + steps)
    return np.stack([mm[0] - mm[1], mm[2] - mm[3]], axis=1)


def _uneven_view(
    plate_map: PixelMap, at_px: Array, middle: Array, half: Array, size_px: int
) -> tuple[Array, Array, Array | None]:
    """Return how averaging over a block answers to the view: an oblique camera sees a plate unevenly.

    Returns
    -------
    jacobian : ndarray, shape (2, 2)
        d mm / d px in the middle of the region.
    shift_mm : ndarray, shape (2,)
        From the place of a block's middle to the mean place of its pixels.
    smears_mm2 : ndarray, shape (2, 2, N), or None
        As `Blocks`; None where the view is even enough.
    """
    reach = half * np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
    mm = plate_map.to_mm((middle + reach[:, None] + steps).reshape(-1, 2)).reshape(5, 4, 2)
    jacobians = np.stack([mm[:, 0] - mm[:, 1], mm[:, 2] - mm[:, 3]], axis=2)
    centers, square = mm.mean(axis=1), size_px**2 / 12.0
    bends = (centers[1::2] + centers[2::2] - 2.0 * centers[0]) / half[:, None] ** 2
    moments = jacobians @ jacobians.transpose(0, 2, 1) * square
    slopes = (moments[1::2] - moments[2::2]) / (2.0 * half[:, None, None])
    uneven = float(np.abs(moments[1::2] - moments[2::2]).max()) > UNEVEN * float(np.trace(moments[0]))
    smears = None
    if uneven and size_px > 1:
        smears = moments[0][..., None] + np.einsum("kij,nk->ijn", slopes, at_px - middle)
    return jacobians[0], bends.sum(axis=0) * square / 2.0, smears


def hole_area(hole: HoleLike, pitch_mm: float, margin_px: float = 2.0) -> DeadArea:
    """Return the hole with a margin for its soft rim and for what is not known of its centre."""
    sigma_mm = float(np.sqrt(np.max(np.linalg.eigvalsh(hole.covariance_mm2))))
    radius_mm = hole.radius_mm + margin_px * pitch_mm + 2.0 * sigma_mm
    return DeadArea(circle(hole.center_mm, radius_mm))


def circle(center_mm: Array, radius_mm: float, count: int = 72) -> Array:
    """Return ``count`` points of a circle, shape (count, 2)."""
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    return np.asarray(center_mm) + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def make_blocks(
    image: Image,
    background: Image | None,
    plate_map: PixelMap,
    box: Box,
    size_px: int,
    valid: Array32 | None = None,
) -> Blocks | None:
    """Average a region of a frame in blocks of ``size_px``; None where it has no valid pixel.

    The region is cut to a whole number of blocks inside the frame. ``valid``, of the shape of the frame, is 1
    for pixels that show the plate, 0 for dead ones; None where all show it.
    """
    box = box.clipped_to(image.pixels.shape)
    rows, columns = (box.y1 - box.y0) // size_px, (box.x1 - box.x0) // size_px
    if rows < 1 or columns < 1:
        return None
    sums = sums_of_blocks(
        image,
        background,
        valid,
        Box(box.x0, box.y0, box.x0 + columns * size_px, box.y0 + rows * size_px),
        size_px,
    )
    gain, (ratio, level) = image.sensor.gain_e_per_dn, _scale(image, background)
    share = sums[0] / size_px**2
    keep = share > 0.2
    if not keep.any():
        return None
    share, (count, light, square, clipped, floor, across, down) = share[keep], sums[:, keep]
    mean = light / count
    inner = np.maximum(square / count - mean * mean, 0.0) * gain**2
    floor, base = _floor_and_base(image, background, ratio * floor / size_px**2 + level)
    index = np.flatnonzero(keep)
    cell = np.stack([index % columns, index // columns], axis=1).astype(np.float64)
    at_px = (cell + 0.5) * size_px - 0.5 + np.array([box.x0, box.y0])
    if valid is not None:
        # Only blocks with both valid and dead pixels have their centroid elsewhere than in their middle.
        at_px[:, 0] += across / count
        at_px[:, 1] += down / count
    half = np.array([columns, rows]) * size_px / 2.0
    middle = np.array([box.x0, box.y0]) + half - 0.5
    jacobian, shift_mm, smears = _uneven_view(plate_map, at_px, middle, half, size_px)
    at_mm = plate_map.to_mm(at_px).T + shift_mm[:, None]
    # Light as if the camera saw all of the plate equally well.
    seen = _response(image, at_px)
    return Blocks(
        at_mm=np.ascontiguousarray(at_mm, float),
        value_e=mean * gain / seen,
        pixels=count,
        base_e2=base / seen**2,
        inner_e2=inner / seen**2,
        clipped=clipped / count,
        limit_e=(_clip_level_dn(image) - floor) * gain / seen,
        index=index,
        grid=(rows, columns),
        size_px=size_px,
        jacobian=jacobian,
        frames=image.frames,
        smears_mm2=smears,
    )


def sums_of_blocks(
    image: Image, background: Image | None, valid: Array32 | None, box: Box, size_px: int
) -> Array:
    """Return the sums of `block_sums` over square blocks that fill a box; light above the background, DN."""
    ratio, level = _scale(image, background)
    sums = np.empty((7, (box.y1 - box.y0) // size_px, (box.x1 - box.x0) // size_px))
    block_sums(
        np.ascontiguousarray(image.pixels),
        NO_PIXELS if background is None else np.ascontiguousarray(background.pixels, np.float32),
        NO_PIXELS if valid is None else valid,
        (box.x0, box.y0, size_px),
        (ratio, level, _clip_level_dn(image)),
        sums,
    )
    return sums


def _scale(image: Image, background: Image | None) -> tuple[float, float]:
    """Return the factor of a background, and the level (DN) besides, that lie below the light of a frame.

    The black level does not grow with the exposure; without a background it is all that lies below.
    """
    black = float(image.sensor.black_level_dn)
    if background is None:
        return 0.0, black
    ratio = image.exposure_s / background.exposure_s
    return ratio, black * (1.0 - ratio)


def above_background(image: Image, background: Image | None, window: tuple[slice, slice]) -> Array32:
    """Return a window of a frame above its background, or above black where there is none, DN."""
    pixels = image.pixels[window].astype(np.float32, copy=False)
    ratio, level = _scale(image, background)
    if background is None:
        return pixels - np.float32(level)
    behind = background.pixels[window].astype(np.float32, copy=False)
    return np.asarray(cv2.addWeighted(pixels, 1.0, behind, -ratio, -level), np.float32)


def _clip_level_dn(image: Image) -> float:
    """Return the value from which a pixel counts as saturated (a mean of frames hides partial clipping)."""
    full = float(image.sensor.full_scale_dn)
    return full if image.frames == 1 else 0.97 * full


def _response(image: Image, at_px: Array) -> Array | float:
    """Return how much of the light from places in the image the camera sees, against its middle."""
    if image.sensor.falloff <= 0.0:
        return 1.0
    rows, columns = image.pixels.shape
    away = (at_px - np.array([columns - 1, rows - 1]) / 2.0) / (columns / 2.0)
    at_edge = (1.0 - image.sensor.falloff) ** -0.5 - 1.0
    response: Array = (1.0 + at_edge * (away**2).sum(axis=1)) ** -2.0
    return response


def _floor_and_base(image: Image, background: Image | None, floor: Array) -> tuple[Array, Array]:
    """Return the level below the spots (DN) and a pixel's variance without them (electrons squared).

    ``floor`` is the mean of the background as bright as in the image, DN.
    """
    sensor = image.sensor
    fixed_e2 = sensor.read_noise_e**2 + sensor.gain_e_per_dn**2 / 12.0
    if background is None:
        return floor, np.full_like(floor, fixed_e2 / image.frames)
    ratio, _ = _scale(image, background)
    light_e = np.maximum(floor - sensor.black_level_dn, 0.0) * sensor.gain_e_per_dn
    base = (fixed_e2 + light_e) / image.frames + (fixed_e2 * ratio**2 + light_e * ratio) / background.frames
    return floor, base
