import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from spot_bench import AXES, nominal_bench
from test_learning import FROM_BELOW, fresh, look

from control.moves import (
    blind_at_null,
    bounded_step,
    looks_round_null,
    scan,
    visible_null,
    visible_projector,
)
from control.moves import test_move_sizes as sizes_of_test_moves
from control.plan import AlignmentPlan
from optics.families import FAMILIES, REF_LENS
from optics.observability import observe
from vision.spots import SpotName

PLAN = AlignmentPlan(REF_LENS)
BENCH = nominal_bench()
wide = st.tuples(*[st.floats(-9.0, 9.0)] * 4).map(np.array)


@given(wide, wide)
def test_a_step_stays_inside_bounds_and_travel_and_on_the_way(here: np.ndarray, wanted: np.ndarray) -> None:
    here = np.clip(here, [a.reach_min for a in AXES], [a.reach_max for a in AXES])
    step = bounded_step(PLAN, BENCH, here, wanted)
    for axis, value, old in zip(AXES, step.axes, here, strict=True):
        assert axis.can_end_at(value)
        bound = PLAN.max_step_mm if axis.unit == "mm" else PLAN.max_step_deg
        assert abs(value - old) <= bound + axis.step
    outside = any(not a.can_end_at(w) for a, w in zip(AXES, wanted, strict=True))
    assert bool(step.stopped_by) == outside
    if not step.shortened and not outside:
        assert np.max(np.abs(step.axes - wanted)) <= 0.0005 + 1e-12


def test_a_target_too_near_the_end_to_be_approached_from_its_side_is_beyond_travel() -> None:
    nearly = np.array([-5.95, 0.0, 0.0, 0.0])  # X comes from below by 0.1 mm and ends at -6
    step = bounded_step(PLAN, BENCH, np.array([-5.0, 0.0, 0.0, 0.0]), nearly)
    assert step.stopped_by == "X"
    assert step.axes[0] == pytest.approx(-5.9)
    assert bounded_step(PLAN, BENCH, step.axes, -nearly).stopped_by == ""


def test_test_moves_give_each_column_to_2_percent() -> None:
    jacobian = fresh().jacobian()
    sizes = sizes_of_test_moves(PLAN, BENCH, jacobian, 0.02)
    for column, size in zip(jacobian.T, sizes, strict=True):
        assert np.max(np.abs(column)) * size == pytest.approx(60.0 * 0.02)


@pytest.mark.parametrize("name", list(FAMILIES))
def test_looks_round_the_null_are_symmetric_and_move_every_spot(name: str) -> None:
    model = fresh(FAMILIES[name])
    offsets = np.array(list(itertools.islice(looks_round_null(PLAN, model, 1.0), 16)))
    assert offsets[0::2] == pytest.approx(-offsets[1::2])
    moved = np.abs(offsets @ model.sensitivities().T).reshape(16, 3, 2)
    grain = 0.06
    assert np.min(np.linalg.norm(moved, axis=2)[:, :2]) >= grain
    spread = np.linalg.norm(offsets[:, None] - offsets[None], axis=2) + np.eye(16)
    assert np.min(spread) > 1e-3


@pytest.mark.parametrize(
    ("name", "gone"),
    [
        ("biconvex f100", set()),
        ("biconvex f500", {SpotName.BACK}),
        ("plano-convex, plano first", {SpotName.FRONT}),
        ("meniscus", {SpotName.BACK}),
    ],
)
def test_spots_that_a_hole_of_1_mm_swallows_are_looked_at_beside_it(name: str, gone: set[SpotName]) -> None:
    model = fresh(FAMILIES[name])
    assert blind_at_null(model, 1.0) == gone
    offsets = np.array(list(itertools.islice(looks_round_null(PLAN, model, 1.0), 8)))
    for spot in gone:
        rows = slice(0, 2) if spot is SpotName.FRONT else slice(2, 4)
        away = np.linalg.norm(offsets @ model.sensitivities()[rows].T, axis=1)
        assert np.min(away) >= 1.0


def test_the_hidden_direction_is_the_one_that_the_svd_of_the_exact_trace_names() -> None:
    model = fresh(FAMILIES["near-concentric"])
    weakest = observe(model.sensitivities(), 0.02).weakest_direction
    blurred = visible_projector(BENCH, model.sensitivities(), 2.0)  # as if spots were seen to 2 mm only
    assert np.linalg.norm(blurred @ weakest) < 0.05 * np.linalg.norm(weakest)
    sharp = visible_projector(BENCH, model.sensitivities(), 0.0002)
    assert sharp == pytest.approx(np.eye(4), abs=1e-9)


def test_no_step_along_a_direction_that_nothing_was_seen_of() -> None:
    """From the front return alone, the rotation about the centre of the front surface stays as it is."""
    model = fresh()
    look(model, np.zeros(4), [0.5, 0.0, 0.0, 3.0], only=(SpotName.FRONT,))
    target = visible_null(PLAN, model, np.zeros(4), FROM_BELOW)
    turned = model.mount() @ target
    front = model.sensitivities()[:2]
    seen = front @ [0.5, 0.0, 0.0, 3.0]
    assert front @ turned == pytest.approx(-seen, abs=0.2)
    unseen = np.array([102.4, 0.0, 0.0, -1000.0]) / 1000.0  # a turn about that centre leaves the front return
    assert front @ unseen == pytest.approx([0.0, 0.0], abs=1e-5)
    scaled, along = turned / PLAN.tolerances, unseen / PLAN.tolerances
    assert abs(scaled @ along) <= 0.03 * np.linalg.norm(scaled) * np.linalg.norm(along)


def test_the_search_is_ordered_bounded_and_inside_the_travel() -> None:
    offsets = list(scan(BENCH))
    assert len(offsets) == 5 * (6 + 12 + 18)
    for offset in offsets:
        assert all(axis.reaches(value) for axis, value in zip(AXES, offset, strict=True))
    first = [float(np.hypot(*offset[2:])) for offset in offsets[:36]]
    assert np.all(np.diff(first) > -1e-9)
