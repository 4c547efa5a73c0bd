"""Alarms: to the log, the archive and a program of the site; the same one again only counts."""

from __future__ import annotations

import contextlib
import json
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from station.archive import Archive, ArchiveError, Severity

Log = Callable[[str], None]

_HOOK_S = 30.0
_MOST_HOOKS = 8


@dataclass(frozen=True, slots=True)
class Cause:
    """What an alarm says.

    Attributes
    ----------
    code : str
        Name of the cause, such as ``line_lost``.
    words, remedy : str
    subject : str
        What it is about where the code alone does not say it.
    """

    code: str
    words: str
    remedy: str
    subject: str = ""


@dataclass(slots=True)
class Bell:
    """Rings alarms.

    Parameters
    ----------
    archive : Archive
    log : callable
        Takes one line.
    command : sequence of str
        Program that gets each new alarm as one JSON object on its standard input; empty for none.
    """

    archive: Archive
    log: Log
    command: Sequence[str] = ()
    _running: list[subprocess.Popen[bytes]] = field(default_factory=list, init=False)
    _untold: dict[tuple[str, str], int] = field(default_factory=dict, init=False)

    def ring(
        self, severity: Severity, cause: Cause, *, lot_id: int | None = None, part_id: int | None = None
    ) -> None:
        """Note an alarm; tell log and program the first time, and the log at 10, 100, 1000 times.

        Where the archive cannot take it, it still goes to the log and the program.
        """
        try:
            noted = self.archive.alarms.note(
                cause.code,
                severity,
                cause=cause.words,
                remedy=cause.remedy,
                subject=cause.subject,
                lot_id=lot_id,
                part_id=part_id,
            )
            count, first = noted.count, noted.first_utc.isoformat(timespec="seconds")
        except ArchiveError as error:
            key = (cause.code, cause.subject)
            count = self._untold[key] = self._untold.get(key, 0) + 1
            first = ""
            if count == 1:
                self.log(f"the archive cannot take the alarm: {error}")
        if not _tells(count):
            return
        times = f" ({count} times)" if count > 1 else ""
        self.log(f"{severity.value}: {cause.code}: {cause.words}{times}. Remedy: {cause.remedy}")
        if count == 1:
            self._send(severity, cause, first)

    def close(self) -> None:
        """Wait for programs that still run, but not for long."""
        for process in self._running:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(timeout=_HOOK_S)
            if process.poll() is None:
                process.kill()
                process.wait()
        self._running.clear()

    def _send(self, severity: Severity, cause: Cause, first_utc: str) -> None:
        self._running = [process for process in self._running if process.poll() is None]
        if not self.command:
            return
        if len(self._running) >= _MOST_HOOKS:
            self.log(f"{len(self._running)} programs of earlier alarms still run; this one is not sent")
            return
        told = {
            "severity": severity.value,
            "code": cause.code,
            "subject": cause.subject,
            "cause": cause.words,
            "remedy": cause.remedy,
            "time_utc": first_utc,
            "station": self.archive.context.station,
        }
        try:
            process = subprocess.Popen(
                list(self.command),
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
            self._running.append(process)
            assert process.stdin is not None
            # An alarm is far smaller than a pipe: a program that does not read holds nothing up.
            with process.stdin as stream:
                stream.write(json.dumps(told).encode() + b"\n")
        except OSError as error:
            self.log(f"the alarm's program {self.command[0]!r} cannot be run: {error}")


def _tells(count: int) -> bool:
    """Say whether the count is 1 or a power of ten."""
    return str(count).strip("0") == "1"
