"""False spots, misses and swapped labels over many made frames; with the control of two identical spots.

    python benchmarks/vision_campaign.py [--frames 20000] [--seed N] [--first K] [--pictures FOLDER]

Frames hold no, one or two returns, ghosts, dust, printed rings, room light, speckle or none. Half of them
come with nothing known of the places, half with a history: the places that control expects after its moves,
with their covariance. Every frame that went wrong is named, and drawn where a folder for pictures is given;
``--first`` goes on from a frame. The last line is one JSON object; status 1 where a bar is missed.

A miss counts where the signal-to-noise of the peak pixel is 3 or more, sigma 10 px or more, and the answer
was neither the spot nor "undecided". "Undecided" counts apart where size and place of the light should have
told (``undecided_though_clear``) and where they could not (``undecided_even``): there the odds, from what is
expected alone, are worse than four times what is asked for. A spot that is right under either name, because
both returns lie within its uncertainty, is ``right_either_way`` and says nothing of labels.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from made_frames import HEIGHT, PITCH_MM, WIDTH, AffineMap, MadeFrame, MadeHole, MadeSpot
from quick_frames import Store, quick_expose

from vision.identify import DECIDED
from vision.image import Image
from vision.look import measure_returns
from vision.plate import PlateSpec
from vision.spots import Expectation, NoSpot, Reason, Sighting, Spot, SpotName

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


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One frame of the campaign, what was expected of it and what vision said."""

    frame: MadeFrame
    spots: list[MadeSpot | None]
    radii: list[float]
    expected: dict[SpotName, Expectation]
    image: Image
    found: Mapping[SpotName, Sighting]
    cpu_s: float

    @property
    def truths(self) -> list[np.ndarray | None]:
        """Where the returns are, mm."""
        return truths_of(self.spots)


def truths_of(spots: list[MadeSpot | None]) -> list[np.ndarray | None]:
    return [None if s is None else MAP.to_mm(np.array([[s.x, s.y]]))[0] for s in spots]


def measure(store: Store, rng: Rng, identical: bool, history: bool) -> Case:
    """Draw a frame and measure it."""
    frame, spots, radii = draw(rng, identical)
    expected = expect(truths_of(spots), radii, rng, history)
    background = quick_expose(frame, store, rng, shutter_open=False)
    image = quick_expose(frame, store, rng)
    begun = time.thread_time()
    found = measure_returns(image, background, MAP, HOLE, expected, PLATE)
    return Case(frame, spots, radii, expected, image, found, time.thread_time() - begun)


def judge(case: Case) -> Counter[str]:
    """Count what went right and wrong in one frame."""
    frame, spots, truths = case.frame, case.spots, case.truths
    counts: Counter[str] = Counter(frames=1)
    clear = odds(case.expected, truths, case.radii) > 4.0 * DECIDED and any(strong(frame, s) for s in spots)
    for k, name in enumerate(NAMES):
        answer, truth, other = case.found[name], truths[k], truths[1 - k]
        if isinstance(answer, Spot):
            sigma = float(np.sqrt(np.max(np.linalg.eigvalsh(answer.covariance_mm2))))
            room = max(6.0 * sigma, 0.1)
            own_fits, other_fits = (
                place is not None and np.hypot(*(answer.center_mm - place)) < room for place in (truth, other)
            )
            if own_fits:
                counts["right_either_way" if other_fits else "right"] += 1
            elif other_fits:
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
            counts["strong"] += int(strong(frame, spots[k]))
    return counts


def strong(frame: MadeFrame, spot: MadeSpot | None) -> bool:
    """Whether a spot must be found: peak pixel 3 times its noise, sigma 10 px."""
    if spot is None:
        return False
    noise = np.sqrt(spot.peak_e + frame.light_e[0] + 16.0)
    return bool(spot.peak_e / noise >= 3.0 and spot.sigma >= 10.0)


def picture(case: Case) -> np.ndarray:
    """Draw a frame: truth as circles (front blue, back orange), answers as crosses, expectations dotted."""
    shown = np.sqrt(np.clip(cv2.GaussianBlur(case.image.pixels.astype(np.float32), (0, 0), 1.5), 0, None))
    low, high = np.percentile(shown, (0.5, 99.9))
    grey = np.clip((shown - low) / max(high - low, 1e-6) * 255, 0, 255).astype(np.uint8)
    drawn = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    for k, (name, colour) in enumerate(zip(NAMES, ((178, 114, 0), (0, 159, 230)), strict=True)):
        spot, answer, awaited = case.spots[k], case.found[name], case.expected[name]
        if spot is not None:
            cv2.circle(drawn, (round(spot.x), round(spot.y)), round(2 * spot.sigma), colour, 2)
        place = MAP.to_px(awaited.center_mm[None])[0]
        spread = np.sqrt(awaited.covariance_mm2[0, 0]) / PITCH_MM
        if spread < 100:
            cv2.circle(drawn, (round(place[0]), round(place[1])), round(spread) + 2, colour, 1)
        words = f"{name.value}: "
        if isinstance(answer, Spot):
            x, y = MAP.to_px(answer.center_mm[None])[0]
            cv2.drawMarker(drawn, (round(x), round(y)), colour, cv2.MARKER_TILTED_CROSS, 30, 2)
            words += "spot"
        else:
            words += f"{answer.reason.value}, {answer.detail}"
        cv2.putText(drawn, words, (10, 30 + 30 * k), cv2.FONT_HERSHEY_SIMPLEX, 0.8, colour, 2)
    return drawn


BAD = ("false_in_empty", "false_or_far", "strong_missed", "swapped", "undecided_though_clear")
MOST_MISSED = 0.005


def misses_bar(totals: Mapping[str, Counter[str]]) -> bool:
    """Tell whether a bar is missed; the control must not have been decided."""
    tested = totals["nothing known"] + totals["history"]
    control = totals["identical"]
    wrong = tested["false_in_empty"] + tested["false_or_far"] + tested["swapped"]
    told = control["right"] + control["swapped"]
    chance = abs(control["right"] - control["swapped"]) <= 3.0 * np.sqrt(max(told, 1))
    return bool(wrong or tested["strong_missed"] >= MOST_MISSED * max(tested["strong"], 1) or not chance)


def run(seed: int, numbers: range, pictures: Path | None, seconds: float = np.inf) -> dict[str, Counter[str]]:
    """Measure and judge frames; name, and draw, those that went wrong."""
    totals: dict[str, Counter[str]] = {kind: Counter() for kind in ("nothing known", "history", "identical")}
    store = Store(seed)
    begun, cpu_s = time.monotonic(), 0.0
    for number in numbers:
        if time.monotonic() - begun > seconds:
            break
        kinds = ["history" if number % 2 else "nothing known"]
        # The control: two identical spots, of whose places nothing is known.
        kinds += ["identical"] if number % 10 == 0 else []
        for kind in kinds:
            rng = np.random.default_rng([seed, number, int(kind == "identical")])
            case = measure(store, rng, kind == "identical", kind == "history")
            cpu_s += case.cpu_s
            one = judge(case)
            totals[kind] += one
            if kind != "identical" and any(one[key] for key in BAD):
                print(f"{kind} seed {seed} frame {number}: {dict(one)}", flush=True)
                if pictures is not None:
                    cv2.imwrite(str(pictures / f"{seed}_{number}.png"), picture(case))
        if number % 500 == 499:
            print(f"to {number}: {cpu_s:.0f} s in vision, {json.dumps(totals)}", file=sys.stderr, flush=True)
    return totals


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first frame")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after this time")
    parser.add_argument("--pictures", type=Path, help="folder for pictures of what went wrong")
    options = parser.parse_args()
    if options.pictures is not None:
        options.pictures.mkdir(parents=True, exist_ok=True)
    numbers = range(options.first, options.first + options.frames)
    totals = run(options.seed, numbers, options.pictures, options.seconds)
    print(json.dumps(totals))
    sys.exit(misses_bar(totals))


if __name__ == "__main__":
    main()
