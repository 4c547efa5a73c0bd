"""Every fault at every call of an alignment, and the oracle on each run: `make sweep`.

    sweep.py                         all sweeps in full (tens of thousands of runs)
    sweep.py singles dead            only these
    sweep.py singles --every 50      every 50th case of each
    sweep.py singles --part 2/16     the second of sixteen parts
    sweep.py doubles --number 5000 --seed 4    other doubles; seeds split the work between machines
    sweep.py singles --keep FILE     keep what was found in FILE, and go on from there when called again
    sweep.py --case line:stall@300   one case, told in full

What was kept counts only as long as the program is the same, unless `--of-any-program` says otherwise; the
last line, one JSON object, tells how many runs each version made. Exit status 1 when a rule was broken.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import sys
import time
from collections import Counter
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import cv2

from station.campaign.inprocess import Measurement
from station.sweep.cases import Case
from station.sweep.judged import Judged
from station.sweep.oracle import violations
from station.sweep.plan import cases, judge_all, run_case

SWEEPS = ("singles", "dead", "stop", "doubles", "bursts", "frames")
NUMBER = 20_000
TOLD = 40
CHUNK = 384
"""Cases that share one run up to their faults, and what was decided in them."""
ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("optics", "driver", "vision", "control", "sim", "station")


def options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("sweeps", nargs="*", help=", ".join(SWEEPS))
    parser.add_argument("--every", type=int, default=1, help="take every n-th case only")
    parser.add_argument("--part", type=part, default=(1, 1), help="k/n: the k-th of n parts of each sweep")
    parser.add_argument("--number", type=int, default=NUMBER, help="doubles and bursts that are drawn")
    parser.add_argument("--seed", type=int, default=1, help="of doubles and bursts")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="keep what was found here, and go on from it")
    parser.add_argument("--of-any-program", action="store_true", help="take what other versions found, too")
    parser.add_argument("--case", help="run this case alone and tell what came of it")
    given = parser.parse_args()
    if unknown := [name for name in given.sweeps if name not in SWEEPS]:
        parser.error(f"no sweep {unknown[0]!r}; there are {', '.join(SWEEPS)}")
    return given


def part(text: str) -> tuple[int, int]:
    number, _, parts = text.partition("/")
    if not 1 <= int(number) <= int(parts):
        raise ValueError(text)
    return int(number), int(parts)


def begin() -> None:
    cv2.setNumThreads(1)


def program() -> str:
    """Return a digest of the program's sources: what was found holds for these only."""
    found = hashlib.sha256()
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*")):
            if path.suffix in (".py", ".toml"):
                found.update(path.read_bytes())
    return found.hexdigest()[:16]


class Kept:
    """What earlier calls found with the same program, one JSON object a line."""

    def __init__(self, path: Path | None, of_any_program: bool) -> None:
        self._path, self._program = path, program()
        self.judged: dict[tuple[str, str], Judged] = {}
        self.programs: dict[tuple[str, str], str] = {}
        if path is None or not path.exists():
            return
        for line in path.read_text(encoding="utf-8").splitlines():
            data = json.loads(line)
            by, sweep = data.pop("program"), data.pop("sweep")
            if by == self._program or of_any_program:
                found = Judged(**{**data, "broken": tuple(data["broken"])})
                self.judged[sweep, found.case] = found
                self.programs[sweep, found.case] = by

    def add(self, sweep: str, judged: list[Judged]) -> None:
        for run in judged:
            self.judged[sweep, run.case] = run
            self.programs[sweep, run.case] = self._program
        if self._path is None:
            return
        with self._path.open("a", encoding="utf-8") as file:
            for run in judged:
                file.write(json.dumps({"program": self._program, "sweep": sweep, **asdict(run)}) + "\n")


def alike(text: str) -> tuple[list[str], list[int]]:
    """Return what puts cases beside each other in which control is told the same."""
    faults = Case.parse(text).faults
    return [f"{fault.kind}{fault.value:g}" for fault in faults], [fault.at for fault in faults]


def level_of(name: str) -> Measurement:
    return "frames" if name == "frames" else "spots"


def sweep(name: str, given: argparse.Namespace, pool: Any, kept: Kept) -> tuple[list[Judged], float]:
    begun = time.monotonic()
    texts = [str(case) for case in cases(name, given.number, given.seed)][:: given.every]
    number, parts = given.part
    texts = sorted(texts, key=alike)[len(texts) * (number - 1) // parts : len(texts) * number // parts]
    level = level_of(name)
    judged = [kept.judged[level, text] for text in texts if (level, text) in kept.judged]
    left = [text for text in texts if (level, text) not in kept.judged]
    chunks = [left[at : at + CHUNK] for at in range(0, len(left), CHUNK)]
    for found in pool.imap_unordered(partial(judge_all, measurement=level), chunks):
        kept.add(level, found)
        judged += found
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
    total: dict[tuple[str, str], Judged] = {}
    runs, broken, took = {}, {}, {}
    begun, kept = time.monotonic(), Kept(given.keep, given.of_any_program)
    with multiprocessing.get_context("spawn").Pool(given.workers, begin) as pool:
        for name in given.sweeps or SWEEPS:
            judged, took_s = sweep(name, given, pool, kept)
            tell(name, judged, took_s)
            total.update({(level_of(name), run.case): run for run in judged})
            runs[name], took[name] = len(judged), round(took_s, 1)
            broken[name] = sum(bool(run.broken) for run in judged)
    rules = Counter(what.partition(":")[0] for run in total.values() for what in run.broken)
    kinds = Counter(
        part.partition("@")[0] for run in total.values() if run.broken for part in run.case.split("+")
    )
    print(
        json.dumps(
            {
                "runs": len(total),
                "violations": sum(bool(run.broken) for run in total.values()),
                "seconds": round(time.monotonic() - begun, 1),
                "by_sweep": {
                    name: {"runs": runs[name], "violations": broken[name], "seconds": took[name]}
                    for name in runs
                },
                "by_program": dict(Counter(kept.programs[key] for key in total)),
                "by_rule": dict(rules),
                "by_kind": dict(kinds),
                "outcomes": dict(Counter(run.outcome for run in total.values())),
            }
        )
    )
    return 1 if any(broken.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
