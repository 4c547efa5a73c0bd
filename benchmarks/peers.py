"""General-purpose peers, each used as its documentation shows, from the same start and on the same frames.

They are told the start, the width and where the hole is, as far as they take it.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence

import numpy as np
import trackpy
from astropy.modeling import fitting
from astropy.table import QTable
from numpy.typing import NDArray
from photutils.centroids import centroid_2dg
from photutils.psf import CircularGaussianPRF, PSFPhotometry, SourceGrouper
from scipy import optimize
from skimage import filters, measure

from vision.image import Image

Array = NDArray[np.float64]
Centers = list[Array | None]
Hole = tuple[float, float, float] | None


def _cut(image: Image, starts: Sequence[Array], sigmas: Sequence[float]) -> tuple[Array, int, int]:
    reach = 4.0 * max(sigmas)
    x0 = max(0, int(min(s[0] for s in starts) - reach))
    x1 = min(image.pixels.shape[1], int(max(s[0] for s in starts) + reach) + 1)
    y0 = max(0, int(min(s[1] for s in starts) - reach))
    y1 = min(image.pixels.shape[0], int(max(s[1] for s in starts) + reach) + 1)
    return image.pixels[y0:y1, x0:x1].astype(float), x0, y0


def _hole_mask(shape: tuple[int, int], x0: int, y0: int, hole: Hole) -> NDArray[np.bool_]:
    if hole is None:
        return np.zeros(shape, bool)
    y, x = np.mgrid[: shape[0], : shape[1]]
    mask: NDArray[np.bool_] = np.hypot(x + x0 - hole[0], y + y0 - hole[1]) < hole[2] + 2.0
    return mask


def scipy_least_squares(
    image: Image, starts: Sequence[Array], sigmas: Sequence[float], hole: Hole
) -> Centers:
    """scipy.optimize.least_squares, all pixels of the region, unweighted, round Gaussians and a constant."""
    data, x0, y0 = _cut(image, starts, sigmas)
    use = ~_hole_mask(data.shape, x0, y0, hole)
    y, x = np.mgrid[: data.shape[0], : data.shape[1]][:, use].astype(float)
    values = data[use]

    def residuals(p: Array) -> Array:
        total = np.full(values.size, p[-1]) - values
        for k in range(len(starts)):
            cx, cy, s, a = p[4 * k : 4 * k + 4]
            total += a * np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / s**2)
        return total

    start: list[float] = []
    for place, sigma in zip(starts, sigmas, strict=True):
        start += [place[0] - x0, place[1] - y0, sigma, float(np.percentile(values, 99.0)) / len(starts)]
    fitted = optimize.least_squares(residuals, [*start, float(np.percentile(values, 5.0))], x_scale="jac").x
    return [np.add(fitted[4 * k : 4 * k + 2], (x0, y0)) for k in range(len(starts))]


def scikit_image(image: Image, starts: Sequence[Array], sigmas: Sequence[float], hole: Hole) -> Centers:
    """Otsu threshold, connected regions, weighted centroid; the region nearest to each start."""
    data, x0, y0 = _cut(image, starts, sigmas)
    data = data - np.percentile(data, 5.0)
    regions = measure.regionprops(measure.label(data > filters.threshold_otsu(data)), intensity_image=data)
    places = [r.centroid_weighted[::-1] for r in regions if r.area > 4]
    if not places:
        return [None] * len(starts)
    found = np.add(places, (x0, y0))
    centers: Centers = []
    for start in starts:
        distance = np.hypot(*(found - start).T)
        centers.append(found[int(np.argmin(distance))])
    return centers


def photutils_fit(image: Image, starts: Sequence[Array], sigmas: Sequence[float], hole: Hole) -> Centers:
    """photutils.centroids.centroid_2dg for one spot, grouped PSF photometry with free width for two."""
    data, x0, y0 = _cut(image, starts, sigmas)
    mask = _hole_mask(data.shape, x0, y0, hole) | (data >= image.sensor.full_scale_dn)
    data = data - np.percentile(data[~mask], 5.0)
    if len(starts) == 1:
        return [np.add(centroid_2dg(data, mask=mask), (x0, y0))]
    model = CircularGaussianPRF(fwhm=2.3548 * float(np.mean(sigmas)))
    model.fwhm.fixed = False
    table = QTable()
    table["x"] = [s[0] - x0 for s in starts]
    table["y"] = [s[1] - y0 for s in starts]
    table["flux"] = [float(data[~mask].sum()) / len(starts)] * len(starts)
    size = 2 * int(2.0 * max(sigmas)) + 1
    photometry = PSFPhotometry(
        model, (size, size), grouper=SourceGrouper(6.0 * max(sigmas)), fitter=fitting.TRFLSQFitter()
    )
    fitted = photometry(data, mask=mask, init_params=table)
    return [np.array([row["x_fit"] + x0, row["y_fit"] + y0], float) for row in fitted]


def trackpy_locate(image: Image, starts: Sequence[Array], sigmas: Sequence[float], hole: Hole) -> Centers:
    """trackpy.locate with a diameter of four sigma; the feature nearest to each start."""
    data, x0, y0 = _cut(image, starts, sigmas)
    # Its python engine takes minutes at hundreds of pixels; binned, as its users do, it keeps its accuracy.
    bins = max(1, round(float(np.mean(sigmas)) / 10.0))
    rows, columns = data.shape[0] // bins, data.shape[1] // bins
    data = data[: rows * bins, : columns * bins].reshape(rows, bins, columns, bins).mean(axis=(1, 3))
    diameter = 2 * int(2.0 * float(np.mean(sigmas)) / bins) + 1
    trackpy.quiet()
    features = trackpy.locate(data, diameter, topn=2 * len(starts), engine="python")
    if not len(features):
        return [None] * len(starts)
    found = np.add((features[["x", "y"]].to_numpy() + 0.5) * bins - 0.5, (x0, y0))
    return [found[int(np.argmin(np.hypot(*(found - start).T)))] for start in starts]


def _quiet(
    peer: Callable[[Image, Sequence[Array], Sequence[float], Hole], Centers],
) -> Callable[[Image, Sequence[Array], Sequence[float], Hole], Centers]:
    def call(image: Image, starts: Sequence[Array], sigmas: Sequence[float], hole: Hole) -> Centers:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                return peer(image, starts, sigmas, hole)
            except (ValueError, RuntimeError, np.linalg.LinAlgError):
                return [None] * len(starts)

    return call


PEERS = {
    "scipy least squares": _quiet(scipy_least_squares),
    "scikit-image": _quiet(scikit_image),
    "photutils": _quiet(photutils_fit),
    "trackpy": _quiet(trackpy_locate),
}
