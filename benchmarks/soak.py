"""A thousand alignments and eight simulated nights in one process that must not grow: `make soak`.

    soak.py                              all of it (a night takes minutes)
    soak.py --alignments 1000 --nights 1

Every third alignment is struck by a fault of the sweep, so that the ways out are soaked too. Memory, open
files and threads are looked at after a tenth and at the end of the alignments, and after the first and the
last night. The last line is one JSON object; exit status 1 when something grew or a run broke a rule.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import cv2
from night import Night, judge
from night_bench import plan_night

from station.demo import example_setup
from station.sweep.cases import Case
from station.sweep.judged import judged
from station.sweep.rig import Rig
from station.sweep.sample import SAMPLE, fitted

FAULT_EVERY = 3
GROWTH = 0.05
GROWTH_MB = 8.0
"""Less than a twentieth, or a few megabytes: what an allocator keeps differs from time to time."""


@dataclass(frozen=True, slots=True)
class Footprint:
    """What the process holds."""

    memory_mb: float
    files: int
    threads: int

    @classmethod
    def now(cls) -> Footprint:
        gc.collect()
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        memory = round(pages * os.sysconf("SC_PAGE_SIZE") / 1e6, 1)
        files = len(list(Path("/proc/self/fd").iterdir()))
        native = len(list(Path("/proc/self/task").iterdir()))
        return cls(memory, files, max(native, threading.active_count()))

    def grew(self, since: Footprint) -> list[str]:
        """Return what has grown."""
        found = []
        if self.memory_mb - since.memory_mb > max(GROWTH * since.memory_mb, GROWTH_MB):
            found.append(f"memory from {since.memory_mb} to {self.memory_mb} MB")
        if self.files > since.files:
            found.append(f"open files from {since.files} to {self.files}")
        if self.threads > since.threads:
            found.append(f"threads from {since.threads} to {self.threads}")
        return found

    def text(self) -> str:
        return f"{self.memory_mb} MB, {self.files} files, {self.threads} threads"


def soak_alignments(count: int) -> tuple[list[str], Counter[str]]:
    setup, cases = example_setup(), [Case.parse(fitted(text)) for text in SAMPLE]
    wrong: list[str] = []
    outcomes: Counter[str] = Counter()
    early = Footprint.now()
    for number in range(count):
        case = cases[number // FAULT_EVERY % len(cases)] if number % FAULT_EVERY == 0 else Case()
        # Faults keep to the seed for which their calls were numbered; all other runs are different benches.
        found = judged(Rig(setup, 3 if case.faults else number, case).run())
        outcomes[found.outcome] += 1
        wrong += [f"alignment {number}, {found.case}: {what}" for what in found.broken]
        if number + 1 == max(1, count // 10):
            early = Footprint.now()
            print(f"after {number + 1} alignments: {early.text()}", flush=True)
    late = Footprint.now()
    print(f"after {count} alignments: {late.text()}; {dict(outcomes)}", flush=True)
    return wrong + [f"alignments: {what}" for what in late.grew(early)], outcomes


def soak_nights(count: int, parts: int, every_s: float) -> list[str]:
    wrong: list[str] = []
    first: Footprint | None = None
    for seed in range(count):
        wrong += [f"night {seed}: {what}" for what in one_night(seed, parts, every_s)]
        now = Footprint.now()
        first = first or now
        print(f"after night {seed}: {now.text()}", flush=True)
        if seed == count - 1:
            wrong += [f"nights: {what}" for what in now.grew(first)]
    return wrong


def one_night(seed: int, parts: int, every_s: float) -> list[str]:
    wrong = []
    with tempfile.TemporaryDirectory(prefix="night_") as folder:
        planned = plan_night(parts, seed)
        night = Night(planned, seed, Path(folder) / "night.sqlite", every_s, say=False)
        with night.stop:
            end = night.run()
        counts = judge(night)
        if not end.done:
            wrong.append(f"it did not end: {end.why}")
        if counts["records"] != len(planned):
            wrong.append(f"{counts['records']} records of {len(planned)} parts")
        if counts["false_accepts"]:
            wrong.append(f"{counts['false_accepts']} parts were called aligned that are not")
        if not night.archive.audit().clean:
            wrong.append("the archive's audit has findings")
        night.archive.close()
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--alignments", type=int, default=1000)
    parser.add_argument("--nights", type=int, default=8)
    parser.add_argument("--parts", type=int, default=430, help="of a night")
    parser.add_argument("--every-s", type=float, default=90.0, help="a part comes at this interval")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    begun = time.monotonic()
    wrong, outcomes = soak_alignments(given.alignments)
    wrong += soak_nights(given.nights, given.parts, given.every_s)
    for what in wrong:
        print(what)
    took_s = round(time.monotonic() - begun, 1)
    runs = given.alignments + given.nights
    end = Footprint.now()
    print(
        json.dumps(
            {
                "runs": runs,
                "violations": len(wrong),
                "alignments": given.alignments,
                "nights": given.nights,
                "outcomes": dict(outcomes),
                "memory_mb": end.memory_mb,
                "files": end.files,
                "threads": end.threads,
                "seconds": took_s,
            }
        )
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
