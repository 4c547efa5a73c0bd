"""Where things stand on the bench, and the beam that comes in."""

from __future__ import annotations

import math
from dataclasses import dataclass

from optics.errors import LayoutError


def _check_positive(what: str, value: float, unit: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise LayoutError(f"{what} is {value} {unit}, allowed is a finite number above 0")


@dataclass(frozen=True, slots=True)
class Layout:
    """Distances along the beam.

    Attributes
    ----------
    l1_mm : float
        From the hole target's rear face (world z = 0) to the front vertex of the lens.
    l2_mm : float
        From the back vertex of the lens to the reference target.

    Raises
    ------
    LayoutError
        If a distance is not a finite number above 0.
    """

    l1_mm: float
    l2_mm: float

    def __post_init__(self) -> None:
        _check_positive("l1_mm", self.l1_mm, "mm")
        _check_positive("l2_mm", self.l2_mm, "mm")


@dataclass(frozen=True, slots=True)
class Beam:
    """The incoming laser beam: circular Gaussian about a straight ray.

    Attributes
    ----------
    wavelength_nm : float
        Wavelength in air.
    waist_radius_mm : float
        1/e^2 intensity radius w0 at the waist (ISO 11145).
    waist_z_mm : float
        World z of the waist; negative when it lies before the hole target.
    offset_mm : tuple of float
        x, y where the beam's axis crosses z = 0.
    slope_mrad : tuple of float
        dx/dz, dy/dz of the beam's axis, in thousandths.

    Raises
    ------
    LayoutError
        If a value is not finite, or wavelength or waist radius is not above 0.
    """

    wavelength_nm: float
    waist_radius_mm: float
    waist_z_mm: float
    offset_mm: tuple[float, float] = (0.0, 0.0)
    slope_mrad: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        _check_positive("wavelength_nm", self.wavelength_nm, "nm")
        _check_positive("waist_radius_mm", self.waist_radius_mm, "mm")
        for what in ("offset_mm", "slope_mrad"):
            if len(getattr(self, what)) != 2:
                raise LayoutError(f"{what} is {getattr(self, what)}, allowed are two numbers (x, y)")
        for value in (self.waist_z_mm, *self.offset_mm, *self.slope_mrad):
            if not math.isfinite(value):
                raise LayoutError(
                    f"waist_z_mm, offset_mm or slope_mrad holds {value}, allowed are finite numbers"
                )

    @property
    def rayleigh_range_mm(self) -> float:
        """Rayleigh range z_R = pi w0^2 / wavelength (Kogelnik & Li, Appl. Opt. 5, 1550 (1966))."""
        return math.pi * self.waist_radius_mm**2 / (self.wavelength_nm * 1e-6)
