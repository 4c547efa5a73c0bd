"""One station of several on the same lot, as a child: ``shared_lot.py URL STATION SEED PARTS``.

Says what :mod:`crash_lot` says, and waits after its first part until its standard input ends. The archive may
be away for a minute without costing anything.
"""

from __future__ import annotations

import sys

import cv2
from crash_lot import say, work

if __name__ == "__main__":
    cv2.setNumThreads(1)
    url, station, seed, parts = sys.argv[1:]

    def say_and_wait(line: str) -> None:
        say(line)
        if line.startswith("DONE"):
            sys.stdin.read()  # at once where it has ended before

    work(url, 10_000, say_and_wait, int(parts), int(seed), station=station, patience_s=60.0)
