"""Two coherent returns interfere: find the rings and stripes, so that the fit can carry them.

Where both beams overlap the plate shows ``2 V sqrt(I1 I2) cos(kx x + ky y + q r^2 + phase)``; q comes from
the
distance between the two centres of curvature and the plate. The start is a matched filter: for a grid of q
the
Fourier transform of (weighted residual x envelope x exp(-i q r^2)); its highest peak gives kx and ky.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vision.blocks import Blocks
from vision.fit import Fit, Prior, fit

Array = NDArray[np.float64]
Complex = NDArray[np.complex64]

CLEAR = 30.0  # matched filter's answer (squared, in standard deviations) from which fringes are tried
BETTER = 30.0  # improvement of twice the log likelihood from which they are believed


def with_fringes(blocks: Blocks, plain: Fit, start: Array) -> Fit | None:
    """Return a fit of the same two spots with an interference term, or None when it is not clearly better.

    ``start`` holds kx, ky (per mm) and q (per mm^2) about the origin of ``plain``'s model.
    """
    shape = replace(plain.shape, fringes=True)
    at = plain.shape.spots * plain.shape.per_spot

    def widened(vector: Array, wave: Array) -> Array:
        return np.insert(np.insert(vector, [plain.shape.plane.stop] * 2, 0.0), [at] * 3, wave)

    theta = widened(plain.theta, start)
    mean, weight = widened(plain.prior.mean, start), widened(plain.prior.weight, np.zeros(3))
    result = fit(blocks, shape, theta, Prior(mean, weight), plain.noise, rounds=16)
    if result is None or plain.deviance - result.deviance < BETTER * result.noise.spread:
        return None
    return result


def _envelope(blocks: Blocks, plain: Fit) -> Array:
    """Return the geometric mean of the two spots' light, electrons."""
    k = plain.shape.amplitude(0)
    light = plain.theta[k : k + 2, None] * plain.rows[k : k + 2]
    envelope: Array = np.sqrt(np.maximum(light[0] * light[1], 0.0))
    return envelope


def _chirps(weighted: NDArray[np.float32], square: NDArray[np.float32], step: float, count: int) -> Complex:
    """Return ``weighted`` times exp(-i q r^2) for ``count`` values of q from 0, shape (count, *grid)."""
    turn = np.exp(np.complex64(-1j * step) * square)
    waves: Complex = np.empty((count, *weighted.shape), np.complex64)
    waves[0] = weighted
    for k in range(1, count):
        np.multiply(waves[k - 1], turn, out=waves[k])
    return waves


def find_fringes(blocks: Blocks, plain: Fit) -> Array | None:
    """Return kx, ky (per mm) and q (per mm^2) of the strongest fringes; None when none stand out."""
    envelope = _envelope(blocks, plain)
    rows, columns = blocks.grid
    weighted = np.zeros((rows, columns), np.float32)
    power = np.zeros((rows, columns))
    scale = plain.residual / np.sqrt(plain.variance_e2)
    weighted.flat[blocks.index] = scale * envelope
    norm = float((envelope**2 / plain.variance_e2).sum()) / 2.0
    if norm <= 0.0:
        return None
    offset = blocks.at_mm - plain.shape.origin_mm[:, None]
    square = np.zeros((rows, columns), np.float32)
    square.flat[blocks.index] = (offset**2).sum(axis=0)
    power.flat[blocks.index] = envelope**2 / plain.variance_e2
    extent2 = float((power * square).sum() / power.sum()) or 1.0
    pitch = blocks.size_px * blocks.pitch_mm
    highest = 4.0 * (np.pi / (2.0 * pitch)) / (2.0 * np.sqrt(extent2))
    count = int(np.clip(highest * extent2 / 1.5, 6, 28))
    size = (cv2.getOptimalDFTSize(rows), cv2.getOptimalDFTSize(columns))
    waves = _chirps(weighted, square, highest / count, count + 1)
    answer = scipy.fft.fft2(waves, size, axes=(1, 2), overwrite_x=True)
    strength = answer.real**2 + answer.imag**2
    peak = int(np.argmax(strength))
    if float(strength.flat[peak]) / (2.0 * norm) < CLEAR * plain.noise.spread:
        return None
    found, row, column = np.unravel_index(peak, strength.shape)
    start = row, column, highest / count * found
    ky = 2.0 * np.pi * ((start[0] / size[0] + 0.5) % 1.0 - 0.5)
    kx = 2.0 * np.pi * ((start[1] / size[1] + 0.5) % 1.0 - 0.5)
    per_block = blocks.jacobian * blocks.size_px
    k = np.linalg.solve(per_block.T, np.array([kx, ky]))
    return np.array([k[0], k[1], float(start[2])])
