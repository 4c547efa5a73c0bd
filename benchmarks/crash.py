"""Kills and failing storage while a whole station works on a lot; the last line is one JSON object.

1. kill -9 at random instants of a lot, started again until the lot is done, over and over;
2. at every n-th write, flush, opening and removal of one part (and the station's start): SIGKILL, ENOSPC and
EIO;
3. the same at every single call of a small station that only uses the archive (crash_archive.py);
4. loss of power at every call of a part's life and of an upgrade, replayed from the log of writes.

After each, an independent checker (crash_check.py) looks at the archive; then the station resumes and it
looks again. Needs strace.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import crash_archive
import crash_lot
import cv2
import numpy as np
from crash_archive import NAME, REMOVE, Tally, faults, zygote
from crash_check import Findings, _against_itself, _chain, _whole

_PARTS = 8
_LONGEST_LIFE_S = 1.6


def examine_lot(path: Path, said: Sequence[str], *, done: bool = False) -> Findings:
    """Compare an archive with what was said and with itself; ``done``: every part has its record."""
    found = Findings()
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as base:
            base.execute("PRAGMA synchronous = OFF")
            _whole(base, found)
            if found.clean:
                _said(base, said, found)
                _against_itself(base, found)
                _chain(base, found)
                if done:
                    (left,) = base.execute("SELECT count(*) FROM part WHERE state <> 'finished'").fetchone()
                    found.lost += [f"{left} parts have no record though the lot is done"] * bool(left)
    except sqlite3.Error as error:
        found.half_written.append(f"the database cannot be read: {error}")
    return found


def _said(base: sqlite3.Connection, said: Sequence[str], found: Findings) -> None:
    query = "SELECT serial, outcome FROM final_record JOIN part ON part.id = part_id"
    finals = dict(base.execute(query).fetchall())
    told: Counter[str] = Counter()
    for line in said:
        word, *rest = line.split()
        if word == "DONE":
            told[rest[0]] += 1
            if finals.get(rest[0]) != rest[1]:
                found.lost.append(f"{rest[0]} was said to be {rest[1]}; kept is {finals.get(rest[0])}")
    found.doubled += [f"{serial} was finished {times} times" for serial, times in told.items() if times > 1]


class LotTally(Tally):
    def judge_lot(self, path: Path, said: Sequence[str], when: str, *, done: bool = False) -> None:
        with tempfile.TemporaryDirectory(dir=path.parent.parent) as scratch:
            for file in path.parent.glob(f"{NAME}*"):
                shutil.copy(file, scratch)
            self.add(examine_lot(Path(scratch) / NAME, said, done=done), when)


def fresh(root: Path, parts: int) -> Path:
    folder = root / "work"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    crash_lot.make_archive(folder / NAME, parts)
    return folder / NAME


def random_kills(root: Path, count: int, seed: int, tally: LotTally) -> None:
    generator = np.random.default_rng(seed)
    path, said, lots = fresh(root, _PARTS), [], 0
    while tally.kills < count:
        words, killed = _one_life(path, float(generator.uniform(0.0, _LONGEST_LIFE_S)), seed + lots)
        said += words
        tally.kills += killed
        done = "END" in words
        tally.judge_lot(path, said, f"random kill {tally.kills} (seed {seed})", done=done)
        if done:
            path, said, lots = fresh(root, _PARTS), [], lots + 1
    crash_lot.work(path, 1000, said.append, _PARTS, seed + lots)
    tally.judge_lot(path, said, "after the last random kill", done=True)
    print(f"  {lots + 1} lots of {_PARTS} parts were finished on the way")


def _one_life(path: Path, life_s: float, seed: int) -> tuple[list[str], bool]:
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.dup2(writer, 1)
        with contextlib.suppress(BaseException):
            crash_lot.work(path, 1000, crash_lot.say, _PARTS, seed)
        os._exit(0)
    os.close(writer)
    begun = time.monotonic()
    while time.monotonic() - begun < life_s:
        if os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT):
            break
        time.sleep(0.001)
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    with os.fdopen(reader) as stream:
        words = stream.read().split("\n")[:-1]
    return words, os.waitstatus_to_exitcode(status) == -signal.SIGKILL


def calls_of_one_part(root: Path) -> Counter[str]:
    path, log = fresh(root, 4), root / "log"
    paths = [f"-P{one}" for one in (path, f"{path}-journal", f"{path}-wal", path.parent)]
    here = str(Path(__file__).with_name("crash_lot.py"))
    calls = f"trace=openat,pwrite64,?fsync,?fdatasync,{REMOVE}"
    command = [
        "strace",
        "-f",
        "-o",
        str(log),
        *paths,
        "-e",
        calls,
        sys.executable,
        here,
        "work",
        str(path),
        "1",
    ]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    words = (line.split(maxsplit=1)[1] for line in log.read_text().splitlines())
    return Counter(word.split("(")[0] for word in words if "(" in word)


def every_call(root: Path, stride: int, tally: LotTally) -> None:
    calls = calls_of_one_part(root)
    print(f"  one part makes {dict(calls)}; a fault at every {stride}. of them")
    path = fresh(root, 4)
    template = path.read_bytes()
    for call, action in faults(calls):
        with zygote(path, call, action, root / "idle") as process:
            for number in range(1, calls[call] + 1, stride):
                path.write_bytes(template)
                Path(f"{path}-journal").unlink(missing_ok=True)
                status, said = _struck(process, path, (call, number), root)
                tally.injected += 1
                tally.told["killed" if status == -signal.SIGKILL else f"exit {status}"] += 1
                when = f"{action.split(':')[0]} at {call} number {number}"
                if status not in (0, 3, -signal.SIGKILL):
                    tally.untold += 1
                    print(f"  {when}: ended with {status}")
                tally.judge_lot(path, said, when)
                crash_lot.work(path, 1, said.append)
                tally.judge_lot(path, said, f"{when}, resumed")


def _struck(
    process: subprocess.Popen[str], path: Path, fault: tuple[str, int], root: Path
) -> tuple[int, list[str]]:
    """Let a station work and be struck; return how it ended and what it said."""
    said_file = root / "said"
    said_file.write_bytes(b"")
    request = {"call": fault[0], "fail_at": fault[1], "path": str(path), "said": str(said_file)}
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(json.dumps(request | {"idle": str(root / "idle")}) + "\n")
    process.stdin.flush()
    status = int(process.stdout.readline())
    return status, said_file.read_text().split("\n")[:-1]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--stride", type=int, default=5, help="fault at every n-th call only")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    if shutil.which("strace") is None:
        print("strace is missing: apt-get install strace", file=sys.stderr)
        return 2
    cv2.setNumThreads(1)
    tally = LotTally()
    # A kill or a failing call loses nothing that a memory disk would keep, and the loss of power is a model.
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="crash_", dir=memory) as name:
        lots, alone = Path(name).resolve() / "lots", Path(name).resolve() / "alone"
        lots.mkdir()
        alone.mkdir()
        steps: list[tuple[str, str, Callable[[], None]]] = [
            (
                "crash_lot",
                f"kill -9 at {options.kills} random instants of lots",
                lambda: random_kills(lots, options.kills, options.seed, tally),
            ),
            (
                "crash_lot",
                f"a fault at every {options.stride}. call of one part of a lot",
                lambda: every_call(lots, options.stride, tally),
            ),
            (
                "crash_child",
                "a fault at every call of one part, the archive alone",
                lambda: crash_archive.every_call(alone, 1, tally),
            ),
            (
                "crash_child",
                "loss of power at every call",
                lambda: crash_archive.power_cuts(alone, 3, options.seed, 5, tally),
            ),
            (
                "crash_child",
                "loss of power at every call of an upgrade",
                lambda: crash_archive.upgrade_cuts(alone, options.seed, tally),
            ),
        ]
        for child, title, step in steps:
            os.environ["CRASH_CHILD"] = child
            begun = time.perf_counter()
            print(title, flush=True)
            step()
            print(f"  {time.perf_counter() - begun:.0f} s; {tally.line()}", flush=True)
    print(f"how the stations with a fault ended: {dict(tally.told)}")
    print(tally.line())
    return 0 if tally.findings.clean and not tally.untold else 1


if __name__ == "__main__":
    sys.exit(main())
