"""Runs under strace and forks one tiny station for each request, so that nothing is loaded a thousand times.

strace counts calls for each process and fails the call with a fixed number. A child that is to fail at its
n-th call first spends the calls before that number on a file of no interest.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import sys
from pathlib import Path

crash_child = importlib.import_module(os.environ.get("CRASH_CHILD", "crash_child"))
"""The station: the tiny one, or a whole lot."""

FAILS_AT = 2000
"""Number of the call that strace makes fail."""


def spend(call: str, count: int, idle: str) -> None:
    """Make ``count`` calls on a file that is of no interest."""
    handle = os.open(idle, os.O_RDWR)
    for _ in range(count):
        if call == "pwrite64":
            os.pwrite(handle, b"x", 0)
        elif call in ("fsync", "fdatasync"):
            getattr(os, call)(handle)
        elif call == "openat":
            os.close(os.open(idle, os.O_RDONLY))
        else:
            with contextlib.suppress(FileNotFoundError):
                Path(f"{idle}.none").unlink()
    os.close(handle)


def child(request: dict[str, str], fail_at: int) -> int:
    """Be the station."""
    said = os.open(request["said"], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    os.dup2(said, 1)
    # Opening the idle file is a call as well.
    own = 1 if request["call"] == "openat" else 0
    spend(request["call"], FAILS_AT - fail_at - own, request["idle"])
    sys.argv = ["crash_child.py", "work", request["path"], "1"]
    return crash_child.main()


def main() -> None:
    """Answer requests until the input ends: the exit status of a child, negative for a signal."""
    Path(sys.argv[1]).write_bytes(b"")
    for line in sys.stdin:
        request = json.loads(line)
        pid = os.fork()
        if pid == 0:
            status = 1
            try:
                status = child(request, int(request["fail_at"]))
            finally:
                os._exit(status)
        _, ended = os.waitpid(pid, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(ended)}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
