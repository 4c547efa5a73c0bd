"""When one exposure cannot serve both returns, and how much longer the others have to be."""

from __future__ import annotations

import numpy as np
import pytest

from vision.bracket import longer_exposures
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot, SpotName

FRONT, BACK = SpotName.FRONT, SpotName.BACK
PIXEL_MM2, SHORT_S, LONGEST_S = 0.05**2, 0.002, 0.5


def spot(peak_e: float, radius_mm: float) -> Spot:
    """A return whose peak pixel holds ``peak_e`` at the short exposure."""
    power = peak_e * np.pi * radius_mm**2 / (2.0 * PIXEL_MM2 * SHORT_S)
    return Spot(np.zeros(2), np.eye(2) * 1e-4, (radius_mm, radius_mm), float(power))


def longer(front: Sighting, back: Sighting, powers: tuple[float, float] = (0.04, 0.04)) -> tuple[float, ...]:
    expected = {
        name: Expectation(np.zeros(2), np.eye(2), radius, 0.02, power)
        for name, radius, power in zip((FRONT, BACK), (0.5, 7.5), powers, strict=True)
    }
    return longer_exposures(SHORT_S, {FRONT: front, BACK: back}, expected, PIXEL_MM2, LONGEST_S)


def test_two_that_one_exposure_serves_ask_for_no_other() -> None:
    assert longer(spot(7000.0, 0.5), spot(35.0, 7.5)) == ()


def test_a_dim_one_asks_for_as_much_longer_as_it_needs() -> None:
    times = longer(spot(7000.0, 0.5), spot(10.0, 7.5))
    assert times[0] == pytest.approx(100.0 * SHORT_S)  # to a thousand electrons
    assert all(
        1.0 < long / short <= 6.0 + 1e-9 for long, short in zip(times, (*times[1:], SHORT_S), strict=True)
    )


def test_the_camera_sets_the_end() -> None:
    assert longer(spot(7000.0, 0.5), spot(0.1, 7.5))[0] == pytest.approx(LONGEST_S)


@pytest.mark.parametrize("reason", [Reason.NO_LIGHT, Reason.TOO_UNCERTAIN, Reason.UNRESOLVED])
def test_one_that_is_not_seen_because_it_must_be_too_dim_asks_for_more(reason: Reason) -> None:
    """By the powers that are expected: 7000 e- on 0.5 mm are 31 on 7.5 mm, 2 with a coating."""
    assert longer(spot(7000.0, 0.5), NoSpot(reason), (0.04, 0.0025)) != ()
    assert longer(spot(7000.0, 0.5), NoSpot(reason), (0.04, 0.04)) == ()


@pytest.mark.parametrize("reason", [Reason.IN_THE_HOLE, Reason.OFF_THE_PLATE, Reason.UNDECIDED])
def test_longer_exposures_do_not_bring_back_what_is_not_on_the_plate(reason: Reason) -> None:
    assert longer(spot(7000.0, 0.5), NoSpot(reason), (0.04, 0.0025)) == ()
    assert longer(NoSpot(Reason.NO_LIGHT), NoSpot(Reason.NO_LIGHT)) == ()
