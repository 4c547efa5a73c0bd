import math

import numpy as np
import pytest

from optics.errors import OpticsError
from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT, REF_LENS
from optics.glass import Glass
from optics.layout import Beam, Layout
from optics.lens import Lens, Surface
from optics.paths import Action, Plate, RayPath, Step, make_plan, ray_path, return_path
from optics.trace import CHUNK, SpotPath, trace, trace_path

NULL = (0.0, 0.0, 0.0, 0.0)
OFF_AXIS = (0.7, -0.4, math.radians(-0.3) * 1e3, math.radians(0.5) * 1e3)
DOUBLET = Lens(
    "doublet", (Surface(61.47), Surface(-44.64), Surface(-129.94)), (6.0, 2.5), ("N-BK7", "N-SF5"), 22.0
)


@pytest.mark.parametrize(
    ("path", "x_mm", "y_mm"),
    # Frozen numbers of the reference bench; three independent general-purpose ray tracers agree to 1e-13 mm.
    [
        (SpotPath.FRONT, -9.341054310688, -0.798139511160),
        (SpotPath.BACK, 3.236258174775, -7.717220308819),
        (SpotPath.TRANSMITTED, 1.097084485597, -0.592439126123),
        (SpotPath.GHOST_REFERENCE, 7.304104765354, -3.801620461530),
        (SpotPath.GHOST_HOLE, 14.257524357700, -12.893160859530),
    ],
)
def test_reference_lens_off_axis(path, x_mm, y_mm):
    landing = trace_path(REF_LENS, REF_LAYOUT, REF_BEAM, OFF_AXIS, path)
    np.testing.assert_allclose(landing.landing_mm, [[x_mm, y_mm]], rtol=0, atol=1e-9)
    assert landing.lit.all()


@pytest.mark.parametrize("lens", FAMILIES.values(), ids=FAMILIES.keys())
def test_on_axis_everything_lands_on_the_axis(lens):
    for landing in trace(lens, REF_LAYOUT, REF_BEAM, NULL).values():
        np.testing.assert_allclose(landing.landing_mm, 0.0, atol=1e-12)
        np.testing.assert_allclose(np.abs(landing.direction), [[0, 0, 1]], atol=1e-12)
        assert landing.lit.all()


def test_mirror_doubles_the_angle():
    # Geometry: 0.5 deg of tilt at 300 mm moves the return by 300 tan(1 deg) = 5.236519478 mm.
    flat = Lens.singlet("flat", math.inf, -100.0, 4.0, "N-BK7", 20.0)
    pose = (0.0, 0.0, 0.0, math.radians(0.5) * 1e3)
    landing = trace_path(flat, Layout(300.0, 150.0), REF_BEAM, pose, SpotPath.FRONT)
    np.testing.assert_allclose(landing.landing_mm, [[-5.236519478, 0.0]], atol=1e-9)


def test_tilted_plate():
    # Smith, Modern Optical Engineering: t 10, 45 deg, N-BK7 at the d line (n 1.5168000345) displaces by
    # 3.344994023 mm; from memory, recomputed: t sin(i) (1 - cos(i) / sqrt(n^2 - sin^2(i))).
    plate = Lens.singlet("plate", math.inf, math.inf, 10.0, "N-BK7", 40.0)
    beam = Beam(587.5618, 0.4, -200.0)
    for tilt, column in ((2, 1), (3, 0)):
        pose = np.zeros(4)
        pose[tilt] = math.radians(45.0) * 1e3
        landing = trace_path(plate, REF_LAYOUT, beam, pose, SpotPath.TRANSMITTED)
        assert abs(landing.landing_mm[0, column]) == pytest.approx(3.344994023, abs=1e-9)
        np.testing.assert_allclose(landing.direction, [[0, 0, 1]], atol=1e-14)


def test_bare_beam_geometry_of_a_slanted_beam():
    # Without refraction the "lens" is air, and the transmitted spot is the bare beam.
    air = Lens.singlet("air", math.inf, math.inf, 4.0, Glass.constant("air", 1.0), 40.0)
    beam = Beam(532.0, 0.4, -200.0, offset_mm=(0.3, -0.2), slope_mrad=(2.0, -1.0))
    landing = trace_path(air, REF_LAYOUT, beam, (0, 0, 20.0, -30.0), SpotPath.TRANSMITTED)
    np.testing.assert_allclose(landing.landing_mm, [[0.3 + 0.454 * 2, -0.2 - 0.454]], atol=1e-12)
    assert landing.path_length_mm[0] == pytest.approx(454 * math.sqrt(1 + 4e-6 + 1e-6), abs=1e-11)


def test_moving_lens_and_beam_together_moves_the_spots_along():
    moved = Beam(532.0, 0.4, -200.0, offset_mm=(0.8, -0.3))
    still = trace(REF_LENS, REF_LAYOUT, REF_BEAM, (0.2, 0.1, 3.0, -4.0))
    along = trace(REF_LENS, REF_LAYOUT, moved, (1.0, -0.2, 3.0, -4.0))
    for path in SpotPath:
        shift = along[path].landing_mm - still[path].landing_mm
        np.testing.assert_allclose(shift, [[0.8, -0.3]], atol=1e-11)
        np.testing.assert_allclose(along[path].path_length_mm, still[path].path_length_mm, atol=1e-10)


def test_path_lengths_on_axis():
    n = REF_LENS.indices(532.0)[1]
    lengths = {path: ld.path_length_mm[0] for path, ld in trace(REF_LENS, REF_LAYOUT, REF_BEAM, NULL).items()}
    assert lengths[SpotPath.FRONT] == pytest.approx(600.0, abs=1e-10)
    assert lengths[SpotPath.BACK] == pytest.approx(600.0 + 8 * n, abs=1e-10)
    assert lengths[SpotPath.TRANSMITTED] == pytest.approx(450.0 + 4 * n, abs=1e-10)
    assert lengths[SpotPath.GHOST_REFERENCE] == pytest.approx(450.0 + 12 * n, abs=1e-10)
    assert lengths[SpotPath.GHOST_HOLE] == pytest.approx(600.0 + 16 * n, abs=1e-10)


def test_optical_path_is_the_eikonal():
    # Hamilton: moving the start of the ray at fixed pose changes the optical path by
    # dW = u_end . dr_end - u_start . dr_start (Born & Wolf, Principles of Optics, ch. 4).
    step = 1e-3

    def at(x):
        return trace(REF_LENS, REF_LAYOUT, Beam(532, 0.4, -200, (x, 0.1), (1.5, 2.0)), OFF_AXIS)

    low, middle, high = at(0.2 - step), at(0.2), at(0.2 + step)
    start = np.array([1.5e-3, 2e-3]) / math.sqrt(1 + 1.5e-3**2 + 2e-3**2)
    for path in SpotPath:
        slope = (high[path].path_length_mm - low[path].path_length_mm) / (2 * step)
        moved = (high[path].landing_mm - low[path].landing_mm) / (2 * step)
        expected = np.sum(middle[path].direction[:, :2] * moved, axis=1) - start[0]
        np.testing.assert_allclose(slope, expected, atol=1e-8)


@pytest.mark.parametrize("path", SpotPath)
def test_clear_aperture_cuts(path):
    poses = [(x, 0.0, 0.0, 0.0) for x in (0.0, 11.42, 11.44, 13.0)]
    landing = trace_path(REF_LENS, REF_LAYOUT, REF_BEAM, poses, path)
    assert landing.lit.tolist() == [True, True, False, False]
    assert (landing.power_fraction[2:] == 0.0).all()


def test_clear_aperture_cuts_on_every_surface():
    # Inside a biconcave lens the ray moves away from the axis: it passes the front surface, not the back.
    landings = trace(FAMILIES["biconcave f-100"], REF_LAYOUT, REF_BEAM, (11.42, 0, 0, 0))
    assert landings[SpotPath.FRONT].lit[0]
    assert not landings[SpotPath.BACK].lit[0]
    assert not landings[SpotPath.TRANSMITTED].lit[0]


def test_lost_rays_are_dark_and_finite():
    ball = FAMILIES["ball-like"]
    poses = [(12.0, 0, 0, 0), (12.8, 0, 0, 0), (100.0, 0, 0, 0), (0, 0, 0, 1600.0), (0, 0, 3000.0, 1000.0)]
    for path, landing in trace(ball, REF_LAYOUT, REF_BEAM, poses).items():
        assert not landing.lit.any(), path
        for values in (
            landing.landing_mm,
            landing.direction,
            landing.power_fraction,
            landing.path_length_mm,
        ):
            assert (values == 0.0).all()


def test_total_reflection_is_dark():
    # A prism-like wedge of glass: the second surface stands beyond the critical angle.
    steep = Lens.singlet("steep", math.inf, -12.0, 8.0, Glass.constant("dense", 1.9), 22.0)
    inside, outside = (4.0, 0, 0, 0), (8.0, 0, 0, 0)  # sin(i) = h/R against 1/1.9 = 0.526
    landing = trace_path(steep, REF_LAYOUT, REF_BEAM, [inside, outside], SpotPath.TRANSMITTED)
    assert landing.lit.tolist() == [True, False]


def test_chunks_do_not_show():
    rng = np.random.default_rng(1)
    poses = rng.normal(size=(CHUNK + 3, 4)) * [1, 1, 10, 10]
    whole = trace(REF_LENS, REF_LAYOUT, REF_BEAM, poses)
    for number in (0, CHUNK - 1, CHUNK, CHUNK + 2):
        for path, one in trace(REF_LENS, REF_LAYOUT, REF_BEAM, poses[number]).items():
            np.testing.assert_allclose(one.landing_mm[0], whole[path].landing_mm[number], rtol=0, atol=1e-12)
            np.testing.assert_allclose(one.path_length_mm[0], whole[path].path_length_mm[number], atol=1e-10)


def test_no_poses_no_landings():
    landing = trace(REF_LENS, REF_LAYOUT, REF_BEAM, np.empty((0, 4)))[SpotPath.FRONT]
    assert landing.landing_mm.shape == (0, 2)


@pytest.mark.parametrize("poses", [(1.0, 2.0, 3.0), np.zeros((2, 3)), np.zeros((2, 2, 4)), 0.0])
def test_poses_of_wrong_shape_are_refused(poses):
    with pytest.raises(OpticsError, match="poses have shape"):
        trace(REF_LENS, REF_LAYOUT, REF_BEAM, poses)


def test_poses_that_are_not_finite_are_refused():
    with pytest.raises(OpticsError, match="not finite"):
        trace(REF_LENS, REF_LAYOUT, REF_BEAM, (0, math.nan, 0, 0))


def test_doublet_paths():
    assert [step.surface for step in ray_path(SpotPath.BACK, 3).steps] == [0, 1, 2, 1, 0]
    assert [step.surface for step in ray_path(SpotPath.GHOST_HOLE, 3).steps] == [0, 1, 2, 1, 0, 1, 2, 1, 0]
    landings = trace(DOUBLET, REF_LAYOUT, REF_BEAM, OFF_AXIS)
    assert all(landing.lit.all() for landing in landings.values())


def test_cement_of_equal_glass_changes_nothing():
    whole = REF_LENS
    cut = Lens("cut", (Surface(102.4), Surface(70.0), Surface(-102.4)), (1.5, 2.5), ("N-BK7", "N-BK7"), 22.86)
    one, other = (trace(lens, REF_LAYOUT, REF_BEAM, OFF_AXIS) for lens in (whole, cut))
    for path in SpotPath:
        np.testing.assert_allclose(other[path].landing_mm, one[path].landing_mm, atol=1e-11)
        np.testing.assert_allclose(other[path].power_fraction, one[path].power_fraction, atol=1e-12)
        np.testing.assert_allclose(other[path].path_length_mm, one[path].path_length_mm, atol=1e-10)


def test_return_from_the_cemented_surface():
    cement = return_path(1)
    landing = trace(DOUBLET, REF_LAYOUT, REF_BEAM, NULL, [cement])[cement]
    n1, n2 = DOUBLET.indices(532.0)[1:3]
    outer = 1.0 - ((n1 - 1) / (n1 + 1)) ** 2
    assert landing.power_fraction[0] == pytest.approx(outer**2 * ((n2 - n1) / (n2 + n1)) ** 2)


def test_paths_that_begin_alike_share_their_hits():
    plan = make_plan(tuple(ray_path(path, 2) for path in SpotPath), 2)
    # front return; enter, reflect, leave; transmitted leaves; ghost bounces, leaves; bounces again, leaves
    assert len(plan.nodes) == 9


@pytest.mark.parametrize(
    ("steps", "plate", "message"),
    [
        ([(1, Action.REFRACT)], Plate.REFERENCE_TARGET, "does not meet next"),
        ([(0, Action.REFRACT), (2, Action.REFRACT)], Plate.REFERENCE_TARGET, "step 2 is at surface 2"),
        ([(0, Action.REFRACT)], Plate.REFERENCE_TARGET, "does not leave the lens"),
        ([(0, Action.REFLECT)], Plate.REFERENCE_TARGET, "does not leave the lens towards the reference"),
        ([], Plate.REFERENCE_TARGET, "does not leave the lens"),
    ],
)
def test_impossible_paths_are_refused(steps, plate, message):
    path = RayPath("odd", tuple(Step(*step) for step in steps), plate)
    with pytest.raises(OpticsError, match=message):
        trace(REF_LENS, REF_LAYOUT, REF_BEAM, NULL, [path])
