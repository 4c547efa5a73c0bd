"""The simulated clamp and adhesive: what shifts, what follows the mount, what is let go."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.fixing import Fixing, FixingNuisances

POSE = np.array([0.1, -0.2, 1.0, -2.0])
ARCSEC = math.radians(1 / 3600) * 1e3  # in mrad


def fixing(**more: float) -> Fixing:
    nuisances = FixingNuisances(
        lock_scatter_um=0.0, lock_scatter_arcsec=0.0, bond_scatter_um=0.0, bond_scatter_arcsec=0.0, **more
    )
    return Fixing(lambda: nuisances, np.random.default_rng(0))


def test_a_lock_shifts_and_holds_and_lets_go() -> None:
    state = fixing()
    state.switch("lock", 10.0, POSE, on=True)
    shift = [5e-3, -4e-3, 7 * ARCSEC, 5 * ARCSEC]
    assert state.placed(10.0, POSE) == pytest.approx(POSE)
    assert state.placed(11.0, POSE) == pytest.approx(POSE + shift)
    assert state.placed(11.0, POSE + 1.0) == pytest.approx(POSE + shift)  # the mount moves, the lens does not
    state.switch("lock", 12.0, POSE, on=False)
    assert state.placed(12.0, POSE + 1.0) == pytest.approx(POSE + 1.0)


def test_adhesive_pulls_by_an_exponential_and_follows_the_mount_until_it_has_set() -> None:
    state = fixing()
    state.switch("bond", 0.0, POSE, on=True)
    pull = np.array([-4e-3, 5e-3, 6 * ARCSEC, -8 * ARCSEC])
    assert state.placed(8.0, POSE + 1.0) == pytest.approx(POSE + 1.0 + pull * (1 - math.exp(-1.0)))
    assert state.placed(26.0, POSE) == pytest.approx(POSE + pull * (1 - math.exp(-26.0 / 8.0)))
    state.switch("bond", 30.0, POSE, on=False)
    set_at = POSE + pull * (1 - math.exp(-30.0 / 8.0))
    assert state.placed(100.0, POSE + 1.0) == pytest.approx(set_at)


def test_adhesive_that_was_not_cured_long_enough_does_not_hold() -> None:
    state = fixing()
    state.switch("bond", 0.0, POSE, on=True)
    state.switch("bond", 5.0, POSE, on=False)
    moved = state.placed(50.0, POSE + 1.0) - state.placed(50.0, POSE)
    assert moved == pytest.approx(np.ones(4))


def test_another_lens_begins_anew() -> None:
    state = fixing()
    state.switch("bond", 0.0, POSE, on=True)
    state.switch("bond", 40.0, POSE, on=False)
    state.lens_out()
    assert state.placed(50.0, POSE + 1.0) == pytest.approx(POSE + 1.0)


def test_switching_twice_is_switching_once() -> None:
    state = fixing()
    state.switch("lock", 0.0, POSE, on=True)
    state.switch("lock", 5.0, POSE + 9.0, on=True)
    assert state.is_on("lock")
    assert state.placed(6.0, POSE)[0] == pytest.approx(POSE[0] + 5e-3)


@pytest.mark.parametrize("wrong", [{"lock_s": 0.0}, {"cure_s": -1.0}, {"lock_scatter_um": math.nan}])
def test_impossible_nuisances(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="fixing"):
        FixingNuisances(**wrong)
