import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optics.errors import OpticsError
from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT, REF_LENS
from optics.lens import Lens
from optics.observability import motion_words, observe, pivot_mm
from optics.sensitivity import sensitivities

REF = sensitivities(REF_LENS, REF_LAYOUT, REF_BEAM)
FRONT, BACK, TRANSMITTED = slice(0, 2), slice(2, 4), slice(4, 6)


def test_reference_lens():
    seen = observe(REF, 0.02)
    assert seen.rank == 4
    np.testing.assert_allclose(seen.singular_values, [13.241690, 13.241690, 0.793361, 0.793361], atol=1e-6)
    assert seen.condition == pytest.approx(16.69, abs=5e-3)
    assert seen.words[0] == "all 4 degrees of freedom are visible"
    assert "rotation about a point 19 mm before the front vertex is the motion seen least" in seen.words[1]
    assert seen.words[2] == "standard uncertainty of one look: 1.6 um of decentre, 5.2 arcsec of tilt"


def test_covariance_is_that_of_least_squares():
    # JCGM 100 / Gauss-Markov: covariance = (J^T W J)^-1; against scattered least-squares solutions.
    sigma = np.array([0.02, 0.02, 0.05, 0.05, 0.01, 0.01])
    seen = observe(REF, sigma)
    noise = np.random.default_rng(7).normal(size=(20_000, 6)) * sigma
    weighted = np.linalg.lstsq(REF / sigma[:, None], (noise / sigma).T, rcond=None)[0]
    scatter = np.cov(weighted)
    scale = np.sqrt(np.diag(seen.pose_covariance))
    np.testing.assert_allclose(
        scatter / np.outer(scale, scale), seen.pose_covariance / np.outer(scale, scale), atol=0.04
    )


@pytest.mark.parametrize(
    ("rows", "pivot"),
    # The front return turns about the front surface's centre of curvature (geometry).
    [(FRONT, 102.4), (BACK, -48.745370), (TRANSMITTED, 2.210167)],
)
def test_one_spot_sees_two_degrees_of_freedom(rows, pivot):
    assert pivot_mm(REF[rows]) == pytest.approx(pivot, abs=1e-6)
    seen = observe(REF[rows], 0.02)
    assert (seen.rank, seen.condition, seen.pose_covariance) == (2, math.inf, None)
    assert seen.decenter_sigma_um is None
    assert seen.tilt_sigma_arcsec is None
    where = f"{abs(pivot):.0f} mm {'behind' if pivot > 0 else 'before'} the front vertex"
    assert seen.words == (
        "2 of the 4 degrees of freedom are visible",
        f"rotation about a point {where} is not visible",
    )
    # The motion that the words name is indeed one that the spot does not answer to.
    motion = np.array([-pivot * 1e-3, 0, 0, 1.0])
    np.testing.assert_allclose(REF[rows] @ motion, 0.0, atol=1e-6)


def test_any_pair_of_spots_is_complete():
    for rows in ([0, 1, 2, 3], [0, 1, 4, 5], [2, 3, 4, 5]):
        assert observe(REF[rows], 0.02).rank == 4


def test_plano_front_is_blind_to_decentre():
    matrix = sensitivities(FAMILIES["plano-convex, plano first"], REF_LAYOUT, REF_BEAM)
    assert pivot_mm(matrix[FRONT]) == math.inf
    assert observe(matrix[FRONT], 0.02).words[1] == "sideways shift (decentre) is not visible"


def test_exactly_concentric_has_rank_two():
    # Both surfaces share one centre, 50 mm behind the front vertex: turning about it changes nothing.
    lens = Lens.singlet("concentric", 50.0, 45.0, 5.0, "N-BK7", 20.0)
    seen = observe(sensitivities(lens, REF_LAYOUT, REF_BEAM), 0.02)
    assert seen.rank == 2
    assert seen.words[1:] == ("rotation about a point 50 mm behind the front vertex is not visible",)
    pivot = -1e3 * seen.weakest_direction[0] / seen.weakest_direction[3]
    assert pivot == pytest.approx(50.0, abs=1e-6)


@pytest.mark.parametrize(("name", "pivot"), [("near-concentric", 49), ("ball-like", 12)])
def test_near_concentric_lenses_say_so(name, pivot):
    seen = observe(sensitivities(FAMILIES[name], REF_LAYOUT, REF_BEAM), 0.02)
    assert seen.rank == 4
    assert f"rotation about a point {pivot} mm behind the front vertex is hardly visible" in seen.words[1]


def test_both_x_and_y_motions_are_named_when_they_differ():
    # Only x coordinates seen: everything in y is invisible.
    seen = observe(REF[[0, 2, 4]], 0.02)
    assert seen.rank == 2
    assert len(seen.words) >= 2
    blind = observe(np.array([[1.0, 0, 0, 0]]), 0.02)
    assert blind.rank == 1
    nothing = observe(np.zeros((2, 4)), 0.02)
    assert nothing.rank == 0
    assert nothing.words == ("no motion of the lens is visible",)


@given(st.floats(-500, 500), st.floats(-math.pi, math.pi), st.floats(0.1, 10))
def test_rotation_about_a_point_is_named_in_every_azimuth(pivot, azimuth, size):
    rx, ry = size * math.cos(azimuth), size * math.sin(azimuth)
    words = motion_words((-pivot * ry * 1e-3, pivot * rx * 1e-3, rx, ry))
    if abs(pivot) < 0.499:
        assert words == "rotation about the front vertex (tilt)"
    elif abs(pivot) > 0.501:
        distance, side = re.fullmatch(
            r"rotation about a point (\d+) mm (behind|before) the front vertex", words
        ).groups()
        assert abs(float(distance) - abs(pivot)) < 0.5 + 1e-9  # printed to the nearest mm
        assert side == ("behind" if pivot > 0 else "before")


def test_other_motions_are_named():
    assert motion_words((1, 1, 0, 0)) == "sideways shift (decentre)"
    assert motion_words((1, 0, 1, 0)) == "decentre and tilt together, not a rotation about one point"


def test_weakest_direction_is_seen_least():
    for lens in FAMILIES.values():
        matrix = sensitivities(lens, REF_LAYOUT, REF_BEAM)
        seen = observe(matrix, 0.02)
        assert np.linalg.norm(seen.weakest_direction) == pytest.approx(1.0)
        answer = np.linalg.norm(matrix @ seen.weakest_direction)
        assert answer == pytest.approx(seen.singular_values[3], rel=1e-6)


@pytest.mark.parametrize(
    ("matrix", "sigma", "message"),
    [
        (np.zeros((6, 3)), 0.02, "sensitivities have shape"),
        (np.full((6, 4), math.nan), 0.02, "sensitivities have shape"),
        (REF, 0.0, "not above 0"),
        (REF, [0.02, 0.02, math.nan, 0.02, 0.02, 0.02], "not above 0"),
        (REF, [0.02, 0.02], "spot_sigma_mm has shape"),
    ],
)
def test_bad_input_is_refused(matrix, sigma, message):
    with pytest.raises(OpticsError, match=message):
        observe(matrix, sigma)


def test_pivot_needs_one_spot():
    with pytest.raises(OpticsError, match="allowed is"):
        pivot_mm(REF)
