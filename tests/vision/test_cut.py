"""Light that a camera loses towards its edge, and returns that the frame's edge cuts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_frames import HEIGHT, PITCH_MM, WIDTH, AffineMap, MadeFrame, MadeSpot, expose

from vision.blocks import Box, make_blocks
from vision.image import Image, Sensor
from vision.look import measure_transmitted
from vision.spots import Expectation, Flag, Spot

MAP = AffineMap()
FIELD_OVER_DISTANCE = 0.16  # half a field of 64 mm from 200 mm
LOST = 1.0 - 1.0 / (1.0 + FIELD_OVER_DISTANCE**2) ** 2


def cos4() -> np.ndarray:
    """The cos^4 law of illumination over a frame (any handbook of optics), as the tangent of the angle."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    tangent = np.hypot(x - (WIDTH - 1) / 2, y - (HEIGHT - 1) / 2) * FIELD_OVER_DISTANCE / (WIDTH / 2)
    return np.cos(np.arctan(tangent)) ** 4


def measured(frame: MadeFrame, rng: np.random.Generator, falloff: float, stretch_sigma: float = 0.0) -> Spot:
    """Measure the only spot of a frame, expected where it is to 0.3 mm."""
    (spot,) = frame.spots
    truth = MAP.to_mm(np.array([[spot.x, spot.y]]))[0]
    radius = 2.0 * spot.sigma * PITCH_MM
    expected = Expectation(truth + 0.2, np.eye(2) * 0.09, radius, 0.02, 1.0, stretch_sigma)
    image = expose(replace(frame, sensor=Sensor(falloff=falloff)), rng)
    found = measure_transmitted(image, None, MAP, expected)
    assert isinstance(found, Spot), found
    return found


def off_mm(found: Spot, spot: MadeSpot) -> np.ndarray:
    return found.center_mm - MAP.to_mm(np.array([[spot.x, spot.y]]))[0]


def test_blocks_are_as_bright_as_an_even_camera_would_see_them() -> None:
    sensor = Sensor(falloff=LOST)
    digits = np.float32(2000.0 / sensor.gain_e_per_dn) * cos4().astype(np.float32)
    blocks = make_blocks(Image(digits, 0.01, sensor), None, MAP, Box(0, 0, WIDTH, HEIGHT), 16)
    assert blocks is not None
    assert blocks.value_e == pytest.approx(2000.0, rel=1e-3)


def test_a_wide_return_beside_the_middle_is_not_drawn_towards_it() -> None:
    """Without the correction the slope g of the response moves a Gaussian by g w^2 / 4."""
    spot = MadeSpot(350.0, 480.0, 75.0, 4000.0)
    frame = MadeFrame((spot,), albedo=cos4())
    rng = np.random.default_rng(1)
    drawn, right = (off_mm(measured(frame, rng, falloff), spot) for falloff in (0.0, LOST))
    slope_per_px = 4.0 * (640.0 - spot.x) * (FIELD_OVER_DISTANCE / (WIDTH / 2)) ** 2
    assert drawn[0] == pytest.approx(slope_per_px * spot.sigma**2 * PITCH_MM, rel=0.15)
    assert np.hypot(*right) < 0.1 * np.hypot(*drawn)


def test_a_return_that_the_edge_cuts_may_not_be_round_and_says_so() -> None:
    """Axes 1 % longer and shorter than their mean, as a tilted lens makes them; its middle 0.3 w inside."""
    sigma, stretch = 75.0, 0.01
    spot = MadeSpot(0.6 * sigma, 500.0, sigma, 4000.0)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    dx, dy = x - spot.x, y - spot.y
    squares = (dx * np.exp(stretch)) ** 2 + (dy * np.exp(-stretch)) ** 2
    # What is painted round is brought into shape by the plate's albedo.
    shape = np.exp(np.clip(0.5 * (dx**2 + dy**2 - squares) / sigma**2, -1.0, 1.0))
    frame = MadeFrame((spot,), light_e=(0.0, 0.0, 0.0), albedo=shape)
    far = {}
    for told in (0.0, stretch):
        found = measured(frame, np.random.default_rng(2), 0.0, told)
        assert Flag.CUT_BY_FRAME in found.flags
        off = off_mm(found, spot)
        far[told] = float(np.sqrt(off @ np.linalg.solve(found.covariance_mm2, off)))
    assert far[0.0] > 5.0
    assert far[stretch] < 2.5


def test_a_whole_return_states_the_same_however_round_it_is() -> None:
    frame = MadeFrame((MadeSpot(640.0, 512.0, 40.0, 4000.0),))
    one, other = (measured(frame, np.random.default_rng(3), 0.0, told) for told in (0.0, 0.01))
    assert one.covariance_mm2 == pytest.approx(other.covariance_mm2)
