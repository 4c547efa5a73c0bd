"""Passes over a frame against what numpy, OpenCV and SciPy make of the same pixels."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import ndimage, stats
from scipy.optimize import approx_fprime

from vision import frame_kernels, hole_fit, map_fit, mark
from vision.background import as_bright, scale_background
from vision.blocks import Box, make_blocks
from vision.camera_lens import CameraLens
from vision.fiducials import EdgePoints
from vision.image import Image, Sensor, held_for


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(23)


class Straight:
    """A map of 0.01 mm to a pixel."""

    def to_mm(self, points_px: np.ndarray, /) -> np.ndarray:
        return points_px * 0.01

    def to_px(self, points_mm: np.ndarray, /) -> np.ndarray:
        return points_mm * 100.0


def picture(rng: np.random.Generator, rows: int = 61, columns: int = 83) -> np.ndarray:
    return rng.integers(60, 4096, (rows, columns)).astype(np.uint16)


@pytest.mark.parametrize("size", [1, 5])
def test_blocks_are_sums_of_their_valid_pixels(rng: np.random.Generator, size: int) -> None:
    pixels, dark = picture(rng), picture(rng).astype(np.float32)
    valid = (rng.uniform(0.0, 1.0, pixels.shape) < 0.6).astype(np.float32)
    sums = np.empty((7, 9, 11))
    frame_kernels.block_sums(pixels, dark, valid, (3, 2, size), (0.25, 7.0, 3500.0), sums)
    window = np.s_[2 : 2 + 9 * size, 3 : 3 + 11 * size]
    light = (pixels - 0.25 * dark.astype(float) - 7.0)[window]
    kept, x, y = valid[window].astype(float), *np.meshgrid(np.arange(11 * size), np.arange(9 * size))
    middle = (size - 1) / 2.0
    expected = [
        kept,
        kept * light,
        kept * light**2,
        kept * (pixels[window] >= 3500.0),
        dark[window].astype(float),
        kept * (x % size - middle),
        kept * (y % size - middle),
    ]
    of_block = np.array(expected).reshape(7, 9, size, 11, size).sum(axis=(2, 4))
    assert_allclose(sums, of_block, rtol=1e-10, atol=1e-9)


@pytest.mark.parametrize("black", [0.0, 64.0])
def test_a_background_of_another_brightness_is_the_scaled_one(rng: np.random.Generator, black: float) -> None:
    sensor = Sensor(black_level_dn=black)
    image = Image(picture(rng), 0.02, sensor)
    behind = Image(picture(rng).astype(np.float32), 0.01, sensor, 4)
    bright, scaled = as_bright(behind, 1.3), scale_background(behind, 0.02, 1.3)
    assert bright.pixels is behind.pixels
    one, other = (make_blocks(image, dark, Straight(), Box(0, 0, 80, 60), 4) for dark in (bright, scaled))
    assert one is not None
    assert other is not None
    assert_allclose(one.value_e, other.value_e, rtol=1e-5, atol=1e-2)
    assert_allclose(one.limit_e, other.limit_e, rtol=1e-5, atol=1e-2)


def test_tiles_and_halves_are_opencvs_area_means(rng: np.random.Generator) -> None:
    pixels = picture(rng, 64, 96)
    means, small = np.empty((4, 6)), np.empty((32, 48), np.float32)
    frame_kernels.tile_means(pixels, means)
    frame_kernels.halved(pixels, small)
    as_float = pixels.astype(np.float32)
    assert_allclose(means, cv2.resize(as_float, (6, 4), interpolation=cv2.INTER_AREA), rtol=1e-5)
    assert_allclose(small, cv2.resize(as_float, (48, 32), interpolation=cv2.INTER_AREA), rtol=1e-6)
    odd = np.empty((3, 5))
    frame_kernels.tile_means(pixels[:37, :43].copy(), odd)
    assert odd.mean() == pytest.approx(pixels[:37, :43].mean(), rel=0.02)


def test_the_ends_of_each_pixel_are_left_out(rng: np.random.Generator) -> None:
    frames = [picture(rng) for _ in range(5)]
    total, low, high = frames[0].astype(np.float32), frames[0].copy(), frames[0].copy()
    for frame in frames[1:]:
        frame_kernels.add_between(frame, total, low, high)
    frame_kernels.take_ends_off(low, high, 3, total)
    assert_allclose(total, np.sort(frames, axis=0)[1:-1].mean(axis=0), rtol=1e-6)


def test_eight_bits_are_cut_at_both_ends(rng: np.random.Generator) -> None:
    pixels, stretched = picture(rng), np.empty((61, 83), np.uint8)
    frame_kernels.stretched(pixels, 500.0, 0.1, stretched)
    assert np.array_equal(stretched, np.clip((pixels - 500.0) * np.float32(0.1), 0, 255).astype(np.uint8))
    assert stretched.min() == 0
    assert stretched.max() == 255


def test_edge_profiles_are_trimmed_means_of_bilinear_samples(rng: np.random.Generator) -> None:
    pixels = picture(rng)
    nodes = np.array(
        [[[[20.0, 10.0], [30.0, 12.0]], [[22.0, 40.0], [33.0, 44.0]]], [[[78.0, 10.0], [99.0, 12.0]]] * 2]
    )
    share, across = np.linspace(0.0, 1.0, 12).reshape(2, 6), np.linspace(0.0, 1.0, 9)
    along, over = np.stack([1.0 - share, share], axis=-1), np.stack([1.0 - across, across], axis=-1)
    mean, scatter, inside = np.empty((2, 2, 9)), np.empty((2, 2, 2)), np.empty((2, 2), bool)
    frame_kernels.edge_profiles(pixels, nodes, along, over, 3, mean, scatter, inside)
    assert inside.tolist() == [[True, True], [False, False]]
    places = np.einsum("gpa,ack,nc->gnpk", along, nodes[0], over)
    values = ndimage.map_coordinates(pixels.astype(float), [places[..., 1], places[..., 0]], order=1)
    assert_allclose(mean[0], stats.trim_mean(values, 0.34, axis=2), rtol=1e-12)
    assert_allclose(scatter[0, :, 0], values[:, :3].reshape(2, -1).var(axis=1), rtol=1e-9)
    assert_allclose(scatter[0, :, 1], values[:, -3:].reshape(2, -1).var(axis=1), rtol=1e-9)


LENS = CameraLens((1280.0, 1290.0), (630.0, 520.0), (-0.12, 0.05, 1e-3, -2e-3, 0.01))


def test_straightening_is_opencvs(rng: np.random.Generator) -> None:
    points = rng.uniform(0.0, 1.0, (50, 2)) * (1280.0, 1024.0)
    matrix = np.array([[1280.0, 0.0, 630.0], [0.0, 1290.0, 520.0], [0.0, 0.0, 1.0]])
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    eye, terms = np.eye(3), np.array(LENS.coefficients)
    expected = cv2.undistortPointsIter(points[:, None], matrix, terms, eye, eye, stop).reshape(-1, 2)
    assert_allclose(LENS.straighten(points), expected, atol=1e-10)
    assert_allclose(LENS.bend(LENS.straighten(points)), points, atol=1e-9)


def edges(rng: np.random.Generator) -> EdgePoints:
    seen, angle, one = rng.uniform(100.0, 900.0, (30, 2)), rng.uniform(0.0, 6.3, 30), np.ones(30)
    normal = np.column_stack([np.cos(angle), np.sin(angle)])
    return EdgePoints(seen * 0.05, normal, one, seen, one, one, one, np.zeros(30, np.int64))


@pytest.mark.parametrize("terms", [0, 1, 4])
def test_slopes_of_the_map_agree_with_finite_differences(rng: np.random.Generator, terms: int) -> None:
    points = edges(rng)
    homography = [52.0, 1.0, 3.0, -2.0, -49.0, 1.0, 0.03, -0.02]
    parameters = np.array([*homography, *(-0.1, 0.05, 1e-3, -1e-3)[:terms], 0.01])
    lens = CameraLens.ideal(1280, 1024)
    slopes = map_fit._slopes(points, lens, parameters)
    numeric = approx_fprime(parameters, lambda values: map_fit._misses(points, lens, values), 1e-7)
    assert_allclose(slopes, numeric, rtol=1e-5, atol=1e-5)


def test_slopes_of_circle_and_cross_agree_with_finite_differences(rng: np.random.Generator) -> None:
    points, circle = rng.normal(0.0, 2.0, (20, 2)), np.array([0.1, -0.2, 1.7])
    numeric = approx_fprime(circle, lambda values: hole_fit._circle_misses(points, values), 1e-7)
    assert_allclose(hole_fit._circle_slopes(points, circle), numeric, atol=1e-6)
    normals, center, turned = (
        np.array([[0.0, 1.0], [1.0, 0.0]] * 10),
        np.array([0.5, 0.4]),
        np.array([0.1, 0.2, 0.05]),
    )
    numeric = approx_fprime(turned, lambda values: mark._cross_misses(points, normals, center, values), 1e-7)
    assert_allclose(mark._cross_slopes(points, normals, center, turned), numeric, atol=1e-6)


def test_levels_are_taken_out_as_least_squares_would(rng: np.random.Generator) -> None:
    across, values = np.linspace(-0.3, 0.3, 41), rng.normal(0.0, 1.0, (3, 41))
    edge, blur, deepest = np.array([0.01, -0.02, 0.0]), np.array([0.03, 0.02, 0.05]), np.full(3, -0.2)
    rest, line = np.empty((2, 3, 41))
    hole_fit.without_levels(values, across, edge, blur, deepest, 0.04, rest, line)
    seen = across > -0.2
    for s in range(3):
        x = across[seen] - edge[s]
        levels = np.column_stack([np.ones(x.size), stats.norm.cdf(x / blur[s])])
        glow = np.exp(-0.5 * ((x - 0.04) / np.hypot(blur[s], 0.6 * 0.04)) ** 2)
        for found, column in ((rest, values[s, seen]), (line, glow)):
            left = column - levels @ np.linalg.lstsq(levels, column, rcond=None)[0]
            assert_allclose(found[s, seen], left, atol=1e-7)
            assert not found[s, ~seen].any()


def test_what_follows_from_pixels_is_worked_out_once_for_an_array(rng: np.random.Generator) -> None:
    asked = []

    def mean(image: Image) -> float:
        asked.append(image)
        return float(image.pixels.mean())

    image = Image(picture(rng), 0.01, Sensor())
    again, copied = Image(image.pixels, 0.02, Sensor()), Image(image.pixels.copy(), 0.01, Sensor())
    assert held_for(image, mean) == held_for(again, mean) == held_for(copied, mean)
    assert [one is other for one, other in zip(asked, (image, copied), strict=True)] == [True, True]
