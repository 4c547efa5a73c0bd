"""Branch coverage of driver and control by their tests: `make coverage`.

Every branch that no test takes has to stand in uncovered.toml with the reason. The last line is one JSON
object; exit status 1 below 95 % or where a branch is not listed (or listed and taken). What property tests
take now and then is listed with ``sometimes``.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("driver", "control")
LEAST = 95.0
TESTS = (
    "tests/driver",
    "tests/control",
    "tests/closed_loop/test_driver_and_firmware.py",
    "tests/lot/test_hold.py",
    "tests/lot/test_lots.py",
    "tests/sweep",
)
KERNEL_TESTS = ("tests/control/test_kernels.py",)


def measured(tests: list[str]) -> dict[str, Any]:
    """Run the tests and return the report."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "coverage.json"
        rooms = [f"--cov={room}" for room in ROOMS]
        # Property tests draw the same examples each time: what they take by luck is not taken.
        options = ["-q", "-n", "0", "-m", "not long", "--hypothesis-seed=0", "--cov-branch", "--cov-report="]
        command = [sys.executable, "-m", "pytest", *options, *rooms]
        subprocess.run([*command, *tests], cwd=ROOT, check=True)
        # Compiled kernels take their branches unseen: their own tests run them once more as they are written.
        plain = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
        both = [*command, "--cov-append", f"--cov-report=json:{report}", *KERNEL_TESTS]
        subprocess.run(both, cwd=ROOT, check=True, env=plain)
        data: dict[str, Any] = json.loads(report.read_text(encoding="utf-8"))
    return data


def untaken(data: dict[str, Any]) -> Counter[tuple[str, str]]:
    """Return file and text of the line from which each branch goes that was never taken."""
    found: Counter[tuple[str, str]] = Counter()
    for file, part in data["files"].items():
        lines = (ROOT / file).read_text(encoding="utf-8").splitlines()
        for begin, _ in part["missing_branches"]:
            found[file, lines[abs(begin) - 1].strip()] += 1
    return found


def percent(data: dict[str, Any], room: str) -> float:
    parts = [part["summary"] for file, part in data["files"].items() if file.startswith(f"{room}/")]
    return 100.0 * sum(p["covered_branches"] for p in parts) / max(1, sum(p["num_branches"] for p in parts))


def listed() -> dict[tuple[str, str], dict[str, Any]]:
    entries = tomllib.loads((ROOT / "benchmarks" / "uncovered.toml").read_text(encoding="utf-8"))["branch"]
    return {(entry["file"], entry["line"]): entry for entry in entries}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--report", type=Path, help="a report of coverage that is there already")
    given = parser.parse_args()
    data = json.loads(given.report.read_text()) if given.report else measured(list(TESTS))
    entries, found = listed(), untaken(data)
    for (file, line), count in sorted(found.items()):
        reason = entries[file, line]["reason"] if (file, line) in entries else "NOT LISTED"
        print(f"{file}: {line}  [{count}]\n    {reason}")
    gone = sorted(place for place in set(entries) - set(found) if not entries[place].get("sometimes"))
    for file, line in gone:
        print(f"listed, but taken or gone: {file}: {line}")
    covered = {room: round(percent(data, room), 2) for room in ROOMS}
    unlisted = len(set(found) - set(entries))
    print(json.dumps({**covered, "untaken": sum(found.values()), "unlisted": unlisted, "gone": len(gone)}))
    return 1 if unlisted or gone or min(covered.values()) < LEAST else 0


if __name__ == "__main__":
    sys.exit(main())
