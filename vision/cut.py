"""What a spot that the frame's edge cuts does not tell of itself: its other side.

The centre of a whole spot does not answer to how round it is, and little to how evenly the camera sees the
plate. That of a cut one does, and no residual shows it: both go into its stated covariance.
"""

from __future__ import annotations

import numpy as np

from vision.blocks import Array, Blocks
from vision.fit import Fit
from vision.fit_model import stretch_rows
from vision.image import Image

FALLOFF_KNOWN = 0.5  # relative standard uncertainty of the falloff that a camera is said to have: a judgement


def model_covariance_mm2(result: Fit, blocks: Blocks, spot: int, image: Image, stretch_sigma: float) -> Array:
    """Return what the model's errors add to the covariance of a cut spot's centre, shape (2, 2).

    Parameters
    ----------
    result : Fit
    blocks : Blocks
    spot : int
    image : Image
        For its width, and for the light that its camera loses towards the edge.
    stretch_sigma : float
        Standard uncertainty of ln of the spot's axes over their mean.
    """
    half_frame_mm = 0.5 * image.pixels.shape[1] * blocks.pitch_mm
    # Light that falls off with the square has this slope at the edge.
    slope = 2.0 * FALLOFF_KNOWN * image.sensor.falloff / half_frame_mm
    peak = result.shape.amplitude(spot)
    away = blocks.at_mm - result.center_mm(spot)[:, None]
    stretched = stretch_rows(result.shape, result.theta, blocks.at_mm, blocks.smear_mm2, spot)
    wrong = np.concatenate([stretch_sigma * stretched, slope * result.theta[peak] * result.rows[peak] * away])
    weighted = result.rows * (result.residual != 0.0) / result.variance_e2
    normal = weighted @ result.rows.T + np.diag(result.prior.weight)
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / np.outer(scale, scale) + 1e-12 * np.eye(scale.size)
    moved = np.linalg.solve(scaled, weighted @ wrong.T / scale[:, None]) / scale[:, None]
    center = moved[result.shape.center(spot)]
    added: Array = center @ center.T
    return added
