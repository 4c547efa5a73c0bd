"""Aligns fifty lenses on fifty simulated benches, and holds each verdict against the simulator's truth.

    python benchmarks/demo_50.py [runs] [first_seed]

Runs `coincide demo --seed N --json` for N = 0..49, two processes at a time, prints a table, and as its last
line one JSON object {runs, aligned, worst_decenter_um, worst_tilt_arcsec, median_moves, median_test_moves}.
Exits with 1 when a run is not aligned, or when a true pose is further off than 10 um or 20 arcsec.
"""

from __future__ import annotations

import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

RUNS, AT_ONCE = 50, 2
BAR_DECENTER_UM, BAR_TILT_ARCSEC = 10.0, 20.0
TIMEOUT_S = 300.0
COLUMNS = (
    f"{'seed':>4} {'outcome':>9} {'um':>6} {'arcsec':>7} {'U um':>6} {'U arcsec':>8} "
    f"{'looks':>5} {'test':>4} {'moves':>5} {'wall s':>6}"
)


def demo(seed: int, folder: Path) -> dict[str, Any]:
    """Run one demo; return its result with the wall time, or with what went wrong."""
    command = [
        sys.executable,
        "-m",
        "station",
        "demo",
        "--seed",
        str(seed),
        "--json",
        "--out",
        str(folder / str(seed)),
    ]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    begun = time.perf_counter()
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=TIMEOUT_S, env=environment, check=False
    )
    wall_s = time.perf_counter() - begun
    try:
        result = dict(json.loads(done.stdout))
    except ValueError:
        result = {"outcome": f"exit {done.returncode}", "reason": done.stderr.strip()[-500:]}
    return result | {"seed": seed, "wall_s": wall_s}


def errors_of(result: dict[str, Any]) -> tuple[float, float]:
    """Return the true radial decentre (um) and tilt (arcsec); infinite where there is no truth."""
    truth = result.get("true_pose")
    if truth is None:
        return math.inf, math.inf
    return math.hypot(*truth["decenter_um"]), math.hypot(*truth["tilt_arcsec"])


def row(result: dict[str, Any]) -> str:
    decenter_um, tilt_arcsec = errors_of(result)
    pose = result.get("pose") or {}
    unsure = pose.get("expanded_uncertainty", {"decenter_um": math.nan, "tilt_arcsec": math.nan})
    text = (
        f"{result['seed']:>4} {result['outcome']:>9} {decenter_um:>6.2f} {tilt_arcsec:>7.2f} "
        f"{unsure['decenter_um']:>6.2f} {unsure['tilt_arcsec']:>8.2f} {result.get('looks', 0):>5} "
        f"{result.get('test_moves', 0):>4} {result.get('moves', 0):>5} {result['wall_s']:>6.1f}"
    )
    return text if result["outcome"] == "aligned" else f"{text}  {result['reason']}"


def main() -> int:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    print(COLUMNS)
    results = []
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(AT_ONCE) as pool:
        for result in pool.map(lambda seed: demo(seed, Path(name)), range(first, first + runs)):
            results.append(result)
            print(row(result), flush=True)
    errors = [errors_of(result) for result in results]
    told = [result for result in results if "moves" in result]
    summary = {
        "runs": runs,
        "aligned": sum(result["outcome"] == "aligned" for result in results),
        "worst_decenter_um": round(max(error[0] for error in errors), 3),
        "worst_tilt_arcsec": round(max(error[1] for error in errors), 3),
        "median_moves": statistics.median([result["moves"] for result in told] or [0]),
        "median_test_moves": statistics.median([result["test_moves"] for result in told] or [0]),
    }
    inside = (
        summary["worst_decenter_um"] <= BAR_DECENTER_UM and summary["worst_tilt_arcsec"] <= BAR_TILT_ARCSEC
    )
    wall_s = statistics.median(result["wall_s"] for result in results)
    print(f"median wall time {wall_s:.1f} s, {AT_ONCE} at a time")
    print(f"bar: all aligned, within {BAR_DECENTER_UM:g} um and {BAR_TILT_ARCSEC:g} arcsec of the truth")
    if math.isinf(summary["worst_decenter_um"]):
        summary |= {"worst_decenter_um": None, "worst_tilt_arcsec": None}
    print(json.dumps(summary))
    return 0 if summary["aligned"] == runs and inside else 1


if __name__ == "__main__":
    sys.exit(main())
