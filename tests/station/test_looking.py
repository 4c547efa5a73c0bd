"""Exposures, backgrounds, averages and maps, on frames of the in-process bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from driver.faults import DeviceFault, FaultCode
from optics.trace import SpotPath, trace
from station.looking import Eyes, PlateNotMapped, TargetsMoved
from station.measuring import MeasuresFrames
from vision.exposure import ExposureAdvice
from vision.map_check import MapState
from vision.spots import Expectation, Spot, SpotName

PATHS = {
    SpotPath.FRONT: SpotName.FRONT,
    SpotPath.BACK: SpotName.BACK,
    SpotPath.TRANSMITTED: SpotName.TRANSMITTED,
}


def wide(radius_mm: float, power: float) -> Expectation:
    return Expectation(np.zeros(2), np.eye(2) * 100.0, radius_mm, 0.05, power)


# Radii and powers of the reference case: beam radii by the ABCD law, Fresnel powers at 532 nm.
REFERENCE = {
    SpotName.FRONT: wide(3.165645932, 0.0425),
    SpotName.BACK: wide(4.822629728, 0.0390),
    SpotName.TRANSMITTED: wide(0.215311362, 0.917),
}


@pytest.fixture
def rig(make_rig: Callable[..., Any]) -> Any:
    rig = make_rig()
    rig.bench.motion.connect()
    return rig


def purposes(rig: Any) -> list[str]:
    return [frame["purpose"] for frame in rig.record.frames]


def test_mapping_finds_both_plates_and_the_hole(rig: Any) -> None:
    found = rig.eyes.map_plates()
    assert found.hole_radius_mm == pytest.approx(1.0, abs=0.05)
    assert set(found.map_sigma_mm) == {"hole_target", "reference_target"}
    assert all(0.0 < sigma < 0.05 for sigma in found.map_sigma_mm.values())
    assert not rig.sim.truth().lamp_on  # dark again
    assert not rig.sim.truth().shutter_open


def test_the_lamp_goes_off_when_mapping_fails(rig: Any) -> None:
    def lost(_: float) -> Any:
        raise DeviceFault(FaultCode.CAMERA_LOST, state="", asked="", came="")

    class Lost:
        name, grab = "hole_camera", staticmethod(lost)

    rig.bench.hole = type(rig.bench.hole)(rig.bench.hole.plate, Lost(), rig.bench.hole.table)
    with pytest.raises(DeviceFault):
        rig.eyes.map_plates()
    assert not rig.sim.truth().lamp_on


def test_a_plate_seen_by_the_wrong_camera_is_not_mapped(rig: Any) -> None:
    hole, reference = rig.bench.hole, rig.bench.reference
    rig.bench.hole = type(hole)(hole.plate, reference.camera, reference.table)
    with pytest.raises(PlateNotMapped, match="hole_target"):
        rig.eyes.map_plates()


def test_a_look_measures_three_spots_and_closes_the_shutter(rig: Any) -> None:
    rig.eyes.map_plates()
    assert isinstance(rig.eyes.bare_beam(2), Spot)
    rig.sim.lens_handler.lens_in()
    seen = rig.eyes.look(2, REFERENCE)
    assert all(isinstance(seen[name], Spot) for name in SpotName)
    assert not rig.sim.truth().shutter_open
    truth = rig.sim.truth()
    landings = trace(truth.lens, truth.layout, truth.beam, truth.pose[None, :], tuple(PATHS))
    for path, name in PATHS.items():
        if name is not SpotName.TRANSMITTED:  # the reference target stands a little off the bench frame
            off_mm = np.linalg.norm(seen[name].center_mm - landings[path].landing_mm[0])
            assert off_mm < 0.1 + 5.0 * np.sqrt(np.trace(seen[name].covariance_mm2))


def test_the_exposure_does_not_swing_between_too_dark_and_too_bright(make_rig: Callable[..., Any]) -> None:
    """Speckle that saturates before it looks bright: an advisor that never rests must not cost frames."""

    class NeverAtRest(MeasuresFrames):
        def advise(self, image: Any, background: Any, limits: Any) -> ExposureAdvice:
            long = image.exposure_s > 0.001
            wanted_s = image.exposure_s / 2.0 if long else image.exposure_s * 2.0
            return ExposureAdvice(wanted_s, False, "never at rest", False, 0.5, 0.0)

    rig = make_rig()
    eyes = Eyes(rig.bench, rig.record.add_frame, NeverAtRest())
    rig.bench.motion.connect()
    image = eyes._expose(rig.bench.reference, "transmitted", 1, None)
    assert image.exposure_s <= 0.001  # the shorter of the two
    assert len(rig.record.frames) <= 4


def test_backgrounds_are_used_again_until_they_age(rig: Any) -> None:
    rig.eyes.map_plates()
    rig.eyes.bare_beam(1)
    rig.sim.lens_handler.lens_in()
    rig.eyes.look(1, REFERENCE)
    before = purposes(rig).count("background")
    rig.eyes.look(1, REFERENCE)
    assert purposes(rig).count("background") == before
    rig.sim.clock.sleep_s(1000.0)  # the room may have changed
    rig.eyes.look(1, REFERENCE)
    assert purposes(rig).count("background") == before + 6
    # The first and the last of the three looks are kept for the report.
    assert rig.eyes.first is not rig.eyes.last
    assert set(rig.eyes.first.shots) == set(rig.eyes.last.shots) == {"returns", "transmitted"}


def test_backgrounds_are_taken_behind_a_closed_shutter(rig: Any) -> None:
    rig.eyes.map_plates()
    rig.bench.shutter.open()  # by whomever
    opened: dict[str, set[bool]] = {}
    note = rig.eyes.note_frame

    def noting(frame: Any, purpose: str) -> None:
        opened.setdefault(purpose, set()).add(rig.sim.truth().shutter_open)
        note(frame, purpose)

    rig.eyes.note_frame = noting
    rig.eyes.bare_beam(1)
    assert opened == {"background": {False}, "bare beam": {True}, "map check": {False}}


def test_frames_are_averaged_and_the_exposure_is_kept(rig: Any) -> None:
    rig.eyes.map_plates()
    rig.eyes.bare_beam(1)
    rig.sim.lens_handler.lens_in()
    rig.eyes.look(1, REFERENCE)
    before = len(rig.record.frames)
    rig.eyes.look(3, REFERENCE)
    assert purposes(rig)[before:] == [
        *["returns"] * 3,
        *["transmitted"] * 3,  # none lost on finding exposures
        "map check",
    ]
    image = rig.eyes.last.shots["returns"].image
    assert image.frames == 3
    assert image.pixels.dtype == np.float32
    # No pixel of the brightest part saturates, and it fills a good part of the range.
    top = np.percentile(image.pixels, 99.9)
    assert 0.2 * 4095 < top < 0.995 * 4095


def test_every_look_checks_the_maps_and_the_checks_are_kept(rig: Any) -> None:
    rig.eyes.map_plates()
    assert rig.eyes.validity == {}
    rig.eyes.bare_beam(1)
    rig.sim.lens_handler.lens_in()
    rig.eyes.look(1, REFERENCE)
    before = len(rig.record.frames)
    rig.eyes.look(1, REFERENCE)
    # The returns' frame shows the marks of its plate; the other plate's are dark behind the filter.
    assert purposes(rig)[before:] == ["returns", "transmitted", "map check"]
    assert not rig.sim.truth().lamp_on
    checks = rig.eyes.validity
    assert (checks["hole_target"].checks, checks["reference_target"].checks) == (2, 3)
    for name, validity in checks.items():
        assert validity.last.state is MapState.HOLDS, name
        assert validity.last.worst_mm < 0.01
    assert all(found.mapped_on.endswith("+00:00") for found in rig.eyes.maps.values())


def test_marks_that_are_hidden_after_mapping_are_noticed(rig: Any) -> None:
    rig.eyes.map_plates()
    sim_camera = rig.sim.camera("reference_camera")
    sim_camera.frame_hook = lambda frame: replace(frame, pixels=np.zeros_like(frame.pixels))
    with pytest.raises(TargetsMoved, match="reference_target: the marks that were mapped do not show"):
        rig.eyes.bare_beam(1)
    assert not rig.sim.truth().lamp_on
    assert not rig.sim.truth().shutter_open


def test_without_a_lamp_only_what_the_beams_frames_show_is_checked(rig: Any) -> None:
    rig.eyes.map_plates()
    rig.bench.lamp = None
    assert isinstance(rig.eyes.bare_beam(1), Spot)
    assert "map check" not in purposes(rig)
    assert rig.eyes.validity == {}
