"""Who computes the chunks of a campaign: this process, processes of this machine, or dask's workers.

Which worker computes what never changes a result: a chunk depends on the plan and its number only. One that
was lost with its worker is computed again.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

import cv2

from station.campaign.outcomes import Row, run_chunk
from station.campaign.plan import CampaignPlan
from station.config.problems import BadInput

Done = tuple[int, list[Row]]
Compute = Callable[[CampaignPlan, int], list[Row]]

_ATTEMPTS = 4
_LOOK_S = 0.25
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class WorkersLostError(Exception):
    """Workers died again and again."""


def here(plan: CampaignPlan, chunks: list[int], stopped: Callable[[], bool]) -> Iterator[Done]:
    """Compute the chunks in this process."""
    for chunk in chunks:
        if stopped():
            return
        yield chunk, run_chunk(plan, chunk)


def processes(
    plan: CampaignPlan,
    chunks: list[int],
    count: int,
    stopped: Callable[[], bool],
    compute: Compute = run_chunk,
) -> Iterator[Done]:
    """Compute the chunks in ``count`` processes of this machine; killed ones are replaced.

    Raises
    ------
    WorkersLostError
        When workers are lost several times in a row without any result.
    """
    left, lost = list(chunks), 0
    while left and not stopped():
        try:
            for chunk, rows in _pool(plan, left, count, stopped, compute):
                left.remove(chunk)
                lost = 0
                yield chunk, rows
        except BrokenProcessPool as error:
            lost += 1
            if lost >= _ATTEMPTS:
                raise WorkersLostError(f"workers died {lost} times in a row: {error}") from error


def _pool(
    plan: CampaignPlan, chunks: list[int], count: int, stopped: Callable[[], bool], compute: Compute
) -> Iterator[Done]:
    for name in _THREADS:
        os.environ.setdefault(name, "1")
    # Fresh processes: a fork would inherit the threads of the display and of libraries half-way.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context, initializer=_as_worker) as pool:
        waiting: dict[Future[list[Row]], int] = {}
        todo = iter(chunks)
        try:
            while not stopped():
                # Few at a time, so that a stop does not have to wait for what was only queued.
                while len(waiting) < 2 * count and (chunk := next(todo, None)) is not None:
                    waiting[pool.submit(compute, plan, chunk)] = chunk
                if not waiting:
                    return
                ready, _ = wait(waiting, timeout=_LOOK_S, return_when="FIRST_COMPLETED")
                for future in ready:
                    chunk = waiting.pop(future)
                    yield chunk, future.result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _as_worker() -> None:
    """Leave Ctrl-C to the process that handed out the work; the work itself is single-threaded."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


def scheduler(
    plan: CampaignPlan, chunks: list[int], address: str, stopped: Callable[[], bool]
) -> Iterator[Done]:
    """Compute the chunks by the workers of a dask scheduler, on which this package is installed.

    Raises
    ------
    BadInput
        When dask is not installed, or there is no scheduler at the address.
    """
    try:
        from distributed import Client, as_completed  # noqa: PLC0415  only where it is asked for
    except ImportError as error:
        allowed = "an installation with the extra `campaign`: pip install 'coincide[campaign]'"
        raise BadInput("--scheduler", "", found="dask is not installed", allowed=allowed) from error
    try:
        client = Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise BadInput(
            "--scheduler", "", found=f"{address}: {error}", allowed="the address of a dask scheduler"
        ) from error
    with client:
        futures = {
            client.submit(run_chunk, plan, chunk, pure=False, retries=_ATTEMPTS): chunk for chunk in chunks
        }
        try:
            for future in as_completed(list(futures)):
                yield futures.pop(future), future.result()
                if stopped():
                    return
        finally:
            client.cancel(list(futures))
