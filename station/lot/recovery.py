"""After a crash: what was in hand is known from the archive; nothing is believed that was not seen again.

A part that was only being aligned is aligned anew. One that was being fixed is half fixed, nobody knows how
far: it is set aside. One that had been fixed is verified where it lies, without moving anything: plates are
mapped, the bare beam is the one on record. Axes are homed before anything else moves.
"""

from __future__ import annotations

from control.aligner import references_of
from control.fixing import Fixer
from control.messages import Action, Finish, Look, Looked, Observation, Outcome, Started
from control.model import lens_model
from control.still import StillLens
from control.words import why_contradictory, why_passed
from driver.faults import DeviceFault
from station.archive import HeldPart, InHand, Phase, Severity
from station.lot.line import STATION_FAULTS, Line, StationStopError, cause_of
from station.lot.one_part import OnePart, Silent
from station.lot.order import Order
from station.lot.part.record import PartRecord
from station.lot.part.runner import PartRunner
from station.lot.watch.alarms import Cause
from station.planning import bench_model_of, plan_of

_RESTART = "the program was started again"


def recover(line: Line, order: Order) -> InHand | None:
    """Deal with the part that was in hand; return it when it has to be aligned anew.

    Parameters
    ----------
    line : Line
    order : Order
        The lot that the part belongs to.

    Raises
    ------
    StationStopError
        When the station cannot be made ready.
    ArchiveError
        When the archive is not whole, or cannot be written.
    """
    held = next((one for one in line.archive.claims.in_hand() if one.lot_id in order.lot_ids), None)
    line.archive.check_file()
    if held is None:
        _clear_the_mount(line, order)
        return None
    recipe = next(name for name, one in order.recipes.items() if one.lot.id == held.lot_id)
    setup = order.recipes[recipe].setup
    words = f"part {held.serial} was in hand, {held.phase.value}, when everything stopped"
    line.log(words)
    line.bell.ring(
        Severity.NOTE,
        Cause("part_was_in_hand", words, "nothing: the station deals with it", held.serial),
        lot_id=held.lot_id,
        part_id=held.part_id,
    )
    if not setup.recipe.fix or held.phase in (Phase.CLAIMED, Phase.LOADING, Phase.ALIGNING):
        line.make_ready(setup, lot_id=held.lot_id)
        return line.archive.claims.resume(held.part_id, line.made_with(setup), why=_RESTART)
    try:
        line.references.connect()
    except DeviceFault as fault:
        raise StationStopError(cause_of(fault)) from fault
    part = line.archive.claims.resume(held.part_id, line.made_with(setup), why=_RESTART)
    _end_fixed(line, OnePart(line, setup, recipe, part), held)
    return None


def _clear_the_mount(line: Line, order: Order) -> None:
    """Take out a part that has its record but may still lie in the mount, to where its record says."""
    finals = [
        (part.final.id, part)
        for lot_id in order.lot_ids
        for part in line.archive.parts.of_lot(lot_id)
        if part.final is not None and part.final.station == line.archive.context.station
    ]
    if not finals:
        return
    last = max(finals, key=lambda one: one[0])[1]
    assert last.final is not None
    line.log(f"part {last.serial} may still be in the mount")
    try:
        line.references.connect()
        line.bench.shutter.close()
        line.outputs_off()
        with line.resting():
            line.handling.unload(last.serial, aside=last.final.outcome != Outcome.ALIGNED.value)
    except DeviceFault as fault:
        line.make_safe()
        line.references.forget()
        raise StationStopError(cause_of(fault)) from fault


def _end_fixed(line: Line, one: OnePart, held: HeldPart) -> None:
    """Finish a part that may be fixed already, and take it out."""
    record = PartRecord(one.setup, one.part)
    if held.phase is Phase.FIXING:
        reason = "the program ended while the lens was being fixed; how far it got is not known"
        finish = Finish(
            Outcome.STOPPED, reason, "set it aside; measure it in another lot if it is to be used"
        )
    else:
        one.part.enter(Phase.VERIFYING, _RESTART)
        finish = _verify_in_place(line, one, record)
    one.part.finish(record.ending(finish, 0.0, None, None))
    line.log(f"{held.serial}: {finish.outcome.value}: {finish.reason}")
    line.references.lens_is_in()
    one.unload(aside=finish.outcome is not Outcome.ALIGNED)


def _verify_in_place(line: Line, one: OnePart, record: PartRecord) -> Finish:
    bare = line.recall_beginning(one.setup)
    remedy = "measure the part again in another lot"
    if bare is None:
        return Finish(Outcome.STOPPED, "there is no valid record of the bare beam to verify against", remedy)
    line.references.recall(bare)
    try:
        line.references.connect()
        plates = line.references.map_plates()
        positions = dict(line.bench.motion.positions())
    except STATION_FAULTS as error:
        line.make_safe()
        line.references.forget()
        cause = cause_of(error)
        return Finish(Outcome.STOPPED, f"{cause.code}: {cause.words}", remedy)
    plan, bench = plan_of(one.setup), bench_model_of(one.setup)
    references = references_of(bench, plates, bare.spot)
    still = StillLens(plan, bench, lens_model(plan.lens, bench.layout, bench.beam), references)
    decides = _OneLook(still, positions)
    runner = PartRunner(
        bench=line.bench,
        aligner=decides,
        eyes=line.eyes,
        record=record,
        display=Silent(),
        stop=line.stop,
        references=line.references,
        beat=line.beat,
        stays_on=lambda: tuple(line.bench.outputs),
    )
    return runner.run()


class _OneLook:
    """Looks once at a lens that lies where it lies, and judges; it moves nothing."""

    def __init__(self, still: StillLens, positions: dict[str, float]) -> None:
        self._fixer = Fixer((), still, positions, None)
        self._still = still

    def next_action(self, observation: Observation) -> Action:
        if isinstance(observation, Started):
            frames = self._still.plan.frames_at_verification
            return Look(
                frames, self._still.expected(self._fixer.axes), "verify what was fixed before the restart"
            )
        if not isinstance(observation, Looked):
            return self._fixer.next_action(observation)
        found = self._still.found(self._fixer.axes, observation.sightings)
        if found is None:
            return Finish(
                Outcome.STOPPED, "the lens was not seen after the restart", "see whether it is in the mount"
            )
        if found.agreement is not None and not found.agreement.holds:
            return Finish(Outcome.STOPPED, *why_contradictory(found.agreement), found.verdict)
        if found.verdict.passed:
            return Finish(
                Outcome.ALIGNED,
                f"verified after a restart: {why_passed(found.verdict)}",
                verdict=found.verdict,
            )
        reason = "after fixing and a restart the pose with its uncertainty does not lie within tolerance"
        return Finish(Outcome.REJECTED, reason, "measure the part again in another lot", found.verdict)
