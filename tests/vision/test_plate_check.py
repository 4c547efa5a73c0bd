"""A knocked camera or plate is noticed; a dark frame is not mistaken for either."""

import dataclasses

import cv2
import numpy as np
import pytest

from vision.map_check import MapState, check_map
from vision.plate import hole_target
from vision.plate_map import map_plate

PLATE = hole_target()


@pytest.fixture(scope="module")
def bench(plate_scene):
    view = plate_scene.look_at(PLATE, field_mm=66, distortion=(-0.15, 0.05, 0, 0, 0))
    paper = plate_scene.drill(plate_scene.paint(PLATE), PLATE, (0, 0), rim=0.3)
    frame = plate_scene.expose(plate_scene.render(paper, PLATE, view), np.random.default_rng(1))
    return view, paper, map_plate(frame, PLATE)


@pytest.fixture(scope="module")
def images(plate_scene, bench):
    """The plate untouched and after knocks."""
    view, paper, _ = bench
    knocks = {
        "untouched": ((0, 0), 0),
        "0.1 mm": ((0.1, 0), 0),
        "0.1 mm aslant": ((-0.07, 0.07), 0),
        "turned": ((0, 0), 0.004),
        "0.8 mm": ((0.8, 0.5), 0),
        "5 mm": ((4, 3), 0),
    }
    return {name: plate_scene.render(paper, PLATE, view.shifted(*knock)) for name, knock in knocks.items()}


def glow(shape):
    """Two returns that fill the middle of the plate, in electrons."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    return sum(
        peak * np.exp(-((x - place[0]) ** 2 + (y - place[1]) ** 2) / (2 * sigma**2))
        for peak, place, sigma in ((8000, (600, 480), 60), (6000, (480, 560), 90))
    )


@pytest.mark.parametrize("level", [0.6, 0.01])
@pytest.mark.parametrize("name", ["untouched", "0.1 mm", "0.1 mm aslant", "turned", "0.8 mm", "5 mm"])
def test_a_tenth_of_a_millimetre_is_noticed(plate_scene, bench, images, rng_of, name, level):
    """Lit by the lamp, and with both returns on in a dim room."""
    light = glow(images[name].shape) if level < 0.1 else None
    frame = plate_scene.expose(images[name], rng_of(f"{name} {level}"), level=level, glow=light)
    check = check_map(frame, PLATE, bench[2])
    assert check.state is (MapState.HOLDS if name == "untouched" else MapState.KNOCKED)
    if name == "0.1 mm":
        assert check.shift_mm == pytest.approx((0.1, 0.0), abs=0.01)
    if name == "turned":
        assert check.turn_mrad == pytest.approx(4.0, abs=0.5)
    if name == "5 mm":
        assert check.worst_mm == pytest.approx(5.0, abs=0.05)
    if name != "untouched":
        assert "map the plate again" in check.detail


def wandering_glow(rng, speckled):
    """Two spots anywhere in the frame, of any width, in electrons."""
    y, x = np.mgrid[0:1024, 0:1280]
    light = sum(
        rng.uniform(2000, 8000)
        * np.exp(
            -((x - rng.uniform(0, 1280)) ** 2 + (y - rng.uniform(0, 1024)) ** 2)
            / (2 * rng.uniform(40, 160) ** 2)
        )
        for _ in range(2)
    )
    return light * cv2.GaussianBlur(rng.exponential(1, light.shape), (0, 0), 1.5) if speckled else light


@pytest.mark.parametrize("seed", [0, 1, 26, 43, 71, 73, 90])
def test_no_false_alarm_from_light_alone(plate_scene, bench, seed):
    """Frames in which no mark shows say nothing about the map, though slopes and grains look like edges.

    All seeds but the first two make the check fail when scattered edges are let through.
    """
    rng = np.random.default_rng(seed)
    light = wandering_glow(rng, speckled=seed % 2 == 1)
    frame = plate_scene.expose(np.zeros(light.shape), rng, level=0.0, glow=light)
    check = check_map(frame, PLATE, bench[2])
    assert check.state is MapState.NOT_VISIBLE
    assert check.sigma_mm is None


def test_no_false_alarm_in_a_dim_room(plate_scene, bench, images, rng_of):
    """Twenty electrons between black and white: the answer is HOLDS or NOT_VISIBLE, never KNOCKED."""
    for index, level in enumerate((0.002, 0.002, 0.002, 0.001, 0.001, 0.0005)):
        frame = plate_scene.expose(images["untouched"], rng_of(index), level=level)
        assert check_map(frame, PLATE, bench[2]).state is not MapState.KNOCKED


def test_one_visible_fiducial_is_enough(plate_scene, bench, images, rng_of):
    view, _, plate_map = bench
    place = view.to_px(np.array([PLATE.fiducials[2]]))[0]
    y, x = np.mgrid[0:1024, 0:1280]
    lit = np.hypot(x - place[0], y - place[1]) < 130
    for name, state in (("untouched", MapState.HOLDS), ("0.1 mm", MapState.KNOCKED)):
        frame = plate_scene.expose(images[name] * lit, rng_of(name), level=0.3)
        assert check_map(frame, PLATE, plate_map).state is state


def test_a_frame_of_another_size_is_not_compared(bench, plate_scene, rng_of):
    frame = plate_scene.expose(np.zeros((480, 640)), rng_of("small"))
    check = check_map(frame, PLATE, bench[2])
    assert check.state is MapState.OTHER_FRAME
    assert "(640, 480)" in check.detail


def test_limit_decides(bench, images, plate_scene, rng_of):
    frame = plate_scene.expose(images["0.1 mm"], rng_of("limit"))
    assert check_map(frame, PLATE, bench[2], limit_mm=0.2).state is MapState.HOLDS
    assert dataclasses.replace(check_map(frame, PLATE, bench[2]), detail="").state is MapState.KNOCKED
