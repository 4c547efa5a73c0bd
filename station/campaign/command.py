"""``coincide campaign``: many alignments on simulated benches, counted."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from station.campaign.outcomes import Table, bench_of
from station.campaign.plan import CampaignPlan
from station.campaign.report import lines, write_report
from station.campaign.store import CampaignFolder
from station.campaign.summary import summary
from station.campaign.workers import Done, WorkersLostError, here, processes, scheduler
from station.record import Record, write_atomically
from station.stopping import StopRequest

DONE, FALSE_ACCEPTS, STOPPED = 0, 1, 3

_HEARTBEAT_S = 10.0
_KEPT_RECORDS = 10
_REPORT_NAME = "report.html"
_UNUSUAL = "unusual"


def run_campaign(
    plan: CampaignPlan,
    *,
    workers: int | None,
    address: str | None,
    out: Path | None,
    as_json: bool,
    stop: StopRequest,
) -> int:
    """Run or go on with a campaign, write its results and report, print its figures.

    Parameters
    ----------
    plan : CampaignPlan
    workers : int or None
        Processes on this machine; None for one per core.
    address : str or None
        Of a dask scheduler whose workers compute instead.
    out : Path or None
    as_json : bool
    stop : StopRequest
        Entered; a stop leaves a folder that the same command goes on with.

    Returns
    -------
    int
        0 when done, 1 when lenses were accepted that the truth does not accept, 3 when stopped.
    """
    folder = CampaignFolder(out, plan)
    left = [chunk for chunk in range(plan.chunks) if chunk not in folder.done()]
    begun = time.perf_counter()
    try:
        for chunk, rows in _shown(plan, left, _computed(plan, left, workers, address, stop)):
            folder.keep(chunk, rows)
    except WorkersLostError as error:
        sys.stderr.write(f"{error}; the same command goes on from here\n")
        return STOPPED
    spent_s = time.perf_counter() - begun
    if len(folder.done()) < plan.chunks:
        sys.stderr.write(f"stopped; the same command with --out {folder.path} goes on from here\n")
        return STOPPED
    table = folder.table()
    computed = sum(len(plan.indices(chunk)) for chunk in left)
    figures = summary(table, computed / spent_s if computed else None)
    folder.finish(table, figures)
    write_atomically(folder.path / _REPORT_NAME, write_report(plan, table, figures))
    _keep_unusual(plan, table, folder.path)
    _tell(table, figures, folder.path, as_json)
    return FALSE_ACCEPTS if figures["false_accepts"] else DONE


def _computed(
    plan: CampaignPlan, left: list[int], workers: int | None, address: str | None, stop: StopRequest
) -> Iterator[Done]:
    def stopped() -> bool:
        return stop.requested

    if address is not None:
        return scheduler(plan, left, address, stopped)
    count = workers or os.cpu_count() or 1
    return here(plan, left, stopped) if count == 1 else processes(plan, left, count, stopped)


def _shown(plan: CampaignPlan, left: list[int], done: Iterator[Done]) -> Iterator[Done]:
    """Show progress on standard error: a bar on a terminal, a line now and then elsewhere."""
    console = Console(stderr=True, highlight=False)
    columns = (TextColumn("alignments"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    total = plan.benches
    so_far = total - sum(len(plan.indices(chunk)) for chunk in left)
    say = _heartbeat(total)
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("", total=total, completed=so_far)
        for chunk, rows in done:
            yield chunk, rows
            so_far += len(rows)
            progress.update(task, completed=so_far)
            if not console.is_terminal:
                say(so_far)


def _heartbeat(total: int) -> Callable[[int], None]:
    last = time.perf_counter()

    def say(so_far: int) -> None:
        nonlocal last
        if so_far == total or time.perf_counter() - last > _HEARTBEAT_S:
            last = time.perf_counter()
            sys.stderr.write(f"{so_far} of {total} alignments\n")

    return say


def _keep_unusual(plan: CampaignPlan, table: Table, folder: Path) -> None:
    """Run what did not end as it should have once more, with a record that can be replayed."""
    unusual = (table["outcome"] != "aligned") | ~table["within"]
    for index in table["index"][unusual].tolist()[:_KEPT_RECORDS]:
        run_folder = folder / _UNUSUAL / f"{index:06d}"
        run_folder.mkdir(parents=True, exist_ok=True)
        run = bench_of(plan, index)
        run = bench_of(plan, index, record=Record(run_folder, run.record.setup, plan.seed_of(index)))
        run.run()


def _tell(table: Table, figures: dict[str, Any], folder: Path, as_json: bool) -> None:
    if as_json:
        sys.stdout.write(json.dumps(figures, allow_nan=False) + "\n")
        return
    sys.stdout.write("\n".join([*lines(table, figures), f"  report: {folder / _REPORT_NAME}"]) + "\n")
