"""How the three spots answer to decentre and tilt."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.paraxial import path_matrix
from optics.paths import Plate, ray_path
from optics.spots import THREE_SPOTS, spot_jacobian

ON_AXIS = (0.0, 0.0, 0.0, 0.0)


def sensitivities(lens: Lens, layout: Layout, beam: Beam, pose: ArrayLike = ON_AXIS) -> NDArray[np.float64]:
    """Return how the six spot coordinates change with the pose, from the exact trace.

    Parameters
    ----------
    lens, layout, beam
        The bench.
    pose : array_like, shape (4,)
        decenter x, y (mm), tilt x, y (mrad) at which to differentiate; on axis by default.

    Returns
    -------
    ndarray, shape (6, 4)
        Rows front x, y, back x, y, transmitted x, y (mm); columns per mm, mm, mrad, mrad.

    Raises
    ------
    RayLostError
        If a spot does not exist at this pose.
    OpticsError
        If the pose is not four finite numbers.
    """
    jacobian: NDArray[np.float64] = spot_jacobian(lens, layout, beam, pose)[0]
    return jacobian


def paraxial_sensitivities(lens: Lens, layout: Layout, beam: Beam) -> NDArray[np.float64]:
    """Return the same in closed form, for a lens on axis.

    With (A, B) from the front vertex to the plate: 1 - A per mm of decentre; -(L1 + B) per rad of tilt y for
    a return and (t + L2) - B for the transmitted spot; the y rows have the opposite sign of tilt.

    Parameters
    ----------
    lens, layout
    beam : Beam
        Only its wavelength matters.

    Returns
    -------
    ndarray, shape (6, 4)
        mm per [mm, mm, mrad, mrad].
    """
    result = np.zeros((6, 4))
    for spot, name in enumerate(THREE_SPOTS):
        path = ray_path(name, len(lens.surfaces))
        a, b = path_matrix(lens, layout, beam.wavelength_nm, path)[0]
        back = path.plate is Plate.HOLE_TARGET
        per_rad = -(layout.l1_mm + b) if back else lens.thickness_mm + layout.l2_mm - b
        result[2 * spot, 0] = result[2 * spot + 1, 1] = 1.0 - a
        result[2 * spot, 3] = per_rad * 1e-3
        result[2 * spot + 1, 2] = -per_rad * 1e-3
    return result
