"""The internal watchdog: when the loop is stuck it stops motion, closes the shutter, and ends the program.

It runs in a thread of its own, on the computer's clock. Software is not a safety function: it is there so
that a mistake of the program does not leave a beam open all night.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Self

from station.lot.watch.notify import ServiceManager

STUCK_STATUS = 70
"""Exit status of a program that was stuck (EX_SOFTWARE of sysexits.h); the service manager starts it anew."""

SafeStep = tuple[str, Callable[[], object]]


class Watchdog:
    """Bites when nobody calls :meth:`beat` for too long.

    Parameters
    ----------
    limit_s : float
        Longest time between two beats, real seconds.
    steps : sequence of (what, function)
        Called one after the other when it bites, each in a thread of its own with a share of the time, so
        that one that hangs does not keep the others from being tried.
    log : callable
    manager : ServiceManager
        Hears of the loop with every beat, at most ten times in its interval.
    end : callable
        Ends the process when the loop is still stuck after the steps; by default at once and for good.
    """

    def __init__(
        self,
        limit_s: float,
        steps: Sequence[SafeStep],
        log: Callable[[str], None],
        manager: ServiceManager | None = None,
        end: Callable[[int], object] = os._exit,
    ) -> None:
        self._limit_s, self._steps, self._log, self._end = limit_s, steps, log, end
        self._manager = manager or ServiceManager("", None)
        self._between_s = (self._manager.watchdog_s or 10.0) / 10.0
        self._last_s = self._told_s = time.monotonic()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="watchdog", daemon=True)
        self._resting = False
        self.bitten = False

    def __enter__(self) -> Self:
        self._last_s = time.monotonic()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()

    def beat(self) -> None:
        """Say that the loop goes round."""
        self._last_s = now_s = time.monotonic()
        if now_s - self._told_s >= self._between_s:
            self._told_s = now_s
            self._manager.alive()

    @contextmanager
    def resting(self) -> Iterator[None]:
        """Let the loop wait for a person without being taken for stuck; the service manager hears of it."""
        self._resting = True
        try:
            yield
        finally:
            self._resting = False
            self.beat()

    def _watch(self) -> None:
        while not self._done.wait(min(0.25, self._limit_s / 4)):
            if self._resting:
                self.beat()
            quiet_s = time.monotonic() - self._last_s
            if quiet_s > self._limit_s:
                self._bite(quiet_s)
                return

    def _bite(self, quiet_s: float) -> None:
        self.bitten = True
        self._log(f"watchdog: the loop has been stuck for {quiet_s:.0f} s; making the bench safe")
        for what, step in self._steps:
            self._try(what, step)
        # The loop may be out of its wait by now: a fault of the device told it. It ends in its own way out.
        if self._done.wait(self._limit_s):
            return
        self._log("watchdog: the loop is still stuck; ending the program")
        self._end(STUCK_STATUS)

    def _try(self, what: str, step: Callable[[], object]) -> None:
        told: list[str] = []

        def work() -> None:
            try:
                step()
                told.append("done")
            except Exception as error:
                told.append(str(error))

        thread = threading.Thread(target=work, name=what, daemon=True)
        thread.start()
        thread.join(self._limit_s)
        self._log(f"watchdog: {what}: {told[0] if told else 'no answer'}")
