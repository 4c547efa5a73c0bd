"""Finds the printed markers of a plate in a frame and measures their edges to a fraction of a pixel.

A marker's corners come rounded by the camera's blur; its straight edges do not. So the corners only find
the marker, and the map is fitted to points on the edges.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frame_kernels import edge_profiles, half_size, stretched
from vision.image import Image
from vision.plate import PlateSpec, Side

ToPx = Callable[[NDArray[np.float64]], NDArray[np.float64]]

_SEGMENTS = 4
_PROFILES = 12
_SAMPLES = 48
_LEVEL = 0.12
_SIDES = ((0, 1), (1, 2), (2, 3), (3, 0))
# Measured part of a side, in fractions of it; where the view is asked along it, and across in reaches.
_FIRST, _PART = 0.14, 0.72
_ALONG = _FIRST + _PART * np.array([0.05, 0.35, 0.65, 0.95])
_ACROSS = np.array([-1.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True)
class EdgePoints:
    """Points measured on the edges of markers, N of them.

    Attributes
    ----------
    place_mm : ndarray, shape (N, 2)
        Where the drawn edge lies (middle of the segment that was measured), bench frame.
    normal : ndarray, shape (N, 2)
        Unit vector out of the black square.
    offset_mm : ndarray, shape (N,)
        How far outside the drawn edge the edge was seen by the map that guided the measurement.
    seen_px : ndarray, shape (N, 2)
        The place in the frame where the edge was seen.
    contrast : ndarray, shape (N,)
        White minus black, in the frame's units.
    noise_mm : ndarray, shape (N,)
        Standard uncertainty of the offset from the pixels' scatter.
    blur_mm : ndarray, shape (N,)
        How soft the edge is (1 sigma of the blur), measured across it.
    fiducial : ndarray of int, shape (N,)
    """

    place_mm: NDArray[np.float64]
    normal: NDArray[np.float64]
    offset_mm: NDArray[np.float64]
    seen_px: NDArray[np.float64]
    contrast: NDArray[np.float64]
    noise_mm: NDArray[np.float64]
    blur_mm: NDArray[np.float64]
    fiducial: NDArray[np.int64]

    def only(self, keep: NDArray[np.bool_]) -> EdgePoints:
        """Return the points for which ``keep``, shape (N,), is true."""
        return EdgePoints(*(getattr(self, name)[keep] for name in _COLUMNS))


_COLUMNS = tuple(column.name for column in fields(EdgePoints))


def eight_bit(pixels: NDArray[Any], bright_percentile: float = 99.5) -> NDArray[np.uint8]:
    """Stretch a frame to 8 bit between its dark and its bright percentiles, for detectors that need that."""
    low, high = np.percentile(np.asarray(pixels)[::4, ::4], (0.5, bright_percentile))
    span = max(float(high - low), 1.0)
    eight_bit = np.empty(pixels.shape, np.uint8)
    stretched(np.ascontiguousarray(pixels), float(low), 255 / span, eight_bit)
    return eight_bit


def find_fiducials(image: Image, plate: PlateSpec, side: Side) -> Mapping[int, NDArray[np.float64]]:
    """Find the plate's markers.

    Returns
    -------
    mapping of int to ndarray, shape (4, 2)
        Marker id to its corners in px, in the order of :meth:`PlateSpec.corners_mm`. Ids that the plate does
        not have are left out, and so is an id that shows up twice.
    """
    return {
        number: corners
        for number, corners in _detect(image, plate, side).items()
        if number in plate.fiducials and corners is not None
    }


def foreign_fiducials(image: Image, plate: PlateSpec, side: Side) -> tuple[int, ...]:
    """Return the ids of markers of the same dictionary that the plate does not have."""
    return tuple(sorted(set(_detect(image, plate, side)) - set(plate.fiducials)))


def _detect(image: Image, plate: PlateSpec, side: Side) -> dict[int, NDArray[np.float64] | None]:
    pixels: NDArray[Any] = image.pixels
    mirrored = side == "behind"
    if mirrored:
        pixels = np.ascontiguousarray(pixels[:, ::-1])
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(plate.dictionary(), parameters)
    found: dict[int, NDArray[np.float64] | None] = {}
    # Half the size shows most markers in a quarter of the time. A dim frame is noisy: what the sharp frame
    # does not show, a smoothed one may; and where a bright spot takes the whole scale, the dimmer part of it
    # must be stretched.
    for shrink, blur_px, bright_percentile in (
        (2, 0.0, 99.5),
        (1, 0.0, 99.5),
        (1, 2.0, 99.5),
        (1, 2.0, 80.0),
    ):
        soft = pixels if shrink == 1 else half_size(pixels)
        if blur_px:
            soft = np.asarray(cv2.GaussianBlur(pixels.astype(np.float32), (0, 0), blur_px))
        corners, ids, _ = detector.detectMarkers(eight_bit(soft, bright_percentile))
        fresh: dict[int, NDArray[np.float64] | None] = {}
        for number, points in zip([] if ids is None else ids.ravel(), corners, strict=True):
            place = (np.asarray(points, np.float64).reshape(4, 2) + 0.5) * shrink - 0.5
            if mirrored:
                place[:, 0] = pixels.shape[1] - 1 - place[:, 0]
            fresh[int(number)] = None if int(number) in fresh else place
        found = {**fresh, **found}
        if set(plate.fiducials) <= set(found):
            break
    return found


def measure_edges(
    image: Image, plate: PlateSpec, to_px: Mapping[int, ToPx], reach_mm: float, samples: int = _SAMPLES
) -> EdgePoints:
    """Measure points on the edges of markers.

    Parameters
    ----------
    image : Image
    plate : PlateSpec
    to_px : mapping of int to callable
        For each marker to be measured: where a bench point on or near it is expected in the frame, (N, 2) mm
        to (N, 2) px.
    reach_mm : float
        How far to either side of the expected edge to look.
    samples : int
        Across the edge; about one to a pixel tells nearly as much as more.

    Returns
    -------
    EdgePoints
        Only segments that lie in the frame and show an edge.
    """
    if not to_px:
        return _no_points()
    corners = np.stack([plate.corners_mm(number) for number in to_px])
    start, end = (corners[:, [side[k] for side in _SIDES]].reshape(-1, 2) for k in (0, 1))
    outward = (start + end) / 2 - np.repeat(corners.mean(axis=1), len(_SIDES), axis=0)
    normal = outward / np.linalg.norm(outward, axis=1, keepdims=True)
    nodes = _nodes_px(start, end, normal, reach_mm, list(to_px.values()))
    # The ends of a side are left out: blur rounds the corners there.
    along = _FIRST + _PART * (np.arange(_SEGMENTS * _PROFILES) + 0.5) / (_SEGMENTS * _PROFILES)
    across = np.linspace(-1.0, 1.0, samples)
    shape = len(start), _SEGMENTS
    mean, scatter = np.empty((*shape, samples)), np.empty((*shape, 2))
    inside, ends = np.empty(shape, bool), max(2, samples // 4)
    edge_profiles(
        np.ascontiguousarray(image.pixels),
        nodes,
        _weights(along, _ALONG).reshape(_SEGMENTS, _PROFILES, -1),
        _weights(across, _ACROSS),
        ends,
        mean,
        scatter,
        inside,
    )
    noise = np.sqrt(scatter.mean(axis=2).ravel() / _PROFILES)
    offset, contrast, blur = _edge_offsets(mean.reshape(-1, samples), noise, ends, across * reach_mm)
    seen = inside.ravel() & (contrast > 4 * noise) & (np.abs(offset) < 0.8 * reach_mm)
    which, segment = np.divmod(np.flatnonzero(seen), _SEGMENTS)
    middle = along.reshape(_SEGMENTS, _PROFILES).mean(axis=1)
    offset = offset[seen]
    return EdgePoints(
        start[which] + middle[segment, None] * (end - start)[which],
        normal[which],
        offset,
        np.einsum(
            "na,nabk,nb->nk",
            _weights(middle[segment], _ALONG),
            nodes[which],
            _weights(offset / reach_mm, _ACROSS),
        ),
        contrast[seen],
        (noise / np.maximum(contrast, 1e-9) * reach_mm)[seen],
        blur[seen],
        np.repeat(np.array(list(to_px), np.int64), len(_SIDES))[which],
    )


def _no_points() -> EdgePoints:
    pair, single = np.zeros((0, 2)), np.zeros(0)
    return EdgePoints(pair, pair, single, pair, single, single, single, np.zeros(0, np.int64))


def _nodes_px(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    normal: NDArray[np.float64],
    reach_mm: float,
    to_px: list[ToPx],
) -> NDArray[np.float64]:
    """Return where a few places on and beside each side are in the frame, shape (S, along, across, 2) px.

    Over a marker a view bends so little that polynomials through these give all places between to a
    thousandth of a pixel.
    """
    place = start[:, None] + _ALONG[:, None] * (end - start)[:, None]
    place = place[:, :, None] + reach_mm * _ACROSS[:, None] * normal[:, None, None]
    by_marker = place.reshape(len(to_px), -1, 2)
    seen = [expect(points) for expect, points in zip(to_px, by_marker, strict=True)]
    return np.stack(seen).reshape(place.shape)


def _weights(at: NDArray[np.float64], nodes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return Lagrange's weights of nodes, shape (M,), at places, shape (N,); shape (N, M)."""
    apart = nodes[:, None] - nodes + np.eye(len(nodes))
    factors = np.where(np.eye(len(nodes), dtype=bool), 1.0, (at[:, None, None] - nodes) / apart)
    return np.asarray(factors.prod(axis=2))


def sample(
    pixels: NDArray[Any], points_px: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Interpolate a frame at points, shape (A, B, 2); return values and which points lie in the frame."""
    height, width = pixels.shape
    x, y = points_px[..., 0], points_px[..., 1]
    inside = (x >= 1) & (y >= 1) & (x <= width - 2) & (y <= height - 2)
    values = cv2.remap(
        pixels.astype(np.float32, copy=False),
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(values, np.float32), inside


def _edge_offsets(
    mean: NDArray[np.float64], noise: NDArray[np.float64], ends: int, across: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Locate the step from black to white in averaged profiles, shape (N, samples), by its area.

    The area above the black level, divided by the step's height, is the width of the white part: true for
    every symmetric blur, and it uses all pixels instead of the two that straddle the half level.

    Returns
    -------
    offset, contrast, blur : ndarray, shape (N,)
        The contrast is 0 where the profile is no step.
    """
    black, white = mean[:, :ends].mean(axis=1), mean[:, -ends:].mean(axis=1)
    contrast = white - black
    height = (mean - black[:, None]) / np.where(np.abs(contrast) > 1e-9, contrast, 1.0)[:, None]
    # The trapezoidal rule.
    step = np.full(across.size, across[1] - across[0])
    step[[0, -1]] *= 0.5
    # A slope, such as the flank of a wide spot, is no step: both its ends must be level.
    half = ends // 2
    tilt = np.maximum(
        np.abs(height[:, :half].mean(axis=1) - height[:, half:ends].mean(axis=1)),
        np.abs(height[:, -half:].mean(axis=1) - height[:, -ends:-half].mean(axis=1)),
    )
    level = tilt < _LEVEL + 3 * noise / np.maximum(np.abs(contrast), 1e-9)
    blur = np.sqrt(np.pi) * np.clip((height * (1 - height)) @ step, 0, None)
    return across[-1] - height @ step, np.where(level, contrast, 0.0), blur
