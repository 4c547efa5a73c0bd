"""Rows of the vision benchmark beyond round spots in a plane: oblique cameras, a spot cut by the edge."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from made_frames import PITCH_MM, AffineMap, MadeFrame, MadeHole, MadeSpot, ObliqueMap, expose, expose_oblique

from vision.look import measure_returns, measure_transmitted
from vision.spots import Expectation, Flag, Spot, SpotName

CHI2_95 = 5.991


def oblique(angle_deg: float, truths: int, rng: np.random.Generator) -> dict[str, object]:
    """One spot of 2.5 mm radius seen from 200 mm; the error on the plate, um."""
    plate_map = ObliqueMap(angle_deg)
    errors, inside = [], []
    elsewhere = expose(MadeFrame(()), rng).pixels
    for _ in range(truths):
        truth = rng.uniform(-1.0, 1.0, 2)
        image = expose_oblique(truth, 2.5, 5000.0, plate_map, rng, elsewhere)
        expected = Expectation(truth + rng.normal(0.0, 0.1, 2), np.eye(2) * 0.01, 2.5, 0.1, 1.0)
        spot = measure_transmitted(image, None, plate_map, expected)
        if isinstance(spot, Spot):
            error = spot.center_mm - truth
            errors.append(1e3 * np.hypot(*error))
            inside.append(float(error @ np.linalg.solve(spot.covariance_mm2, error)) < CHI2_95)
    return {
        "worst_um": round(float(np.max(errors)), 3),
        "rms_um": round(float(np.sqrt(np.mean(np.square(errors)))), 3),
        "coverage_95": round(float(np.mean(inside)), 3),
        "refused": truths - len(errors),
        "truths": truths,
    }


def cut_by_frame(truths: int, rng: np.random.Generator) -> dict[str, object]:
    """A spot whose centre lies near the frame's edge, beside a hole whose mapped centre is 4 px wrong."""
    plate_map = AffineMap()
    errors, inside, flagged = [], [], 0
    elsewhere = expose(MadeFrame(()), rng).pixels
    for _ in range(truths):
        x, y = float(rng.uniform(8.0, 30.0)), float(rng.uniform(300.0, 700.0))
        frame = MadeFrame((MadeSpot(x, y, 20.0, 5000.0),), hole=(x + 12.0, y, 14.0))
        turn = rng.uniform(0.0, 2.0 * np.pi)
        wrong = np.array([[x + 12.0 + 4.0 * np.cos(turn), y + 4.0 * np.sin(turn)]])
        # What the map would say of a hole that it knows to 4 px (k = 2).
        hole = MadeHole(plate_map.to_mm(wrong)[0], 14.0 * PITCH_MM, np.eye(2) * (2.0 * PITCH_MM) ** 2)
        truth = plate_map.to_mm(np.array([[x, y]]))[0]
        expected = Expectation(truth + rng.normal(0.0, 0.1, 2), np.eye(2) * 0.01, 2.0, 0.05, 1.0)
        spot = measure_transmitted(
            expose(frame, rng, elsewhere=elsewhere), None, plate_map, expected, hole=hole
        )
        if not isinstance(spot, Spot):
            flagged += 1
            continue
        error = (spot.center_mm - truth) / PITCH_MM
        errors.append(float(np.hypot(*error)))
        covariance = spot.covariance_mm2 / PITCH_MM**2
        inside.append(float(error @ np.linalg.solve(covariance, error)) < CHI2_95)
        flagged += Flag.CUT_BY_FRAME in spot.flags
    return {
        "rms_px": round(float(np.sqrt(np.mean(np.square(errors)))), 4),
        "coverage_95": round(float(np.mean(inside)), 3),
        "flagged": flagged,
        "truths": truths,
    }


def larger_frame(rng: np.random.Generator) -> dict[str, object]:
    """What two spots cost in a frame of 2448 x 2048 over one of 1280 x 1024, tracked and searched for."""
    cost = [_cost_ms(scale, shape, rng) for scale, shape in ((1.0, (1024, 1280)), (1.9125, (2048, 2448)))]
    told: dict[str, object] = {}
    for way in cost[0]:
        told[f"ms_{way}"] = [round(one[way], 2) for one in cost]
        told[f"ratio_{way}"] = round(cost[1][way] / cost[0][way], 2)
    return told


def _cost_ms(scale: float, shape: tuple[int, int], rng: np.random.Generator) -> dict[str, float]:
    plate_map = AffineMap(PITCH_MM / scale, (shape[1] / 2.0, shape[0] / 2.0))
    x, y, sigma = shape[1] / 2.0 + 1.3, shape[0] / 2.0 - 2.2, 20.0 * scale
    spots = MadeSpot(x - 0.5 * sigma, y, sigma, 3000.0), MadeSpot(x + 0.6 * sigma, y, 1.2 * sigma, 2400.0)
    frame = MadeFrame(spots, (x + 3.0, y + 2.0, 0.7 * sigma), shape=shape)
    image = expose(frame, rng)
    hole = MadeHole(plate_map.to_mm(np.array([[x + 3.0, y + 2.0]]))[0], 0.7)

    def expected(sigma_mm: float) -> dict[SpotName, Expectation]:
        told = {}
        for k, name in enumerate((SpotName.FRONT, SpotName.BACK)):
            center = plate_map.to_mm(np.array([[spots[k].x, spots[k].y]]))[0] + rng.normal(0.0, 0.05, 2)
            power = (1.0, 0.8 * 1.44)[k]
            told[name] = Expectation(center, np.eye(2) * sigma_mm**2, (2.0, 2.4)[k], 0.05, power)
        return told

    near, far = expected(0.1), expected(20.0)
    return {
        "tracked": _least_ms(lambda: measure_returns(image, None, plate_map, hole, near)),
        "searched": _least_ms(lambda: measure_returns(image, None, plate_map, hole, far)),
        "searched_one_of_any_size": _least_ms(lambda: measure_transmitted(image, None, plate_map, hole=hole)),
    }


def _least_ms(call: Callable[[], object], count: int = 15) -> float:
    spent = []
    for _ in range(count):
        began = time.thread_time()
        call()
        spent.append(time.thread_time() - began)
    return 1e3 * min(spent)


def special_rows(truths: int, seed: int) -> dict[str, dict[str, object]]:
    """All special rows, by name."""
    rng = np.random.default_rng([seed, 77])
    return {
        "one of 2.5 mm at 45 degrees from 200 mm": oblique(45.0, truths, rng),
        "one of 2.5 mm at 60 degrees from 200 mm": oblique(60.0, truths, rng),
        "2448 x 2048 frame over 1280 x 1024, <= 2.5": larger_frame(rng),
        "one cut by the frame's edge, hole centre 4 px wrong": cut_by_frame(truths, rng),
    }
