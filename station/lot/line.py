"""The station as a lot sees it: devices, archive, settings, and what everything at night has in common."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from importlib import metadata

from driver.faults import DeviceFault
from station.archive import Archive, Calibration, CalibrationKind, Need, Severity, WhenExpired
from station.archive import Setup as MadeWith
from station.config import Setup
from station.looking import Eyes, PlateNotMapped
from station.lot.handling import Handling
from station.lot.part.frames import FrameKeeper
from station.lot.part.learned import Learned, memory_of, memory_text
from station.lot.part.references import (
    BareBeam,
    BareBeamNotSeenError,
    References,
    TargetsMovedError,
)
from station.lot.settings import BARE_BEAM_NOT_SEEN, PLATE_NOT_MAPPED, TARGETS_MOVED, LotTable
from station.lot.watch.alarms import Bell, Cause
from station.stopping import OperatorStop, StopRequest
from station.wiring import Bench

BEAM = Need(CalibrationKind.BARE_BEAM, "beam")
MOUNT = Need(CalibrationKind.MOUNT, "mount")
PROGRAM = "program"

_REMEDIES = {
    BARE_BEAM_NOT_SEEN: "check laser, shutter, hole target and camera",
    PLATE_NOT_MAPPED: "check lamp, camera and plate",
    TARGETS_MOVED: "set both targets to the beam again, check that cameras and plates are tight, then resume "
    "with --targets-set",
}
_SLICE_S = 5.0


class StationStopError(Exception):
    """The lot has to stop; the cause was not dealt with by the station itself."""

    def __init__(self, cause: Cause, severity: Severity = Severity.STOP) -> None:
        self.cause, self.severity = cause, severity
        super().__init__(cause.words)


@dataclass(slots=True)
class Line:
    """One station at work.

    Parameters
    ----------
    bench : Bench
    eyes : Eyes
    archive : Archive
    handling : Handling
    settings : LotTable
    bell : Bell
    stop : StopRequest
        Entered.
    log : callable
    local_now : callable
        Time of the day, with its zone.
    beat : callable
        Called whenever the loop goes round.
    resting : callable
        Makes the context in which a person or a feeder may take any time; nothing moves then.
    frames : FrameKeeper or None
        Keeps frames by rule, where it hears of them.
    """

    bench: Bench
    eyes: Eyes
    archive: Archive
    handling: Handling
    settings: LotTable
    bell: Bell
    stop: StopRequest
    log: Callable[[str], None]
    local_now: Callable[[], datetime]
    beat: Callable[[], None]
    resting: Callable[[], AbstractContextManager[object]] = nullcontext
    frames: FrameKeeper | None = None
    learned: Learned = field(default_factory=Learned)
    references: References = field(init=False)
    _calibration: Calibration | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self.references = References(self.bench, self.eyes, self.settings.checks)

    # --- ready for a part -----------------------------------------------------------------------------------

    def make_ready(self, setup: Setup, *, lot_id: int | None = None) -> None:
        """Home, map, see the bare beam, as far as needed; tries again after faults that allow it.

        Raises
        ------
        StationStopError
            When it cannot be made ready, or a person asked to stop.
        """
        wait_s = self.settings.faults.wait_s
        for attempt in range(1, self.settings.faults.tries + 1):
            cause = self._try_ready(setup)
            if cause is None:
                return
            if cause.code not in self.settings.faults.go_on or attempt == self.settings.faults.tries:
                raise StationStopError(cause)
            self.bell.ring(Severity.NOTE, cause, lot_id=lot_id)
            self.wait(wait_s)
            wait_s *= 2
        raise AssertionError("tries is at least 1")

    def _try_ready(self, setup: Setup) -> Cause | None:
        self.beat()
        try:
            with self.stop.interruptible():
                seen = self.references.make_ready(setup)
        except (OperatorStop, *STATION_FAULTS) as error:
            self.make_safe()
            self.references.forget()
            return cause_of(error)
        if seen is not None:
            self._note_bare_beam(setup, seen)
        return None

    def known_as(self, setup: Setup) -> str:
        """Return the name of this very bench in the archive: bench files of two stations may be copies."""
        station = self.archive.context.station
        return station if station == setup.bench.name else f"{setup.bench.name} at {station}"

    def require_valid(self, setup: Setup) -> None:
        """Ask, before a lot starts and never in the middle of it, whether its calibrations are valid.

        What is missing or expired is made anew by the first bare-beam check, or refused, as the settings say.

        Raises
        ------
        Refused
            ``EXPIRED``.
        """
        when = WhenExpired(self.settings.checks.when_expired)
        found = self.archive.calibrations.for_run(self.known_as(setup), [BEAM], when)
        for words in found.words:
            self.log(f"{words}: it is made anew")

    def recall_beginning(self, setup: Setup) -> BareBeam | None:
        """Take over where the bare beam was in the beginning, while that record is valid."""
        found = self.archive.calibrations.newest(self.known_as(setup), BEAM)
        if found is None or found.why_not_valid(self.archive.context.now()):
            return None
        bare = BareBeam.of(found.text, self.bench.clock.now_s())
        self.references.first_mm = bare.first_mm
        self._calibration = found
        return bare

    def begin_anew(self, setup: Setup, who: str, why: str) -> None:
        """Withdraw where the bare beam was in the beginning: the targets were set again."""
        found = self.archive.calibrations.newest(self.known_as(setup), BEAM)
        if found is not None and found.withdrawn_utc is None:
            self.archive.calibrations.withdraw(found.id, who=who, why=why)
        self.references.first_mm = None
        self.references.forget_maps()
        self._calibration = None

    def recall_learned(self, setup: Setup) -> None:
        """Take over what earlier lots taught about the bench, while that record is valid."""
        found = self.archive.calibrations.newest(self.known_as(setup), MOUNT)
        if found is not None and not found.why_not_valid(self.archive.context.now()):
            self.learned.memory = memory_of(found.text)

    def keep_learned(self, setup: Setup) -> None:
        """Keep what the parts taught about the bench for the next lot."""
        if self.learned.memory is None:
            return
        until = self.archive.context.now() + timedelta(days=self.settings.checks.mount_valid_days)
        text = memory_text(self.learned.memory)
        self.archive.calibrations.add(
            self.known_as(setup),
            MOUNT,
            text,
            who=PROGRAM,
            why="learned from the parts",
            valid_until_utc=until,
        )

    def made_with(self, setup: Setup) -> MadeWith:
        """Return the identity of what a part is made with."""
        text = setup.bench_file.text
        return self.archive.calibrations.setup(
            setup.bench.name,
            hashlib.sha256(text.encode()).hexdigest(),
            controller=self.references.controller,
            software=software(),
            calibrations=[] if self._calibration is None else [self._calibration],
        )

    def _note_bare_beam(self, setup: Setup, seen: BareBeam) -> None:
        """Keep what the next parts rest on, so that a lens can be verified after a crash."""
        until = self.archive.context.now() + timedelta(hours=self.settings.checks.bare_beam_valid_hours)
        self._calibration = self.archive.calibrations.add(
            self.known_as(setup),
            BEAM,
            seen.text(),
            who=PROGRAM,
            why="bare-beam check",
            valid_until_utc=until,
        )

    # --- safe, waiting --------------------------------------------------------------------------------------

    def make_safe(self) -> tuple[str, ...]:
        """Stop motion, close the shutter, darken the lamp; return what failed."""
        steps = [("stop motion", self.bench.motion.stop), ("close the shutter", self.bench.shutter.close)]
        if self.bench.lamp is not None:
            steps.append(("darken the plates", self.bench.lamp.off))
        failures = []
        for what, step in steps:
            try:
                step()
            except DeviceFault as fault:
                failures.append(f"{what}: {fault}")
        return tuple(failures)

    def outputs_off(self) -> None:
        """Switch everything off that fixes; before a lens is taken out."""
        for output in self.bench.outputs.values():
            output.off()

    def wait(self, seconds: float) -> None:
        """Let time pass; the watchdog hears of it, a stop ends it.

        Raises
        ------
        StationStopError
            When a person asked to stop.
        """
        until_s = self.bench.clock.now_s() + seconds
        while (left_s := until_s - self.bench.clock.now_s()) > 0:
            self.beat()
            self.raise_if_stopped()
            self.bench.clock.sleep_s(min(left_s, _SLICE_S))

    def raise_if_stopped(self) -> None:
        """Raise StationStopError when a person asked to stop."""
        if self.stop.requested:
            raise StationStopError(OPERATOR, Severity.NOTE)


OPERATOR = Cause("operator", "a person asked to stop", "resume the lot")

STATION_FAULTS = (DeviceFault, PlateNotMapped, BareBeamNotSeenError, TargetsMovedError)
"""What can keep a station from being ready."""


def cause_of(error: BaseException) -> Cause:
    """Return a fault of the station as the cause of an alarm."""
    match error:
        case OperatorStop():
            return OPERATOR
        case DeviceFault():
            words = f"{error.asked} while {error.state}: {error.came}"
            return Cause(error.code.value, words, error.remedy)
        case BareBeamNotSeenError():
            code_name = BARE_BEAM_NOT_SEEN
        case PlateNotMapped():
            code_name = error.code
        case _:
            code_name = TARGETS_MOVED
    return Cause(code_name, str(error), _REMEDIES[code_name])


def software() -> dict[str, str]:
    """Return versions of the program and of what its numbers rest on."""
    return {name: metadata.version(name) for name in ("coincide", "numpy", "scipy")}
