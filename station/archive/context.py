"""What all parts of an open archive share: the database, who is writing, the clock, the trail."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

from station.archive.errors import Problem, Refused
from station.archive.store.database import Database
from station.archive.trail import Trail

_BLANKS = str.maketrans("\n\r\t", "   ")

NowUtc = Callable[[], datetime]


def system_now_utc() -> datetime:
    """Return the time of the computer's clock, in UTC."""
    return datetime.now(UTC)


@dataclass(slots=True)
class Context:
    """Handed to every part of the archive.

    Parameters
    ----------
    database : Database
    station : str
        Name of the station that writes.
    session_id : int
        The opening of the archive that all this belongs to.
    now : callable
        Wall clock; only noted, nothing is ordered by it.
    trail : Trail
    """

    database: Database
    station: str
    session_id: int
    now: NowUtc
    trail: Trail
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1), init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, init=False)

    def operation(self) -> str:
        """Return a name for one piece of work that no other piece of work has or will have."""
        with self._lock:
            return f"{self.session_id}-{next(self._numbers)}"

    def refused(self, problem: Problem, asked: str, found: str, remedy: str | None = None) -> Refused:
        """Return the error for something that is against the rules."""
        return Refused(problem, where=self.database.where, asked=asked, found=found, remedy=remedy)

    def require_words(self, asked: str, **values: str) -> None:
        """Refuse empty or unprintable names and reasons."""
        for name, value in values.items():
            if not value.strip() or not value.translate(_BLANKS).isprintable():
                raise self.refused(Problem.BAD_VALUE, asked, f"{name} is {value!r}", f"say {name} in words")
