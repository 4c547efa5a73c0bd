"""Known bugs, one by one in a copy of the program; the sweep's sample has to notice each: `make mutants`.

The working tree is only read. The last line is one JSON object; exit status 1 when a mutant was not caught.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from station.sweep.sample import SAMPLE, fitted

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("optics", "driver", "vision", "control", "sim", "station")
LONGEST_S = 900.0

# Runs in the copy; says which case noticed what, and stops there.
PROBE = """
import json
import sys
import cv2
cv2.setNumThreads(1)
from pathlib import Path
import station
assert Path(station.__file__).is_relative_to(Path.cwd()), station.__file__
from station.sweep.plan import judge_all, judge_too_tight
from station.sweep.sample import fitted

def here(text):
    # "after the last M22" is elsewhere in a mutant that sends less; what it has no place for, is left out.
    try:
        return [fitted(text)]
    except (IndexError, ValueError):
        return []

where_they_were = json.load(sys.stdin)
cases = list(dict.fromkeys(case for text, was in where_they_were.items() for case in [*here(text), was]))
parts = [lambda at=at: judge_all(cases[at : at + 14]) for at in range(0, len(cases), 14)]
for part in [*parts, lambda: [judge_too_tight()]]:
    for judged in part():
        if judged.broken:
            print(f"{judged.case}: {judged.broken[0]}"[:200])
            sys.exit(1)
print(f"{len(cases)} cases, no rule broken")
"""


@dataclass(frozen=True, slots=True)
class Mutant:
    name: str
    file: str
    old: str
    new: str

    def spoilt(self, text: str) -> str:
        if text.count(self.old) != 1:
            raise ValueError(f"{self.name}: {self.file} has the text {text.count(self.old)} times, not once")
        return text.replace(self.old, self.new)


def mutants() -> list[Mutant]:
    data = tomllib.loads((ROOT / "benchmarks" / "mutants.toml").read_text(encoding="utf-8"))
    return [Mutant(**entry) for entry in data["mutant"]]


def copied(into: Path) -> Path:
    for package in PACKAGES:
        shutil.copytree(ROOT / package, into / package, ignore=shutil.ignore_patterns("__pycache__"))
    return into


def probe(folder: Path) -> tuple[int, str]:
    """Run the sample on a copy; status 0 where it noticed nothing."""
    once = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            [sys.executable, "-c", PROBE],
            cwd=folder,
            env={**os.environ, **once, "PYTHONPATH": str(folder)},
            input=json.dumps({text: fitted(text) for text in SAMPLE}),
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return 1, f"no end within {LONGEST_S:g} s"
    told = (done.stdout.strip() or done.stderr.strip() or "nothing").splitlines()[-1]
    return done.returncode, told


def tried(mutant: Mutant | None) -> tuple[int, str]:
    with tempfile.TemporaryDirectory(prefix="mutant_") as name:
        folder = copied(Path(name))
        if mutant is not None:
            path = folder / mutant.file
            path.write_text(mutant.spoilt(path.read_text(encoding="utf-8")), encoding="utf-8")
        return probe(folder)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("words", nargs="*", help="only mutants whose name has one of these words")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    chosen = [m for m in mutants() if not given.words or any(word in m.name for word in given.words)]
    begun = time.monotonic()
    status, told = tried(None)
    print(f"unspoilt: {told}")
    if status:
        print(
            json.dumps({"mutants": len(chosen), "caught": 0, "problem": "the unspoilt program breaks a rule"})
        )
        return 1
    missed = []
    with ThreadPoolExecutor(given.workers) as pool:
        for mutant, (status, told) in zip(chosen, pool.map(tried, chosen), strict=True):
            print(f"{'caught' if status else 'MISSED'}: {mutant.name}\n    {told}", flush=True)
            if not status:
                missed.append(mutant.name)
    took_s = round(time.monotonic() - begun, 1)
    caught = len(chosen) - len(missed)
    print(json.dumps({"mutants": len(chosen), "caught": caught, "missed": missed, "seconds": took_s}))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
