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
import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.painting import FIELD_GAP, FIELD_ONE, FIELD_SIZE, FIELD_STEPS, FIELD_ZERO, speckle_pattern
from sim.scene_draws import Placement

_CORRELATION_TEXELS = 1.5
# Square root of the correlation area pi rho^2 of |mu|^2 = exp(-d^2 / rho^2).
_GRAIN_TEXELS = math.sqrt(math.pi) * _CORRELATION_TEXELS
_BANK_SEED = 20_011
_LEAST_WEIGHT = 1e-3
_UNMOVED = Placement()


@functools.lru_cache(maxsize=1)
def field() -> NDArray[np.uint32]:
    """Return one periodic field, two periods each way, shape (4 FIELD_SIZE^2,), as ``painting`` wants it.

    Patterns are independent when they are taken from different places of it; the second period spares
    wrapping places round. The parts are bytes: their steps are a hundredth of the field's rms.
    """
    rng = np.random.default_rng(_BANK_SEED)
    white = np.fft.fft2(
        rng.standard_normal((FIELD_SIZE, FIELD_SIZE)) + 1j * rng.standard_normal((FIELD_SIZE, FIELD_SIZE))
    )
    frequency = np.fft.fftfreq(FIELD_SIZE) * 2 * np.pi
    # Correlation exp(-d^2 / 2 rho^2) of the field: spectrum exp(-rho^2 k^2 / 2), half of that for amplitudes.
    shape = np.exp(-(_CORRELATION_TEXELS**2) * frequency**2 / 4)
    waves = np.fft.ifft2(white * shape[:, None] * shape)
    waves /= math.sqrt(float(np.mean(np.abs(waves) ** 2)))
    real, imaginary = (
        np.clip(np.rint(part * FIELD_STEPS + FIELD_ZERO), 0, 255).astype(np.uint32)
        for part in (waves.real, waves.imag)
    )
    bank = np.tile(real | imaginary << np.uint32(FIELD_GAP), (2, 2)).reshape(-1)
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
    x_mm, y_mm : ndarray of float32, shape (height, width)
        Of the pixels' centres.
    place : ndarray of float32, shape (2, 3)
        Turns (x, y, 1) into column and row of the field.
    move_mm : float
        Distance over which the pattern of a moving spot is renewed.
    seed : int
    """

    x_mm: NDArray[np.float32]
    y_mm: NDArray[np.float32]
    place: NDArray[np.float32]
    move_mm: float
    seed: int

    @classmethod
    def of_plate(
        cls,
        x_mm: NDArray[np.float32],
        y_mm: NDArray[np.float32],
        grain_mm: float,
        move_mm: float,
        seed: int,
        placement: Placement = _UNMOVED,
    ) -> SpeckleMap:
        """Lay the field on the print of a plate with grains of the size that the camera sees."""
        to_print = placement.rotation().T
        shift = -to_print @ placement.shift_mm
        place = np.column_stack([to_print, shift]) * (_GRAIN_TEXELS / grain_mm)
        return cls(x_mm, y_mm, place.astype(np.float32), move_mm, seed)

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
            Centre of the spot on the print.
        """
        x, y = (np.ascontiguousarray(values[area]) for values in (self.x_mm, self.y_mm))
        pattern = np.empty_like(x)
        speckle_pattern(pattern, x, y, self.place, field(), self.mixture(spot, center_mm))
        return pattern

    def mixture(self, spot: int, center_mm: NDArray[np.float64]) -> NDArray[np.uint64]:
        """Return where in the field the patterns of the lattice points round a spot begin, and their weights.

        Shape (8,), four beginnings and four weights as ``painting`` wants them.
        """
        place = np.asarray(center_mm, float) / self.move_mm
        corner = np.floor(place).astype(int)
        angle = (place - corner) * (math.pi / 2)
        weights = np.stack([np.cos(angle), np.sin(angle)])
        mixture = np.zeros(8, np.uint64)
        for number, (step_x, step_y) in enumerate(itertools.product((0, 1), repeat=2)):
            weight = float(weights[step_x, 0] * weights[step_y, 1])
            if weight < _LEAST_WEIGHT:
                continue
            node = (corner[0] + step_x, corner[1] + step_y)
            key = [self.seed & 0xFFFFFFFF, spot, int(node[0]) & 0xFFFFFFFF, int(node[1]) & 0xFFFFFFFF]
            row, column = np.random.default_rng(key).integers(0, FIELD_SIZE, 2).tolist()
            mixture[number] = row * 2 * FIELD_SIZE + column
            mixture[4 + number] = round(weight * FIELD_ONE)
        return mixture
