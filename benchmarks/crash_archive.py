"""Kills, failing storage and lost power, at every call of the archive; the last line is one JSON object.

Three ways to break it, one checker with code of its own (crash_check.py):

1. kill -9 at random instants of a lot, restarted until the lot is done;
2. at every write, flush, opening and removal of one part: SIGKILL, ENOSPC and EIO, once or from then on;
3. loss of power at every point of the write log of parts, and of an upgrade (power_loss.py).

After each, the tiny station resumes. Needs strace (Debian: apt-get install strace); --install gets it.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import crash_child
import numpy as np
from crash_check import Findings, examine, examine_upgrade
from crash_zygote import FAILS_AT
from old_archive import make_old_archive
from power_loss import Disk, child_command, record, replay

from station.archive.store.database import Database

NAME = "archive.db"
REMOVE = "unlink" if platform.machine() == "x86_64" else "unlinkat"
_LOT_PARTS = 60
# From fork to a few parts later, so that opening, recovery, claiming and finishing are all hit.
_LONGEST_LIFE_S = 0.4


@dataclass(slots=True)
class Tally:
    kills: int = 0
    injected: int = 0
    power_cuts: int = 0
    untold: int = 0
    findings: Findings = field(default_factory=Findings)
    told: Counter[str] = field(default_factory=Counter)

    def judge(self, path: Path, said: list[str], when: str) -> None:
        """Check a copy, so that what the program finds at its next start is what the crash left."""
        with tempfile.TemporaryDirectory(dir=path.parent.parent) as scratch:
            for file in path.parent.glob(f"{NAME}*"):
                shutil.copy(file, scratch)
            self.add(examine(Path(scratch) / NAME, said), when)

    def add(self, found: Findings, when: str) -> None:
        if not found.clean:
            print(f"  {when}: {found}")
        self.findings.add(found)

    def line(self) -> str:
        counts = {"kills": self.kills, "injected": self.injected, **self.findings.counts()}
        return json.dumps(counts | {"power_cuts": self.power_cuts, "errors_not_told": self.untold})


def fresh(root: Path, parts: int) -> Path:
    """Make a folder with a new archive; made once for each number of parts, then copied."""
    template, folder = root / f"template_{parts}.db", root / "work"
    if not template.exists():
        crash_child.make_archive(template, parts)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    shutil.copy(template, folder / NAME)
    return folder / NAME


# --- 1. random kills --------------------------------------------------------------------------------


def random_kills(root: Path, count: int, seed: int, tally: Tally) -> None:
    generator = np.random.default_rng(seed)
    path, said = fresh(root, _LOT_PARTS), []
    while tally.kills < count:
        words, status = _one_life(path, float(generator.uniform(0.0, _LONGEST_LIFE_S)))
        said += words
        tally.kills += status == -signal.SIGKILL
        tally.untold += status not in (0, -signal.SIGKILL)
        tally.judge(path, said, f"random kill {tally.kills} (seed {seed})")
        if "END" in words:
            path, said = fresh(root, _LOT_PARTS), []
    crash_child.work(path, _LOT_PARTS, said.append)
    tally.judge(path, said, "after the last random kill")


def _one_life(path: Path, life_s: float) -> tuple[list[str], int]:
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.dup2(writer, 1)
        status = 1
        try:
            crash_child.work(path, _LOT_PARTS)
            status = 0
        finally:
            os._exit(status)
    os.close(writer)
    time.sleep(life_s)
    os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    with os.fdopen(reader) as stream:
        words = stream.read().split("\n")[:-1]
    return words, os.waitstatus_to_exitcode(status)


# --- 2. a fault at every call -------------------------------------------------------------------------


def calls_of_one_part(root: Path) -> Counter[str]:
    """Return how often the tiny station calls what, from opening the archive to its first finished part."""
    path, log = fresh(root, 2), root / "log"
    calls = f"trace=openat,pwrite64,?fsync,?fdatasync,{REMOVE}"
    command = [
        "strace",
        "-f",
        "-o",
        str(log),
        *_paths(path),
        "-e",
        calls,
        *child_command("work", str(path), "1"),
    ]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    words = (line.split(maxsplit=1)[1] for line in log.read_text().splitlines())
    return Counter(word.split("(")[0] for word in words if "(" in word)


def _paths(path: Path) -> list[str]:
    return [f"-P{one}" for one in (path, f"{path}-journal", f"{path}-wal", path.parent)]


@contextlib.contextmanager
def zygote(path: Path, call: str, action: str, idle: Path) -> Iterator[subprocess.Popen[str]]:
    # Quicker, but with it strace 6.1 injects errors and no signals.
    quick = [] if action.startswith("signal") else ["--seccomp-bpf"]
    paths = [*_paths(path), f"-P{idle}", f"-P{idle}.none"]
    strace = ["strace", "-f", *quick, "-o", os.devnull, "-e", f"trace={call}", *paths]
    here = Path(__file__).with_name("crash_zygote.py")
    command = [*strace, "-e", f"inject={call}:{action}", sys.executable, str(here), str(idle)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield process
        assert process.stdin is not None
        process.stdin.close()


def faults(calls: Counter[str]) -> Iterator[tuple[str, str]]:
    """Yield (call, what strace does to it)."""
    flushes = [call for call in ("fsync", "fdatasync") if calls[call]]
    for call in ("pwrite64", *flushes, REMOVE, "openat"):
        yield call, f"signal=KILL:when={FAILS_AT}"
        yield call, f"error=EIO:when={FAILS_AT}"
    yield "pwrite64", f"error=ENOSPC:when={FAILS_AT}"
    yield "pwrite64", f"error=ENOSPC:when={FAILS_AT}+"
    yield "openat", f"error=ENOSPC:when={FAILS_AT}"
    for call in flushes:
        yield call, f"error=EIO:when={FAILS_AT}+"


def every_call(root: Path, stride: int, tally: Tally, only: Sequence[tuple[str, str]] = ()) -> None:
    """Fail every ``stride``-th call in every way, or in those of ``only`` (call, beginning of action)."""
    calls = calls_of_one_part(root)
    print(f"  one part makes {dict(calls)}")
    path = fresh(root, 3)
    template = path.read_bytes()
    for call, action in faults(calls):
        if only and not any(call == one and action.startswith(how) for one, how in only):
            continue
        with zygote(path, call, action, root / "idle") as process:
            for number in range(1, calls[call] + 1, stride):
                path.write_bytes(template)
                Path(f"{path}-journal").unlink(missing_ok=True)
                _one_fault(process, path, (call, action, number), root, tally)


def _one_fault(
    process: subprocess.Popen[str], path: Path, fault: tuple[str, str, int], root: Path, tally: Tally
) -> None:
    call, action, number = fault
    said_file = root / "said"
    said_file.write_bytes(b"")
    request = {"call": call, "fail_at": number, "path": str(path), "said": str(said_file)}
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(json.dumps(request | {"idle": str(root / "idle")}) + "\n")
    process.stdin.flush()
    status = int(process.stdout.readline())
    said = said_file.read_text().split("\n")[:-1]
    tally.injected += 1
    trouble = [line.split()[1] for line in said if line.startswith("TROUBLE")]
    how = trouble[0] if trouble else "killed" if status == -signal.SIGKILL else f"ended with {status}"
    tally.told[f"{action.split(':')[0]} -> {how}"] += 1
    when = f"{action.split(':')[0]} at {call} number {number}"
    expected = (-signal.SIGKILL,) if action.startswith("signal") else (0, 3)
    if status not in expected:
        tally.untold += 1
        print(f"  {when}: ended with {status}")
    tally.judge(path, said, when)
    crash_child.work(path, 1, said.append)
    tally.judge(path, said, f"{when}, resumed")


# --- 3. loss of power ---------------------------------------------------------------------------------


def power_cuts(
    root: Path, parts: int, seed: int, resume_every: int, tally: Tally, synchronous: str = ""
) -> None:
    path = fresh(root, 4)
    scratch, said_file = root / "scratch", root / "said"
    scratch.mkdir(exist_ok=True)
    disk = Disk.of(path.parent, said_file)
    weak = [synchronous] if synchronous else []
    events = record(child_command("work", str(path), str(parts), *weak), path.parent, root / "log", said_file)
    generator = np.random.default_rng(seed)
    for number, (cut, which, said) in enumerate(replay(events, disk, scratch, generator)):
        tally.power_cuts += 1
        when = f"power lost after call {cut} of {len(events)}, {which}"
        if number % resume_every:
            tally.add(examine(scratch / NAME, said), when)
            continue
        _resume(scratch / NAME, said, when, tally)


def upgrade_cuts(root: Path, seed: int, tally: Tally, finished: int = 20) -> None:
    """Lose power at every call of an upgrade: the archive is the old one or the new one, with every row."""
    folder, scratch, said_file = root / "upgrade", root / "scratch", root / "said"
    for one in (folder, scratch):
        one.mkdir(exist_ok=True)
    path = folder / NAME
    database = Database(path)
    make_old_archive(database, finished)
    database.close()
    disk = Disk.of(folder, said_file)
    command = child_command("upgrade", str(path))
    events = record(command, folder, root / "log", said_file)
    for cut, which, said in replay(events, disk, scratch, np.random.default_rng(seed)):
        tally.power_cuts += 1
        when = f"power lost after call {cut} of {len(events)} of an upgrade, {which}"
        tally.add(examine_upgrade(scratch / NAME, said, finished), when)


def _resume(path: Path, said: list[str], when: str, tally: Tally) -> None:
    try:
        crash_child.work(path, 1, said.append)
    except Exception as error:
        tally.untold += 1
        print(f"  {when}: cannot resume: {error}")
    tally.add(examine(path, said), f"{when}, resumed")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=200, help="random kills")
    parser.add_argument("--stride", type=int, default=1, help="fault at every n-th call only")
    parser.add_argument("--resume-every", type=int, default=5, help="resume from every n-th lost power")
    parser.add_argument("--parts", type=int, default=3, help="parts in the power-loss replay")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--folder", type=Path, help="where to work; a memory disk where there is one")
    parser.add_argument("--install", action="store_true", help="install strace from Debian's packages first")
    options = parser.parse_args()
    if options.install:
        subprocess.run(["apt-get", "install", "-y", "--no-install-recommends", "strace"], check=True)
    if shutil.which("strace") is None:
        print("strace is missing; run with --install, as root", file=sys.stderr)
        return 2
    tally = Tally()
    # A kill or a failing call loses nothing that a memory disk would keep, and the loss of power is a model:
    # nothing is gained by waiting for a real disk a million times.
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="crash_", dir=options.folder or memory) as name:
        root = Path(name).resolve()
        for title, step in (
            (
                f"kill -9 at {options.kills} random instants",
                lambda: random_kills(root, options.kills, options.seed, tally),
            ),
            ("a fault at every call of one part", lambda: every_call(root, options.stride, tally)),
            (
                "loss of power at every call",
                lambda: power_cuts(root, options.parts, options.seed, options.resume_every, tally),
            ),
            ("loss of power at every call of an upgrade", lambda: upgrade_cuts(root, options.seed, tally)),
        ):
            begun = time.perf_counter()
            print(title, flush=True)
            step()
            print(f"  {time.perf_counter() - begun:.0f} s; {tally.line()}", flush=True)
    print(f"how the stations with a fault ended: {dict(tally.told)}")
    print(tally.line())
    return 0 if tally.findings.clean and not tally.untold else 1


if __name__ == "__main__":
    sys.exit(main())
