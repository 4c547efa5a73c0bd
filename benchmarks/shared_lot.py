"""One station of several on the same lot, as a child: ``shared_lot.py URL STATION SEED PARTS``.

Says what :mod:`crash_lot` says. The archive may be away for a minute without costing anything.
"""

from __future__ import annotations

import sys

import cv2
from crash_lot import say, work

if __name__ == "__main__":
    cv2.setNumThreads(1)
    url, station, seed, parts = sys.argv[1:]
    work(url, 10_000, say, int(parts), int(seed), station=station, patience_s=60.0)
