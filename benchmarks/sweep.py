"""Every fault at every call of an alignment, and the oracle on each run: `make sweep`.

    sweep.py                         all sweeps in full (tens of thousands of runs)
    sweep.py singles dead            only these
    sweep.py singles --every 50      every 50th case of each
    sweep.py --case line:stall@300   one case, told in full

The last line is one JSON object. Exit status 1 when a rule was broken.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from collections import Counter
from functools import partial
from typing import Any

import cv2

from station.sweep.cases import Case
from station.sweep.oracle import violations
from station.sweep.plan import Judged, cases, judge, run_case

SWEEPS = ("singles", "dead", "stop", "doubles", "bursts", "frames")
NUMBER = 20_000
TOLD = 40


def options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("sweeps", nargs="*", help=", ".join(SWEEPS))
    parser.add_argument("--every", type=int, default=1, help="take every n-th case only")
    parser.add_argument("--number", type=int, default=NUMBER, help="doubles and bursts that are drawn")
    parser.add_argument("--seed", type=int, default=1, help="of doubles and bursts")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--case", help="run this case alone and tell what came of it")
    given = parser.parse_args()
    if unknown := [name for name in given.sweeps if name not in SWEEPS]:
        parser.error(f"no sweep {unknown[0]!r}; there are {', '.join(SWEEPS)}")
    return given


def begin() -> None:
    cv2.setNumThreads(1)
    os.nice(10)


def sweep(name: str, given: argparse.Namespace, pool: Any) -> tuple[list[Judged], float]:
    begun = time.monotonic()
    texts = [str(case) for case in cases(name, given.number, given.seed)][:: given.every]
    measure = partial(judge, measurement="frames" if name == "frames" else "spots")
    judged = list(pool.imap_unordered(measure, texts, chunksize=1 if name == "frames" else 16))
    return judged, time.monotonic() - begun


def tell(name: str, judged: list[Judged], took_s: float) -> None:
    broken = [run for run in judged if run.broken]
    outcomes = ", ".join(f"{word} {n}" for word, n in Counter(run.outcome for run in judged).most_common())
    print(f"{name}: {len(judged)} runs in {took_s:.0f} s, {len(broken)} with a broken rule; {outcomes}")
    longest = max(judged, key=lambda run: run.bench_s, default=None)
    if longest is not None:
        print(f"    longest: {longest.bench_s:.0f} s of bench time, {longest.case}")
    for run in broken[:TOLD]:
        print(f"    {run.case} ({run.outcome}): {run.broken[0][:300]}")
    if len(broken) > TOLD:
        print(f"    and {len(broken) - TOLD} more")
    sys.stdout.flush()


def one(text: str) -> int:
    seen = run_case(Case.parse(text))
    for number, (observation, action) in enumerate(seen.record.steps):
        print(number, type(observation).__name__, "->", type(action).__name__)
    for fault in seen.record.faults:
        print(fault)
    print(seen.finish or seen.crash)
    found = violations(seen)
    print("\n".join(found) or "no rule broken")
    return 1 if found else 0


def main() -> int:
    given = options()
    if given.case:
        return one(given.case)
    total: list[Judged] = []
    runs, broken, took = {}, {}, {}
    begun = time.monotonic()
    with multiprocessing.get_context("spawn").Pool(given.workers, begin) as pool:
        for name in given.sweeps or SWEEPS:
            judged, took_s = sweep(name, given, pool)
            tell(name, judged, took_s)
            total += judged
            runs[name], took[name] = len(judged), round(took_s, 1)
            broken[name] = sum(bool(run.broken) for run in judged)
    rules = Counter(what.partition(":")[0] for run in total for what in run.broken)
    kinds = Counter(part.partition("@")[0] for run in total if run.broken for part in run.case.split("+"))
    print(
        json.dumps(
            {
                "runs": len(total),
                "violations": sum(broken.values()),
                "seconds": round(time.monotonic() - begun, 1),
                "by_sweep": {
                    name: {"runs": runs[name], "violations": broken[name], "seconds": took[name]}
                    for name in runs
                },
                "by_rule": dict(rules),
                "by_kind": dict(kinds),
                "outcomes": dict(Counter(run.outcome for run in total)),
            }
        )
    )
    return 1 if any(broken.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
