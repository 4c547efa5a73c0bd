from dataclasses import replace

import numpy as np
import pytest
from spot_bench import AXES, nominal_bench
from test_learning import FROM_BELOW, fresh, look

from control.messages import MovePurpose
from control.mount import Mount
from control.moves import visible_null
from control.plan import AlignmentPlan
from optics.families import FAMILIES

FREE = tuple(replace(axis, approach_from=None, overshoot=0.0) for axis in AXES)


def test_a_move_down_goes_past_its_target_and_comes_back_from_below() -> None:
    mount = Mount(nominal_bench(FREE), np.zeros(4))
    first = mount.move_to(np.array([-0.5, 0.3, 0.0, 0.0]), "why", MovePurpose.STEP)
    assert first.purpose is MovePurpose.TAKE_UP
    assert first.targets == pytest.approx({"X": -0.54, "Y": 0.3, "A": 0.0, "B": 0.0})
    second = mount.arrived(np.array([-0.54, 0.3, 0.0, 0.0]))
    assert second is not None
    assert (second.purpose, second.targets["X"]) == (MovePurpose.STEP, -0.5)
    assert mount.arrived(np.array([-0.5, 0.3, 0.0, 0.0])) is None
    assert mount.sides == pytest.approx([1.0, 1.0, 0.0, 0.0])


def test_where_the_driver_takes_up_backlash_a_move_is_one() -> None:
    mount = Mount(nominal_bench(), np.zeros(4))
    move = mount.move_to(np.array([-0.5, 0.0, 0.0, 0.0]), "why", MovePurpose.TEST)
    assert move.purpose is MovePurpose.TEST
    assert mount.stands_at(np.array([0.0005, 0.0, 0.0, 0.0]))
    assert not mount.stands_at(np.array([0.002, 0.0, 0.0, 0.0]))


def test_an_offset_that_is_no_more_than_noise_in_a_hidden_direction_is_not_followed() -> None:
    lens = FAMILIES["near-concentric"]
    plan = AlignmentPlan(lens)
    for seed in range(8):
        model = fresh(lens)
        look(model, np.zeros(4), np.zeros(4), lens=lens, rng=np.random.default_rng(seed))
        pose = model.pose_here()
        assert np.sqrt(pose.covariance[3, 3]) > 5.0 * plan.tolerances[3]
        moved = model.mount() @ visible_null(plan, model, np.zeros(4), FROM_BELOW)
        assert np.hypot(*moved[2:]) < 2.0 * plan.tolerances[3]
