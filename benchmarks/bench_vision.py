"""How near the spot fit comes to the limit of physics, what it costs, and what peers do on the same frames.

    python benchmarks/bench_vision.py [--truths N] [--peers N] [--rows WORDS] [--seed N]

Times are processor time of the one thread used, the median over frames of the best of three calls on each, so
that a busy machine does not change them. Two thousand truths (`--truths 2000`) tell coverage to half a
percent and take about half an hour; two hundred, as by default, tell it to one and a half percent.
The last line is one JSON object {row: {rms_over_limit, bias_over_rms, ms, coverage_95, peers}}.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from crlb import center_limits_px
from made_frames import PITCH_MM, AffineMap, MadeFrame, MadeHole, expose
from numpy.typing import NDArray
from vision_rows import ROWS, Row
from vision_special import special_rows

from vision.image import Image
from vision.look import measure_returns, measure_transmitted
from vision.spots import Expectation, Sighting, Spot, SpotName

cv2.setNumThreads(1)
Array = NDArray[np.float64]
MAP = AffineMap()
TIMED = 60  # frames of a row that are measured three times over for the time; the rest only for the error
CHI2_95 = 5.991  # 95 % point of chi squared with two degrees of freedom (any statistical table)


@dataclass(slots=True)
class Tally:
    """What one method did on one row."""

    errors: list[Array] = field(default_factory=list)
    limits: list[float] = field(default_factory=list)
    distances: list[float] = field(default_factory=list)
    stated: list[float] = field(default_factory=list)
    ms: list[float] = field(default_factory=list)
    refused: int = 0

    def add(self, error: Array, limit: float) -> None:
        self.errors.append(error)
        self.limits.append(limit)

    def rms_over_limit(self) -> float | None:
        if not self.errors:
            return None
        ratio = np.array(self.errors) / np.array(self.limits)[:, None]
        return float(np.sqrt(np.mean(ratio**2)))

    def rms_px(self) -> float | None:
        return float(np.sqrt(np.mean(np.array(self.errors) ** 2))) if self.errors else None

    def coverage(self) -> float | None:
        return float(np.mean(np.array(self.distances) < CHI2_95)) if self.distances else None


@dataclass(slots=True)
class Result:
    """One row's outcome; spots are tallied apart so that a bias of one does not hide behind the other."""

    row: Row
    ours: list[Tally]
    peers: dict[str, Tally]
    measured: int = 0


def expectations(frame: MadeFrame, row: Row, rng: np.random.Generator) -> list[Expectation]:
    """What tracking would expect: centre to a tenth of sigma, width as well as the row says."""
    result = []
    for k, spot in enumerate(frame.spots):
        sigma_mm = 0.1 * spot.sigma * PITCH_MM
        center = MAP.to_mm(np.array([[spot.x, spot.y]]))[0] + rng.normal(0.0, sigma_mm, 2)
        radius = 2.0 * spot.sigma * PITCH_MM * np.exp(rng.normal(0.0, row.radius_sigma))
        power = (1.0, 0.8 * (frame.spots[k].sigma / frame.spots[0].sigma) ** 2)[k]
        result.append(Expectation(center, np.eye(2) * sigma_mm**2, radius, row.radius_sigma, power))
    return result


def measure(frame: MadeFrame, image: Image, expected: list[Expectation]) -> list[Sighting]:
    hole = None
    if frame.hole is not None:
        x, y, radius = frame.hole
        hole = MadeHole(MAP.to_mm(np.array([[x, y]]))[0], radius * PITCH_MM)
    if len(expected) == 2:
        named = {SpotName.FRONT: expected[0], SpotName.BACK: expected[1]}
        found = measure_returns(image, None, MAP, hole, named)
        return [found[SpotName.FRONT], found[SpotName.BACK]]
    return [measure_transmitted(image, None, MAP, expected[0], hole=hole)]


def peers_of(peer_frames: int) -> dict[str, Callable[..., list[Array | None]]]:
    """Return the peers by name; none where none is asked for."""
    if not peer_frames:
        return {}
    from peers import PEERS  # noqa: PLC0415  the peers are heavy and optional

    return PEERS


def run_row(row: Row, truths: int, peer_frames: int, seed: int) -> Result:
    peers = peers_of(peer_frames)
    rng = np.random.default_rng([seed, hash_name(row.name)])
    result = Result(row, [], {name: Tally() for name in peers})
    elsewhere = expose(MadeFrame(()), rng, row.frames).pixels
    for count in range(truths):
        frame = row.draw(rng)
        image = expose(frame, rng, row.frames, elsewhere=elsewhere)
        expected = expectations(frame, row, rng)
        priors = [row.radius_sigma] * len(frame.spots)
        limits = center_limits_px(frame, priors, row.frames)
        if not result.ours:
            result.ours = [Tally() for _ in frame.spots]
        _tally_ours(result, frame, image, expected, limits)
        if count < peer_frames:
            for name, peer in peers.items():
                _tally_peer(result.peers[name], peer, frame, image, expected, limits)
    return result


def hash_name(name: str) -> int:
    return zlib.crc32(name.encode())


def _tally_ours(
    result: Result, frame: MadeFrame, image: Image, expected: list[Expectation], limits: Array
) -> None:
    result.measured += 1
    sightings = measure(frame, image, expected)
    if len(result.ours[0].ms) < TIMED:
        result.ours[0].ms.append(_best_ms(lambda: measure(frame, image, expected)))
    for tally, spot, sighting, limit in zip(result.ours, frame.spots, sightings, limits, strict=True):
        if not isinstance(sighting, Spot):
            tally.refused += 1
            continue
        error = MAP.to_px(sighting.center_mm[None, :])[0] - (spot.x, spot.y)
        covariance = sighting.covariance_mm2 / PITCH_MM**2
        tally.add(error, limit)
        tally.distances.append(float(error @ np.linalg.solve(covariance, error)))
        tally.stated.append(float(np.sqrt(np.trace(covariance) / 2.0)) / limit)


def _best_ms(call: Callable[[], object], times: int = 3) -> float:
    """Return the least processor time of some calls: what else the machine does only adds."""
    spent = []
    for _ in range(times):
        began = time.thread_time()
        call()
        spent.append(time.thread_time() - began)
    return 1e3 * min(spent)


def _tally_peer(
    tally: Tally, peer: object, frame: MadeFrame, image: Image, expected: list[Expectation], limits: Array
) -> None:
    starts = [MAP.to_px(one.center_mm[None, :])[0] for one in expected]
    sigmas = [one.radius_mm / 2.0 / PITCH_MM for one in expected]
    began = time.thread_time()
    centers = peer(image, starts, sigmas, frame.hole)
    tally.ms.append((time.thread_time() - began) * 1e3)
    for center, spot, limit in zip(centers, frame.spots, limits, strict=True):
        if center is None or not np.all(np.isfinite(center)):
            tally.refused += 1
        else:
            tally.add(np.asarray(center) - (spot.x, spot.y), limit)


def summary(result: Result) -> dict[str, object]:
    joined = Tally()
    biases = []
    for tally in result.ours:
        joined.errors += tally.errors
        joined.limits += tally.limits
        joined.distances += tally.distances
        joined.stated += tally.stated
        joined.refused += tally.refused
        if tally.errors:
            errors = np.array(tally.errors)
            biases.append(float(np.max(np.abs(errors.mean(axis=0)) / np.sqrt((errors**2).mean(axis=0)))))
    return {
        "rms_over_limit": _round(joined.rms_over_limit()),
        "rms_px": _round(joined.rms_px(), 4),
        "limit_px": _round(float(np.sqrt(np.mean(np.square(joined.limits)))) if joined.limits else None, 4),
        "bias_over_rms": _round(max(biases) if biases else None),
        "ms": _round(float(np.median(result.ours[0].ms)), 2),
        "coverage_95": _round(joined.coverage(), 4),
        "stated_over_limit": _round(float(np.mean(joined.stated)) if joined.stated else None),
        "refused": joined.refused,
        "truths": result.measured,
        "peers": {
            name: {
                "rms_over_limit": _round(tally.rms_over_limit(), 2),
                "ms": _round(float(np.median(tally.ms)) if tally.ms else None, 1),
                "refused": tally.refused,
            }
            for name, tally in result.peers.items()
        },
    }


def _round(value: float | None, digits: int = 3) -> float | None:
    return None if value is None else round(value, digits)


def line_of(row: Row, told: dict[str, object]) -> str:
    wanted = f"<= {row.ratio}" if row.ratio else f"<= {row.rms_px} px" if row.rms_px else ""
    got = told["rms_px"] if row.rms_px else told["rms_over_limit"]
    time_limit = f"<= {row.ms:g}" if row.ms else ""
    peers = "; ".join(
        f"{name} {peer['rms_over_limit']} ({peer['ms']} ms)" for name, peer in told["peers"].items()
    )
    return (
        f"{row.name:44s} {got!s:>7} {wanted:10s} bias {told['bias_over_rms']!s:>6}"
        f" {told['ms']:>7} ms {time_limit:7s}"
        f" cover {told['coverage_95']!s:>6} stated/limit {told['stated_over_limit']!s:>6}"
        f" limit {told['limit_px']} px refused {told['refused']}/{told['truths']}  {peers}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--truths", type=int, default=200)
    parser.add_argument("--peers", type=int, default=60, help="frames that the peers measure; 0: none")
    parser.add_argument(
        "--rows",
        default="",
        help="only rows whose name holds these words; special: those that no peer can do",
    )
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    told: dict[str, dict[str, object]] = {}
    names = {row.name for row in ROWS}
    for row in ROWS:
        if options.rows not in row.name or (options.rows in names and options.rows != row.name):
            continue
        told[row.name] = summary(run_row(row, options.truths, options.peers, options.seed))
        print(line_of(row, told[row.name]), flush=True)
    if options.rows in ("", "special"):
        for name, special in special_rows(options.truths, options.seed).items():
            told[name] = special
            print(f"{name:52s} {special}", flush=True)
    print(json.dumps(told))


if __name__ == "__main__":
    main()
