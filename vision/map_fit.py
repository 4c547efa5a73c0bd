"""Fits the map of a plate to the edges of its fiducials."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from vision.camera_lens import CameraLens
from vision.fiducials import EdgePoints, ToPx, measure_edges
from vision.image import Image
from vision.map_model import MapModel, apply_homography, unpack
from vision.plate import PlateSpec

_ROBUST_SIGMAS = 5.0
_REACH_BLURS = 5.5
_ENOUGH = 0.8
_FLOOR_MM = 2e-4
_TOLERANCE = 1e-6  # relative; a step less leaves a hundredth of the uncertainty


@dataclass(frozen=True, slots=True, eq=False)
class MapFit:
    """A fitted map.

    Attributes
    ----------
    model : MapModel
    edge_growth_mm : float
        By how much the black squares look larger than drawn.
    edges : EdgePoints
        The points that the fit rests on.
    residual_mm : ndarray, shape (N,)
        Along the normals of ``edges``.
    """

    model: MapModel
    edge_growth_mm: float
    edges: EdgePoints
    residual_mm: NDArray[np.float64]


def fit_map(
    image: Image,
    plate: PlateSpec,
    corners_px: Mapping[int, NDArray[np.float64]],
    lens: CameraLens,
    lens_terms: int,
) -> MapFit | None:
    """Fit homography, lens terms and edge growth.

    Parameters
    ----------
    image : Image
    plate : PlateSpec
    corners_px : mapping of int to ndarray, shape (4, 2)
        Corners of the markers found, to a few pixels.
    lens : CameraLens
        Start value; kept where ``lens_terms`` is 0.
    lens_terms : int
        How many of k1, k2, p1, p2 to estimate.

    Returns
    -------
    MapFit or None
        None when the edges do not fix the parameters.
    """
    cell_mm = plate.fiducial_side_mm / 6
    guides: dict[int, ToPx] = {
        number: partial(apply_homography, _local_homography(plate, number, corners))
        for number, corners in corners_px.items()
    }
    start = _start(plate, corners_px, lens, lens_terms)
    fit = fit_edges(measure_edges(image, plate, guides, 0.9 * cell_mm), lens, start)
    if fit is None:
        return None
    # The narrower the profiles, the less do uneven light and paper count; a blurred frame needs wide ones.
    wide, narrow = 0.6 * cell_mm, max(_REACH_BLURS * float(np.median(fit.edges.blur_mm)), 0.15 * cell_mm)
    for reach_mm in (narrow, wide) if narrow < wide else (wide,):
        guides = dict.fromkeys(corners_px, fit.model.to_px)
        edges = measure_edges(image, plate, guides, reach_mm)
        if len(edges.offset_mm) >= _ENOUGH * len(fit.edges.offset_mm):
            return fit_edges(edges, lens, np.append(fit.model.parameters, fit.edge_growth_mm))
    return fit


def _local_homography(plate: PlateSpec, number: int, corners_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """From mm to px near one marker: exact there, whatever the lens does elsewhere."""
    return np.asarray(
        cv2.getPerspectiveTransform(
            plate.corners_mm(number).astype(np.float32), corners_px.astype(np.float32)
        ),
        np.float64,
    )


def _start(
    plate: PlateSpec, corners_px: Mapping[int, NDArray[np.float64]], lens: CameraLens, lens_terms: int
) -> NDArray[np.float64]:
    straight = lens.straighten(np.concatenate(list(corners_px.values())))
    drawn = np.concatenate([plate.corners_mm(number) for number in corners_px])
    homography, _ = cv2.findHomography(straight, drawn, cv2.LMEDS)
    if homography is None:
        homography, _ = cv2.findHomography(straight, drawn)
    homography = homography / homography[2, 2]
    return np.concatenate([homography.ravel()[:8], np.zeros(lens_terms), [0.0]])


def fit_edges(edges: EdgePoints, lens: CameraLens, start: NDArray[np.float64]) -> MapFit | None:
    """Fit robustly, reject what does not belong, then make the plain fit whose covariance is stated.

    Parameters
    ----------
    edges : EdgePoints
    lens : CameraLens
        Kept, unless ``start`` has terms for it.
    start : ndarray, shape (8 + n + 1,)
        Homography row by row without its last element, n terms of the lens, edge growth in mm.
    """
    for _ in range(3):
        if len(edges.offset_mm) <= len(start) + 4:
            return None
        miss, slopes = partial(_misses, edges, lens), partial(_slopes, edges, lens)
        scale = max(_spread(miss(start)), _FLOOR_MM)
        found = least_squares(
            miss,
            start,
            slopes,
            loss="soft_l1",
            f_scale=2 * scale,
            x_scale="jac",
            ftol=_TOLERANCE,
            xtol=_TOLERANCE,
        )
        start = found.x
        residual = miss(start)
        keep = np.abs(residual) < _ROBUST_SIGMAS * max(_spread(residual), _FLOOR_MM)
        if keep.all():
            break
        edges = edges.only(keep)
    if len(edges.offset_mm) <= len(start) + 4:
        return None
    return _plain_fit(edges, lens, start)


def _plain_fit(edges: EdgePoints, lens: CameraLens, start: NDArray[np.float64]) -> MapFit | None:
    miss, slopes = partial(_misses, edges, lens), partial(_slopes, edges, lens)
    found = least_squares(miss, start, slopes, x_scale="jac", ftol=_TOLERANCE, xtol=_TOLERANCE)
    normal_matrix = found.jac.T @ found.jac
    scale = np.sqrt(np.diag(normal_matrix))
    if not np.all(scale > 0) or np.linalg.cond(normal_matrix / np.outer(scale, scale)) > 1e12:
        return None
    inverse = np.linalg.inv(normal_matrix / np.outer(scale, scale)) / np.outer(scale, scale)
    covariance = _variance(edges, found.fun, len(start)) * inverse[:-1, :-1]
    model = MapModel(*unpack(found.x[:-1], lens), covariance)
    return MapFit(model, float(found.x[-1]), edges, np.asarray(found.fun))


def _variance(edges: EdgePoints, residual_mm: NDArray[np.float64], parameters: int) -> float:
    """Variance of one point that makes the covariance of the parameters honest.

    A printer, a scratch or glare displaces a whole side of a marker, so the points of a side are not
    independent: the scatter of the sides' means, times the points of a side, takes the place of the scatter
    of points (one-way analysis of variance). Few sides know their own scatter badly: Student's t widens it.
    """
    _, side = np.unique(np.column_stack([edges.fiducial, edges.normal.round(3)]), axis=0, return_inverse=True)
    counts = np.bincount(side.ravel())
    means = np.bincount(side.ravel(), weights=residual_mm) / counts
    freedom = max(len(counts) - parameters, 1)
    between = float((counts * means**2).sum()) / freedom
    within = float(((residual_mm - means[side.ravel()]) ** 2).sum()) / max(len(residual_mm) - len(counts), 1)
    return max(between * freedom / max(freedom - 2, 0.5), within, 1e-8)


def _misses(edges: EdgePoints, lens: CameraLens, parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    """By how much each edge point misses its drawn edge, in mm along the edge's normal."""
    homography, bent = unpack(parameters[:-1], lens)
    seen = apply_homography(homography, bent.straighten(edges.seen_px))
    return np.asarray(((seen - edges.place_mm) * edges.normal).sum(axis=1) - parameters[-1])


def _slopes(edges: EdgePoints, lens: CameraLens, parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the derivatives of `_misses`, shape (N, parameters)."""
    homography, bent = unpack(parameters[:-1], lens)
    straight = bent.straighten(edges.seen_px)
    lifted = straight @ homography[:, :2].T + homography[:, 2]
    seen, depth = lifted[:, :2] / lifted[:, 2:], lifted[:, 2]
    outward, along = edges.normal / depth[:, None], (edges.normal * seen).sum(axis=1) / depth
    ends = np.column_stack([straight, np.ones(len(straight))])
    slopes = np.empty((len(straight), len(parameters)))
    slopes[:, 0:3], slopes[:, 3:6] = outward[:, :1] * ends, outward[:, 1:] * ends
    slopes[:, 6:8] = -along[:, None] * straight
    slopes[:, -1] = -1.0
    terms = len(parameters) - 9
    if terms:
        by_place = outward @ homography[:2, :2] - along[:, None] * homography[2, :2]
        slopes[:, 8:-1] = np.einsum("nk,nkt->nt", by_place, bent.answers(straight, terms))
    return slopes


def _spread(residual: NDArray[np.float64]) -> float:
    return float(1.4826 * np.median(np.abs(residual)))
