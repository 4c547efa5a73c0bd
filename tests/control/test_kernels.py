"""The learned model's kernels against the formulas that they stand for, written with numpy and scipy."""

import numpy as np
import pytest
from scipy.linalg import block_diag, eigh
from scipy.optimize import approx_fprime

from control.causes import _noise_shares
from control.kernels import (
    AGAIN,
    BEND,
    NOTHING,
    RETRACE,
    UNSOUND,
    inverted,
    one_round,
    pose_with_gain,
    poses_of,
    predicted,
    roots_of,
    spots_and_derivatives,
    spreads_of,
)
from control.looks import Sights
from control.model import lens_model
from control.moves import _seen_part
from control.score_kernels import best_amounts, score_of_all, scores_since, sudden_scores
from control.unknowns import (
    BACKLASH,
    CLOCKING,
    DISTANCES,
    FIXED_COUNT,
    HERE,
    MOUNT,
    POSE,
    REFERENCES,
    UNSEEN_MM2,
    Coordinates,
    Nominal,
    innovation,
)
from optics.families import REF_BEAM, REF_LAYOUT, REF_LENS
from optics.spots import spot_coordinates, spot_jacobian

SIZE = FIXED_COUNT + 2
LENS = lens_model(REF_LENS, REF_LAYOUT, REF_BEAM)
REPEAT, DRIFT = np.diag([1e-6, 1e-6, 1e-4, 1e-4]), np.diag([1e-8, 1e-8, 1e-6, 1e-6])


def covariance_of(size, rng, scale=1.0):
    root = rng.normal(size=(size, 2 * size)) * scale
    return root @ root.T / (2 * size)


def some_bench(rng) -> Nominal:
    mount = np.eye(4) + 0.05 * rng.normal(size=(4, 4))
    return Nominal(
        rng.normal(size=4), mount, LENS.per_shape, LENS.curvatures_per_mm, 0.1 * rng.normal(size=6)
    )


def some_looks(count, rng, bench, mean) -> Sights:
    """Looks about the null, the last two of the present stand; one coordinate was not seen."""
    axes = bench.null + rng.normal(size=(count, 4)) * (0.3, 0.3, 3.0, 3.0)
    sides = rng.choice([-1.0, 0.0, 1.0], (count, 4))
    at = poses_of(axes, sides, mean, bench)[1] + rng.normal(size=(count, 4)) * (0.02, 0.02, 0.2, 0.2)
    traced, slopes = LENS.linearise(at)
    noise = np.array([covariance_of(6, rng, 0.02) for _ in range(count)])
    seen = np.ones((count, 6), dtype=bool)
    seen[0, 3] = False
    noise[0, 3] = noise[0, :, 3] = 0.0
    noise[0, 3, 3] = UNSEEN_MM2
    noise[-1] = np.diag(np.diag(noise[-1]))
    stands = np.minimum(np.arange(count), max(count - 2, 0))
    values = traced + 0.02 * rng.normal(size=(count, 6))
    return Sights(axes, sides, stands, values, noise, seen, at, traced, slopes, int(stands[-1]))


def some_mean(rng):
    mean = np.zeros(SIZE)
    mean[POSE] = rng.normal(size=4) * (0.1, 0.1, 1.0, 1.0)
    mean[MOUNT] = 0.01 * rng.normal(size=16)
    mean[CLOCKING] = 0.01 * rng.normal(size=2)
    mean[DISTANCES] = rng.normal(size=2)
    mean[REFERENCES] = 0.01 * rng.normal(size=4)
    mean[BACKLASH] = 0.005 * rng.normal(size=4)
    mean[HERE] = 1e-3 * rng.normal(size=4)
    mean[FIXED_COUNT:] = 1e-5 * rng.normal(size=2)
    return mean


@pytest.fixture(params=range(3))
def case(request):
    rng = np.random.default_rng(request.param)
    bench, mean = some_bench(rng), some_mean(rng)
    return rng, bench, mean, some_looks(5, rng, bench, mean)


def stood(looks, mean, bench):
    """Return ways from the null and poses, by the definition in control.learn."""
    shift = looks.axes - looks.sides * mean[BACKLASH] / 2.0 - bench.null
    return shift, mean[POSE] + shift @ (bench.mount + mean[MOUNT].reshape(4, 4)).T


def spots_by_definition(looks, mean, bench):
    """Return the spots of all looks: trace, sensitivities that follow the shape, clocking, references."""
    poses = stood(looks, mean, bench)[1]
    learned = np.concatenate([mean[DISTANCES], mean[FIXED_COUNT:]])
    change = np.tensordot(learned, bench.per_shape, 1)
    spots = []
    for look, pose in enumerate(poses):
        off = pose - looks.at[look] + (looks.stands[look] == looks.stand) * mean[HERE]
        beam = looks.traced[look] + looks.slopes[look] @ off + change @ (off + looks.at[look])
        turns = [np.array([[0.0, -turn], [turn, 0.0]]) for turn in mean[CLOCKING]]
        turned = beam + block_diag(turns[0], turns[0], turns[1]) @ beam
        hole, bare = mean[REFERENCES][:2], mean[REFERENCES][2:]
        spots.append(turned + np.concatenate([hole, hole, bare]) + bench.belong)
    return np.array(spots)


def whitened(roots, deviations):
    return (roots.transpose(0, 2, 1) @ deviations).reshape(6 * len(roots), -1)


def test_an_inverse_is_lapacks_and_what_has_none_is_told():
    rng = np.random.default_rng(1)
    for size in (1, 2, 6, SIZE):
        # Unknowns differ by twelve orders of magnitude in what is known of them.
        scale = 10.0 ** rng.uniform(-6.0, 6.0, size)
        matrix = (covariance_of(size, rng) + np.eye(size)) * np.outer(scale, scale)
        found = matrix.copy()
        assert inverted(found)
        np.testing.assert_allclose(
            found * np.outer(scale, scale), np.linalg.inv(matrix / np.outer(scale, scale)), atol=1e-12
        )
    assert not inverted(np.array([[1.0, 2.0], [2.0, 1.0]]))
    assert not inverted(np.full((2, 2), np.nan))


def test_poses_and_their_covariance_are_the_definitions(case):
    rng, bench, mean, looks = case
    shift, poses = poses_of(looks.axes, looks.sides, mean, bench)
    np.testing.assert_allclose(shift, stood(looks, mean, bench)[0], atol=1e-14)
    np.testing.assert_allclose(poses, stood(looks, mean, bench)[1], atol=1e-14)
    covariance = covariance_of(SIZE, rng)
    for here in (False, True):
        pose, gain, own = pose_with_gain(looks.axes[1], looks.sides[1], here, mean, covariance, bench)

        def at(mean, here=here):
            return stood(looks, mean, bench)[1][1] + here * mean[HERE]

        by = approx_fprime(mean, at, 1e-6)
        np.testing.assert_allclose(pose, at(mean), atol=1e-14)
        np.testing.assert_allclose(gain, by @ covariance, atol=1e-7)
        np.testing.assert_allclose(own, by @ covariance @ by.T, atol=1e-7)


def test_spots_are_the_definitions_and_derivatives_their_slopes(case):
    _, bench, mean, looks = case
    spots, _ = spots_and_derivatives(looks, mean, bench)
    np.testing.assert_allclose(spots, spots_by_definition(looks, mean, bench), atol=1e-13)
    # Derivatives leave out what is of second order: how clocking turns other slopes, shape those of HERE.
    mean[CLOCKING] = mean[HERE] = 0.0
    looks = looks._replace(at=stood(looks, mean, bench)[1])
    by = spots_and_derivatives(looks, mean, bench)[1]
    for unknown in range(SIZE):
        step = np.zeros(SIZE)
        step[unknown] = 1e-7 if unknown >= FIXED_COUNT else 1e-5
        ahead, behind = (spots_by_definition(looks, mean + sign * step, bench) for sign in (1.0, -1.0))
        slope = (ahead - behind) / (2.0 * step[unknown])
        np.testing.assert_allclose(by[:, :, unknown], slope, atol=1e-7 * max(1.0, np.max(np.abs(slope))))


def test_roots_are_of_the_information(case):
    _, _, _, looks = case
    spreads = spreads_of(looks, REPEAT, DRIFT)
    for look, age in enumerate((4, 3, 2, 1, 0)):
        slope = looks.slopes[look]
        expected = np.zeros((6, 6)) if look >= 3 else slope @ (REPEAT + age**2 * DRIFT) @ slope.T
        np.testing.assert_allclose(spreads[look], expected, atol=1e-15)
    sound, roots = roots_of(looks, REPEAT, DRIFT)
    assert sound
    covariances = looks.noise + spreads
    product = roots @ roots.transpose(0, 2, 1) @ covariances
    np.testing.assert_allclose(product, np.broadcast_to(np.eye(6), product.shape), atol=1e-6)
    np.testing.assert_array_equal(roots, np.tril(roots))
    noise = looks.noise.copy()
    noise[2] *= -1.0
    assert not roots_of(looks._replace(noise=noise), REPEAT, DRIFT)[0]


def test_a_prediction_is_a_look_that_was_never_taken(case):
    rng, bench, mean, looks = case
    place = looks.axes[:1], looks.sides[:1]
    at = poses_of(*place, mean, bench)[1]
    traced, slopes = LENS.linearise(at)
    covariance = covariance_of(SIZE, rng, 1e-3)
    spots, spread = predicted(*place, traced, slopes, mean, covariance, REPEAT, bench)
    one = Sights(*(part[:1] for part in looks[:-1]), stand=7)._replace(at=at, traced=traced, slopes=slopes)
    expected, by = spots_and_derivatives(one, mean, bench)
    np.testing.assert_allclose(spots, expected[0], atol=1e-13)
    np.testing.assert_allclose(
        spread, by[0] @ covariance @ by[0].T + slopes[0] @ REPEAT @ slopes[0].T, atol=1e-12
    )


def test_a_round_is_least_squares_with_the_prior_as_further_rows(case):
    rng, bench, mean, looks = case
    prior = np.linalg.inv(covariance_of(SIZE, rng, 0.1))
    prior_mean = mean + 1e-3 * rng.normal(size=SIZE)
    roots = roots_of(looks, REPEAT, DRIFT)[1]
    found = one_round(looks, roots, mean, prior_mean, prior, bench)
    spots, by = spots_and_derivatives(looks, mean, bench)
    residual = np.where(looks.seen, looks.values - spots, 0.0)
    rows = np.vstack([whitened(roots, by), np.linalg.cholesky(prior).T])
    off = np.concatenate(
        [whitened(roots, residual[:, :, None])[:, 0], np.linalg.cholesky(prior).T @ (prior_mean - mean)]
    )
    change = np.linalg.lstsq(rows, off)[0]
    change_kept = change.copy()
    now = bench.curvatures_per_mm
    change_kept[FIXED_COUNT:] = np.clip(now + np.clip((mean + change)[FIXED_COUNT:], -0.01, 0.01), -0.1, 0.1)
    change_kept[FIXED_COUNT:] -= now + mean[FIXED_COUNT:]
    np.testing.assert_allclose(found.mean - mean, change_kept, atol=1e-9)
    np.testing.assert_allclose(found.covariance, np.linalg.inv(rows.T @ rows), rtol=1e-6, atol=1e-9)
    left = residual - np.where(looks.seen, by @ change, 0.0)
    np.testing.assert_allclose(found.residual, left, atol=1e-9)
    assert found.misfit == pytest.approx(np.sum(whitened(roots, left[:, :, None]) ** 2), rel=1e-6)
    np.testing.assert_array_equal(found.by, by)
    np.testing.assert_allclose(found.poses, stood(looks, found.mean, bench)[1], atol=1e-13)


def test_a_round_says_what_has_to_follow(case):
    _, bench, mean, looks = case
    prior, roots = np.eye(SIZE), roots_of(looks, REPEAT, DRIFT)[1]
    bent = mean.copy()
    bent[FIXED_COUNT:] = 1.0
    firm = np.diag([1e12] * SIZE)
    assert one_round(looks, roots, bent, bent, firm, bench).next == BEND
    assert one_round(looks._replace(at=looks.at + 0.2), roots, mean, mean, firm, bench).next == RETRACE
    assert one_round(looks, roots, mean, mean, -prior, bench).next == UNSOUND
    traced_here = looks._replace(at=poses_of(looks.axes, looks.sides, mean, bench)[1])
    assert one_round(traced_here, roots, mean, mean, firm, bench).next == NOTHING
    wanted = mean.copy()
    wanted[0] += 0.05  # farther than a pose that lies still, not so far that it were to be traced anew
    assert one_round(traced_here, roots, mean, wanted, firm, bench).next == AGAIN


def test_scores_are_those_of_a_fit_with_more_unknowns(case):
    rng, bench, mean, looks = case
    roots = roots_of(looks, REPEAT, DRIFT)[1]
    found = one_round(looks, roots, mean, mean, np.eye(SIZE), bench)
    columns = rng.normal(size=(5, 6, 12))
    room, pull = scores_since(columns, roots, found.by, found.residual, found.covariance)
    by = whitened(roots, found.by)
    off = whitened(roots, found.residual[:, :, None])[:, 0]
    for look in range(5):
        since = columns.copy()
        since[:look] = 0.0
        extra = whitened(roots, since)
        taken = extra.T @ by @ found.covariance @ by.T @ extra
        np.testing.assert_allclose(
            room[look], extra.T @ extra - taken, rtol=1e-6, atol=1e-8 * np.abs(taken).max()
        )
        np.testing.assert_allclose(pull[look], extra.T @ off, rtol=1e-9, atol=1e-9)
    information, its_pull = score_of_all(
        columns[:, :, 0].copy(), roots, found.by, found.residual, found.covariance
    )
    assert (information, its_pull) == pytest.approx((room[0, 0, 0], pull[0, 0]), rel=1e-6)


def test_sudden_unknowns_move_the_lens_or_the_spots(case):
    rng, bench, mean, looks = case
    roots = roots_of(looks, REPEAT, DRIFT)[1]
    found = one_round(looks, roots, mean, mean, np.eye(SIZE), bench)
    levers, ride = rng.normal(size=(4, 12)), rng.normal(size=(6, 12))
    rest = roots, found.by, found.residual, covariance_of(SIZE, rng, 1e-4)
    of_columns = scores_since(looks.slopes @ levers + ride, *rest)
    for one, other in zip(sudden_scores(looks.slopes, levers, ride, *rest), of_columns, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-11 * np.abs(other).max())


def test_an_innovation_is_weighed_by_both_covariances():
    rng = np.random.default_rng(7)
    values, noise, seen = (
        rng.normal(size=6),
        covariance_of(6, rng),
        np.array([True] * 3 + [False] + [True] * 2),
    )
    noise[3] = noise[:, 3] = 0.0
    noise[3, 3] = UNSEEN_MM2
    predicted, spread = rng.normal(size=6), covariance_of(6, rng)
    square, count = innovation((predicted, spread), Coordinates(values, noise, seen))
    off = np.where(seen, values - predicted, 0.0)
    assert square == pytest.approx(off @ np.linalg.solve(noise + spread, off), rel=1e-9)
    assert count == 5
    with pytest.raises(np.linalg.LinAlgError):
        innovation((predicted, -2.0 * spread), Coordinates(values, noise, seen))


def test_best_amounts_are_the_solutions_of_each_part():
    rng = np.random.default_rng(4)
    room = np.array([covariance_of(6, rng, 10.0) for _ in range(3)])
    pull, usual = rng.normal(size=(3, 6)), rng.uniform(0.1, 1.0, 6)
    gains, amounts = best_amounts(room, pull, usual, np.array([(0, 1), (1, 5)]))
    for look in range(3):
        for number, part in enumerate((slice(0, 1), slice(1, 5))):
            matrix = room[look, part, part] + np.diag(usual[part] ** -2)
            best = np.linalg.solve(matrix, pull[look, part])
            np.testing.assert_allclose(amounts[look, part], best, rtol=1e-10)
            assert gains[look, number] == pytest.approx(best @ pull[look, part])
    assert (amounts[:, 5] == 0.0).all()


def test_noise_is_carried_through_the_gain(case):
    rng, bench, mean, looks = case
    roots, spreads = roots_of(looks, REPEAT, DRIFT)[1], spreads_of(looks, REPEAT, DRIFT)
    by, gain = spots_and_derivatives(looks, mean, bench)[1], rng.normal(size=(4, SIZE))
    spots, away = _noise_shares(gain, roots, by, looks.seen, looks.noise, spreads)
    carried = gain @ by.transpose(0, 2, 1) @ roots @ roots.transpose(0, 2, 1)
    both = looks.seen[:, :, None] & looks.seen[:, None, :]
    for found, kind in ((spots, looks.noise), (away, spreads)):
        expected = np.sum(carried @ np.where(both, kind, 0.0) @ carried.transpose(0, 2, 1), axis=0)
        np.testing.assert_allclose(found, expected, rtol=1e-8)


def test_the_seen_part_of_a_pose_is_by_principal_directions():
    rng = np.random.default_rng(5)
    limits = np.array([0.02, 0.02, 0.145, 0.145])
    kept_counts = set()
    for _ in range(50):
        scale = np.diag(limits * 10.0 ** rng.uniform(-1.0, 1.0, 4))
        covariance, start = scale @ covariance_of(4, rng) @ scale, np.diag((20.0 * limits) ** 2)
        mean = 3.0 * limits * rng.normal(size=4)
        variances, turned = eigh(covariance / np.outer(limits, limits))
        along = turned.T @ (mean / limits)
        before = np.diagonal(turned.T @ (start / np.outer(limits, limits)) @ turned)
        kept = (variances <= 1.0) | ((along**2 > 9.0 * variances) & (variances < 0.25 * before))
        kept_counts.add(int(kept.sum()))
        expected = limits * (turned[:, kept] @ along[kept])
        np.testing.assert_allclose(_seen_part(mean, covariance, start, limits), expected, atol=1e-12)
    assert len(kept_counts) > 2
    # Twice the tolerance, ten times as far off: followed only if the looks have narrowed it to a quarter.
    square, far = np.diag(limits**2), 20.0 * limits
    for before, share in ((15.0, 0.0), (17.0, 1.0)):
        np.testing.assert_allclose(_seen_part(far, 4.0 * square, before * square, limits), share * far)


def test_a_lens_is_linearised_as_the_complex_step_does():
    poses = np.random.default_rng(6).normal(size=(4, 4)) * (0.5, 0.5, 5.0, 5.0)
    spots, slopes = LENS.linearise(poses)
    np.testing.assert_array_equal(spots, spot_coordinates(REF_LENS, REF_LAYOUT, REF_BEAM, poses))
    np.testing.assert_allclose(slopes, spot_jacobian(REF_LENS, REF_LAYOUT, REF_BEAM, poses), atol=1e-5)
    inside, beyond = np.array([[4.0, 0.0, 0.0, 10.0]]), np.array([[4.5, 0.0, 0.0, 10.0]])
    (spots, slopes), (farther, same) = LENS.linearise(inside), LENS.linearise(beyond)
    np.testing.assert_array_equal(slopes, same)
    np.testing.assert_allclose(farther, spots + 0.5 * slopes[:, :, 0], atol=1e-12)
