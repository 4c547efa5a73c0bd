"""A hundred recorded runs, half of them struck by a fault, decided again: `make replays`.

Each run is written as the record file that a run folder holds, and read back as `coincide replay` reads it.
The first ones are on rendered frames. The last line is one JSON object; exit status 1 when decisions differ.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path

import cv2

from station.campaign.inprocess import Measurement
from station.config import Setup
from station.demo import example_setup
from station.record import Record, read_record
from station.replay import replay
from station.sweep.cases import Case
from station.sweep.plan import SEED
from station.sweep.rig import Rig
from station.sweep.sample import SAMPLE, fitted
from station.sweep.striking import StruckRecord


def written(record: StruckRecord, setup: Setup, seed: int, folder: Path) -> Path:
    """Write what was recorded in memory as a run folder does."""
    folder.mkdir()
    file = Record(folder, setup, seed, controller=record.controller)
    steps = (
        record.steps
        if record.answered is None
        else [*record.steps[:-1], (record.steps[-1][0], record.answered)]
    )
    for observation, action in steps:
        file.add_step(observation, action, 0.0)
    if record.answered is not None and record.end is not None:
        file.replace_finish(record.end)
    for fault in record.faults:
        file.add_fault(**fault)
    file.save()
    return folder


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--frames", type=int, default=4, help="of them on rendered frames")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    setup = example_setup()
    # Faults keep to the seed for which their calls were numbered; a mistake in control is no decision of it.
    struck = [Case.parse(fitted(text)) for text in SAMPLE if "control:" not in text and text != "none"]
    outcomes: Counter[str] = Counter()
    different, faulty, decisions = 0, 0, 0
    with tempfile.TemporaryDirectory(prefix="replays_") as name:
        for number in range(given.runs):
            level: Measurement = "frames" if number < given.frames else "spots"
            case = struck[number // 2 % len(struck)] if number % 2 else Case()
            seed = SEED if case.faults else number
            seen = Rig(setup, seed, case, measurement=level).run()
            found = replay(read_record(written(seen.record, setup, seed, Path(name) / str(number))))
            outcomes["raised" if seen.finish is None else seen.finish.outcome.value] += 1
            decisions += found.steps
            faulty += bool(seen.record.faults)
            if not found.identical:
                different += 1
                print(f"run {number}, {case}: {found.text()}", flush=True)
    print(
        json.dumps(
            {
                "runs": given.runs,
                "violations": different,
                "struck": sum(1 for number in range(given.runs) if number % 2),
                "with_a_fault_told": faulty,
                "on_frames": min(given.frames, given.runs),
                "decisions": decisions,
                "outcomes": dict(outcomes),
            }
        )
    )
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
