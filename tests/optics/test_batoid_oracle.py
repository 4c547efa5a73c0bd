"""The exact trace against an independent general-purpose ray tracer, `batoid` (BSD licence)."""

import math

import numpy as np
import pytest

from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT
from optics.layout import Beam
from optics.lens import Lens, Surface
from optics.paths import Action, Plate, ray_path
from optics.spots import spot_coordinates
from optics.trace import SpotPath, trace

batoid = pytest.importorskip("batoid", reason="the `oracle` extra is not installed")
pytestmark = pytest.mark.oracle

DOUBLET = Lens(
    "doublet", (Surface(61.47), Surface(-44.64), Surface(-129.94)), (6.0, 2.5), ("N-BK7", "N-SF5"), 22.0
)
LENSES = {**FAMILIES, "doublet": DOUBLET}
BEAM = Beam(532.0, 0.4, -200.0, offset_mm=(0.2, -0.3), slope_mrad=(1.5, -2.0))


def rotation(pose):
    rx, ry = np.asarray(pose[2:]) * 1e-3
    about_x = np.array(((1, 0, 0), (0, math.cos(rx), -math.sin(rx)), (0, math.sin(rx), math.cos(rx))))
    about_y = np.array(((math.cos(ry), 0, math.sin(ry)), (0, 1, 0), (-math.sin(ry), 0, math.cos(ry))))
    return about_y @ about_x


def shapes(lens, pose, layout):
    """Surfaces with their places; the world is in units of mm, which the tracer does not mind."""
    turn = rotation(pose)
    vertex = np.array((pose[0], pose[1], layout.l1_mm))
    depths = np.concatenate(([0.0], np.cumsum(lens.thicknesses_mm)))
    for surface, depth in zip(lens.surfaces, depths, strict=True):
        flat = math.isinf(surface.radius_mm)
        shape = batoid.Plane() if flat else batoid.Sphere(surface.radius_mm)
        yield shape, batoid.CoordSys(vertex + turn @ np.array((0.0, 0.0, depth)), turn)


def landings_of_the_oracle(lens, layout, beam, pose):
    """Landing point, direction and optical path (mm) of every path at one pose."""
    direction = np.array((beam.slope_mrad[0] * 1e-3, beam.slope_mrad[1] * 1e-3, 1.0))
    direction /= np.linalg.norm(direction)
    media = [batoid.ConstMedium(n) for n in lens.indices(beam.wavelength_nm)]
    places = list(shapes(lens, pose, layout))
    plates = {
        Plate.HOLE_TARGET: batoid.CoordSys(),
        Plate.REFERENCE_TARGET: batoid.CoordSys((0, 0, layout.l1_mm + lens.thickness_mm + layout.l2_mm)),
    }
    found = {}
    for name in SpotPath:
        path = ray_path(name, len(places))
        start = [np.array([value]) for value in (*beam.offset_mm, 0.0, *direction)]
        ray = batoid.RayVector(*start)
        space, way = 0, 1
        for number, action in path.steps:
            shape, place = places[number]
            if action is Action.REFRACT:
                shape.refract(ray, media[space], media[space + way], coordSys=place)
                space += way
            else:
                shape.reflect(ray, coordSys=place)
                way = -way
        batoid.Plane().intersect(ray, coordSys=plates[path.plate])
        ray.toCoordSys(batoid.CoordSys())
        found[name] = (ray.r[0, :2].copy(), ray.v[0].copy(), ray.t[0], bool(ray.failed[0]))
    return found


@pytest.mark.parametrize("name", LENSES)
def test_a_thousand_poses_over_all_families(name):
    # 1,100 poses in all, 100 for each of ten families and a cemented doublet; every path that is lit.
    lens = LENSES[name]
    rng = np.random.default_rng(sorted(LENSES).index(name))
    poses = rng.uniform(-1, 1, size=(100, 4)) * (2.0, 2.0, 35.0, 35.0)
    ours = trace(lens, REF_LAYOUT, BEAM, poses)
    compared = 0
    for number, pose in enumerate(poses):
        for path, (point, direction, way, failed) in landings_of_the_oracle(
            lens, REF_LAYOUT, BEAM, pose
        ).items():
            landing = ours[path]
            if not landing.lit[number]:
                continue
            assert not failed
            np.testing.assert_allclose(landing.landing_mm[number], point, rtol=0, atol=1e-9)
            np.testing.assert_allclose(landing.direction[number], direction, rtol=0, atol=1e-11)
            assert landing.path_length_mm[number] == pytest.approx(way, abs=1e-9)
            compared += 1
    assert compared >= 300  # at least the three spots at every pose


def test_short_way_on_the_reference_bench():
    poses = np.random.default_rng(0).uniform(-1, 1, size=(20, 4)) * (1.0, 1.0, 17.0, 17.0)
    lens = FAMILIES["biconvex f100"]
    spots = spot_coordinates(lens, REF_LAYOUT, REF_BEAM, poses)
    for pose, row in zip(poses, spots, strict=True):
        found = landings_of_the_oracle(lens, REF_LAYOUT, REF_BEAM, pose)
        expected = np.hstack(
            [found[path][0] for path in (SpotPath.FRONT, SpotPath.BACK, SpotPath.TRANSMITTED)]
        )
        np.testing.assert_allclose(row, expected, rtol=0, atol=1e-9)
