"""One part's life: claimed once, finished once, never called aligned without a look; on both databases."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from archive_help import a_setup, aligned, finish_one, look, lot_of, move, rejected, released, verdict
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from control.messages import Outcome
from station.archive import (
    Archive,
    ArchiveError,
    Ending,
    InHand,
    PartKind,
    Phase,
    Pose4,
    Problem,
    Refused,
)

Opened = Callable[..., Archive]
_COLUMNS = (
    "attempt, lot_id, recipe_id, setup_id, station, outcome, reason, remedy, verified, spots, looks, "
    "test_moves, moves, bench_seconds, compute_seconds, started_utc, ended_utc, run_folder, sha256"
)


def _claim(archive: Archive, lot_id: int) -> InHand:
    part = archive.claims.claim_next(lot_id, a_setup(archive))
    assert part is not None
    return part


def test_parts_are_claimed_in_the_order_of_the_list_and_the_record_says_what_they_were_made_with(
    opened: Opened,
) -> None:
    archive = opened()
    lot_id, setup = lot_of(archive)
    serials = [finish_one(archive, lot_id, setup).claim.serial for _ in range(3)]
    assert serials == ["A1", "A2", "A3"]
    assert archive.claims.claim_next(lot_id, setup) is None
    (found,) = archive.parts.find("A2")
    assert found.final is not None
    assert (found.final.outcome, found.final.decenter_x_um, found.final.tilt_y_arcsec) == (
        "aligned",
        1.0,
        0.5,
    )
    assert found.final.contributions == {"spots": [1.0, 2.0]}
    assert archive.parts.setup(found.final.setup_id).software == {"coincide": "0.1.0"}
    assert archive.recipes.by_id(found.final.recipe_id).title == "f100, version 1"
    assert archive.audit().clean


def test_steps_are_kept_in_order_and_only_once(opened: Opened) -> None:
    archive = opened()
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    for _ in range(40):
        move(part)
        look(part)
    part.flush()
    pending = list(part._pending)
    part.flush()
    steps = archive.parts.steps(part.claim.part_id, 1)
    assert [step.number for step in steps] == list(range(1, 81))
    assert pending == []
    assert steps[1].spots == {"front": {"reason": "no_light"}}


def test_a_batch_whose_answer_was_lost_is_kept_once(opened: Opened) -> None:
    archive = opened()
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    move(part)
    lost = list(part._pending)
    part.flush()
    part._pending = lost
    look(part)
    part.flush()
    assert [step.number for step in archive.parts.steps(part.claim.part_id, 1)] == [1, 2]


def test_a_final_record_is_written_once(opened: Opened) -> None:
    archive = opened()
    lot_id, setup = lot_of(archive)
    part = finish_one(archive, lot_id, setup)
    again = part.finish(aligned())
    assert again == archive.parts.get(part.claim.part_id).final
    with pytest.raises(Refused, match="there is a final record already, aligned, of attempt 1") as refused:
        part.finish(rejected())
    assert refused.value.problem is Problem.FINISHED
    copy = f"INSERT INTO final_record (part_id, {_COLUMNS}) SELECT part_id, {_COLUMNS} FROM final_record"
    with pytest.raises(Refused) as by_hand:
        archive.database.write("double a record", lambda c: c.execute(text(copy)))
    assert by_hand.value.problem is Problem.CONTRADICTION
    assert archive.charts.lot(lot_id).finished == 1


@pytest.mark.parametrize(
    "case", ["no look", "move after look", "no verdict", "failed verdict", "fixed after look"]
)
def test_nothing_is_called_aligned_that_was_not_verified(archive: Archive, case: str) -> None:
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    move(part)
    if case != "no look":
        look(part)
    if case == "move after look":
        move(part)
    if case == "fixed after look":
        part.enter(Phase.FIXING)
    ending = aligned()
    if case == "no verdict":
        ending = Ending(Outcome.ALIGNED, "looks good")
    if case == "failed verdict":
        ending = Ending(Outcome.ALIGNED, "looks good", verdict=verdict(passed=False))
    with pytest.raises(Refused) as refused:
        part.finish(ending)
    assert refused.value.problem is Problem.UNVERIFIED
    assert archive.claims.in_hand()[0].serial == "A1"
    look(part)
    record = part.finish(aligned())
    assert (record.outcome, record.verified) == ("aligned", True)


def test_the_database_itself_refuses_an_unverified_accept(opened: Opened) -> None:
    archive = opened()
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    part.finish(Ending(Outcome.STOPPED, "the line was lost"))
    values = _COLUMNS.replace("outcome", "'aligned'")
    copy = f"INSERT INTO final_record (part_id, {_COLUMNS}) SELECT part_id + 1, {values} FROM final_record"
    _claim(archive, lot_id)
    with pytest.raises(Refused, match="ck_final_record_verified"):
        archive.database.write("cheat", lambda c: c.execute(text(copy)))


def test_a_looks_after_fixing_makes_it_verified_and_the_shift_is_kept(archive: Archive) -> None:
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    move(part)
    look(part)
    part.enter(Phase.FIXING, "aligned")
    part.enter(Phase.VERIFYING, "bonded")
    look(part)
    record = part.finish(aligned(shift=Pose4(0.5, -0.25, 1.0, -0.0)))
    assert (record.verified, record.shift_decenter_x_um, record.shift_tilt_y_arcsec) == (True, 0.5, 0.0)
    assert archive.audit().clean


def test_a_station_holds_one_part(opened: Opened) -> None:
    archive = opened()
    lot_id, setup = lot_of(archive)
    _claim(archive, lot_id)
    with pytest.raises(Refused, match="still holds part 'A1'") as refused:
        archive.claims.claim_next(lot_id, setup)
    assert refused.value.problem is Problem.IN_HAND
    take = "UPDATE part SET state = 'in_hand', station = 'cell 1', attempt = 1 WHERE serial = 'A2'"
    with pytest.raises(Refused):
        archive.database.write("take a second one", lambda c: c.execute(text(take)))


def test_what_was_in_hand_is_known_after_a_restart_and_the_old_attempt_is_locked_out(opened: Opened) -> None:
    before = opened()
    lot_id, _ = lot_of(before)
    dead = _claim(before, lot_id)
    dead.enter(Phase.ALIGNING, "the lens is in")
    move(dead)
    look(dead)
    dead.flush()

    after = opened()
    (held,) = after.claims.in_hand()
    assert (held.serial, held.phase, held.attempt, held.looks, held.moves) == ("A1", Phase.ALIGNING, 1, 1, 1)
    assert held.positions == {"X": 1.4995}
    alive = after.claims.resume(held.part_id, a_setup(after), why="power came back")
    assert alive.claim.attempt == 2
    for write in (dead.flush, lambda: dead.finish(aligned()), lambda: dead.enter(Phase.FIXING)):
        move(dead)
        with pytest.raises(Refused) as refused:
            write()
        assert refused.value.problem is Problem.NOT_IN_HAND
    # What the attempt before has seen does not count: a look of its own is needed.
    with pytest.raises(Refused, match="nobody looked") as unverified:
        alive.finish(aligned())
    assert unverified.value.problem is Problem.UNVERIFIED
    look(alive)
    assert alive.finish(aligned()).attempt == 2
    assert after.claims.in_hand() == ()
    assert [one.why for one in after.parts.attempts(held.part_id)] == ["next of its lot", "power came back"]
    assert after.charts.lot(lot_id).resumed == 1


def test_a_part_of_another_station_is_taken_over_only_when_told(opened: Opened) -> None:
    one, other = opened("cell 1"), opened("cell 2")
    lot_id, _ = lot_of(one)
    part = _claim(one, lot_id)
    assert other.claims.in_hand() == ()
    (held,) = other.claims.in_hand(every_station=True)
    with pytest.raises(Refused, match="in hand at station cell 1"):
        other.claims.resume(held.part_id, a_setup(other), why="cell 1 is down")
    taken = other.claims.resume(held.part_id, a_setup(other), why="cell 1 is down", take_over=True)
    assert taken.claim.station == "cell 2"
    with pytest.raises(Refused, match="attempt 2 of station cell 2"):
        part.finish(rejected())


def test_a_part_that_nobody_touched_can_be_put_back(opened: Opened) -> None:
    archive = opened()
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    part.enter(Phase.LOADING)
    part.put_back("the feeder is empty")
    assert archive.lots.counts(lot_id) == {"waiting": 3, "in_hand": 0, "finished": 0}
    again = _claim(archive, lot_id)
    assert (again.claim.serial, again.claim.attempt) == ("A1", 2)
    again.enter(Phase.ALIGNING)
    with pytest.raises(Refused, match="aligning already"):
        again.put_back("changed my mind")


def test_the_recipe_stays_the_one_that_the_part_was_started_with(archive: Archive) -> None:
    lot_id, setup = lot_of(archive)
    part = _claim(archive, lot_id)
    archive.recipes.add("f100", "a better one", who="A. Person", why="tighter")
    archive.recipes.release("f100", 2, who="B. Person", why="tighter")
    archive.recipes.withdraw("f100", 1, who="B. Person", why="too wide")
    resumed = archive.claims.resume(part.claim.part_id, setup, why="restart")
    assert archive.recipes.by_id(resumed.claim.recipe_id).version == 1


def test_run_folders_are_named_by_serial_number_and_attempt(archive: Archive) -> None:
    lot_id, setup = lot_of(archive)
    part = archive.claims.claim_next(
        lot_id, setup, run_folder=lambda serial, number: f"runs/{serial}-{number}"
    )
    assert part is not None
    assert part.claim.run_folder == "runs/A1-1"
    assert archive.claims.in_hand()[0].run_folder == "runs/A1-1"


def test_check_parts_come_round_again_and_are_claimed_by_themselves(opened: Opened) -> None:
    archive = opened()
    lot_id, setup = lot_of(archive)
    first = archive.lots.announce(lot_id, "CHECK", kind=PartKind.CHECK)
    assert archive.lots.announce(lot_id, "CHECK", kind=PartKind.CHECK) == first
    check = archive.claims.claim_next(lot_id, setup, kind=PartKind.CHECK)
    assert check is not None
    assert check.claim.serial == "CHECK"
    check.finish(rejected())
    assert archive.lots.announce(lot_id, "CHECK", kind=PartKind.CHECK) != first
    assert [found.repeat for found in archive.parts.find("CHECK")] == [1, 2]
    assert finish_one(archive, lot_id, setup).claim.serial == "A1"
    assert archive.audit().clean


_GUARDED = {
    "final_record": "UPDATE final_record SET outcome = 'rejected'",
    "trail": "UPDATE trail SET why = 'another reason'",
    "look": "UPDATE look SET frames = 9",
    "move": "DELETE FROM move",
    "decision": "DELETE FROM decision",
    "attempt": "UPDATE attempt SET why = ''",
    "part": "DELETE FROM part WHERE state = 'waiting'",
    "finished part": "UPDATE part SET state = 'waiting' WHERE state = 'finished'",
    "serial": "UPDATE part SET serial = 'B1' WHERE state = 'waiting'",
    "recipe": "UPDATE recipe SET text = 'another'",
    "recipe row": "DELETE FROM recipe",
    "lot": "DELETE FROM lot",
    "session": "DELETE FROM session",
    "setup": "UPDATE setup SET bench = 'another'",
    "head": "DELETE FROM trail_head",
}


def test_what_is_promised_to_be_kept_refuses_to_be_changed(opened: Opened) -> None:
    archive = opened()
    lot_id, _setup = lot_of(archive)
    part = _claim(archive, lot_id)
    move(part)
    look(part)
    part.note("Wait", "the feeder is slow")
    part.finish(aligned())
    for name, statement in _GUARDED.items():
        with pytest.raises(Refused) as refused:
            archive.database.write(name, lambda c, statement=statement: c.execute(text(statement)))
        assert refused.value.problem is Problem.CONTRADICTION, name
    if archive.database.is_sqlite:
        replace = "INSERT OR REPLACE INTO trail SELECT * FROM trail WHERE number = 1"
    else:
        replace = "TRUNCATE trail CASCADE"
    with pytest.raises(Refused):
        archive.database.write("replace", lambda c: c.execute(text(replace)))
    assert archive.audit().clean


def test_a_value_that_is_no_number_is_refused_and_the_part_stays_in_hand(archive: Archive) -> None:
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    look(part)
    with pytest.raises(Refused) as refused:
        part.finish(aligned(float("nan")))
    assert refused.value.problem is Problem.BAD_VALUE
    assert part.finish(aligned()).outcome == "aligned"


def test_texts_that_a_database_cannot_hold_are_written_readably(opened: Opened) -> None:
    archive = opened()
    lot_id, _setup = lot_of(archive)
    part = _claim(archive, lot_id)
    part.note("Wait", "bytes \x00 from a device \udcff", {"raw": "\x00\udcff"})
    part.finish(rejected("line noise \x00 \udcff"))
    assert archive.parts.get(part.claim.part_id).final.reason == "line noise \\x00 \\udcff"
    assert archive.parts.steps(part.claim.part_id, 1)[0].details == {"raw": "\x00\udcff"}
    assert archive.audit().clean


def test_an_error_inside_a_write_leaves_nothing_behind(opened: Opened) -> None:
    archive = opened()
    lot_id, _ = lot_of(archive)
    part = _claim(archive, lot_id)
    look(part)
    append = archive.trail.append

    class BrokenTrail:
        def append(self, connection: object, *args: object, **kwargs: object) -> int:
            append(connection, *args, **kwargs)
            raise DBAPIError("x", None, OSError("the cable was pulled"))

    part.context.trail = BrokenTrail()
    with pytest.raises(ArchiveError):
        part.finish(aligned())
    part.context.trail = archive.trail
    assert archive.charts.lot(lot_id).finished == 0
    assert archive.parts.steps(part.claim.part_id, 1) == ()
    part.finish(aligned())
    assert len(archive.parts.steps(part.claim.part_id, 1)) == 1
    assert archive.audit().clean


def test_two_recipes_do_not_mix(archive: Archive) -> None:
    lot_id, setup = lot_of(archive)
    other = archive.lots.create("lot 2", ["B1"], released(archive, "f200"), who="A. Person")
    finish_one(archive, lot_id, setup)
    finish_one(archive, other.id, setup)
    assert [point.serial for point in archive.charts.series("f200", "decenter_x_um")] == ["B1"]
