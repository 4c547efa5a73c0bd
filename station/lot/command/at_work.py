"""From files and options to a station at work: devices opened, archive opened, watchdog awake."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from driver.protocols import LensHandler
from station.archive import Archive
from station.cautions import CAUTIONS
from station.config import Setup
from station.display import AskedPerson, Display, StandardError
from station.looking import Eyes
from station.lot.handling import ByHandler, ByLines, Handling
from station.lot.line import Line, software
from station.lot.part.frames import FrameKeeper
from station.lot.settings import FramesTable, LotTable
from station.lot.watch.alarms import Bell
from station.lot.watch.notify import ServiceManager
from station.lot.watch.watchdog import SafeStep, Watchdog
from station.stopping import StopRequest
from station.wiring import Bench, open_bench

DEFAULT_ARCHIVE = "runs/archive.sqlite"
_LONGEST_CALL_S = 60.0
_HOMING_S = 120.0


@dataclass(frozen=True, slots=True)
class Options:
    """Options that the commands of a lot share.

    Attributes
    ----------
    archive : str
        File or URL.
    station : str or None
        Name of the station; the bench's name where there is none.
    who : str
        The person at the keyboard, or the service.
    feeder : bool
        Parts are announced on standard input.
    """

    archive: str
    station: str | None
    who: str
    feeder: bool = False


def log(words: str) -> None:
    """Write one line with its time to standard error; a reader that went away ends nothing."""
    with contextlib.suppress(OSError):
        sys.stderr.write(f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S%z} {words}\n")
        sys.stderr.flush()


def open_archive(options: Options, bench_name: str, frames: FramesTable | None = None) -> Archive:
    """Open the archive of a station; frames lie where the settings say, by default beside a file."""
    return Archive(
        options.archive,
        station=options.station or bench_name,
        software=software(),
        frames=frames_folder(options.archive, frames),
    )


def frames_folder(archive: str, table: FramesTable | None = None) -> Path | None:
    """Return where frames lie; None for a server, unless the settings name a folder."""
    if table is not None and table.folder:
        return Path(table.folder)
    return None if "://" in archive else Path(archive).absolute().parent / "frames"


@contextmanager
def station_at_work(
    setup: Setup, archive: Archive, settings: LotTable, options: Options, stop: StopRequest
) -> Iterator[Line]:
    """Open the devices and wake the watchdog for the time of a ``with`` block; nothing moves yet."""
    for caution in CAUTIONS:
        log(f"caution: {caution}")
    for output in setup.bench.outputs:
        log(f"caution: output {output.name}: {output.caution}")
    manager = ServiceManager.of()
    display = Display(StandardError())
    with contextlib.ExitStack() as stack:
        bench = open_bench(setup.bench_file, AskedPerson(display, "the part"))
        stack.callback(bench.close)
        bell = Bell(archive, log, settings.alarms.command)
        stack.callback(bell.close)
        limit_s = (setup.bench.motion.home_timeout_s or _HOMING_S) + _LONGEST_CALL_S
        dog = stack.enter_context(Watchdog(limit_s, safe_steps(bench, stop), log, manager))
        frames = FrameKeeper(archive, settings.frames)
        manager.ready("at work")
        stack.callback(manager.stopping)
        yield Line(
            bench=bench,
            eyes=Eyes(bench, frames.note),
            archive=archive,
            handling=_handling(bench.lens_handler, setup, options),
            settings=settings,
            bell=bell,
            stop=stop,
            log=log,
            local_now=lambda: datetime.now().astimezone(),
            beat=dog.beat,
            resting=dog.resting,
            frames=frames,
        )


def safe_steps(bench: Bench, stop: StopRequest) -> list[SafeStep]:
    """Return what the watchdog does when the loop is stuck."""
    return [
        ("ask for a stop", stop.request),
        ("stop motion", bench.motion.stop),
        ("close the shutter", bench.shutter.close),
        *((f"switch off {name}", output.off) for name, output in bench.outputs.items()),
    ]


def _handling(handler: LensHandler, setup: Setup, options: Options) -> Handling:
    by_hand = ByHandler(handler, log)
    return ByLines(iter(sys.stdin.readline, ""), by_hand, setup.recipe.name) if options.feeder else by_hand
