"""False spots, misses and swapped labels over many made frames; with the control of two identical spots.

    python benchmarks/vision_campaign.py [--frames 20000] [--seed N] [--seconds S]

Frames hold no, one or two returns, ghosts, dust, printed rings, room light, speckle or none. Half of them
come with nothing known of the places, half with a history: the places that control expects after its moves,
with their covariance. The last line is one JSON object. A miss counts where the signal-to-noise of the peak
pixel is 3 or more, sigma 10 px or more, and the answer was neither the spot nor "undecided". "Undecided"
counts apart where size and place of the light should have told (``undecided_though_clear``) and where they
could not (``undecided_even``): there the odds, from what is expected alone, are worse than four times what
is asked for.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter

import cv2
import numpy as np
from made_frames import HEIGHT, PITCH_MM, WIDTH, AffineMap, MadeFrame, MadeHole, MadeSpot, expose

from vision.identify import DECIDED
from vision.look import measure_returns
from vision.plate import PlateSpec
from vision.spots import Expectation, NoSpot, Reason, Spot, SpotName

cv2.setNumThreads(1)
MAP = AffineMap()
HOLE = MadeHole(np.zeros(2), 1.0)
PLATE = PlateSpec("hole_target", 70.0, 70.0, "downstream", 1.0, {}, ring_radii_mm=(5.0, 10.0, 15.0))
NAMES = (SpotName.FRONT, SpotName.BACK)
Rng = np.random.Generator


def albedo(rng: Rng) -> np.ndarray:
    """Printed rings, and dust: dark and bright specks of a few pixels."""
    picture = np.ones((HEIGHT, WIDTH), np.float32)
    for radius in PLATE.ring_radii_mm:
        cv2.circle(picture, (640, 512), round(radius / PITCH_MM), 0.1, 4)
    for _ in range(rng.poisson(12)):
        place = int(rng.integers(0, WIDTH)), int(rng.integers(0, HEIGHT))
        cv2.circle(picture, place, int(rng.integers(1, 4)), float(rng.choice([0.3, 1.5])), -1)
    return picture


def draw(rng: Rng, identical: bool) -> tuple[MadeFrame, list[MadeSpot | None], list[float]]:
    """A frame, its two returns (None: not there) and their expected radii in mm."""
    radii = [float(rng.uniform(1.2, 6.0)) for _ in NAMES]
    if identical:
        radii[1] = radii[0]
    peak = float(np.exp(rng.uniform(np.log(15.0), np.log(6000.0))))
    count = 2 if identical else int(rng.choice([0, 1, 2], p=[0.2, 0.3, 0.5]))
    there = {0: (False, False), 1: ((True, False), (False, True))[int(rng.integers(2))], 2: (True, True)}[
        count
    ]
    spots: list[MadeSpot | None] = []
    for radius, lit in zip(radii, there, strict=True):
        x, y = rng.uniform(100.0, WIDTH - 100.0), rng.uniform(100.0, HEIGHT - 100.0)
        top = peak * (radii[0] / radius) ** 2
        spots.append(MadeSpot(x, y, radius / 2.0 / PITCH_MM, top) if lit else None)
    seen = tuple(spot for spot in spots if spot is not None)
    ghosts = ()
    if seen and rng.random() < 0.5:
        x, y = rng.uniform(0.0, WIDTH), rng.uniform(0.0, HEIGHT)
        ghosts = (MadeSpot(x, y, float(rng.uniform(15.0, 60.0)), 0.003 * max(s.peak_e for s in seen)),)
    frame = MadeFrame(
        seen,
        hole=(640.0, 512.0, 20.0),
        grain_px=float(rng.choice([0.0, 1.2])),
        light_e=(float(rng.uniform(40.0, 200.0)), *rng.uniform(-30.0, 30.0, 2)),
        extra=ghosts,
        albedo=albedo(rng),
    )
    return frame, spots, radii


def expect(
    truths: list[np.ndarray | None], radii: list[float], rng: Rng, history: bool
) -> dict[SpotName, Expectation]:
    """What control would know: nothing of the places, or what its moves have taught."""
    expected = {}
    for name, truth, radius in zip(NAMES, truths, radii, strict=True):
        center, sigma = np.zeros(2), 20.0
        if history:
            sigma = float(np.exp(rng.uniform(np.log(0.05), np.log(1.0))))
            place = rng.uniform(-20.0, 20.0, 2) if truth is None else truth
            center = place + rng.normal(0.0, sigma, 2)
        believed = radius * float(np.exp(rng.normal(0.0, 0.02)))
        expected[name] = Expectation(center, np.eye(2) * sigma**2, believed, 0.02, 0.04)
    return expected


def odds(expected: dict[SpotName, Expectation], truths: list[np.ndarray | None], radii: list[float]) -> float:
    """By how much the exchanged labelling should fit worse than the right one, as vision scores it."""
    score = 0.0
    for k, truth in enumerate(truths):
        if truth is None:
            continue
        right, wrong = expected[NAMES[k]], expected[NAMES[1 - k]]
        for sign, one in ((-1.0, right), (1.0, wrong)):
            away = truth - one.center_mm
            score += sign * float(away @ np.linalg.solve(one.covariance_mm2, away))
            score += sign * (np.log(radii[k] / one.radius_mm) / one.radius_relative_sigma) ** 2
    return score


def judge(
    frame: MadeFrame, spots: list[MadeSpot | None], radii: list[float], rng: Rng, history: bool = False
) -> Counter[str]:
    """Measure one frame, and count what went wrong."""
    truths = [None if s is None else MAP.to_mm(np.array([[s.x, s.y]]))[0] for s in spots]
    expected = expect(truths, radii, rng, history)
    background = expose(frame, rng, shutter_open=False)
    found = measure_returns(expose(frame, rng), background, MAP, HOLE, expected, PLATE)
    counts: Counter[str] = Counter(frames=1)
    clear = odds(expected, truths, radii) > 4.0 * DECIDED and any(strong(frame, s) for s in spots)
    for k, name in enumerate(NAMES):
        answer, truth, other = found[name], truths[k], truths[1 - k]
        if isinstance(answer, Spot):
            sigma = float(np.sqrt(np.max(np.linalg.eigvalsh(answer.covariance_mm2))))
            room = max(6.0 * sigma, 0.1)
            if truth is not None and np.hypot(*(answer.center_mm - truth)) < room:
                counts["right"] += 1
            elif other is not None and np.hypot(*(answer.center_mm - other)) < room:
                counts["swapped"] += 1
            elif truth is None and other is None:
                counts["false_in_empty"] += 1
            else:
                counts["false_or_far"] += 1
        elif isinstance(answer, NoSpot) and answer.reason is Reason.UNDECIDED:
            counts["undecided_though_clear" if clear else "undecided_even"] += 1
        elif spots[k] is not None:
            counts["strong_missed" if strong(frame, spots[k]) else "faint_missed"] += 1
        if spots[k] is not None:
            counts["spots"] += 1
    return counts


def strong(frame: MadeFrame, spot: MadeSpot | None) -> bool:
    """Whether a spot must be found: peak pixel 3 times its noise, sigma 10 px."""
    if spot is None:
        return False
    noise = np.sqrt(spot.peak_e + frame.light_e[0] + 16.0)
    return bool(spot.peak_e / noise >= 3.0 and spot.sigma >= 10.0)


BAD = ("false_in_empty", "false_or_far", "strong_missed", "swapped", "undecided_though_clear")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after this time")
    options = parser.parse_args()
    totals: dict[str, Counter[str]] = {kind: Counter() for kind in ("nothing known", "history", "identical")}
    begun = time.monotonic()
    for number in range(options.frames):
        if time.monotonic() - begun > options.seconds:
            break
        kinds = ["history" if number % 2 else "nothing known"]
        # The control: two identical spots, of whose places nothing is known.
        kinds += ["identical"] if number % 10 == 0 else []
        for kind in kinds:
            rng = np.random.default_rng([options.seed, number, int(kind == "identical")])
            one = judge(*draw(rng, kind == "identical"), rng, kind == "history")
            totals[kind] += one
            if kind != "identical" and any(one[key] for key in BAD):
                print(f"{kind} seed {options.seed} frame {number}: {dict(one)}", flush=True)
    print(json.dumps(totals))


if __name__ == "__main__":
    main()
