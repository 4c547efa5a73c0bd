"""Laser speckle on the plates: fixed while nothing moves, renewed when a spot moves by about a grain.

The pattern of a spot is the squared modulus of a circular complex Gaussian field in plate coordinates
(Goodman, Speckle Phenomena in Optics: exponential intensity, contrast 1). The field also depends on where
the spot stands: in a plate that scatters in its volume, neighbouring points of the diffuser exchange light,
and the pattern is lost when the illumination has moved by about the size of that exchange. Independent
fields stand on a lattice of spot positions; between the lattice points they are mixed with weights whose
squares add up to 1, so that the statistics are the same everywhere and the change is smooth.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_SIZE = 1024
_CORRELATION_TEXELS = 1.5
# Square root of the correlation area pi rho^2 of |mu|^2 = exp(-d^2 / rho^2).
_GRAIN_TEXELS = math.sqrt(math.pi) * _CORRELATION_TEXELS
_BANK_SEED = 20_011
_LEAST_WEIGHT = 1e-3
_STEPS, _ZERO = 42.0, 128.0


@functools.lru_cache(maxsize=1)
def _bank() -> NDArray[np.uint8]:
    """One periodic field, shape (2 periods, 2 periods, real and imaginary part), in steps of 1 / ``_STEPS``.

    Patterns are independent when they are taken from different places of it; the second period spares
    wrapping places round. Bytes, since what is looked up all over it has to fit into the cache: their steps
    are a hundredth of the field's rms.
    """
    rng = np.random.default_rng(_BANK_SEED)
    white = np.fft.fft2(rng.standard_normal((_SIZE, _SIZE)) + 1j * rng.standard_normal((_SIZE, _SIZE)))
    frequency = np.fft.fftfreq(_SIZE) * 2 * np.pi
    # Correlation exp(-d^2 / 2 rho^2) of the field: spectrum exp(-rho^2 k^2 / 2), half of that for amplitudes.
    shape = np.exp(-(_CORRELATION_TEXELS**2) * frequency**2 / 4)
    field = np.fft.ifft2(white * shape[:, None] * shape)
    field /= math.sqrt(float(np.mean(np.abs(field) ** 2)))
    steps = np.rint(np.stack([field.real, field.imag], axis=-1) * _STEPS + _ZERO)
    bank = np.tile(np.clip(steps, 0, 255).astype(np.uint8), (2, 2, 1))
    bank.setflags(write=False)
    return bank


def seen_grain(grain_mm: float, contrast: float, pixel_mm: float) -> tuple[float, float]:
    """Return grain (mm) and contrast after a square pixel has averaged the pattern.

    Low spatial frequencies pass unchanged, so contrast x grain is kept (Goodman, integrated intensity); the
    pixel adds its variance to that of the pattern's covariance.
    """
    area = grain_mm**2
    seen = area + 4 * math.pi * pixel_mm**2 / 12
    return math.sqrt(seen), contrast * math.sqrt(area / seen)


@dataclass(frozen=True, slots=True)
class SpeckleMap:
    """Where each pixel of a camera lies in the periodic field.

    Attributes
    ----------
    place : ndarray of int16, shape (height, width, 2)
        Column and row of each pixel's texel.
    move_mm : float
        Distance over which the pattern of a moving spot is renewed.
    seed : int
    """

    place: NDArray[np.int16]
    move_mm: float
    seed: int

    @classmethod
    def of_plate(
        cls, x_mm: NDArray[np.float32], y_mm: NDArray[np.float32], grain_mm: float, move_mm: float, seed: int
    ) -> SpeckleMap:
        """Lay the field on the plate with grains of the size that the camera sees."""
        per_mm = np.float32(_GRAIN_TEXELS / grain_mm)
        # The mask wraps negative numbers too (two's complement).
        place = np.empty((*x_mm.shape, 2), np.int16)
        for axis, plate_mm in enumerate((x_mm, y_mm)):
            place[..., axis] = np.rint(plate_mm * per_mm).astype(np.int32) & (_SIZE - 1)
        return cls(place, move_mm, seed)

    def pattern(
        self, area: tuple[slice, slice], spot: int, center_mm: NDArray[np.float64]
    ) -> NDArray[np.float32]:
        """Return speckle intensity (mean 1, contrast 1) of a spot that stands at ``center_mm``.

        Parameters
        ----------
        area : tuple of slice
            Rows and columns of the camera.
        spot : int
            Number of the spot: different spots have independent patterns.
        center_mm : ndarray, shape (2,)
            Centre of the spot on the plate.
        """
        place = np.ascontiguousarray(self.place[area])
        field: NDArray[Any] | None = None
        mixture = self._mixture(spot, center_mm)
        # Two lattice points at a time; one that is left over goes with nothing of itself.
        for pair in zip(mixture[::2], [*mixture[1::2], (0, 0, 0.0)], strict=False):
            texels = [_looked_up(row, column, place) for row, column, _ in pair]
            weights = [weight / _STEPS for _, _, weight in pair]
            mixed = cv2.addWeighted(
                texels[0], weights[0], texels[1], weights[1], -_ZERO * sum(weights), dtype=cv2.CV_32F
            )
            field = mixed if field is None else cv2.add(field, mixed, dst=field)
        real, imaginary = cv2.split(np.asarray(field))
        return np.asarray(cv2.add(cv2.multiply(real, real), cv2.multiply(imaginary, imaginary)), np.float32)

    def _mixture(self, spot: int, center_mm: NDArray[np.float64]) -> list[tuple[int, int, float]]:
        """Places in the field and weights of the up to four lattice points round the spot's position."""
        place = np.asarray(center_mm, float) / self.move_mm
        corner = np.floor(place).astype(int)
        angle = (place - corner) * (math.pi / 2)
        weights = np.stack([np.cos(angle), np.sin(angle)])
        mixture = []
        for step_x in (0, 1):
            for step_y in (0, 1):
                weight = float(weights[step_x, 0] * weights[step_y, 1])
                if weight < _LEAST_WEIGHT:
                    continue
                node = (corner[0] + step_x, corner[1] + step_y)
                key = [self.seed & 0xFFFFFFFF, spot, int(node[0]) & 0xFFFFFFFF, int(node[1]) & 0xFFFFFFFF]
                shift = np.random.default_rng(key).integers(0, _SIZE, 2)
                mixture.append((int(shift[0]), int(shift[1]), weight))
        return mixture


def _looked_up(row: int, column: int, place: NDArray[np.int16]) -> NDArray[np.uint8]:
    """Return the field at places counted from a row and a column of it."""
    shifted = _bank()[row : row + _SIZE, column : column + _SIZE]
    texels = cv2.remap(shifted, place, None, cv2.INTER_NEAREST)  # type: ignore[call-overload]  # the stubs want a second map
    return np.asarray(texels, np.uint8)
