"""One part: load, align, fix, verify, record, take out; again after a fault that allows it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from control.aligner import Aligner
from control.fixing import Fixer, FixStep
from control.messages import Finish, Outcome
from control.plan import BenchModel
from control.still import StillLens
from control.unknowns import Vector
from driver.faults import REMEDIES, DeviceFault, FaultCode
from station.archive import FinalRecord, InHand, KeepRule, PartKind, Phase, Severity
from station.config import Setup
from station.looking import PlateNotMapped
from station.lot.line import OPERATOR, Line, StationStopError, cause_of
from station.lot.part.record import PartRecord, Targets
from station.lot.part.references import TargetsMovedError
from station.lot.part.runner import PartRunner
from station.lot.settings import BENCH_WRONG
from station.lot.watch.alarms import Cause
from station.planning import bench_model_of, plan_of
from station.stopping import OperatorStop


class Silent:
    """Shows nothing; fulfils :class:`station.runner.Shows`."""

    def acting(self, action: object, bench_s: float) -> None:
        """Show nothing."""

    def noticed(self, observation: object, bench_s: float) -> None:
        """Show nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Try:
    """How one try at a part went.

    Attributes
    ----------
    finish : Finish
    cause : str
        What stopped it; empty when nothing did.
    fixing_began : bool
        The lens may be half fixed: it is not tried again.
    shift : ndarray or None
        By how much fixing shifted it.
    """

    finish: Finish
    cause: str
    fixing_began: bool = False
    shift: Vector | None = None


@dataclass(slots=True)
class OnePart:
    """Works on one part of a lot.

    Parameters
    ----------
    line : Line
    setup : Setup
        Of the recipe that the part was started with.
    recipe : str
        Its name in the archive.
    part : InHand
    """

    line: Line
    setup: Setup
    recipe: str
    part: InHand
    _compute_s: float = field(default=0.0, init=False)
    _aligned_by: Aligner | None = field(default=None, init=False)

    def work(self) -> FinalRecord:
        """Align, fix, verify and record the part, then take it out.

        Raises
        ------
        StationStopError
            When the station cannot go on. A part that was not being fixed stays in hand, without a record,
            and is aligned anew when the lot is resumed; one that was being fixed has its record.
        ArchiveError
            Nothing is lost: the part is still in hand, and is resumed at the next start.
        """
        record, tried = self._tries()
        stop = self._needs_a_person(tried)
        if stop is not None and not tried.fixing_began:
            self.part.flush()
            raise stop
        aside = tried.finish.outcome is not Outcome.ALIGNED
        final = self.part.finish(record.ending(tried.finish, self._compute_s, tried.shift, self._targets()))
        self._learn(tried)
        if stop is not None:
            raise stop
        self.unload(aside=aside)
        return final

    # --- tries ----------------------------------------------------------------------------------------------

    def _tries(self) -> tuple[PartRecord, Try]:
        wait_s = self.line.settings.faults.wait_s
        tries: list[Try] = []
        while True:
            record = PartRecord(self.setup, self.part)
            if self.line.frames is not None:
                self.line.frames.begin()
            tries.append(self._try(record))
            self._keep_frames(tries[-1])
            if not self._once_more(tries):
                return record, self._concluded(tries)
            tried = tries[-1]
            code = tried.cause or "rejected"
            cause = Cause(code, _words(tried), "nothing: it is tried again")
            self.line.bell.ring(Severity.NOTE, cause, lot_id=self.part.claim.lot_id)
            self.line.references.forget()
            if tried.cause:
                self.line.wait(wait_s)
                wait_s *= 2
            self._take_up_again(f"again: {code}")

    def _keep_frames(self, tried: Try) -> None:
        """Keep the frames of the last look, or of what went wrong; first ones are kept on the way."""
        if self.line.frames is None:
            return
        well = tried.finish.outcome is Outcome.ALIGNED
        self.line.frames.keep(self.part.claim, KeepRule.LAST if well else KeepRule.ANOMALY, self._ring)

    def _keep_first(self) -> None:
        if self.line.frames is not None:
            self.line.frames.keep(self.part.claim, KeepRule.FIRST, self._ring)

    def _ring(self, severity: Severity, cause: Cause) -> None:
        claim = self.part.claim
        self.line.bell.ring(severity, cause, lot_id=claim.lot_id, part_id=claim.part_id)

    def _once_more(self, tries: Sequence[Try]) -> bool:
        """Say whether the part is tried again, on a bench that is homed, mapped and checked anew."""
        tried = tries[-1]
        if tried.fixing_began or len(tries) >= self.line.settings.faults.tries:
            return False
        if tried.finish.outcome is Outcome.REJECTED:
            rejects = sum(one.finish.outcome is Outcome.REJECTED for one in tries)
            return self.line.settings.rejects.confirm and rejects == 1
        return tried.finish.outcome is Outcome.STOPPED and tried.cause in self.line.settings.faults.go_on

    def _concluded(self, tries: Sequence[Try]) -> Try:
        """Return the last try; a lens that contradicts a bench checked each time is at fault itself."""
        last = tries[-1]
        contradicted = [
            one.finish.outcome is Outcome.REJECTED or (one.cause == BENCH_WRONG and not one.fixing_began)
            for one in tries
        ]
        if len(tries) < 2 or not all(contradicted) or last.finish.outcome is Outcome.REJECTED:
            return last
        reason = (
            f"the spots did not fit the recipe in {len(tries)} tries, with the bench homed, mapped and its "
            f"beam checked before each; the last: {last.finish.reason}"
        )
        finish = Finish(Outcome.REJECTED, reason, "check the part against the recipe, and how it is seated")
        return dataclasses.replace(last, finish=finish, cause="")

    def _needs_a_person(self, tried: Try) -> StationStopError | None:
        """Return the stop after a fault that the station may not go on from by itself."""
        if not tried.cause or tried.cause in self.line.settings.faults.go_on:
            return None
        if tried.cause == OPERATOR.code:
            return StationStopError(OPERATOR, Severity.NOTE)
        return StationStopError(Cause(tried.cause, _words(tried), _remedy(tried)))

    def _take_up_again(self, why: str) -> None:
        """Go on with the part in a new attempt; making the station ready takes the lens out."""
        self.part.flush()
        self.line.make_ready(self.setup, lot_id=self.part.claim.lot_id)
        made_with = self.line.made_with(self.setup)
        self.part = self.line.archive.claims.resume(self.part.claim.part_id, made_with, why=why)

    def _try(self, record: PartRecord) -> Try:
        self._load()
        self.part.enter(Phase.ALIGNING, time_s=self.line.bench.clock.now_s())
        aligner = self._aligner()
        runner = self._runner(aligner, record)
        finish = self._run(runner)
        if finish.outcome is not Outcome.ALIGNED:
            return Try(finish, runner.cause)
        # A check part comes round again and again: it is aligned and verified, never fixed.
        fixes = bool(self.setup.recipe.fix) and self.part.claim.kind == PartKind.PRODUCT.value
        fixed = self._fix(record, aligner) if fixes else None
        tried = fixed or Try(finish, "")
        if tried.finish.outcome in (Outcome.ALIGNED, Outcome.REJECTED):
            self._aligned_by = aligner
            tried = self._confirmed(record, tried)
        return tried

    def _load(self) -> None:
        """Wait until the part is in the mount."""
        claim = self.part.claim
        self.part.enter(Phase.LOADING, time_s=self.line.bench.clock.now_s())
        try:
            self.line.bench.shutter.close()
            with self.line.resting(), self.line.stop.interruptible():
                self.line.references.lens_is_in()  # from now on it may be
                self.line.handling.load(claim.serial, self.recipe)
        except (OperatorStop, DeviceFault) as error:
            raise StationStopError(cause_of(error)) from error

    def _aligner(self) -> Aligner:
        plan = plan_of(self.setup)
        plan = dataclasses.replace(
            plan, max_seconds=min(plan.max_seconds, self.line.settings.limits.part_seconds)
        )
        return Aligner(plan, self.bench_model(), self.line.learned.memory)

    def bench_model(self) -> BenchModel:
        """Return the model of the bench; a beam that has moved is less surely in the hole."""
        model = bench_model_of(self.setup)
        bare = self.line.references.bare
        moved_um = 0.0 if bare is None else bare.moved_um
        sigma_um = math.hypot(model.beam_in_hole_sigma_um, moved_um / 2)
        return dataclasses.replace(model, beam_in_hole_sigma_um=sigma_um)

    def _runner(self, decides: Aligner | Fixer, record: PartRecord) -> PartRunner:
        line = self.line

        def stays_on() -> tuple[str, ...]:
            return decides.outputs_on if isinstance(decides, Fixer) else ()

        return PartRunner(
            bench=line.bench,
            aligner=decides,
            eyes=line.eyes,
            record=record,
            display=Silent(),
            stop=line.stop,
            references=line.references,
            beat=line.beat,
            stays_on=stays_on,
            first_look=self._keep_first if isinstance(decides, Aligner) else None,
        )

    def _run(self, runner: PartRunner) -> Finish:
        begun_s = self.line.eyes.compute_s
        finish = runner.run()
        self._compute_s += runner.decide_s + self.line.eyes.compute_s - begun_s
        return finish

    # --- fixing ---------------------------------------------------------------------------------------------

    def _fix(self, record: PartRecord, aligner: Aligner) -> Try:
        self.part.enter(Phase.FIXING, time_s=record.last_s)
        assert record.last is not None
        model = aligner.model
        assert model is not None
        still = StillLens(plan_of(self.setup), model.bench, model.lens, model.references, aligner.remember())
        self.line.learned.recall(self.line.archive, self.recipe)
        left_s = self.line.settings.limits.part_seconds - (record.last_s - (record.begun_s or 0.0))
        fixer = Fixer(
            fix_steps(self.setup),
            still,
            record.last.positions,
            self.line.learned.usual_shift(self.recipe),
            max(0.0, left_s),
        )
        record.fixer = fixer
        runner = self._runner(fixer, record)
        finish = self._run(runner)
        return Try(finish, runner.cause, fixing_began=True, shift=fixer.shift)

    # --- the end --------------------------------------------------------------------------------------------

    def _confirmed(self, record: PartRecord, tried: Try) -> Try:
        """Map the plates again: a verdict on looks through a knocked camera does not count."""
        if not self.line.settings.checks.plates_after_part:
            return tried
        faults, clock = self.line.settings.faults, self.line.bench.clock
        left = faults.tries
        while (cause := self._plates_moved()) is not None:
            left -= 1
            record.add_fault(cause.code, cause.words, clock.now_s(), "check the plates")
            self.line.make_safe()
            # Looking again moves nothing: a lens that is fixed may wait for it.
            if cause.code == BENCH_WRONG or cause.code not in faults.go_on or not left:
                reason = f"{cause.code}: after the verdict: {cause.words}"
                finish = Finish(Outcome.STOPPED, reason, cause.remedy, tried.finish.verdict)
                return dataclasses.replace(tried, finish=finish, cause=cause.code)
            self.line.wait(faults.wait_s)
        return tried

    def _plates_moved(self) -> Cause | None:
        """Map the plates again; return why the verdict does not count, None when it does."""
        try:
            with self.line.stop.interruptible():
                self.line.references.check_plates()
        except TargetsMovedError as moved:
            return Cause(BENCH_WRONG, str(moved), "look for what was knocked")
        except (OperatorStop, DeviceFault, PlateNotMapped) as error:
            return cause_of(error)
        return None

    def _targets(self) -> Targets | None:
        references = self.line.references
        if references.bare is None or references.plates is None:
            return None
        x_mm, y_mm = references.bare.spot.center_mm
        return Targets(references.plates.hole_center_mm, (float(x_mm), float(y_mm)))

    def _learn(self, tried: Try) -> None:
        if tried.shift is not None:
            self.line.learned.take_shift(self.recipe, tried.shift)
        if tried.finish.outcome is Outcome.ALIGNED and self._aligned_by is not None:
            self.line.learned.memory = self._aligned_by.remember()

    def unload(self, *, aside: bool) -> None:
        """Take the lens out; what fixed the mount to it is released first.

        Raises
        ------
        StationStopError
            When the handler fails; the part has its record.
        """
        claim, line = self.part.claim, self.line
        try:
            line.bench.shutter.close()
            line.outputs_off()
            with line.resting():
                line.handling.unload(claim.serial, aside=aside)
        except DeviceFault as fault:
            line.make_safe()
            line.references.forget()
            raise StationStopError(cause_of(fault)) from fault
        line.references.lens_is_out()


def _words(tried: Try) -> str:
    """Return why a try ended, without the code in front and the remedy behind."""
    words = tried.finish.reason.split(" Remedy: ", maxsplit=1)[0]
    while tried.cause and words.startswith(f"{tried.cause}: "):
        words = words.removeprefix(f"{tried.cause}: ")
    return words


def _remedy(tried: Try) -> str:
    """Return what helps: by the device's own fault where there is one."""
    codes = {code.value: code for code in FaultCode}
    return REMEDIES[codes[tried.cause]] if tried.cause in codes else tried.finish.remedy or "see the reason"


def fix_steps(setup: Setup) -> tuple[FixStep, ...]:
    """Return the fixing steps of a recipe as control knows them."""
    return tuple(FixStep(**step.model_dump()) for step in setup.recipe.fix)
