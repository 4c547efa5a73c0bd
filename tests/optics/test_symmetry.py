"""Properties that hold for any lens, pose and beam."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT, REF_LENS
from optics.gaussian import beam_on_plate
from optics.layout import Beam
from optics.sensitivity import paraxial_sensitivities
from optics.spots import spot_coordinates, spot_jacobian
from optics.trace import SpotPath, trace

LENSES = st.sampled_from(list(FAMILIES.values()))
DECENTERS = st.floats(-1.5, 1.5)
TILTS = st.floats(-30.0, 30.0)
POSES = st.tuples(DECENTERS, DECENTERS, TILTS, TILTS)
QUARTER = np.array(((0.0, -1.0), (1.0, 0.0)))  # x to y, y to -x


def tilted_axis_pose(decenter, axis):
    """Pose of a lens with its axis along a given unit vector: inverse of axis = Ry(ry) Rx(rx) z."""
    rx = -math.asin(axis[1])
    ry = math.atan2(axis[0], axis[2])
    return np.array((*decenter, rx * 1e3, ry * 1e3))


def axis_of(pose):
    rx, ry = np.asarray(pose[2:]) * 1e-3
    return np.array((math.cos(rx) * math.sin(ry), -math.sin(rx), math.cos(rx) * math.cos(ry)))


@settings(max_examples=60)
@given(LENSES, POSES, st.tuples(st.floats(-1, 1), st.floats(-1, 1)), st.tuples(TILTS, TILTS))
def test_a_quarter_turn_of_everything_turns_the_spots(lens, pose, offset, slope):
    beam = Beam(532.0, 0.4, -200.0, offset, slope)
    turned_beam = Beam(532.0, 0.4, -200.0, tuple(QUARTER @ offset), tuple(QUARTER @ slope))
    axis = axis_of(pose)
    turned_pose = tilted_axis_pose(QUARTER @ pose[:2], (*(QUARTER @ axis[:2]), axis[2]))
    still = trace(lens, REF_LAYOUT, beam, pose)
    turned = trace(lens, REF_LAYOUT, turned_beam, turned_pose)
    for path in SpotPath:
        if still[path].lit[0]:
            expected = still[path].landing_mm @ QUARTER.T
            np.testing.assert_allclose(turned[path].landing_mm, expected, atol=1e-10)
            np.testing.assert_allclose(turned[path].power_fraction, still[path].power_fraction, rtol=1e-9)
            shapes = [
                beam_on_plate(lens, REF_LAYOUT, b, p, path)
                for b, p in ((beam, pose), (turned_beam, turned_pose))
            ]
            matrix = QUARTER @ shapes[0].radius_matrix[0] @ QUARTER.T
            np.testing.assert_allclose(shapes[1].radius_matrix[0], matrix, atol=1e-9 * np.abs(matrix).max())


@settings(max_examples=60)
@given(LENSES, POSES)
def test_mirror_image(lens, pose):
    x, y, rx, ry = pose
    spots = spot_coordinates(lens, REF_LAYOUT, REF_BEAM, [pose, (x, -y, -rx, ry), (-x, y, rx, -ry)])
    np.testing.assert_allclose(spots[1], spots[0] * np.tile((1, -1), 3), atol=1e-10)
    np.testing.assert_allclose(spots[2], spots[0] * np.tile((-1, 1), 3), atol=1e-10)


@settings(max_examples=60)
@given(st.sampled_from(["biconvex f50", "biconvex f100", "biconcave f-100", "ball-like"]), POSES)
def test_a_symmetric_lens_turned_round_is_the_same(name, pose):
    lens = FAMILIES[name]
    one, other = (spot_coordinates(a, REF_LAYOUT, REF_BEAM, pose) for a in (lens, lens.reversed()))
    np.testing.assert_array_equal(one, other)


@settings(max_examples=60)
@given(LENSES, POSES)
def test_the_paraxial_limit(lens, pose):
    scale = 1e-5
    exact = spot_coordinates(lens, REF_LAYOUT, REF_BEAM, np.array(pose) * scale)[0] / scale
    paraxial = paraxial_sensitivities(lens, REF_LAYOUT, REF_BEAM) @ pose
    np.testing.assert_allclose(exact, paraxial, atol=1e-7)


@settings(max_examples=30)
@given(LENSES, POSES)
def test_jacobian_against_differences(lens, pose):
    jacobian = spot_jacobian(lens, REF_LAYOUT, REF_BEAM, pose)[0]
    for column, step in enumerate((1e-3, 1e-3, 1e-2, 1e-2)):
        moves = np.zeros((4, 4))
        moves[:, column] = np.array((-2, -1, 1, 2)) * step
        spots = spot_coordinates(lens, REF_LAYOUT, REF_BEAM, pose + moves)
        slope = (spots[0] - 8 * spots[1] + 8 * spots[2] - spots[3]) / (12 * step)
        np.testing.assert_allclose(jacobian[:, column], slope, atol=2e-9 * max(1, np.abs(slope).max()))


@settings(max_examples=60)
@given(st.sampled_from(["biconvex f50", "biconvex f100", "meniscus", "ball-like"]), st.tuples(TILTS, TILTS))
def test_a_turn_about_the_front_centre_of_curvature_leaves_the_front_return(name, tilt):
    # The sphere turns into itself: exact at any angle, and the reason why one spot cannot see everything.
    lens = FAMILIES[name]
    radius = lens.surfaces[0].radius_mm
    axis = axis_of((0, 0, *tilt))
    # Vertex so that the centre of curvature stays on the beam; its z moves too, which the layout takes up.
    pose = (-radius * axis[0], -radius * axis[1], *tilt)
    fall = radius * (1 - axis[2])
    layout = type(REF_LAYOUT)(REF_LAYOUT.l1_mm + fall, REF_LAYOUT.l2_mm)
    landing = trace(lens, layout, REF_BEAM, pose, [SpotPath.FRONT])[SpotPath.FRONT]
    if landing.lit[0]:
        np.testing.assert_allclose(landing.landing_mm, 0.0, atol=1e-10)


@settings(max_examples=60)
@given(POSES, st.sampled_from(list(SpotPath)))
def test_powers_are_fractions(pose, path):
    landing = trace(REF_LENS, REF_LAYOUT, REF_BEAM, pose, [path])[path]
    assert 0.0 < landing.power_fraction[0] < 1.0
    assert np.linalg.norm(landing.direction[0]) == pytest.approx(1.0, abs=1e-13)
