"""Two overlapping spots that were fitted at once share light: their errors are not independent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from control.unknowns import as_rows
from vision.spots import Spot, SpotName

CROSS = np.array([[-4e-5, 1e-6], [2e-6, -3e-5]])


def pair(cross: np.ndarray | None) -> dict[SpotName, Spot]:
    front = Spot(np.array([0.1, 0.2]), np.eye(2) * 1e-4, (3.0, 3.0), 1.0, with_other_mm2=cross)
    back = Spot(
        np.array([0.3, 0.4]),
        np.eye(2) * 1e-4,
        (5.0, 5.0),
        1.0,
        with_other_mm2=None if cross is None else cross.T,
    )
    return {SpotName.FRONT: front, SpotName.BACK: back}


def test_the_joint_covariance_is_used() -> None:
    _, noise, seen = as_rows(pair(CROSS))
    assert np.array_equal(noise[:2, 2:4], CROSS)
    assert np.array_equal(noise, noise.T)
    assert seen.tolist() == [True] * 4 + [False] * 2


def test_the_difference_of_anticorrelated_spots_is_less_sure() -> None:
    """JCGM 100:2008, 5.2.2 (correlated inputs): u^2(b - f) = u^2(b) + u^2(f) - 2 u(b, f)."""
    difference = np.array([-1.0, 0.0, 1.0, 0.0, 0.0, 0.0])
    apart, joint = (difference @ as_rows(pair(cross))[1] @ difference for cross in (None, CROSS))
    assert apart == pytest.approx(2e-4)
    assert joint == pytest.approx(2e-4 + 2 * 4e-5)


def test_one_spot_alone_has_nothing_to_share() -> None:
    alone = {SpotName.FRONT: pair(CROSS)[SpotName.FRONT]}
    assert np.array_equal(as_rows(alone)[1][:2, 2:4], np.zeros((2, 2)))


def test_what_is_no_covariance_is_not_used() -> None:
    spots = pair(CROSS)
    spots[SpotName.FRONT] = replace(
        spots[SpotName.FRONT], with_other_mm2=np.eye(2)
    )  # correlation far above 1
    assert np.array_equal(as_rows(spots)[1][:2, 2:4], np.zeros((2, 2)))
