"""What only the simulator knows: where the lens truly is against the true beam."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optics.layout import Beam, Layout
from optics.lens import Lens
from sim.mount_geometry import LensState, tilt_of, turned

_ARCSEC_PER_MRAD = math.degrees(1e-3) * 3600


@dataclass(frozen=True, slots=True)
class BenchTruth:
    """What only the simulator knows, at one moment.

    Attributes
    ----------
    time_s : float
    pose : ndarray, shape (4,), or None
        Of the lens in the bench frame (mm, mm, mrad, mrad); None while the beam is bare.
    decenter_um, tilt_arcsec : tuple of float, or None
        Residual against the true beam, see :func:`residual`.
    beam : Beam
        The true beam now.
    layout : Layout
        The true distances.
    lens : Lens
        The lens as made.
    positions : mapping of str to float
        Where the carriages truly are, axis units.
    shutter_open, lamp_on : bool
    """

    time_s: float
    pose: NDArray[np.float64] | None
    decenter_um: tuple[float, float] | None
    tilt_arcsec: tuple[float, float] | None
    beam: Beam
    layout: Layout
    lens: Lens
    positions: Mapping[str, float]
    shutter_open: bool
    lamp_on: bool


def residual(state: LensState, beam: Beam, l1_mm: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return how far a lens is off the true beam.

    The optical axis of a lens of spherical surfaces is the line through their centres of curvature; here it
    is the line through the front vertex along the lens axis. Decenter is the front vertex minus the point
    where the beam's axis (without the lens) crosses the plane z = const through that vertex. Tilt is that of
    the lens axis in a frame that is turned by the smallest rotation which takes z to the beam's direction;
    right-handed about its x and y, as a pose's tilt. Both are zero when the optical axis lies on the beam.

    Parameters
    ----------
    state : LensState
    beam : Beam
        The true beam.
    l1_mm : float
        True distance from the hole target to the nominal front vertex.

    Returns
    -------
    decenter_um, tilt_arcsec : tuple of float
        x and y each.
    """
    slope_x, slope_y = 1e-3 * beam.slope_mrad[0], 1e-3 * beam.slope_mrad[1]
    x_mm, y_mm, z_mm = state.vertex_mm.tolist()
    way_mm = l1_mm + z_mm
    decenter_um = (
        1e3 * (x_mm - beam.offset_mm[0] - slope_x * way_mm),
        1e3 * (y_mm - beam.offset_mm[1] - slope_y * way_mm),
    )
    sideways = math.hypot(slope_x, slope_y)
    # Back from the beam's direction to z: about the direction of z cross beam.
    back_rad = -math.atan(sideways) / sideways if sideways > 0 else 0.0
    axis_x, axis_y, axis_z = state.axis.tolist()
    tilt_x, tilt_y = tilt_of(turned((axis_x, axis_y, axis_z), (-slope_y * back_rad, slope_x * back_rad, 0.0)))
    return decenter_um, (_ARCSEC_PER_MRAD * tilt_x, _ARCSEC_PER_MRAD * tilt_y)
