"""A frame of a plate with all that is known about it, and where a fit in it starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision import find
from vision.blocks import Array, Array32, Blocks, Box, HoleLike, PixelMap, make_blocks
from vision.fit import Prior
from vision.fit_model import Shape
from vision.image import Image
from vision.plate import PlateSpec

REACH = 4.5  # standard deviations of a spot that the fitted region takes in
MOST_BLOCKS = 4500
# Of several spots more blocks than so many for each tell no more, as long as the smallest keeps enough to
# its standard deviation. Larger ones average over grains of speckle and paper, so that what is left of these
# reaches from a block to its neighbours at most, as the noise model has it. A single spot costs little.
ENOUGH_BLOCKS, ENOUGH_FINE = 1000, 3.0


@dataclass(frozen=True, slots=True)
class Scene:
    """A frame of a plate with all that is known about it; ``valid`` as for `make_blocks`."""

    image: Image
    background: Image | None
    plate_map: PixelMap
    hole: HoleLike | None
    valid: Array32 | None
    plate: PlateSpec | None
    pitch_mm: float

    def blocks(
        self,
        centers_mm: Sequence[Array],
        radii_mm: Sequence[float],
        fine: float,
        most: int = MOST_BLOCKS,
        reach: float = REACH,
        enough: int = ENOUGH_BLOCKS,
    ) -> Blocks | None:
        """Return blocks around some spots, ``fine`` blocks to a standard deviation of the smallest.

        Of several, not more than ``enough`` for each where that leaves them fine; ``most`` in all.
        Where spots lie far apart, the blocks between them are left out, so that those of the spots stay fine.
        """
        sigma_px = min(radii_mm) / 2.0 / self.pitch_mm
        size = max(1, int(sigma_px / fine))
        enough = most if len(centers_mm) == 1 else min(enough * len(centers_mm), most)
        shape = self.image.pixels.shape
        box = find.box_around(self.plate_map, centers_mm, radii_mm, reach, size).clipped_to(shape)
        own_px = _area_px(box)
        if own_px / size**2 > most:
            each = zip(centers_mm, radii_mm, strict=True)
            boxes = [find.box_around(self.plate_map, [at], [radius], reach, size) for at, radius in each]
            own_px = min(own_px, sum(_area_px(one.clipped_to(shape)) for one in boxes))
        while own_px / size**2 > (enough if (size + 1) * ENOUGH_FINE <= sigma_px else most) and size < 24:
            size += 1
        blocks = make_blocks(self.image, self.background, self.plate_map, box, size, self.valid)
        if blocks is None or own_px > 0.8 * _area_px(box):
            return blocks
        return near(blocks, centers_mm, [reach * radius / 2.0 for radius in radii_mm])

    def frame_blocks(self, radius_mm: float) -> Blocks | None:
        """Return blocks of the whole frame, about two to a standard deviation."""
        rows, columns = self.image.pixels.shape
        least = int(np.ceil(np.sqrt(rows * columns / MOST_BLOCKS)))
        size = max(least, int(radius_mm / 2.0 / self.pitch_mm / 2.0))
        box = Box(0, 0, columns, rows)
        blocks = make_blocks(self.image, self.background, self.plate_map, box, size, self.valid)
        # Over a whole frame a view is not uneven in proportion to the distance from its middle.
        return None if blocks is None else replace(blocks, smears_mm2=None)


def near(blocks: Blocks, centers_mm: Sequence[Array], reaches_mm: Sequence[float]) -> Blocks:
    """Return the blocks that lie within reach of any of some places."""
    close = np.zeros(blocks.value_e.size, bool)
    for center, reach_mm in zip(centers_mm, reaches_mm, strict=True):
        x, y = blocks.at_mm[0] - center[0], blocks.at_mm[1] - center[1]
        close |= x * x + y * y < reach_mm * reach_mm
    return blocks.take(close)


def _area_px(box: Box) -> int:
    return max(0, box.x1 - box.x0) * max(0, box.y1 - box.y0)


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
