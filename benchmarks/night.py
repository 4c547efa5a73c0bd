"""A night of the line: 12 hours of bench time, 400 parts and more of three recipes, drift, bad lenses,
faults.

Every part has exactly one final record, no part is called aligned that is not (by the simulator's truth), bad
lenses are rejected, memory and open files do not grow. The last line is one JSON object.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
from night_bench import RECIPES, NightBench, PlannedPart, plan_night, setup_for

from control.messages import Outcome
from sim.truth import BenchTruth
from station.archive import Archive
from station.config.recipe import ToleranceTable
from station.lot.command.reports import report_lot
from station.lot.line import Line, StationStopError
from station.lot.lot import LotEnd, LotRun
from station.lot.order import Order, create_order, open_again, recalled_order
from station.lot.parts_file import PartLine
from station.lot.recovery import recover
from station.lot.settings import LotTable
from station.lot.watch.alarms import Bell
from station.stopping import StopRequest

START = datetime(2026, 1, 15, 18, 0, tzinfo=UTC)
LOT = "night"
_REPAIR_S = 120.0
_MOST_STOPS = 200


class Night:
    """The lot, and the person who repairs the bench and resumes after each stop."""

    def __init__(
        self, planned: list[PlannedPart], seed: int, path: Path, every_s: float, *, say: bool
    ) -> None:
        self.planned, self.say = planned, say
        self.line_bench = NightBench({part.serial: part for part in planned}, seed, every_s)
        self.line_bench.on_unload = self._count
        self.archive = Archive(path, station="night cell", now=self.now)
        self.settings = LotTable()
        self.stops: Counter[str] = Counter()
        self.done = 0
        self.after_20: tuple[float, int] | None = None
        self.stop = StopRequest()

    def now(self) -> datetime:
        clock_s = self.line_bench.sim.clock.now_s() if hasattr(self, "line_bench") else 0.0
        return START + timedelta(seconds=clock_s)

    def log(self, words: str) -> None:
        if self.say:
            print(f"{self.now():%H:%M:%S} {words}", file=sys.stderr)

    def line(self) -> Line:
        bench = self.line_bench
        return Line(
            bench=bench.bench,
            eyes=bench.eyes,
            archive=self.archive,
            handling=bench,
            settings=self.settings,
            bell=Bell(self.archive, self.log),
            stop=self.stop,
            log=self.log,
            local_now=self.now,
            beat=lambda: None,
        )

    def run(self) -> LotEnd:
        setups = {}
        for name in RECIPES:
            setup = setup_for(name)
            recipe = self.archive.recipes.add(name, setup.recipe_file.text, who="A. Person", why="trial lot")
            self.archive.recipes.release(name, recipe.version, who="B. Person", why="trial lot was good")
            setups[name] = (self.archive.recipes.for_run(name), setup)
        parts = [PartLine(part.serial, part.recipe, number) for number, part in enumerate(self.planned, 2)]
        order = create_order(self.archive, LOT, parts, setups, self.settings, "A. Person")
        line = self.line()
        end = LotRun(line, order).run()
        while not end.done and sum(self.stops.values()) < _MOST_STOPS:
            end = self._resumed(line, order, end)
        return end

    def _resumed(self, line: Line, order: Order, end: LotEnd) -> LotEnd:
        self.stops[end.cause] += 1
        self.log(f"stopped: {end.why}")
        self.line_bench.sim.clock.sleep_s(_REPAIR_S)
        self.line_bench.repair()
        for alarm in self.archive.alarms.open():
            self.archive.alarms.acknowledge(alarm.id, who="A. Person", why="seen to")
        line = self.line()
        order, _ = recalled_order(
            self.archive,
            self.archive.lots.get(next(iter(order.recipes.values())).lot.name),
            setup_text(),
            "BENCH",
        )
        open_again(self.archive, order, "A. Person", "repaired")
        some = next(iter(order.recipes.values())).setup
        line.recall_learned(some)
        line.recall_beginning(some)
        if end.cause == "targets_moved":
            line.begin_anew(some, "A. Person", "targets set to the beam")
        try:
            held = recover(line, order)
        except StationStopError as stop:
            return LotEnd(False, stop.cause.words, stop.cause.code, 0)
        return LotRun(line, order, held).run()

    def _count(self, serial: str) -> None:
        self.done += 1
        if self.done == 20:
            self.after_20 = footprint()


def setup_text() -> str:
    return setup_for(next(iter(RECIPES))).bench_file.text


def footprint() -> tuple[float, int]:
    """Return resident memory in MB and the number of open files."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6, len(list(Path("/proc/self/fd").iterdir()))


def judge(night: Night) -> dict[str, int]:
    """Compare the records with the truth."""
    by_serial = {part.serial: part for part in night.planned}
    counts: Counter[str] = Counter(
        records=0, false_accepts=0, false_rejects=0, bad=0, bad_rejected=0, slipped=0
    )
    outcomes: Counter[str] = Counter()
    for recipe in RECIPES:
        lot = night.archive.lots.get(f"{LOT} / {recipe}")
        tolerance = setup_for(recipe).recipe.tolerance
        for found in night.archive.parts.of_lot(lot.id):
            planned, final = by_serial.pop(found.serial), found.final
            if final is None:
                continue
            counts["records"] += 1
            outcomes[final.outcome] += 1
            truth = night.line_bench.truths.get(found.serial)
            aligned, rejected = (
                final.outcome == Outcome.ALIGNED.value,
                final.outcome == Outcome.REJECTED.value,
            )
            counts["bad"] += bool(planned.bad)
            counts["bad_rejected"] += bool(planned.bad) and rejected
            wrong = ""
            if aligned and (planned.bad or not _within(truth, tolerance)):
                counts["false_accepts"] += 1
                wrong = "FALSE ACCEPT"
            elif rejected and not planned.bad and _lies_off(truth, tolerance, final.reason):
                counts["slipped"] += 1
                wrong = "right reject of a good lens that slipped while it was fixed"
            elif rejected and not planned.bad:
                counts["false_rejects"] += 1
                wrong = "false reject"
            elif planned.bad and not rejected:
                wrong = "bad lens without a reject"
            if wrong:
                off = None if truth is None else (truth.decenter_um, truth.tilt_arcsec)
                print(f"{wrong}: {planned} {final.outcome}: {final.reason}; truth {off}")
    print(f"outcomes: {dict(outcomes)}")
    return dict(counts)


def _within(truth: BenchTruth | None, tolerance: ToleranceTable) -> bool:
    if truth is None or truth.decenter_um is None or truth.tilt_arcsec is None:
        return False
    decenter, tilt = truth.decenter_um, truth.tilt_arcsec
    far_um = (decenter[0] ** 2 + decenter[1] ** 2) ** 0.5
    far_arcsec = (tilt[0] ** 2 + tilt[1] ** 2) ** 0.5
    return far_um <= tolerance.decenter_um and far_arcsec <= tolerance.tilt_arcsec


def _lies_off(truth: BenchTruth | None, tolerance: ToleranceTable, reason: str) -> bool:
    """Say whether a lens that is fixed already really lies out of tolerance: it slipped, and has to go."""
    return reason.startswith("after fixing") and truth is not None and not _within(truth, tolerance)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--parts", type=int, default=430)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--every-s", type=float, default=90.0, help="a part comes at this interval")
    parser.add_argument("--out", type=Path, help="keep archive and report here")
    parser.add_argument("--say", action="store_true", help="log every part to standard error")
    parser.add_argument(
        "--fault-share", type=float, default=0.01, help="share of parts of each kind of fault"
    )
    options = parser.parse_args()
    cv2.setNumThreads(1)
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="night_") as scratch:
        folder = options.out or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        planned = plan_night(options.parts, options.seed, fault_share=options.fault_share)
        night = Night(planned, options.seed, folder / "night.sqlite", options.every_s, say=options.say)
        with night.stop:
            end = night.run()
        rss_end, fds_end = footprint()
        counts = judge(night)
        hours = night.line_bench.sim.clock.now_s() / 3600
        audit = night.archive.audit()
        print(f"ended: {end.why}; {hours:.2f} h of bench time; stops: {dict(night.stops)}")
        files = report_lot(night.archive, LOT, folder / "report")
        print(f"morning report: {', '.join(file.name for file in files[:2])}")
        print(f"audit: {'clean' if audit.clean else audit.findings}")
        night.archive.close()
    rss_20, fds_20 = night.after_20 or (0.0, 0)
    line = {
        "parts": len(planned),
        "records": counts["records"],
        "false_accepts": counts["false_accepts"],
        "false_rejects": counts["false_rejects"],
        "stops": sum(night.stops.values()),
        "rss_mb_after_20": round(rss_20, 1),
        "rss_mb_end": round(rss_end, 1),
        "fds_after_20": fds_20,
        "fds_end": fds_end,
        "wall_s": round(time.perf_counter() - begun, 1),
        "bench_hours": round(hours, 2),
        "bad_lenses": counts["bad"],
        "bad_rejected": counts["bad_rejected"],
        "slipped_rejected": counts["slipped"],
        "faults": len(night.line_bench.struck),
    }
    print(json.dumps(line))
    grew = rss_end > 1.05 * rss_20 or fds_end > 1.05 * fds_20
    fine = counts["records"] == len(planned) and not counts["false_accepts"] and end.done and audit.clean
    return 0 if fine and not grew and counts["bad"] == counts["bad_rejected"] else 1


if __name__ == "__main__":
    sys.exit(main())
