"""Ctrl-C and a request to terminate, turned into one orderly stop."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, Self


class OperatorStop(BaseException):
    """Raised inside an interruptible stretch when a person asked to stop.

    Not an ``Exception``: no device or library that catches broadly may swallow it.
    """


class StopRequest:
    """Catches the stop signals while the runner is at work.

    A signal breaks off only what is declared interruptible (waiting for a device, measuring a frame).
    Elsewhere, in control's decisions and on the way out, it is remembered and acted on at the next
    interruptible stretch, so that neither the state machine nor the stop path is ever left half done.
    """

    def __init__(self) -> None:
        self.requested = False
        self._interruptible = False
        self._previous: dict[int, Any] = {}

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for name in ("SIGINT", "SIGTERM", "SIGBREAK", "SIGHUP"):
                number = getattr(signal, name, None)
                if number is not None:
                    self._previous[number] = signal.signal(number, self._handle)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._previous.items():
            signal.signal(number, handler)
        self._previous.clear()

    def request(self) -> None:
        """Ask for a stop, as a signal does."""
        self.requested = True

    def _handle(self, _number: int, _frame: FrameType | None) -> None:
        self.requested = True
        if self._interruptible:
            self._interruptible = False
            raise OperatorStop

    @contextmanager
    def interruptible(self) -> Iterator[None]:
        """Let a stop break off what happens inside; raise at once when one was already asked for."""
        self._interruptible = True
        try:
            if self.requested:
                raise OperatorStop
            yield
        finally:
            self._interruptible = False
