"""What a plate may be, and where its corners lie."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.plate import PlateError, PlateSpec, hole_target, reference_target


def plain(**changes):
    values = {
        "name": "p",
        "width_mm": 50.0,
        "height_mm": 40.0,
        "faces": "downstream",
        "hole_radius_mm": 1.0,
        "fiducials": {0: (-15.0, 10.0), 1: (15.0, 10.0), 2: (15.0, -10.0)},
    }
    return PlateSpec(**{**values, **changes})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"width_mm": 0.0}, "width_mm is 0.0"),
        ({"height_mm": float("nan")}, "height_mm is nan"),
        ({"hole_radius_mm": -1.0}, "hole_radius_mm is -1.0"),
        ({"hole_radius_mm": 30.0}, "hole_center_mm"),
        ({"hole_center_mm": (24.5, 0.0)}, "leaves the plate"),
        ({"ring_radii_mm": (5.0, -1.0)}, "ring_radii_mm (-1.0)"),
        ({"cross_arm_mm": 0.0}, "cross_arm_mm"),
        ({"cross_arm_mm": 1.0}, "cross_gap_mm is 1.0"),
        ({"cross_arm_mm": 2.0, "cross_gap_mm": -0.1}, "cross_gap_mm is -0.1"),
        ({"faces": "sideways"}, "'downstream', 'upstream'"),
        ({"fiducial_dictionary": "DICT_9X9"}, "not a predefined dictionary"),
        ({"fiducial_dictionary": "detectMarkers"}, "not a predefined dictionary"),
        ({"fiducials": {50: (0.0, 0.0)}}, "0 to 49"),
        ({"fiducials": {0: (23.0, 0.0)}}, "leaves the plate"),
        ({"fiducials": {0: (0.0, 10.0), 1: (5.0, 10.0)}}, "fiducials 0 and 1 overlap"),
    ],
)
def test_impossible_plates_are_refused(changes, words):
    with pytest.raises(PlateError) as refused:
        plain(**changes)
    assert words in str(refused.value)


@given(x=st.floats(-20, 20), y=st.floats(-15, 15), side=st.floats(1, 9))
def test_corners_run_as_the_reader_of_the_print_sees_them(x, y, side):
    facing = plain(fiducials={3: (x, y)}, fiducial_side_mm=side)
    away = dataclasses.replace(facing, faces="upstream")
    for plate in (facing, away):
        corners = plate.print_points_mm(plate.corners_mm(3))
        center = plate.print_points_mm(np.array([x, y]))
        expected = center + np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * side / 2
        np.testing.assert_allclose(corners, expected, atol=1e-12)
    # The reader of a print that looks upstream has the bench's x on the left.
    assert away.corners_mm(3)[0, 0] > away.corners_mm(3)[1, 0]
    assert facing.corners_mm(3)[0, 0] < facing.corners_mm(3)[1, 0]


def test_fingerprint_follows_the_print_and_not_the_notation():
    plate = plain()
    assert plain(name="other").fingerprint() == plate.fingerprint()
    assert (
        plain(width_mm=50, fiducials={2: [15, -10], 0: [-15, 10], 1: [15, 10]}).fingerprint()
        == plate.fingerprint()
    )
    for changes in ({"width_mm": 51.0}, {"fiducial_side_mm": 6.001}, {"fiducials": {0: (-15.0, 10.0)}}):
        assert plain(**changes).fingerprint() != plate.fingerprint()


@pytest.mark.parametrize(
    "plate", [hole_target(), reference_target(), hole_target(50, 50, 0.5), hole_target(100, 90, 2)]
)
def test_example_plates_leave_their_middle_free(plate):
    corners = np.concatenate([plate.corners_mm(number) for number in plate.fiducials])
    nearest = np.abs(corners).max(axis=1).min()
    assert len(plate.fiducials) == 8
    assert nearest >= 10  # returns of 3 to 6 mm radius move there
    assert all(radius < nearest for radius in plate.ring_radii_mm)
    assert plate.contains(np.array([[0.0, 0.0], [plate.width_mm, 0.0]])).tolist() == [True, False]


def test_the_two_example_plates_share_no_marker():
    assert not set(hole_target().fiducials) & set(reference_target().fiducials)
