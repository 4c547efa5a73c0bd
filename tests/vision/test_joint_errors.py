"""Two overlapping returns are fitted at once: what one loses the other gains, and the fit says so."""

from __future__ import annotations

import numpy as np
from made_frames import PITCH_MM, AffineMap, MadeFrame, MadeHole, MadeSpot, expose

from vision.look import measure_returns
from vision.spots import Expectation, Spot, SpotName

FRONT, BACK = SpotName.FRONT, SpotName.BACK
RADII_MM = {FRONT: 3.166, BACK: 4.823}  # reference case, on the hole target
PEAKS_E = {FRONT: 2500.0, BACK: 2500.0 * 0.0390 / 0.0425 * (3.166 / 4.823) ** 2}
MIDDLE_PX = (640.0, 512.0)


def measured(rng: np.random.Generator, apart_mm: float) -> tuple[Spot, Spot]:
    """Both returns under speckle, ``apart_mm`` from each other along x, one hole between them."""
    places = {FRONT: -apart_mm / 2, BACK: apart_mm / 2}
    spots = tuple(
        MadeSpot(MIDDLE_PX[0] + x_mm / PITCH_MM, MIDDLE_PX[1], RADII_MM[name] / 2 / PITCH_MM, PEAKS_E[name])
        for name, x_mm in places.items()
    )
    frame = MadeFrame(spots, hole=(*MIDDLE_PX, 20.0), light_e=(50.0, 20.0, 10.0), grain_px=1.2)
    expected = {
        name: Expectation(np.array([x_mm, 0.0]), np.eye(2) * 0.05**2, RADII_MM[name], 0.02, 0.04)
        for name, x_mm in places.items()
    }
    background = expose(frame, rng, shutter_open=False)
    found = measure_returns(expose(frame, rng), background, AffineMap(), MadeHole(np.zeros(2), 1.0), expected)
    front, back = found[FRONT], found[BACK]
    assert isinstance(front, Spot)
    assert isinstance(back, Spot)
    return front, back


def test_at_the_null_the_errors_are_anticorrelated_as_said() -> None:
    rng = np.random.default_rng(11)
    pairs = [measured(rng, 0.0) for _ in range(12)]
    for front, back in pairs:
        assert front.with_other_mm2 is not None
        assert np.array_equal(front.with_other_mm2, np.asarray(back.with_other_mm2).T)
        spread = np.sqrt(np.diag(front.covariance_mm2) * np.diag(back.covariance_mm2))
        assert np.all(np.diag(front.with_other_mm2) < -0.2 * spread)
    off = np.array([np.concatenate([front.center_mm, back.center_mm]) for front, back in pairs])
    correlation = [np.corrcoef(off[:, k], off[:, k + 2])[0, 1] for k in (0, 1)]
    assert np.mean(correlation) < -0.1


def test_spots_far_from_each_other_share_nothing() -> None:
    front, back = measured(np.random.default_rng(12), 16.0)
    if front.with_other_mm2 is not None:  # None where each was fitted by itself
        spread = np.sqrt(np.diag(front.covariance_mm2) * np.diag(back.covariance_mm2))
        assert np.all(np.abs(np.diag(front.with_other_mm2)) < 0.05 * spread)
