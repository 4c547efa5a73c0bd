"""A lot: one part after the other, until there is no further one or a reason to stop."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from control.messages import Outcome
from driver.faults import DeviceFault
from station.archive import FinalRecord, InHand, LotState, PartKind, Severity
from station.lot.handling import Feeder
from station.lot.line import Line, StationStopError
from station.lot.one_part import OnePart
from station.lot.order import Order, RecipeOfLot, waiting_parts
from station.lot.settings import quiet_until
from station.lot.watch.alarms import Cause
from station.lot.watch.check_parts import CheckParts
from station.lot.watch.process import ProcessWatch

_COMMAND_S = 60.0
_OTHER_STATION_S = 5.0


@dataclass(frozen=True, slots=True)
class LotEnd:
    """How a lot ended.

    Attributes
    ----------
    done : bool
        False: it stopped, and may be resumed.
    why : str
    cause : str
        Code of the cause; "done" when every part is done.
    parts : int
        Parts that this run finished.
    """

    done: bool
    why: str
    cause: str
    parts: int


@dataclass(slots=True)
class LotRun:
    """Works through a lot.

    Parameters
    ----------
    line : Line
    order : Order
    held : InHand or None
        A part that was in hand when everything stopped; it is the first.
    """

    line: Line
    order: Order
    held: InHand | None = None
    _parts: int = field(default=0, init=False)
    _without_verdict: int = field(default=0, init=False)
    _watch: ProcessWatch = field(init=False)
    _checks: CheckParts = field(init=False)

    def __post_init__(self) -> None:
        self._watch = ProcessWatch(self.line.settings)
        self._checks = CheckParts(self.line.archive, self.line.settings.check_part, self.order)

    def run(self, recovering: Callable[[], InHand | None] | None = None) -> LotEnd:
        """Work until the lot is done or has to stop; then stop motion, close the shutter, do the end action.

        Parameters
        ----------
        recovering : callable, optional
            Called first; returns a part that was in hand and has to be aligned anew.

        Raises
        ------
        ArchiveError
            When the archive cannot be written any more; the station is safe, and nothing is lost.
        """
        try:
            self.held = self.held if recovering is None else recovering()
            end = self._work()
        except StationStopError as stop:
            end = self._stopped(stop)
        finally:
            failures = self.line.make_safe()
            for failure in failures:
                self.line.log(f"the station could not be made safe: {failure}")
        self.line.keep_learned(next(iter(self.order.recipes.values())).setup)
        self._end_action()
        return end

    def _work(self) -> LotEnd:
        begun_s = self.line.bench.clock.now_s()
        self._prune(now=True)
        self._checks.begin()
        while (work := self._next(begun_s)) is not None:
            self._after(work, work.work())
        for one in self.order.recipes.values():
            if self.line.archive.lots.counts(one.lot.id)["in_hand"]:
                return LotEnd(
                    True, "no further part waits; another station ends the lot", "done", self._parts
                )
            self.line.archive.lots.finish(one.lot.id, who=self._who, why="every part is done")
        return LotEnd(True, "every part is done", "done", self._parts)

    # --- the next part --------------------------------------------------------------------------------------

    def _next(self, begun_s: float) -> OnePart | None:
        """Return the next part in hand, its station ready; None when there is no further one."""
        self.line.beat()
        self.line.raise_if_stopped()
        if self.held is not None:
            part, self.held = self.held, None
            recipe = self._recipe_of(part)
            self.line.make_ready(self.order.recipes[recipe].setup, lot_id=part.claim.lot_id)
            return OnePart(self.line, self.order.recipes[recipe].setup, recipe, part)
        while (recipe_name := self._next_recipe()) is not None or self._checks.due_at_end:
            if recipe_name is not None:
                self._check_times(begun_s)
            if recipe_name is None or self._checks.due:
                work = self._claimed(self._checks.recipe, PartKind.CHECK)
            else:
                work = self._claimed(self.order.recipes[recipe_name], PartKind.PRODUCT)
            if work is not None:
                return work
            self.line.wait(_OTHER_STATION_S)  # another station was quicker, or has the check part
        return None

    def _claimed(self, found: RecipeOfLot, kind: PartKind) -> OnePart | None:
        """Take the next part of a kind in hand; None when another station was quicker."""
        self.line.make_ready(found.setup, lot_id=found.lot.id)
        state = self.line.archive.lots.get(found.lot.name)
        if state.state is not LotState.OPEN:
            # Another station on the same lot stopped it.
            raise StationStopError(
                Cause("lot_stopped", f"the lot is {state.state.value}: {state.ended_why}", "resume the lot"),
                Severity.NOTE,
            )
        if kind is PartKind.CHECK:
            self._checks.announce()
        claimed = self.line.archive.claims.claim_next(
            found.lot.id, self.line.made_with(found.setup), kind=kind
        )
        return None if claimed is None else OnePart(self.line, found.setup, found.name, claimed)

    def _next_recipe(self) -> str | None:
        handling = self.line.handling
        if isinstance(handling, Feeder) and not self._waiting():
            with self.line.resting():
                announced = handling.announced()
            if announced is None:
                return None
            if announced.recipe not in self.order.recipes:
                words = f"part {announced.serial} was announced with the recipe {announced.recipe!r}"
                raise StationStopError(
                    Cause("unknown_recipe", words, "name its recipe when the lot is started")
                )
            self.line.archive.lots.announce(self.order.recipes[announced.recipe].lot.id, announced.serial)
            return announced.recipe
        return self.order.next_recipe(self.line.archive)

    def _waiting(self) -> int:
        return sum(waiting_parts(self.line.archive, lot_id) for lot_id in self.order.lot_ids)

    def _recipe_of(self, part: InHand) -> str:
        return next(name for name, one in self.order.recipes.items() if one.lot.id == part.claim.lot_id)

    def _check_times(self, begun_s: float) -> None:
        limits = self.line.settings.limits
        spent_s = self.line.bench.clock.now_s() - begun_s
        if limits.lot_seconds is not None and spent_s > limits.lot_seconds:
            words = f"the lot has run for {spent_s:.0f} s, allowed are {limits.lot_seconds:g} s"
            raise StationStopError(Cause("lot_time", words, "resume the lot"), Severity.NOTE)
        until = quiet_until(limits.quiet_hours, self.line.local_now())
        if until is not None:
            self._keep_quiet(until)

    def _keep_quiet(self, until: datetime) -> None:
        words = f"quiet hours until {until:%H:%M}"
        if self.line.settings.limits.in_quiet_hours == "stop":
            raise StationStopError(Cause("quiet_hours", words, "resume the lot afterwards"), Severity.NOTE)
        self.line.log(f"{words}: waiting")
        self.line.make_safe()
        self.line.wait((until - self.line.local_now()).total_seconds())

    # --- after a part ---------------------------------------------------------------------------------------

    def _after(self, work: OnePart, final: FinalRecord) -> None:
        if work.part.claim.kind == PartKind.CHECK.value:
            self._after_check(final)
            return
        self._parts += 1
        self._prune()
        self._checks.count_part()
        if self._parts % self.line.settings.checks.bare_beam_every == 1:
            # Not only at the end: a crash must not cost what was learned.
            self.line.keep_learned(work.setup)
        claim = work.part.claim
        self.line.log(f"{claim.serial}: {final.outcome}: {final.reason}")
        outcome = Outcome(final.outcome)
        if outcome in (Outcome.ALIGNED, Outcome.REJECTED):
            self._without_verdict = 0
        else:
            self._count_without_verdict(final, claim.lot_id)
        told = self._watch.take(work.recipe, final)
        for severity, cause in told:
            if severity is Severity.STOP:
                raise StationStopError(cause)
            self.line.bell.ring(severity, cause, lot_id=claim.lot_id, part_id=claim.part_id)
        self.line.raise_if_stopped()

    def _prune(self, *, now: bool = False) -> None:
        if self.line.frames is not None:
            self.line.frames.prune(self.line.bell.ring, now=now)

    def _after_check(self, final: FinalRecord) -> None:
        self.line.log(f"check part: {final.outcome}: {final.reason}")
        cause = self._checks.take(final)
        if cause is not None:
            raise StationStopError(cause)
        if final.outcome == Outcome.ALIGNED.value:
            self._without_verdict = 0
        else:
            self._count_without_verdict(final, final.lot_id)
        self.line.raise_if_stopped()

    def _count_without_verdict(self, final: FinalRecord, lot_id: int) -> None:
        self._without_verdict += 1
        code = final.reason.split(":", 1)[0]
        cause = Cause("part_without_verdict", final.reason, final.remedy or "run the part again", code[:40])
        self.line.bell.ring(Severity.WARNING, cause, lot_id=lot_id, part_id=final.part_id)
        self.line.references.forget()
        if self._without_verdict >= self.line.settings.faults.parts_in_a_row:
            words = (
                f"{self._without_verdict} parts in a row ended without a verdict; the last: {final.reason}"
            )
            raise StationStopError(Cause("no_verdicts", words, final.remedy or "find out why"))

    # --- the end --------------------------------------------------------------------------------------------

    @property
    def _who(self) -> str:
        return f"station {self.line.archive.context.station}"

    def _stopped(self, stop: StationStopError) -> LotEnd:
        cause = stop.cause
        lot_ids = self.order.lot_ids
        self.line.bell.ring(stop.severity, cause, lot_id=lot_ids[0])
        for one in self.order.recipes.values():
            if self.line.archive.lots.get(one.lot.name).state is LotState.OPEN:
                self.line.archive.lots.stop(one.lot.id, who=self._who, why=f"{cause.code}: {cause.words}")
        return LotEnd(False, cause.words, cause.code, self._parts)

    def _end_action(self) -> None:
        action = self.line.settings.at_end
        if action.action == "home":
            # The station is safe already; a fault of this motion is told, and changes nothing.
            with contextlib.suppress(DeviceFault):
                self.line.references.home()
        elif action.action == "command" and action.command:
            try:
                subprocess.run(
                    action.command,
                    stdin=subprocess.DEVNULL,
                    check=False,
                    capture_output=True,
                    timeout=_COMMAND_S,
                )
            except (OSError, subprocess.TimeoutExpired) as error:
                self.line.log(f"the end action could not be done: {error}")
