"""What is wrong with a request to the optics room; every message names the value and what is allowed."""

from __future__ import annotations


class OpticsError(ValueError):
    """A glass, prescription, layout, beam or pose that the physics cannot answer for."""


class UnknownGlassError(OpticsError):
    """The glass is not in the list; the message offers the nearest name."""


class WavelengthOutOfRangeError(OpticsError):
    """The wavelength lies outside the range that the glass's constants were fitted for."""


class PrescriptionError(OpticsError):
    """A lens that cannot exist: a zero radius, surfaces that cross in the clear aperture and the like."""


class LayoutError(OpticsError):
    """A distance or a beam that cannot exist."""


class RayLostError(OpticsError):
    """The ray misses a surface or is totally reflected, so that the spot asked for does not exist."""
