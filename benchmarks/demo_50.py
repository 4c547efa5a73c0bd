"""Aligns fifty lenses on fifty simulated benches, and holds each verdict against the simulator's truth.

    python benchmarks/demo_50.py [runs] [first_seed]

Runs `coincide demo --seed N --json` for N = 0..49, two processes at a time, prints a table, and as its last
line one JSON object {runs, aligned, worst_decenter_um, worst_tilt_arcsec, median_moves, median_test_moves}.
Exits with 1 when a run is not aligned, or when a true pose is further off than 10 um or 20 arcsec.

In the table, "true" is how far the lens is off the axis in truth, "off by" by how much the verdict's residual
differs from it, and U the expanded uncertainty that the verdict claims (coverage 95 %).
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
BARS = {"decenter_um": 10.0, "tilt_arcsec": 20.0}
TIMEOUT_S = 300.0
COLUMNS = "seed   outcome | um: true off by   U | arcsec: true off by    U | looks test moves | wall s"


def demo(seed: int, folder: Path) -> dict[str, Any]:
    """Run one demo; return its result with the wall time, or with what went wrong."""
    options = ["--seed", str(seed), "--json", "--out", str(folder / str(seed))]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "station", "demo", *options],
        capture_output=True,
        text=True,
        timeout=TIMEOUT_S,
        env=environment,
        check=False,
    )
    wall_s = time.perf_counter() - begun
    try:
        result = dict(json.loads(done.stdout))
    except ValueError:
        result = {"outcome": f"exit {done.returncode}", "reason": done.stderr.strip()[-500:]}
    return result | {"seed": seed, "wall_s": wall_s}


def true_error(result: dict[str, Any], key: str) -> float:
    """How far the lens is off the axis in truth, radially; infinite where there is no truth."""
    truth = result.get("true_pose")
    return math.inf if truth is None else math.hypot(*truth[key])


def verdict_error(result: dict[str, Any], key: str) -> tuple[float, float] | None:
    """By how much the verdict differs from the truth, radially, and the uncertainty that it claims."""
    truth, pose = result.get("true_pose"), result.get("pose")
    if truth is None or pose is None:
        return None
    return math.dist(truth[key], pose[key]), pose["expanded_uncertainty"][key]


def row(result: dict[str, Any]) -> str:
    parts = [f"{result['seed']:>4} {result['outcome']:>9}"]
    for key, width in (("decenter_um", 4), ("tilt_arcsec", 8)):
        off, unsure = verdict_error(result, key) or (math.nan, math.nan)
        parts.append(f"{'':{width}}{true_error(result, key):>5.2f} {off:>6.2f} {unsure:>5.2f}")
    counts = [result.get(name, 0) for name in ("looks", "test_moves", "moves")]
    parts.append(f"{counts[0]:>5} {counts[1]:>4} {counts[2]:>5}")
    parts.append(f"{result['wall_s']:>6.1f}")
    text = " | ".join(parts)
    return text if result["outcome"] == "aligned" else f"{text}  {result['reason']}"


def covered(results: list[dict[str, Any]], key: str) -> str:
    """How often the verdict differs from the truth by no more than it claims."""
    errors = [error for result in results if (error := verdict_error(result, key)) is not None]
    return f"{sum(off <= unsure for off, unsure in errors)} of {len(errors)}"


def main() -> int:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    print(COLUMNS)
    results = []
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(AT_ONCE) as pool:
        for result in pool.map(lambda seed: demo(seed, Path(name)), range(first, first + runs)):
            results.append(result)
            print(row(result), flush=True)
    worst = {key: max(true_error(result, key) for result in results) for key in BARS}
    told = [result for result in results if "moves" in result]
    aligned = sum(result["outcome"] == "aligned" for result in results)
    wall_s = statistics.median(result["wall_s"] for result in results)
    print(f"median wall time {wall_s:.1f} s, {AT_ONCE} at a time")
    print(f"verdict within its own U: decentre {covered(results, 'decenter_um')}", end=", ")
    print(f"tilt {covered(results, 'tilt_arcsec')} (U covers 95 %)")
    print("bar: all aligned, each true pose within 10 um and 20 arcsec")
    print(
        json.dumps(
            {
                "runs": runs,
                "aligned": aligned,
                # A run without truth has no error that JSON could carry.
                **{
                    f"worst_{key}": None if math.isinf(value) else round(value, 3)
                    for key, value in worst.items()
                },
                "median_moves": statistics.median([result["moves"] for result in told] or [0]),
                "median_test_moves": statistics.median([result["test_moves"] for result in told] or [0]),
            }
        )
    )
    return 0 if aligned == runs and all(worst[key] <= bar for key, bar in BARS.items()) else 1


if __name__ == "__main__":
    sys.exit(main())
