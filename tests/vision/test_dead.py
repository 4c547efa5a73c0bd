"""Which pixels show the plate, and where the blocks that a hole cuts have their middle."""

import numpy as np

from vision.blocks import Box, make_blocks
from vision.dead import seen_plate
from vision.hole import Hole
from vision.image import Image, Sensor


class Flat:
    """A map of 0.1 mm to the pixel."""

    def to_mm(self, points_px):
        return np.asarray(points_px, float) * 0.1

    def to_px(self, points_mm):
        return np.asarray(points_mm, float) / 0.1


def hole_at(x_mm, y_mm):
    return Hole(np.array([x_mm, y_mm]), np.eye(2) * 1e-8, 1.0, 1e-4, "dark", 1.0)


def test_dead_pixels_are_those_of_the_hole_that_is_asked_for():
    plate_map, left, right = Flat(), hole_at(2.0, 3.0), hole_at(6.0, 3.0)
    for hole in (left, right, left):
        pitch_mm, valid = seen_plate(plate_map, hole, None, (60, 80))
        row, column = np.nonzero(valid == 0.0)
        assert np.isclose(pitch_mm, 0.1)
        assert np.allclose([column.mean() * 0.1, row.mean() * 0.1], hole.center_mm, atol=0.02)
    assert seen_plate(plate_map, left, None, (60, 80))[1] is seen_plate(plate_map, left, None, (60, 80))[1]
    assert seen_plate(plate_map, left, None, (50, 80))[1].shape == (50, 80)
    assert seen_plate(plate_map, None, None, (60, 80))[1] is None


def test_a_block_that_the_hole_cuts_lies_where_its_pixels_do():
    """Against the mean place of the valid pixels, one by one."""
    plate_map, size = Flat(), 8
    valid = seen_plate(plate_map, hole_at(2.0, 3.0), None, (60, 80))[1]
    image = Image(np.full((60, 80), 100, np.uint16), 0.01, Sensor())
    blocks = make_blocks(image, None, plate_map, Box(3, 5, 75, 53), size, valid)
    cut = np.flatnonzero(blocks.pixels < size**2 - 0.5)
    assert cut.size > 8
    for number in cut:
        row, column = np.divmod(blocks.index[number], blocks.grid[1])
        y, x = np.nonzero(valid[5 + row * size :, 3 + column * size :][:size, :size])
        place = np.array([3 + column * size + x.mean(), 5 + row * size + y.mean()]) * 0.1
        assert np.allclose(blocks.at_mm[:, number], place, atol=1e-6)
