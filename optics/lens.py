"""The prescription of a lens: surfaces, thicknesses, glasses."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from optics.errors import PrescriptionError
from optics.glass import Glass, glass, refractive_index

Coating = Literal["uncoated", "antireflection"]


@dataclass(frozen=True, slots=True)
class Surface:
    """One spherical or plane surface.

    Attributes
    ----------
    radius_mm : float
        Radius of curvature, positive when the centre lies downstream of the vertex; ``math.inf`` for plano.
    coating : {"uncoated", "antireflection"}
    reflectance : float or None
        Residual reflectance (0 to below 1) of an antireflection coating, the same at every angle of
        incidence; None when uncoated, where the Fresnel equations hold.

    Raises
    ------
    PrescriptionError
        If the radius is 0 or not a number, or coating and reflectance do not fit together.
    """

    radius_mm: float
    coating: Coating = "uncoated"
    reflectance: float | None = None

    def __post_init__(self) -> None:
        if math.isnan(self.radius_mm) or self.radius_mm == 0.0:
            raise PrescriptionError(
                f"radius_mm is {self.radius_mm}, allowed is any number but 0 (inf for plano)"
            )
        if self.coating not in ("uncoated", "antireflection"):
            raise PrescriptionError(f"coating is {self.coating!r}, allowed is 'uncoated' or 'antireflection'")
        if self.coating == "uncoated" and self.reflectance is not None:
            raise PrescriptionError(
                "reflectance is given for an uncoated surface; give a coating or leave it out"
            )
        if self.coating == "antireflection" and not (
            self.reflectance is not None and 0.0 <= self.reflectance < 1.0
        ):
            raise PrescriptionError(
                f"reflectance of the coating is {self.reflectance}, allowed is 0 to below 1"
            )

    @property
    def curvature_per_mm(self) -> float:
        """Reciprocal of the radius; 0 for plano."""
        return 0.0 if math.isinf(self.radius_mm) else 1.0 / self.radius_mm

    def sag_mm(self, height_mm: float) -> float:
        """Return how far downstream of its vertex the surface lies at a height above the axis.

        Raises
        ------
        PrescriptionError
            If the sphere does not reach that height.
        """
        c = self.curvature_per_mm
        under_root = 1.0 - (c * height_mm) ** 2
        if under_root < 0.0:
            raise PrescriptionError(
                f"a surface of radius {self.radius_mm} mm does not reach {height_mm:g} mm from the axis"
            )
        return c * height_mm**2 / (1.0 + math.sqrt(under_root))

    def flipped(self) -> Surface:
        """Return the surface as met from the other side."""
        radius = math.inf if math.isinf(self.radius_mm) else -self.radius_mm
        return replace(self, radius_mm=radius)


@dataclass(frozen=True, slots=True)
class Lens:
    """A centred lens in air: N surfaces, N - 1 thicknesses and glasses between them.

    Attributes
    ----------
    name : str
    surfaces : tuple of Surface
        In the order in which the beam meets them.
    thicknesses_mm : tuple of float
        Centre thickness of each element.
    glasses : tuple of str or Glass
        Glass of each element; a name from ``optics.glass.GLASSES`` or a ``Glass``.
    clear_aperture_mm : float
        Diameter; rays outside it on any surface are lost.

    Raises
    ------
    PrescriptionError
        If the numbers do not fit together or the surfaces cross inside the clear aperture.
    UnknownGlassError
    """

    name: str
    surfaces: tuple[Surface, ...]
    thicknesses_mm: tuple[float, ...]
    glasses: tuple[str | Glass, ...]
    clear_aperture_mm: float

    def __post_init__(self) -> None:
        count = len(self.surfaces)
        if count < 2 or len(self.thicknesses_mm) != count - 1 or len(self.glasses) != count - 1:
            raise PrescriptionError(
                f"lens {self.name!r}: {count} surfaces, {len(self.thicknesses_mm)} thicknesses and "
                f"{len(self.glasses)} glasses; N surfaces (2 or more) need N - 1 of each"
            )
        if not (math.isfinite(self.clear_aperture_mm) and self.clear_aperture_mm > 0.0):
            raise PrescriptionError(
                f"lens {self.name!r}: clear_aperture_mm is {self.clear_aperture_mm}, allowed is above 0"
            )
        for name in self.glasses:
            glass(name)
        sags = [surface.sag_mm(self.clear_aperture_mm / 2) for surface in self.surfaces]
        for number, thickness in enumerate(self.thicknesses_mm):
            if not (math.isfinite(thickness) and thickness > 0.0):
                raise PrescriptionError(
                    f"lens {self.name!r}: thickness is {thickness} mm, allowed is above 0"
                )
            edge = thickness + sags[number + 1] - sags[number]
            if edge < 0.0:
                raise PrescriptionError(
                    f"lens {self.name!r}: surfaces {number + 1} and {number + 2} cross inside the clear "
                    f"aperture of {self.clear_aperture_mm:g} mm (edge thickness {edge:.3f} mm)"
                )

    @classmethod
    def singlet(
        cls,
        name: str,
        r1_mm: float,
        r2_mm: float,
        thickness_mm: float,
        glass: str | Glass,
        clear_aperture_mm: float,
        coating: Coating = "uncoated",
        reflectance: float | None = None,
    ) -> Lens:
        """Return a lens of one element with the same coating on both surfaces."""
        surfaces = (Surface(r1_mm, coating, reflectance), Surface(r2_mm, coating, reflectance))
        return cls(name, surfaces, (thickness_mm,), (glass,), clear_aperture_mm)

    @property
    def thickness_mm(self) -> float:
        """Centre thickness from the front to the back vertex."""
        return math.fsum(self.thicknesses_mm)

    def reversed(self) -> Lens:
        """Return the lens turned round, as when it is put into the mount the wrong way."""
        mark = " (reversed)"
        name = self.name.removesuffix(mark) if self.name.endswith(mark) else self.name + mark
        surfaces = tuple(surface.flipped() for surface in reversed(self.surfaces))
        return Lens(name, surfaces, self.thicknesses_mm[::-1], self.glasses[::-1], self.clear_aperture_mm)

    def indices(self, wavelength_nm: float) -> tuple[float, ...]:
        """Return the index of every space: air, each element, air (N + 1 numbers).

        Raises
        ------
        WavelengthOutOfRangeError
        """
        return (1.0, *(refractive_index(name, wavelength_nm) for name in self.glasses), 1.0)

    def effective_focal_length_mm(self, wavelength_nm: float) -> float:
        """Return the paraxial effective focal length; ``math.inf`` for a lens without power.

        Source: Hecht, Optics, ch. 6 (thick lens, matrix method).
        """
        c = self._matrix(wavelength_nm)[1][0]
        return math.inf if c == 0.0 else -1.0 / c

    def back_focal_length_mm(self, wavelength_nm: float) -> float:
        """Return the distance from the back vertex to the rear focal point; ``math.inf`` without power."""
        (a, _), (c, _) = self._matrix(wavelength_nm)
        return math.inf if c == 0.0 else -a / c

    def _matrix(self, wavelength_nm: float) -> tuple[tuple[float, float], tuple[float, float]]:
        """Ray matrix for (height, slope) from the front to the back vertex."""
        n = self.indices(wavelength_nm)
        a, b, c, d = 1.0, 0.0, 0.0, 1.0
        for number, surface in enumerate(self.surfaces):
            power = (n[number + 1] - n[number]) * surface.curvature_per_mm
            ratio = 1.0 / n[number + 1]
            c, d = (n[number] * c - power * a) * ratio, (n[number] * d - power * b) * ratio
            if number < len(self.thicknesses_mm):
                thickness = self.thicknesses_mm[number]
                a, b = a + thickness * c, b + thickness * d
        return (a, b), (c, d)
