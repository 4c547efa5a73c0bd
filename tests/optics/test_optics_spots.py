from dataclasses import replace

import numpy as np
import pytest

from optics.errors import OpticsError, RayLostError
from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT, REF_LENS
from optics.layout import Layout
from optics.lens import Lens, Surface
from optics.paths import make_plan, ray_path
from optics.rays import FLOAT, REAL_ARRAY, RayModel, land, lens_frame, run
from optics.spots import (
    FEW,
    THREE_SPOTS,
    model_names,
    model_parameter_jacobian,
    model_spot_coordinates,
    model_spot_jacobian,
    number_spot_coordinates,
    spot_coordinates,
    spot_jacobian,
)
from optics.trace import CHUNK, SpotPath, power_fractions, trace

MODEL = RayModel.of(REF_LENS, REF_LAYOUT, REF_BEAM)


def some_poses(count, seed=3):
    return np.random.default_rng(seed).normal(size=(count, 4)) * (0.8, 0.8, 8.0, 8.0)


@pytest.mark.parametrize("lens", FAMILIES.values(), ids=FAMILIES.keys())
@pytest.mark.parametrize("count", [1, 40, CHUNK + 1])
def test_same_as_the_full_trace(lens, count):
    poses = some_poses(count)
    full = trace(lens, REF_LAYOUT, REF_BEAM, poses, THREE_SPOTS)
    expected = np.hstack([full[path].landing_mm for path in THREE_SPOTS])
    lit = np.all([full[path].lit for path in THREE_SPOTS], axis=0)
    spots = spot_coordinates(lens, REF_LAYOUT, REF_BEAM, poses)
    assert spots.shape == (count, 6)
    np.testing.assert_allclose(spots[lit], expected[lit], rtol=0, atol=1e-11)


@pytest.mark.parametrize("lens", FAMILIES.values(), ids=FAMILIES.keys())
def test_as_machine_code_the_kernel_gives_the_same_last_bit(lens):
    model = RayModel.of(lens, REF_LAYOUT, replace(REF_BEAM, offset_mm=(0.1, -0.2), slope_mrad=(0.3, 0.4)))
    plan = make_plan(tuple(ray_path(path, 2) for path in THREE_SPOTS), 2)
    for pose, spots in zip(some_poses(5), model_spot_coordinates(model, some_poses(5)), strict=True):
        traced = run(model, plan, lens_frame(pose.tolist(), FLOAT), FLOAT)
        landed = [land(model, plan, traced, end) for end in range(3)]
        assert spots.tolist() == [value for place in landed for value in (place.x_mm, place.y_mm)]


def test_few_and_many_poses_have_the_same_jacobian():
    poses = some_poses(FEW + 1)
    many = spot_jacobian(REF_LENS, REF_LAYOUT, REF_BEAM, poses)
    one_by_one = [spot_jacobian(REF_LENS, REF_LAYOUT, REF_BEAM, pose)[0] for pose in poses]
    np.testing.assert_allclose(many, one_by_one, rtol=0, atol=1e-12)


@pytest.mark.parametrize("count", [2, FEW + 1, CHUNK + 5])
def test_a_lens_of_its_own_for_each_pose(count):
    rng = np.random.default_rng(5)
    poses = some_poses(count)
    r1, r2 = 102.4 * (1 + 0.01 * rng.normal(size=count)), -102.4 * (1 + 0.01 * rng.normal(size=count))
    l1, l2 = 300 + rng.normal(size=count), 150 + rng.normal(size=count)
    model = replace(MODEL, curvatures_per_mm=(1 / r1, 1 / r2), l1_mm=l1, l2_mm=l2)
    spots = model_spot_coordinates(model, poses)
    jacobian = model_spot_jacobian(model, poses)
    for number in (0, count // 2, count - 1):
        lens = Lens.singlet("own", r1[number], r2[number], 4.0, "N-BK7", 20.0)
        layout = Layout(l1[number], l2[number])
        expected = spot_coordinates(lens, layout, REF_BEAM, poses[number])[0]
        np.testing.assert_allclose(spots[number], expected, rtol=0, atol=1e-11)
        np.testing.assert_allclose(
            jacobian[number], spot_jacobian(lens, layout, REF_BEAM, poses[number])[0], rtol=0, atol=1e-11
        )


def test_one_pose_serves_many_lenses():
    model = replace(MODEL, l1_mm=np.array((300.0, 310.0)))
    spots = model_spot_coordinates(model, (0.5, 0, 0, 1.0))
    assert spots.shape == (2, 6)
    assert spots[0, 0] != spots[1, 0]


def test_arrays_of_other_lengths_are_refused():
    with pytest.raises(OpticsError, match=r"lengths \[3\] for 2 poses"):
        model_spot_coordinates(replace(MODEL, l1_mm=np.full(3, 300.0)), some_poses(2))
    with pytest.raises(OpticsError, match=r"lengths \[2, 3\]"):
        model_spot_coordinates(
            replace(MODEL, l1_mm=np.full(3, 300.0), l2_mm=np.full(2, 150.0)), some_poses(3)
        )


@pytest.mark.parametrize("count", [1, FEW + 2])
def test_parameter_jacobian_against_differences(count):
    poses = some_poses(count)
    names = model_names(MODEL)
    assert names == ("R1", "R2", "t1", "n1", "L1", "L2")
    jacobian = model_parameter_jacobian(MODEL, poses)
    base = {"R1": 102.4, "R2": -102.4, "t1": 4.0, "n1": MODEL.indices[1], "L1": 300.0, "L2": 150.0}

    def spots(name, change):
        v = base | {name: base[name] + change}
        model = RayModel((1 / v["R1"], 1 / v["R2"]), (v["t1"],), (1.0, v["n1"], 1.0), v["L1"], v["L2"])
        return model_spot_coordinates(model, poses)

    for column, name in enumerate(names):
        step = 1e-4 if name == "n1" else 1e-2
        slope = (
            spots(name, -2 * step) - 8 * spots(name, -step) + 8 * spots(name, step) - spots(name, 2 * step)
        ) / (12 * step)
        np.testing.assert_allclose(jacobian[:, :, column], slope, rtol=0, atol=1e-8)


def test_parameter_jacobian_of_some_names():
    poses = some_poses(2)
    some = model_parameter_jacobian(MODEL, poses, ("L2", "R2"))
    whole = model_parameter_jacobian(MODEL, poses)
    np.testing.assert_array_equal(some, whole[:, :, [5, 1]])
    with pytest.raises(OpticsError, match="has no number 'R3', allowed are R1, R2"):
        model_parameter_jacobian(MODEL, poses, ("R3",))


def test_plano_radius_has_no_derivative():
    plano = RayModel.of(FAMILIES["plano-convex, plano first"], REF_LAYOUT, REF_BEAM)
    assert (model_parameter_jacobian(plano, some_poses(1), ("R1",)) == 0.0).all()


def test_names_of_a_doublet():
    doublet = Lens("d", (Surface(61.47), Surface(-44.64), Surface(-129.94)), (6, 2.5), ("N-BK7", "N-SF5"), 22)
    model = RayModel.of(doublet, REF_LAYOUT, REF_BEAM)
    assert model_names(model) == ("R1", "R2", "R3", "t1", "t2", "n1", "n2", "L1", "L2")
    assert model_parameter_jacobian(model, some_poses(3)).shape == (3, 6, 9)


@pytest.mark.parametrize("count", [1, FEW + 5])
def test_a_lost_ray_is_refused_and_named(count):
    ball = FAMILIES["ball-like"]
    poses = np.zeros((count, 4))
    poses[-1, 0] = 20.0
    with pytest.raises(RayLostError, match=rf"pose {count - 1} \(.*20, 0, 0, 0\): the beam misses a surface"):
        spot_coordinates(ball, REF_LAYOUT, REF_BEAM, poses)


@pytest.mark.parametrize("decenter_mm", [12.6999, 12.7001])
def test_a_ray_beside_the_sphere_does_not_reach_it(decenter_mm):
    # The front sphere has R = 12.7 mm: the ray grazes it just inside and passes just outside.
    model = RayModel.of(FAMILIES["ball-like"], REF_LAYOUT, REF_BEAM)
    plan = make_plan((ray_path(SpotPath.FRONT, 2), ray_path(SpotPath.TRANSMITTED, 2)), 2)
    for maths, kind in ((FLOAT, float), (REAL_ARRAY, np.atleast_1d)):
        pose = [kind(value) for value in (decenter_mm, 0.0, 0.0, 0.0)]
        hits = run(model, plan, lens_frame(pose, maths), maths).hits
        assert bool(hits[0].reached) == (decenter_mm < 12.7)
        assert hits[0].reached or not hits[-1].reached  # what comes after a lost ray is lost too


def test_a_return_that_leaves_forwards_is_refused():
    flat = FAMILIES["plano-convex, plano first"]
    with pytest.raises(RayLostError):
        spot_coordinates(
            flat, REF_LAYOUT, REF_BEAM, (0, 0, 0, 800.0)
        )  # 45.8 deg: the return goes on past 90 deg


def test_no_poses_no_spots():
    assert spot_coordinates(REF_LENS, REF_LAYOUT, REF_BEAM, np.empty((0, 4))).shape == (0, 6)
    assert spot_jacobian(REF_LENS, REF_LAYOUT, REF_BEAM, np.empty((0, 4))).shape == (0, 6, 4)


@pytest.mark.parametrize("lens", FAMILIES.values(), ids=FAMILIES.keys())
def test_one_pose_by_plain_numbers_is_that_of_the_trace(lens):
    beside = (lens.clear_aperture_mm, 0.0, 0.0, 0.0)
    for pose in [(0.0, 0.0, 0.0, 0.0), *some_poses(3).tolist(), beside]:
        full = trace(lens, REF_LAYOUT, REF_BEAM, pose, THREE_SPOTS)
        powers = power_fractions(lens, REF_LAYOUT, REF_BEAM, pose, THREE_SPOTS)
        assert powers == pytest.approx([full[path].power_fraction[0] for path in THREE_SPOTS], rel=1e-12)
        if all(full[path].lit[0] for path in THREE_SPOTS):
            numbers = np.array(RayModel.of(lens, REF_LAYOUT, REF_BEAM).numbers)
            spots = number_spot_coordinates(numbers, np.array([pose]))[0]
            assert spots == pytest.approx(np.hstack([full[path].landing_mm[0] for path in THREE_SPOTS]))
    assert powers == [0.0, 0.0, 0.0]


def test_one_pose_whose_ray_is_lost_is_refused():
    with pytest.raises(RayLostError):
        number_spot_coordinates(np.array(MODEL.numbers), np.array([[500.0, 0.0, 0.0, 0.0]]))
