"""Light that nobody asked for (ghosts, halos): found in what a fit leaves over, then carried by the fit.

Left out of the model it pulls the wanted spots: a ghost of 1 % two sigma away by many times their uncertainty.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.blocks import Blocks
from vision.fit import Fit, Prior, fit
from vision.fit_model import evaluate

Array = NDArray[np.float64]

CLEAR = 30.0  # gain of twice the log likelihood, to first order, from which an extra light is tried
BETTER = 30.0  # gain from which it is believed
SIZES = (0.35, 0.8)  # of the smallest wanted radius: what is looked for anywhere
HALO = 3.0  # of a wanted radius: what is looked for around a spot
LOOSE = 0.7  # uncertainty of ln w of an extra light


def with_extra(blocks: Blocks, plain: Fit) -> Fit | None:
    """Return the fit with one more spot; None when nothing stands out."""
    start = _start(blocks, plain)
    if start is None:
        return None
    center, radius = start
    shape = replace(plain.shape, spots=plain.shape.spots + 1, extras=plain.shape.extras + 1,
                    ellipses=(*plain.shape.ellipses, np.eye(2)))
    at = plain.shape.spots * plain.shape.per_spot
    own = np.zeros(shape.per_spot)
    own[:3] = center[0], center[1], np.log(radius)
    weight = np.zeros(shape.per_spot)
    weight[2] = 1.0 / LOOSE**2
    amplitude = plain.shape.amplitude(plain.shape.spots)
    theta = np.insert(np.insert(plain.theta, amplitude, 0.0), at, own)
    mean = np.insert(np.insert(plain.prior.mean, amplitude, 0.0), at, own)
    weights = np.insert(np.insert(plain.prior.weight, amplitude, 0.0), at, weight)
    result = fit(blocks, shape, theta, Prior(mean, weights), plain.noise, rounds=16)
    if result is None or plain.deviance - result.deviance < BETTER * result.noise.spread:
        return None
    if result.theta[shape.amplitude(shape.spots - 1)] <= 0.0:
        return None
    return result


def _start(blocks: Blocks, plain: Fit) -> tuple[Array, float] | None:
    """Return place and radius of the extra light that would explain most; None when none would explain much."""
    radii = [float(np.exp(plain.theta[plain.shape.log_radius(k)])) for k in range(plain.shape.wanted)]
    best, found = CLEAR * plain.noise.spread, None
    for size in SIZES:
        gain, center = _anywhere(blocks, plain, size * min(radii))
        if gain > best:
            best, found = gain, (center, size * min(radii))
    for k, radius in enumerate(radii):
        gain = _score(blocks, plain, plain.center_mm(k), HALO * radius)
        if gain > best:
            best, found = gain, (np.array(plain.center_mm(k)), HALO * radius)
    return found


def _anywhere(blocks: Blocks, plain: Fit, radius_mm: float) -> tuple[float, Array]:
    """Return the best gain of a small spot over all places, its pull on the other parameters left out."""
    rows, columns = blocks.grid
    pull, weight = np.zeros((rows, columns), np.float32), np.zeros((rows, columns), np.float32)
    inverse = (plain.residual != 0.0) / plain.variance_e2
    pull.flat[blocks.index] = plain.residual / np.sqrt(plain.variance_e2)
    weight.flat[blocks.index] = inverse
    per_block = np.linalg.inv(blocks.cell_mm)
    moments = per_block @ per_block.T * (radius_mm / 2.0) ** 2 + np.eye(2) / 12.0
    half = int(np.clip(np.ceil(2.5 * np.sqrt(moments.max())), 1, 24))
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    p = np.linalg.inv(moments)
    kernel = np.exp(-0.5 * (p[0, 0] * x * x + 2.0 * p[0, 1] * x * y + p[1, 1] * y * y)).astype(np.float32)
    answer = cv2.filter2D(pull, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT)
    norm = cv2.filter2D(weight, cv2.CV_32F, kernel * kernel, borderType=cv2.BORDER_CONSTANT)
    floor = 0.2 * float((kernel * kernel).sum()) * float(np.median(inverse[inverse > 0])) if inverse.any() else 1.0
    gain = np.where(answer > 0.0, answer**2 / np.maximum(norm, floor * 1e-3), 0.0)
    gain.flat[np.setdiff1d(np.arange(rows * columns), blocks.index, assume_unique=True)] = 0.0
    peak = int(np.argmax(gain))
    place = blocks.at_mm[:, np.searchsorted(blocks.index, peak)] if gain.flat[peak] > 0 else np.zeros(2)
    return float(gain.flat[peak]), np.array(place)


def _score(blocks: Blocks, plain: Fit, center: Array, radius_mm: float) -> float:
    """Return the gain of a spot at one place, to first order, with all other parameters free to answer."""
    _, rows = evaluate(plain.shape, plain.theta, blocks.at_mm, blocks.cell_mm)
    r = blocks.at_mm - center[:, None]
    extra = np.exp(-2.0 * (r**2).sum(axis=0) / radius_mm**2)
    scale = (plain.residual != 0.0) / np.sqrt(plain.variance_e2)
    rows, extra = rows * scale, extra * scale
    size = np.sqrt(np.maximum((rows**2).sum(axis=1), 1e-300))
    rows = rows / size[:, None]
    inner = rows @ rows.T + 1e-9 * np.eye(size.size)
    cross = rows @ extra
    left = float(extra @ extra - cross @ np.linalg.solve(inner, cross))
    pull = float(extra @ plain.residual)
    return pull**2 / left if left > 0.0 and pull > 0.0 else 0.0
