import cmath
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT, REF_LENS
from optics.gaussian import beam_on_plate
from optics.glass import Glass
from optics.layout import Beam, Layout
from optics.lens import Lens, Surface
from optics.paraxial import paraxial_radius_mm, path_matrix
from optics.paths import make_plan, ray_path
from optics.rays import COMPLEX, RayModel, land, lens_frame, run
from optics.trace import CHUNK, SpotPath, trace_path

NULL = (0.0, 0.0, 0.0, 0.0)
DOUBLET = Lens(
    "doublet", (Surface(61.47), Surface(-44.64), Surface(-129.94)), (6.0, 2.5), ("N-BK7", "N-SF5"), 22.0
)
AIR = Lens.singlet("air", math.inf, math.inf, 4.0, Glass.constant("air", 1.0), 40.0)
SLANTED = Beam(532.0, 0.4, -200.0, (0.3, -0.2), (6.0, -4.0))


@pytest.mark.parametrize(
    ("path", "radius_mm"),
    # Frozen numbers of the reference bench (q law, Kogelnik & Li, Appl. Opt. 5, 1550 (1966)).
    [
        (SpotPath.FRONT, 3.165645932),
        (SpotPath.BACK, 4.822629728),
        (SpotPath.TRANSMITTED, 0.215311362),
    ],
)
def test_reference_radii(path, radius_mm):
    # The numbers carry nine decimals of a mm, so the last one is all that may differ.
    assert paraxial_radius_mm(REF_LENS, REF_LAYOUT, REF_BEAM, path) == pytest.approx(radius_mm, abs=5.1e-10)
    radii = beam_on_plate(REF_LENS, REF_LAYOUT, REF_BEAM, NULL, path).principal_radii_mm
    np.testing.assert_allclose(radii, [[radius_mm, radius_mm]], rtol=0, atol=5.1e-10)


def test_thin_lens_makes_the_published_waist():
    # Self, Appl. Opt. 22, 658 (1983): f 100, waist of 0.4 mm 500 mm before it at 532 nm ->
    # 103.799672 mm behind, 0.038985 mm; from memory, recomputed from
    # s'/f = 1 + (s/f - 1)/((s/f - 1)^2 + (zR/f)^2).
    thin = Lens.singlet("thin", 100.0, -100.0, 1e-7, Glass.constant("textbook", 1.5), 1e-3)
    at_waist = Layout(300.0, 103.799672)
    radius = paraxial_radius_mm(thin, at_waist, REF_BEAM, SpotPath.TRANSMITTED)
    assert radius == pytest.approx(0.038985, abs=5e-7)
    for away in (-0.05, 0.05):
        layout = Layout(300.0, at_waist.l2_mm + away)
        assert paraxial_radius_mm(thin, layout, REF_BEAM, SpotPath.TRANSMITTED) > radius
    shape = beam_on_plate(thin, at_waist, REF_BEAM, NULL, SpotPath.TRANSMITTED)
    np.testing.assert_allclose(shape.curvature_per_mm, 0.0, atol=1e-6)
    np.testing.assert_allclose(shape.principal_radii_mm, radius, rtol=1e-8)


def test_free_beam():
    # Kogelnik & Li: w = w0 sqrt(1 + (z/zR)^2), R = z + zR^2/z, Gouy phase atan(z/zR).
    shape = beam_on_plate(AIR, REF_LAYOUT, REF_BEAM, (1.0, 2.0, 3.0, 4.0), SpotPath.TRANSMITTED)
    z, z_r = 454.0 + 200.0, REF_BEAM.rayleigh_range_mm
    np.testing.assert_allclose(shape.principal_radii_mm, 0.4 * math.sqrt(1 + (z / z_r) ** 2), rtol=1e-12)
    np.testing.assert_allclose(shape.curvature_per_mm[0], np.eye(2) / (z + z_r**2 / z), atol=1e-15)
    np.testing.assert_allclose(shape.gouy_rad, math.atan2(z, z_r), rtol=1e-12)


def test_free_slanted_beam_is_stretched_by_the_slant():
    beam = Beam(532.0, 0.4, -200.0, slope_mrad=(300.0, 0.0))
    shape = beam_on_plate(AIR, REF_LAYOUT, beam, NULL, SpotPath.TRANSMITTED)
    stretch = math.sqrt(1 + 0.3**2)
    way = 654.0 * stretch
    radius = 0.4 * math.sqrt(1 + (way / beam.rayleigh_range_mm) ** 2)
    expected = np.diag([(radius * stretch) ** 2, radius**2])
    np.testing.assert_allclose(shape.radius_matrix[0], expected, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("angle_deg", [0.0, 10.0, 30.0])
def test_oblique_mirror(angle_deg):
    # Coddington's equations (Born & Wolf, Principles of Optics, sec. 4.6; from memory): a flat wavefront
    # reflected at angle i from a mirror of radius R converges to R cos(i) / 2 in the plane of incidence and
    # to R / (2 cos(i)) across it.
    radius = 400.0
    angle = math.radians(angle_deg)
    flat = Beam(532.0, 1e4, -200.0)
    mirror = Lens.singlet("mirror", -radius, math.inf, 200.0, "N-BK7", 500.0)
    pose = (-radius * math.sin(angle), 0.0, 0.0, 0.0)
    shape = beam_on_plate(mirror, REF_LAYOUT, flat, pose, SpotPath.FRONT)
    depth = REF_LAYOUT.l1_mm - radius * (1 - math.cos(angle))
    way = depth / math.cos(2 * angle)
    in_plane = 1 / (way - radius * math.cos(angle) / 2)
    across = 1 / (way - radius / (2 * math.cos(angle)))
    expected = np.diag([in_plane * math.cos(2 * angle) ** 2, across])  # the beam meets the plate at 2 i
    np.testing.assert_allclose(shape.curvature_per_mm[0], expected, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("angle_deg", [5.0, 25.0])
def test_oblique_refraction(angle_deg):
    # Coddington's equations for refraction (from memory): n' cos^2(i')/t' = (n' cos i' - n cos i)/R in the
    # plane of incidence, n'/s' the same across it.
    radius, n = 60.0, 1.5
    angle = math.radians(angle_deg)
    out = math.asin(math.sin(angle) / n)
    matched = Lens(
        "one surface",
        (Surface(radius), Surface(math.inf)),
        (26.0,),
        (Glass.constant("glass", n),),
        2 * 27.0,
    )
    flat = Beam(532.0, 1e4, -200.0)
    # The second surface is a plane, which is tilted nowhere: carry on through it by the same equations.
    height, sag = radius * math.sin(angle), radius * (1 - math.cos(angle))
    shape = beam_on_plate(matched, REF_LAYOUT, flat, (-height, 0, 0, 0), SpotPath.TRANSMITTED)
    bend = (n * math.cos(out) - math.cos(angle)) / radius
    t, s = n * math.cos(out) ** 2 / bend, n / bend
    down = angle - out
    way = (26.0 - sag) / math.cos(down)
    steep = math.asin(n * math.sin(down))
    t = (t - way) * math.cos(steep) ** 2 / (n * math.cos(down) ** 2)
    s = (s - way) / n
    last = REF_LAYOUT.l2_mm / math.cos(steep)
    expected = np.diag([math.cos(steep) ** 2 / (last - t), 1 / (last - s)])
    np.testing.assert_allclose(shape.curvature_per_mm[0], expected, rtol=1e-9, atol=1e-12)


def plate_to_plate(model, path, pose):
    """Derivative of landing x, y and direction x, y by the incoming ray's, from rays alone."""
    plan = make_plan((ray_path(path, model.surface_count),), model.surface_count)
    w = 1 / math.sqrt(1 + model.slope_x**2 + model.slope_y**2)
    start = np.array([model.offset_x_mm, model.offset_y_mm, model.slope_x * w, model.slope_y * w])
    columns = []
    for number in range(4):
        x, y, u, v = start + 1e-30j * np.eye(4)[number]
        w = cmath.sqrt(1 - u * u - v * v)
        ray = replace(model, offset_x_mm=x, offset_y_mm=y, slope_x=u / w, slope_y=v / w)
        traced = run(ray, plan, lens_frame([complex(value) for value in pose], COMPLEX), COMPLEX)
        landed, hit, frame = land(ray, plan, traced, 0), traced.hits[-1], traced.frame
        u = frame.r11 * hit.dx + frame.r12 * hit.dy + frame.r13 * hit.dz
        v = frame.r22 * hit.dy + frame.r23 * hit.dz
        columns.append([value.imag / 1e-30 for value in (landed.x_mm, landed.y_mm, u, v)])
    return np.array(columns).T


@settings(max_examples=80)
@given(
    st.sampled_from([*FAMILIES.values(), DOUBLET]),
    st.tuples(st.floats(-2, 2), st.floats(-2, 2), st.floats(-60, 60), st.floats(-60, 60)),
    st.sampled_from(list(SpotPath)),
)
def test_wavefront_follows_the_neighbouring_rays(lens, pose, path):
    # Hamilton: wavefront curvature on a plane is the derivative of direction by place, so the generalised q
    # law with the 4 x 4 ray matrix must give what the surface-by-surface formulas give.
    if not trace_path(lens, REF_LAYOUT, SLANTED, pose, path).lit[0]:
        return
    model = RayModel.of(lens, REF_LAYOUT, SLANTED)
    matrix = plate_to_plate(model, path, pose)
    w = 1 / math.sqrt(1 + model.slope_x**2 + model.slope_y**2)
    direction = np.array([model.slope_x, model.slope_y]) * w
    q = complex(200.0 / w, -SLANTED.rayleigh_range_mm)
    curved = (np.eye(2) - np.outer(direction, direction)) / q
    curved = (matrix[2:, :2] + matrix[2:, 2:] @ curved) @ np.linalg.inv(
        matrix[:2, :2] + matrix[:2, 2:] @ curved
    )
    shape = beam_on_plate(lens, REF_LAYOUT, SLANTED, pose, path)
    scale = np.abs(curved.real).max()
    np.testing.assert_allclose(shape.curvature_per_mm[0], curved.real, rtol=0, atol=1e-9 * scale)
    expected = np.linalg.inv(math.pi / 532e-6 * curved.imag)
    np.testing.assert_allclose(shape.radius_matrix[0], expected, atol=1e-9 * np.abs(expected).max())
    assert (shape.principal_radii_mm > 0).all()


@pytest.mark.parametrize("lens", [*FAMILIES.values(), DOUBLET], ids=lambda lens: lens.name)
@pytest.mark.parametrize("path", SpotPath)
def test_on_axis_it_is_the_q_law(lens, path):
    shape = beam_on_plate(lens, REF_LAYOUT, REF_BEAM, NULL, path)
    radius = paraxial_radius_mm(lens, REF_LAYOUT, REF_BEAM, path)
    np.testing.assert_allclose(shape.principal_radii_mm, radius, rtol=1e-9)
    # Gouy phase: the on-axis field goes as 1/(A + B/q) (Siegman, Lasers, ch. 20; from memory), up to turns.
    (a, b), _ = path_matrix(lens, REF_LAYOUT, 532.0, path)
    q = complex(500.0, -REF_BEAM.rayleigh_range_mm)
    phase = cmath.phase(a + b / q) + math.atan2(500.0, REF_BEAM.rayleigh_range_mm)
    assert cmath.exp(1j * (shape.gouy_rad[0] - phase)) == pytest.approx(1.0, abs=1e-9)


def test_gouy_phase_through_a_focus():
    # Kogelnik & Li: between two planes of one beam it grows by the difference of atan(z/zR).
    phases, angles = [], []
    for l2_mm in (10.0, 5000.0):
        layout = Layout(300.0, l2_mm)
        phases.append(beam_on_plate(REF_LENS, layout, REF_BEAM, NULL, SpotPath.TRANSMITTED).gouy_rad[0])
        (a, b), (c, d) = path_matrix(REF_LENS, layout, 532.0, SpotPath.TRANSMITTED)
        q = complex(500.0, REF_BEAM.rayleigh_range_mm)
        q = (a * q + b) / (c * q + d)
        angles.append(math.atan2(q.real, q.imag))
    assert phases[1] - phases[0] == pytest.approx(angles[1] - angles[0], abs=1e-9)
    assert phases[1] - phases[0] > 3.0


def test_lost_rays_and_chunks():
    ball = FAMILIES["ball-like"]
    poses = np.zeros((CHUNK + 2, 4))
    poses[-1, 0] = 20.0
    for path in SpotPath:
        shape = beam_on_plate(ball, REF_LAYOUT, REF_BEAM, poses, path)
        assert np.isfinite(shape.radius_matrix).all()
        assert np.isfinite(shape.curvature_per_mm).all()
        assert np.isfinite(shape.gouy_rad).all()
        assert (np.linalg.eigvalsh(shape.radius_matrix) > 0).all()
        np.testing.assert_array_equal(shape.radius_matrix[0], shape.radius_matrix[CHUNK])


def test_vignetted_rays_with_a_wrong_mirror_image_are_finite():
    # Past the edge of the ball the root has the wrong sign; nothing may blow up.
    shape = beam_on_plate(FAMILIES["ball-like"], REF_LAYOUT, REF_BEAM, (0, 0, 1600, 0), SpotPath.GHOST_HOLE)
    assert np.isfinite(shape.radius_matrix).all()
