import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares
from spot_bench import nominal_bench

from control.causes import contributions, left_out
from control.learn import LearnedModel
from control.model import lens_model
from control.plan import AlignmentPlan, Prescription
from control.unknowns import KEPT, References, as_rows
from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT, REF_LENS
from optics.spots import spot_coordinates
from vision.spots import Spot, SpotName

NAMES = (SpotName.FRONT, SpotName.BACK, SpotName.TRANSMITTED)
FROM_BELOW = np.ones(4)


def references(hole=(0.0, 0.0), bare=(0.0, 0.0), sigma=1e-3) -> References:
    part = sigma**2 * np.eye(2)
    return References(np.array(hole), np.array(bare), {"hole centre": part}, {"bare beam": part})


def fresh(lens=REF_LENS, memory=None, prescription=Prescription.KNOWN, **known) -> LearnedModel:
    plan = AlignmentPlan(lens, prescription=prescription)
    model = lens_model(lens, REF_LAYOUT, REF_BEAM)
    return LearnedModel(model, nominal_bench(**known), references(), plan.curvature_sigma_per_mm(), memory)


def look(model: LearnedModel, axes, pose, sigma=0.02, rng=None, lens=REF_LENS, only=NAMES) -> None:
    places = spot_coordinates(lens, REF_LAYOUT, REF_BEAM, np.asarray(pose)[None])[0].reshape(3, 2)
    if rng is not None:
        places = places + rng.normal(0.0, sigma, (3, 2))
    spots = {
        name: Spot(place, sigma**2 * np.eye(2), (1.0, 1.0), 1.0)
        for name, place in zip(NAMES, places, strict=True)
        if name in only
    }
    model.moved()
    model.add_look(np.asarray(axes, dtype=float), FROM_BELOW, as_rows(spots))


def test_lens_model_is_the_trace_of_the_reference_case() -> None:
    # The reference case of the exact trace (three independent ray tracers agree to 1e-13 mm).
    pose = np.array([[0.7, -0.4, math.radians(-0.3) * 1000, math.radians(0.5) * 1000]])
    spots, slopes = lens_model(REF_LENS, REF_LAYOUT, REF_BEAM).linearise(pose)
    expected = [
        *(-9.341054310688, -0.798139511160),
        *(3.236258174775, -7.717220308819),
        *(1.097084485597, -0.592439126123),
    ]
    assert spots[0] == pytest.approx(expected, abs=1e-9)
    step = np.array([0.0, 0.01, 0.0, 0.0])
    ahead = spot_coordinates(REF_LENS, REF_LAYOUT, REF_BEAM, pose + step)
    behind = spot_coordinates(REF_LENS, REF_LAYOUT, REF_BEAM, pose - step)
    assert slopes[0][:, 1] == pytest.approx(((ahead - behind) / 0.02)[0], abs=1e-5)


@pytest.mark.parametrize("name", [name for name in FAMILIES if name != "ball-like"])
def test_derivatives_by_distance_and_curvature_agree_with_the_trace_of_a_changed_lens(name: str) -> None:
    from dataclasses import replace

    lens = FAMILIES[name]
    model = lens_model(lens, REF_LAYOUT, REF_BEAM)
    pose = np.array([[0.01, -0.02, 0.1, 0.2]])
    here = spot_coordinates(lens, REF_LAYOUT, REF_BEAM, pose)
    farther = spot_coordinates(lens, replace(REF_LAYOUT, l1_mm=REF_LAYOUT.l1_mm + 1.0), REF_BEAM, pose)
    assert (farther - here)[0] == pytest.approx((pose @ model.per_shape[0].T)[0], abs=2e-6)
    surface = lens.surfaces[1]
    other = replace(surface, radius_mm=1.0 / (surface.curvature_per_mm + 1e-5))
    bent = replace(lens, surfaces=(lens.surfaces[0], other))
    change = spot_coordinates(bent, REF_LAYOUT, REF_BEAM, pose) - here
    assert change[0] == pytest.approx(1e-5 * (pose @ model.per_curvature[1].T)[0], abs=2e-7)


def test_one_look_without_priors_is_least_squares_of_the_exact_trace() -> None:
    """Against scipy.optimize.least_squares; bench and lens are held fast by narrow priors."""
    narrow = {
        "scale_sigma": 1e-7,
        "clocking_sigma_deg": 1e-6,
        "plate_clocking_sigma_deg": 1e-6,
        "pivot_sigma_mm": 1e-5,
        "straightness_sigma_mrad_per_mm": 1e-7,
        "l1_sigma_mm": 1e-5,
        "l2_sigma_mm": 1e-5,
        "start_sigma_mm": 100.0,
        "start_sigma_mrad": 1000.0,
        "repeatability_sigma_um": 1e-3,
        "repeatability_sigma_urad": 1e-3,
    }
    plan = AlignmentPlan(REF_LENS, radius_sigma_relative=1e-7)
    lens = lens_model(REF_LENS, REF_LAYOUT, REF_BEAM)
    model = LearnedModel(lens, nominal_bench(**narrow), references(sigma=1e-6), plan.curvature_sigma_per_mm())
    rng = np.random.default_rng(2)
    truth = np.array([0.6, -0.3, 7.0, -9.0])
    look(model, np.zeros(4), truth, rng=rng)
    seen = model.looks.values[0]
    fit = least_squares(
        lambda pose: (spot_coordinates(REF_LENS, REF_LAYOUT, REF_BEAM, pose[None])[0] - seen) / 0.02,
        np.zeros(4),
        x_scale=[1.0, 1.0, 10.0, 10.0],
        xtol=1e-12,
        ftol=1e-12,
    )
    pose = model.pose_here()
    assert pose.mean == pytest.approx(fit.x, abs=1e-4)
    expected = np.sqrt(np.diag(np.linalg.inv(fit.jac.T @ fit.jac)))
    assert np.sqrt(np.diag(pose.covariance)) == pytest.approx(expected, rel=2e-3)


def test_contributions_add_up_to_the_covariance() -> None:
    model, rng = fresh(), np.random.default_rng(3)
    mount = nominal_bench().matrix()
    for axes in ([0.0, 0.0, 0.0, 0.0], [0.3, 0.0, 0.0, 0.1], [0.0, 0.2, -0.1, 0.0]):
        look(model, axes, np.array([0.4, 0.1, 3.0, 4.0]) + mount @ axes, rng=rng)
    parts = contributions(model)
    assert np.sum(list(parts.values()), axis=0) == pytest.approx(
        model.pose_here().covariance, rel=1e-6, abs=1e-12
    )
    for name, part in parts.items():
        assert np.linalg.eigvalsh(part)[0] > -1e-12, name


def test_predicted_spread_of_the_pose_is_the_spread_of_its_errors() -> None:
    rng, errors, variances = np.random.default_rng(4), [], []
    for _ in range(200):
        model = fresh()
        truth = rng.normal(0.0, 1.0, 4) * [0.5, 0.5, 9.0, 9.0]
        # the bench is nominal; only what the spots' noise gives is drawn
        look(model, np.zeros(4), truth, rng=rng)
        errors.append(model.pose_here().mean - truth)
        variances.append(np.diag(contributions(model)["spots"]))
    # 200 runs give a standard deviation to 5 %: three of them are 15 %.
    assert np.std(errors, axis=0) == pytest.approx(np.sqrt(np.mean(variances, axis=0)), rel=0.15)


def test_the_mount_is_learned_and_passed_on_but_not_the_lens() -> None:
    rng = np.random.default_rng(5)
    model = fresh()
    mount = nominal_bench().matrix() * np.array([1.015, 0.99, 1.01, 0.985])
    for axes in np.vstack([np.zeros(4), 0.5 * np.eye(4), -0.5 * np.eye(4)]):
        look(model, axes, np.array([0.2, -0.1, 2.0, 1.0]) + mount @ axes, rng=rng)
    sigma = np.sqrt(np.diag(model.covariance))[4:20].reshape(4, 4)
    assert np.all(np.abs(model.mount() - mount) < 4.0 * sigma + 1e-6)
    memory = model.remember(1)
    later = fresh(memory=memory)
    assert later.mount() == pytest.approx(model.mount())
    assert np.all(later.mean[36:] == 0.0)
    before, after = fresh().prior_covariance, later.prior_covariance
    assert np.all(np.diag(after)[KEPT] <= np.diag(before)[KEPT] * 1.002)
    assert after[4, 4] < 0.3 * before[4, 4]
    assert np.all(np.diag(memory.aged(before[np.ix_(KEPT, KEPT)], 5)) > np.diag(memory.covariance))


def test_an_unknown_lens_is_found_from_a_flat_guess() -> None:
    from optics.lens import Lens

    guess = Lens.singlet("first guess", 1000.0, -1000.0, 4.0, "N-BK7", 20.0)
    model = fresh(guess, prescription=Prescription.UNKNOWN)
    mount = nominal_bench().matrix()
    rng = np.random.default_rng(6)
    for axes in np.vstack([np.zeros(4), 0.3 * np.eye(4)]):
        look(model, axes, np.array([0.3, -0.2, 4.0, -3.0]) + mount @ axes, rng=rng)
    found = model.lens.lens.effective_focal_length_mm(532.0)
    assert found == pytest.approx(99.224, rel=0.04)


@settings(max_examples=40)
@given(
    st.sampled_from([name for name in FAMILIES if name not in ("near-concentric", "ball-like")]),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-17, 17), st.floats(-17, 17)),
    st.sampled_from([NAMES, NAMES[:1], NAMES[1:], NAMES[2:]]),
)
def test_any_spots_narrow_the_pose_and_never_widen_it(name: str, pose: tuple[float, ...], only) -> None:
    lens = FAMILIES[name]
    model = fresh(lens)
    before = model.pose_at(np.zeros(4), FROM_BELOW).covariance
    look(model, np.zeros(4), pose, lens=lens, only=only)
    after = model.pose_here().covariance
    assert np.all(np.isfinite(model.mean))
    assert np.linalg.eigvalsh(before - after)[0] > -1e-9 * np.max(before)


def test_a_spot_never_seen_cannot_be_left_out() -> None:
    model = fresh()
    look(model, np.zeros(4), [0.1, 0.0, 0.0, 0.0], only=NAMES[:2])
    with pytest.raises(ValueError, match="never seen"):
        left_out(model, SpotName.TRANSMITTED)


def test_a_slow_drift_is_followed() -> None:
    """A lens that creeps 1 um a look: old looks count for less, and the posterior knows that it is unsure."""
    off, beyond = {}, {}
    for sigma_um in (1e-3, 1.0):
        errors, squares = [], []
        for seed in range(6):
            rng = np.random.default_rng(seed)
            model = fresh(drift_sigma_um=sigma_um, drift_sigma_urad=0.1)
            for number in range(40):
                pose = np.array([0.3 + 0.001 * number, -0.2, 1.0, 2.0])
                look(model, np.zeros(4), pose, rng=rng)
            found = model.pose_at(np.zeros(4), FROM_BELOW)
            errors.append(1000.0 * (found.mean - pose)[0])
            squares.append(errors[-1] ** 2 / (1e6 * found.covariance[0, 0]))
        off[sigma_um], beyond[sigma_um] = np.mean(np.abs(errors)), np.mean(squares)
    assert off[1e-3] > 10.0
    assert off[1.0] < 0.5 * off[1e-3]
    assert beyond[1.0] < beyond[1e-3] / 4.0
