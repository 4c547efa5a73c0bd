"""Both returns and the transmitted spot measured on made frames: found, told apart, or a reason given."""

from __future__ import annotations

import numpy as np
import pytest
from made_frames import (
    PITCH_MM,
    AffineMap,
    Fringes,
    MadeFrame,
    MadeHole,
    MadeSpot,
    ObliqueMap,
    expose,
    expose_oblique,
    oblique_light,
)

from vision.image import Image, Sensor
from vision.look import measure_returns, measure_transmitted
from vision.spots import Expectation, Flag, NoSpot, Reason, Sighting, Spot, SpotName

MAP = AffineMap()
HOLE = MadeHole(np.zeros(2), 1.0)
FRONT_MM, BACK_MM = 3.166, 4.823  # REF's radii on the hole target
POWER = (0.0425, 0.0390)
CHI2_9999 = 18.4  # 99.99 % point of chi squared with two degrees of freedom


def _expect(center: tuple[float, float], radius: float, power: float, sigma_mm: float = 10.0) -> Expectation:
    return Expectation(np.array(center), np.eye(2) * sigma_mm**2, radius, 0.02, power)


def _spot(center: tuple[float, float], radius_mm: float, peak_e: float) -> MadeSpot:
    x, y = MAP.to_px(np.array([center]))[0]
    return MadeSpot(x, y, radius_mm / 2.0 / PITCH_MM, peak_e)


def _returns(
    front: tuple[float, float] | None,
    back: tuple[float, float] | None,
    rng: np.random.Generator,
    radii: tuple[float, float] = (FRONT_MM, BACK_MM),
    power: tuple[float, float] = POWER,
    sigma_mm: float = 10.0,
    peak_e: float = 2500.0,
    **more: object,
) -> dict[SpotName, Sighting]:
    spots = []
    if front is not None:
        spots.append(_spot(front, radii[0], peak_e))
    if back is not None:
        spots.append(_spot(back, radii[1], peak_e * power[1] / power[0] * (radii[0] / radii[1]) ** 2))
    frame = MadeFrame(tuple(spots), hole=(640.0, 512.0, 20.0), light_e=(50.0, 20.0, 10.0), **more)
    expected = {
        SpotName.FRONT: _expect(front if front and sigma_mm < 1 else (0, 0), radii[0], power[0], sigma_mm),
        SpotName.BACK: _expect(back if back and sigma_mm < 1 else (0, 0), radii[1], power[1], sigma_mm),
    }
    background = expose(frame, rng, shutter_open=False)
    return dict(measure_returns(expose(frame, rng), background, MAP, HOLE, expected))


def _assert_at(sighting: Sighting, center: tuple[float, float]) -> Spot:
    assert isinstance(sighting, Spot), sighting
    error = sighting.center_mm - center
    assert error @ np.linalg.solve(sighting.covariance_mm2, error) < CHI2_9999
    assert np.hypot(*error) < 0.15
    return sighting


@pytest.mark.parametrize("grain_px", [0.0, 1.2])
def test_both_returns_are_found_and_told_apart_from_nothing(grain_px: float) -> None:
    rng = np.random.default_rng(1)
    for front, back in (((1.6, -2.8), (-7.3, -7.7)), ((-5.3, 0.1), (1.8, 3.0)), ((0.3, -0.2), (0.5, 0.4))):
        found = _returns(front, back, rng, grain_px=grain_px)
        _assert_at(found[SpotName.FRONT], front)
        _assert_at(found[SpotName.BACK], back)


def test_concentric_returns_with_fringes_and_speckle() -> None:
    rng = np.random.default_rng(2)
    rings = Fringes(0.3, 2.2e-3, 0.03, -0.02, 1.0)
    found = _returns((0.05, 0.0), (-0.03, 0.04), rng, sigma_mm=0.05, grain_px=1.2, fringes=rings)
    spot = _assert_at(found[SpotName.FRONT], (0.05, 0.0))
    assert {Flag.OVERLAPS, Flag.CUT_BY_HOLE, Flag.SPECKLE_LIMITED} <= spot.flags
    _assert_at(found[SpotName.BACK], (-0.03, 0.04))


def test_fringes_are_seen_and_do_not_pull() -> None:
    rng = np.random.default_rng(3)
    rings = Fringes(0.5, 2.2e-3, 0.03, -0.02, 1.0)
    found = _returns((0.3, 0.0), (-0.3, 0.2), rng, sigma_mm=0.1, fringes=rings)
    assert Flag.FRINGES in _assert_at(found[SpotName.FRONT], (0.3, 0.0)).flags
    _assert_at(found[SpotName.BACK], (-0.3, 0.2))


def test_nothing_is_found_where_there_is_nothing() -> None:
    found = _returns(None, None, np.random.default_rng(4))
    assert all(isinstance(s, NoSpot) and s.reason is Reason.NO_LIGHT for s in found.values())


def test_one_visible_return_is_attributed() -> None:
    rng = np.random.default_rng(5)
    found = _returns((5.0, 3.0), None, rng, grain_px=1.2)
    _assert_at(found[SpotName.FRONT], (5.0, 3.0))
    assert isinstance(found[SpotName.BACK], NoSpot)
    found = _returns(None, (5.0, 3.0), rng, grain_px=1.2)
    _assert_at(found[SpotName.BACK], (5.0, 3.0))
    assert isinstance(found[SpotName.FRONT], NoSpot)


def test_identical_returns_are_undecided() -> None:
    """The control: a test of labels that passes here would be broken."""
    rng = np.random.default_rng(6)
    found = _returns((5.0, 3.0), (-4.0, 2.0), rng, radii=(3.0, 3.0), power=(0.04, 0.04))
    assert all(isinstance(s, NoSpot) and s.reason is Reason.UNDECIDED for s in found.values())


def test_a_ghost_is_not_taken_for_the_missing_return() -> None:
    ghost = MadeSpot(900.0, 300.0, BACK_MM / 2.0 / PITCH_MM, 8.0)
    found = _returns((5.0, 3.0), None, np.random.default_rng(7), extra=(ghost,))
    _assert_at(found[SpotName.FRONT], (5.0, 3.0))
    assert isinstance(found[SpotName.BACK], NoSpot)


def test_a_return_in_the_hole_is_said_to_be_there() -> None:
    """A plano front: its return of 0.5 mm vanishes in the hole of 1 mm."""
    found = _returns((0.05, 0.0), (-2.0, 0.0), np.random.default_rng(8), radii=(0.52, 7.5))
    front = found[SpotName.FRONT]
    assert isinstance(front, NoSpot)
    assert front.reason is Reason.IN_THE_HOLE
    assert front.bound_mm is not None
    assert 0.05 < front.bound_mm < 1.0


def test_a_return_cut_by_the_frame_is_flagged() -> None:
    found = _returns((5.0, 3.0), (-30.0, 3.0), np.random.default_rng(9), grain_px=1.2)
    assert Flag.CUT_BY_FRAME in _assert_at(found[SpotName.BACK], (-30.0, 3.0)).flags


@pytest.mark.parametrize(
    ("radius", "peak"), [(0.22, 5000.0), (0.22, 40_000.0), (1.17, 6000.0), (3.6, 3000.0)]
)
def test_transmitted_spot_of_any_size_even_saturated(radius: float, peak: float) -> None:
    rng = np.random.default_rng(10)
    frame = MadeFrame((_spot((1.2, -2.3), radius, peak),), light_e=(50.0, 10.0, 10.0))
    image, background = expose(frame, rng), expose(frame, rng, shutter_open=False)
    for expectation in (None, _expect((0.0, 0.0), radius, 0.92)):
        spot = _assert_at(measure_transmitted(image, background, MAP, expectation), (1.2, -2.3))
        assert spot.radius_mm[0] == pytest.approx(radius, rel=0.05)


def test_width_and_power_agree_with_second_moments() -> None:
    """Beam width D4sigma, 4 sigma of the second moment by direct sums (ISO 11146-1:2021, from memory)."""
    rng = np.random.default_rng(11)
    frame = MadeFrame((MadeSpot(640.0, 512.0, 20.0, 5000.0),), light_e=(0.0, 0.0, 0.0))
    y, x = np.mgrid[512 - 160 : 512 + 161, 640 - 160 : 640 + 161].astype(float)
    light = frame.expected(x, y)
    sigma_x = np.sqrt((light * (x - 640.0) ** 2).sum() / light.sum())
    image = expose(frame, rng)
    spot = measure_transmitted(image, None, MAP)
    assert isinstance(spot, Spot)
    assert 2.0 * spot.radius_mm[0] == pytest.approx(4.0 * sigma_x * PITCH_MM, rel=0.003)
    assert spot.power_e_per_s * image.exposure_s == pytest.approx(light.sum(), rel=0.003)


@pytest.mark.parametrize("angle_deg", [45.0, 60.0])
def test_an_oblique_camera_does_not_move_the_centre(angle_deg: float) -> None:
    """An ellipse fitted in the image would be tens of um off; the fit in plate coordinates holds 5 um."""
    rng = np.random.default_rng(12)
    plate_map = ObliqueMap(angle_deg)
    truth = np.array([0.7, -0.4])
    elsewhere = expose(MadeFrame(()), rng).pixels
    image = expose_oblique(truth, 2.5, 5000.0, plate_map, rng, elsewhere)
    expected = Expectation(truth + 0.1, np.eye(2) * 0.01, 2.5, 0.1, 1.0)
    spot = measure_transmitted(image, None, plate_map, expected)
    assert isinstance(spot, Spot)
    assert np.hypot(*(spot.center_mm - truth)) < 0.005


@pytest.mark.parametrize("angle_deg", [45.0, 60.0])
def test_blocks_of_an_oblique_view_do_not_move_the_centre(angle_deg: float) -> None:
    """Without noise: a block's middle is not the mean place of its pixels, and near blocks are smaller.

    Both left out move the centre by 0.25 um, most of its standard uncertainty.
    """
    plate_map, truth = ObliqueMap(angle_deg), np.array([0.7, -0.4])
    window, light = oblique_light(truth, 2.5, 5000.0, plate_map)
    pixels = np.full((1024, 1280), 20.0 / Sensor().gain_e_per_dn, np.float32)
    pixels[window] += (light / Sensor().gain_e_per_dn).astype(np.float32)
    expected = Expectation(truth + 0.1, np.eye(2) * 0.01, 2.5, 0.1, 1.0)
    spot = measure_transmitted(Image(pixels, 0.01, Sensor()), None, plate_map, expected)
    assert isinstance(spot, Spot)
    assert np.hypot(*(spot.center_mm - truth)) < 0.06e-3


def test_speckle_of_a_small_spot_on_a_wide_one_is_told_by_the_wide_one() -> None:
    """A return of few blocks cannot tell its speckle from its shape; as shot noise it is 50 sigma off."""
    rng = np.random.default_rng(21)
    pulls = []
    for _ in range(4):
        x, y = 640.0 + rng.uniform(-2.0, 2.0), 512.0 + rng.uniform(-2.0, 2.0)
        frame = MadeFrame((MadeSpot(x, y, 5.0, 2000.0), MadeSpot(x + 60.0, y, 75.0, 40.0)), grain_px=3.0)
        named = {}
        for name, spot, power in zip((SpotName.FRONT, SpotName.BACK), frame.spots, (1.0, 4.5), strict=True):
            center = MAP.to_mm(np.array([[spot.x + 0.5, spot.y]]))[0]
            named[name] = Expectation(center, np.eye(2) * 0.05**2, 2.0 * spot.sigma * PITCH_MM, 0.02, power)
        seen = measure_returns(expose(frame, rng), None, MAP, None, named)[SpotName.FRONT]
        assert isinstance(seen, Spot)
        error = seen.center_mm - MAP.to_mm(np.array([[x, y]]))[0]
        pulls.append(error @ np.linalg.solve(seen.covariance_mm2, error))
    assert np.mean(pulls) < 8.0  # 2 on average
