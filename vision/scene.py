"""A frame of a plate with all that is known about it, and where a fit in it starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision import find
from vision.blocks import Array, Blocks, Box, DeadArea, HoleLike, PixelMap, make_blocks
from vision.fit import Prior
from vision.fit_model import Shape
from vision.image import Image
from vision.plate import PlateSpec

REACH = 4.5  # standard deviations of a spot that the fitted region takes in
MOST_BLOCKS = 4500


@dataclass(frozen=True, slots=True)
class Scene:
    """A frame of a plate with all that is known about it."""

    image: Image
    background: Image | None
    plate_map: PixelMap
    hole: HoleLike | None
    dead: tuple[DeadArea, ...]
    plate: PlateSpec | None
    pitch_mm: float

    def blocks(
        self,
        centers_mm: Sequence[Array],
        radii_mm: Sequence[float],
        fine: float,
        most: int = MOST_BLOCKS,
        reach: float = REACH,
    ) -> Blocks | None:
        """Return blocks around some spots, ``fine`` blocks to a standard deviation of the smallest."""
        size = max(1, int(min(radii_mm) / 2.0 / self.pitch_mm / fine))
        box = find.box_around(self.plate_map, centers_mm, radii_mm, reach, size)
        box = box.clipped_to(self.image.pixels.shape)
        while (box.x1 - box.x0) * (box.y1 - box.y0) / size**2 > most and size < 24:
            size += 1
        return make_blocks(self.image, self.background, self.plate_map, box, size, self.dead)

    def frame_blocks(self, radius_mm: float) -> Blocks | None:
        """Return blocks of the whole frame, about two to a standard deviation."""
        rows, columns = self.image.pixels.shape
        least = int(np.ceil(np.sqrt(rows * columns / MOST_BLOCKS)))
        size = max(least, int(radius_mm / 2.0 / self.pitch_mm / 2.0))
        box = Box(0, 0, columns, rows)
        blocks = make_blocks(self.image, self.background, self.plate_map, box, size, self.dead)
        # Over a whole frame a view is not uneven in proportion to the distance from its middle.
        return None if blocks is None else replace(blocks, smears_mm2=None)


def start_of(
    blocks: Blocks,
    centers_mm: Sequence[Array],
    radii_mm: Sequence[float],
    sigmas: Sequence[float | None],
    free_ellipse: bool = False,
) -> tuple[Shape, Array, Prior]:
    """Return model, start and prior for round spots; a radius without a sigma is free."""
    origin = blocks.at_mm.mean(axis=1)
    scale = float(np.ptp(blocks.at_mm, axis=1).max()) / 2.0 or 1.0
    count = len(centers_mm)
    shape = Shape(count, origin, scale, tuple(np.eye(2) for _ in range(count)), free_ellipse)
    theta, weight = np.zeros(shape.size), np.zeros(shape.size)
    for k in range(count):
        theta[shape.center(k)] = centers_mm[k]
        theta[shape.log_radius(k)] = np.log(radii_mm[k])
        sigma = sigmas[k]
        if sigma is not None:
            weight[shape.log_radius(k)] = 1.0 / max(sigma, 0.002) ** 2
        if free_ellipse:
            first = k * shape.per_spot
            weight[first + 3 : first + 5] = 1.0 / 0.5**2
    return shape, theta, Prior(theta.copy(), weight)
