"""Labels: swapping the expectations swaps the answer; places decide where radii and powers do not."""

from __future__ import annotations

import numpy as np
from made_frames import PITCH_MM, AffineMap, MadeFrame, MadeSpot, expose

from vision.look import measure_returns
from vision.spots import Expectation, NoSpot, Reason, Spot, SpotName

MAP = AffineMap()


def _measure(
    frame: MadeFrame, expected: tuple[Expectation, Expectation], seed: int
) -> dict[SpotName, object]:
    image = expose(frame, np.random.default_rng(seed))
    named = {SpotName.FRONT: expected[0], SpotName.BACK: expected[1]}
    return dict(measure_returns(image, None, MAP, None, named))


def _frame(radii: tuple[float, float]) -> MadeFrame:
    places = MAP.to_px(np.array([[5.0, 3.0], [-4.0, 2.0]]))
    spots = [
        MadeSpot(x, y, w / 2.0 / PITCH_MM, 2000.0 * (3.0 / w) ** 2)
        for (x, y), w in zip(places, radii, strict=True)
    ]
    return MadeFrame(tuple(spots))


def _expect(center: tuple[float, float], radius: float, sigma_mm: float) -> Expectation:
    return Expectation(np.array(center), np.eye(2) * sigma_mm**2, radius, 0.02, 0.04)


def test_exchanging_the_expectations_exchanges_the_labels() -> None:
    frame = _frame((2.5, 3.5))
    first, second = _expect((0.0, 0.0), 2.5, 10.0), _expect((0.0, 0.0), 3.5, 10.0)
    one = _measure(frame, (first, second), 1)
    other = _measure(frame, (second, first), 1)
    for name, swapped in ((SpotName.FRONT, SpotName.BACK), (SpotName.BACK, SpotName.FRONT)):
        a, b = one[name], other[swapped]
        assert isinstance(a, Spot)
        assert isinstance(b, Spot)
        assert np.allclose(a.center_mm, b.center_mm, atol=1e-4)


def test_trusted_places_decide_between_equal_spots() -> None:
    frame = _frame((3.0, 3.0))
    found = _measure(frame, (_expect((-4.0, 2.0), 3.0, 0.3), _expect((5.0, 3.0), 3.0, 0.3)), 2)
    front = found[SpotName.FRONT]
    assert isinstance(front, Spot)
    assert np.hypot(*(front.center_mm - (-4.0, 2.0))) < 0.05


def test_one_of_two_equal_spots_alone_is_undecided() -> None:
    frame = MadeFrame(_frame((3.0, 3.0)).spots[:1])
    found = _measure(frame, (_expect((0.0, 0.0), 3.0, 10.0), _expect((0.0, 0.0), 3.0, 10.0)), 3)
    for sighting in found.values():
        assert isinstance(sighting, NoSpot)
        assert sighting.reason is Reason.UNDECIDED


def test_one_faint_light_is_not_split_into_two() -> None:
    """Two overlapping spots always fit noise a little better than one; that is no second spot."""
    x, y = MAP.to_px(np.array([[-11.6, 3.7]]))[0]
    for seed in range(4):
        frame = MadeFrame((MadeSpot(x, y, 44.2, 18.6),), grain_px=1.2)
        found = _measure(frame, (_expect((0.0, 0.0), 4.42, 20.0), _expect((0.0, 0.0), 3.54, 20.0)), seed)
        assert sum(isinstance(s, Spot) for s in found.values()) <= 1
        assert not isinstance(found[SpotName.BACK], Spot)


def test_a_ghost_at_the_place_of_a_return_is_none_by_its_power() -> None:
    """Where the back return should be, as large as it should be, but of a fiftieth of its power."""
    front, back = MAP.to_px(np.array([[5.0, 3.0], [-4.0, 2.0]]))
    frame = MadeFrame(
        (MadeSpot(*front, 3.2 / 2.0 / PITCH_MM, 6000.0), MadeSpot(*back, 4.8 / 2.0 / PITCH_MM, 55.0))
    )
    for sigma_mm in (0.3, 10.0):
        expected = _expect((5.0, 3.0), 3.2, sigma_mm), _expect((-4.0, 2.0), 4.8, sigma_mm)
        found = _measure(frame, expected, 4)
        assert isinstance(found[SpotName.FRONT], Spot)
        assert isinstance(found[SpotName.BACK], NoSpot)
    # The control: with the power of a return it is one.
    full = MadeFrame((frame.spots[0], MadeSpot(*back, 4.8 / 2.0 / PITCH_MM, 6000.0 * (3.2 / 4.8) ** 2)))
    expected = _expect((5.0, 3.0), 3.2, 0.3), _expect((-4.0, 2.0), 4.8, 0.3)
    assert all(isinstance(one, Spot) for one in _measure(full, expected, 4).values())
