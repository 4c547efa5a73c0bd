"""How a plate is drawn: each pixel is the mean over its area, and the cross leaves room for the spot."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sim.plate_art import TrueHole, albedo_map
from sim.scene_nuisances import SceneNuisances
from vision.plate import PlateSpec, reference_target

PLAIN = dataclasses.replace(SceneNuisances.none(), paper_albedo=1.0, ink_albedo=0.0, hole_albedo=0.0)
MARKED = PlateSpec("p", 20.0, 20.0, "downstream", None, {3: (0.13, -0.21)}, fiducial_side_mm=6.0)


def grid(pitch_x: float, pitch_y: float, turn_rad: float, shape: tuple[int, int]) -> tuple[np.ndarray, ...]:
    """Plate coordinates of a turned grid of pixels of ``pitch_x`` by ``pitch_y`` mm about the origin."""
    rows, columns = shape
    u = (np.arange(columns) - (columns - 1) / 2) * pitch_x
    v = -(np.arange(rows) - (rows - 1) / 2) * pitch_y
    u, v = np.meshgrid(u, v)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return (c * u - s * v).astype(np.float32), (s * u + c * v).astype(np.float32)


def drawn(
    plate: PlateSpec, hole: TrueHole | None, x: np.ndarray, y: np.ndarray, pixel_mm: float
) -> np.ndarray:
    return albedo_map(plate, hole, x, y, pixel_mm, PLAIN, np.random.default_rng(0)).astype(float)


@pytest.mark.parametrize("turn_rad", [0.0, 0.004, 0.05, 0.6])
def test_marker_pixels_are_the_mean_over_their_area(turn_rad: float) -> None:
    """Against the same marker drawn 15 times finer each way; a point sample is off by 0.5 at an edge."""
    fine = 15
    seen = drawn(MARKED, None, *grid(0.058, 0.05, turn_rad, (168, 160)), 0.054)
    dense = drawn(MARKED, None, *grid(0.058 / fine, 0.05 / fine, turn_rad, (168 * fine, 160 * fine)), 0.0036)
    mean = dense.reshape(168, fine, 160, fine).mean(axis=(1, 3))
    miss = np.abs(seen - mean)
    assert miss.max() < (0.02 if turn_rad < 0.1 else 0.08)  # corners of cells, where the pixel is aslant
    assert np.sqrt((miss**2).mean()) < 0.004


@pytest.mark.parametrize("turn_rad", [0.0, 0.001, 0.02])
def test_a_near_level_edge_lies_where_it_is_all_along(turn_rad: float) -> None:
    """The lower edge of a marker, from the ink that each column holds: it does not wander with the pixels."""
    x, y = grid(0.058, 0.05, turn_rad, (168, 160))
    seen = drawn(MARKED, None, x, y, 0.054)
    low_mm = MARKED.fiducials[3][1] - MARKED.fiducial_side_mm / 2
    offsets = []
    for column in np.flatnonzero(np.abs(x[84] - MARKED.fiducials[3][0]) < 2.5):
        height = y[:, column]
        near = np.abs(height - low_mm) < 0.45  # inside the black border of one cell
        pitch = float(-np.diff(height).mean())
        # All is ink above the edge and paper below it.
        edge = height[near].min() - pitch / 2 + seen[near, column].sum() * pitch
        offsets.append(1e3 * (edge - low_mm))
    assert np.max(np.abs(offsets)) < 0.3


def test_the_hole_is_cut_over_the_area_of_each_pixel() -> None:
    """The missing light is the hole's area, and its middle the hole's, wherever it lies among the pixels."""
    plate = PlateSpec("p", 20.0, 20.0, "downstream", 1.0, {})
    x, y = grid(0.1, 0.05, 0.01, (168, 88))
    for center in ((0.0, 0.0), (0.021, 0.013), (-0.037, 0.044)):
        dark = 1.0 - drawn(plate, TrueHole(center, 1.0), x, y, 0.07)
        near = np.hypot(x - center[0], y - center[1]) < 1.5
        assert dark[near].sum() * 0.005 == pytest.approx(np.pi, rel=2e-3)
        for axis, place in zip((x, y), center, strict=True):
            assert (dark * axis)[near].sum() / dark[near].sum() == pytest.approx(place, abs=5e-4)


def test_dust_darkens_and_brightens_round_its_places() -> None:
    """Against the same specks over the whole plate in double precision, a later one over an earlier."""
    plate = PlateSpec("p", 20.0, 20.0, "downstream", None, {})
    dusty = dataclasses.replace(PLAIN, dust_specks=60.0, dust_size_um=150.0)
    x, y = grid(0.1, 0.11, 0.05, (168, 176))
    seen = albedo_map(plate, None, x, y, 0.1, dusty, np.random.default_rng(7))
    rng, expected = np.random.default_rng(7), np.ones(x.shape)
    for _ in range(rng.poisson(60.0)):
        center = rng.uniform(-0.5, 0.5, 2) * 20.0
        radius = 0.15 * np.exp(0.5 * rng.standard_normal())
        strength = (-0.7, -0.4, 0.3)[int(rng.integers(3))]
        square = (x - center[0]) ** 2 + (y - center[1]) ** 2
        expected *= 1 + strength * np.exp(-((square / radius**2) ** 2))
    assert np.ptp(expected) > 0.8
    inside = np.maximum(np.abs(x), np.abs(y)) < 9.9
    assert seen[inside] == pytest.approx(expected[inside], abs=2e-5)


def test_the_cross_is_drawn_round_a_free_centre() -> None:
    x, y = grid(0.03, 0.03, 0.0, (168, 168))
    seen = drawn(reference_target(), None, x, y, 0.03)
    solid = drawn(dataclasses.replace(reference_target(), cross_gap_mm=0.0), None, x, y, 0.03)
    free = np.hypot(x, y) < 0.97
    assert seen[free].min() == 1.0
    assert solid[free].min() < 0.1
    arms = (np.abs(x) > 1.1) & (np.abs(x) < 1.9) & (np.abs(y) < 0.05)
    assert seen[arms].max() < 0.1
