"""Recipes, calibrations, alarms, lots and doubts: who may do what, and what is said when they may not."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from archive_help import FakeClock, a_setup, aligned, finish_one, lot_of, rejected, released

from station.archive import (
    Archive,
    CalibrationKind,
    LotState,
    Need,
    PartKind,
    Problem,
    RecipeState,
    Refused,
    Severity,
    WhenExpired,
)

Opened = Callable[..., Archive]
MAP = Need(CalibrationKind.PLATE_MAP, "hole target")
BEAM = Need(CalibrationKind.BARE_BEAM, "beam")


# --- recipes ---------------------------------------------------------------------------------------------


def test_a_recipe_goes_from_draft_to_released_to_withdrawn(opened: Opened) -> None:
    archive = opened()
    draft = archive.recipes.add("f100", "one", who="A. Person", why="first")
    assert (draft.version, draft.state, draft.released_by) == (1, RecipeState.DRAFT, None)
    done = archive.recipes.release("f100", 1, who="B. Person", why="trial lot was good")
    assert (done.state, done.released_by, done.text) == (RecipeState.RELEASED, "B. Person", "one")
    assert archive.recipes.add("f100", "two", who="A. Person", why="tighter").version == 2
    assert archive.recipes.for_run("f100").recipe.version == 1
    archive.recipes.withdraw("f100", 1, who="B. Person", why="wrong glass")
    with pytest.raises(Refused) as refused:
        archive.recipes.for_run("f100")
    assert refused.value.problem is Problem.NOT_RELEASED
    assert "version 1 is withdrawn by B. Person: wrong glass; version 2 is a draft" in refused.value.found
    entries = archive.trail.entries(kind="recipe", subject="f100")
    assert [(entry.who, entry.new["state"], entry.new["version"]) for entry in entries] == [
        ("A. Person", "draft", 1),
        ("B. Person", "released", 1),
        ("A. Person", "draft", 2),
        ("B. Person", "withdrawn", 1),
    ]


def test_a_run_uses_what_is_not_released_only_when_told_and_says_so(archive: Archive) -> None:
    released(archive)
    archive.recipes.add("f100", "two", who="A. Person", why="tighter")
    told = archive.recipes.for_run("f100", 2, unreleased_allowed=True)
    assert told.unreleased
    assert "version 2 is a draft that nobody has signed off; used because the run was told" in told.words
    assert archive.recipes.for_run("f100", unreleased_allowed=True).recipe.version == 2
    assert not archive.recipes.for_run("f100").unreleased
    assert archive.recipes.for_run("f100", 1).words.startswith(
        "recipe f100, version 1, released by B. Person on "
    )
    with pytest.raises(Refused, match="f100, version 2 is a draft"):
        archive.recipes.for_run("f100", 2)
    lot = archive.lots.create("trial", ["A1"], told, who="A. Person")
    assert lot.unreleased
    assert "told" in archive.trail.entries(kind="lot", subject="trial")[0].new["recipe"]


def test_the_same_text_again_is_the_same_version(archive: Archive) -> None:
    one = archive.recipes.add("f100", "one", who="A. Person", why="first")
    assert archive.recipes.add("f100", "one", who="A. Person", why="again") == one
    assert len(archive.recipes.versions()) == 1


@pytest.mark.parametrize("twice", ["release", "withdraw"])
def test_a_state_is_not_entered_twice(archive: Archive, twice: str) -> None:
    released(archive)
    if twice == "withdraw":
        archive.recipes.withdraw("f100", 1, who="B. Person", why="x")
    with pytest.raises(Refused, match=r"it is (released|withdrawn) by B\. Person"):
        getattr(archive.recipes, twice)("f100", 1, who="B. Person", why="y")


def test_an_unknown_recipe_is_told_with_those_that_are_known(archive: Archive) -> None:
    released(archive)
    with pytest.raises(Refused, match="there is no recipe 'f10'; known are f100"):
        archive.recipes.for_run("f10")
    with pytest.raises(Refused, match="'f100' has no version 7"):
        archive.recipes.get("f100", 7)


# --- calibrations ----------------------------------------------------------------------------------------


def test_a_run_is_refused_or_told_to_redo_what_is_missing_expired_or_withdrawn(opened: Opened) -> None:
    clock = FakeClock()
    archive = opened(now=clock)
    with pytest.raises(Refused, match="plate_map of hole target: never made") as refused:
        archive.calibrations.for_run("bench 1", [MAP], WhenExpired.REFUSE)
    assert refused.value.problem is Problem.EXPIRED
    end = clock.at + timedelta(hours=8)
    beam = archive.calibrations.add("bench 1", BEAM, "{}", who="program", why="shift", valid_until_utc=end)
    plate = archive.calibrations.add("bench 1", MAP, "{}", who="program", why="shift")
    ready = archive.calibrations.for_run("bench 1", [BEAM, MAP], WhenExpired.REFUSE)
    assert (ready.valid, ready.redo) == ((beam, plate), ())
    clock.at += timedelta(hours=9)
    ready = archive.calibrations.for_run("bench 1", [BEAM, MAP], WhenExpired.REDO)
    assert (ready.valid, ready.redo) == ((plate,), (BEAM,))
    assert ready.words == ("bare_beam of beam: expired at 2026-05-05 06:00 UTC",)
    archive.calibrations.withdraw(plate.id, who="A. Person", why="knocked")
    assert archive.calibrations.for_run("bench 1", [MAP], WhenExpired.REDO).redo == (MAP,)
    again = archive.calibrations.add("bench 1", BEAM, "{}", who="program", why="expired")
    assert archive.calibrations.newest("bench 1", BEAM) == again
    assert archive.audit().clean


def test_a_calibration_from_the_future_is_not_valid(archive: Archive) -> None:
    clock = archive.context.now
    archive.calibrations.add("bench 1", MAP, "{}", who="program", why="shift")
    clock.at -= timedelta(days=1)
    assert "set back" in archive.calibrations.for_run("bench 1", [MAP], WhenExpired.REDO).words[0]


def test_benches_do_not_share_calibrations(archive: Archive) -> None:
    archive.calibrations.add("bench 1", MAP, "{}", who="program", why="shift")
    assert archive.calibrations.newest("bench 2", MAP) is None


def test_the_parts_that_rest_on_a_calibration_are_found(opened: Opened) -> None:
    archive = opened()
    plate = archive.calibrations.add("bench 1", MAP, "{}", who="program", why="shift")
    words = {"controller": "c", "software": {"coincide": "0.1.0"}}
    with_map = archive.calibrations.setup("bench 1", "0" * 64, calibrations=[plate], **words)
    without = archive.calibrations.setup("bench 1", "0" * 64, **words)
    assert archive.calibrations.setup("bench 1", "0" * 64, calibrations=[plate], **words) == with_map
    lot_id, _ = lot_of(archive)
    part = finish_one(archive, lot_id, with_map)
    finish_one(archive, lot_id, without)
    assert archive.parts.made_with(plate.id) == (part.claim.part_id,)
    assert archive.parts.setup(with_map.id).calibration_ids == (plate.id,)


# --- alarms ----------------------------------------------------------------------------------------------


def test_the_same_alarm_counts_up_in_one_row_until_it_is_acknowledged(opened: Opened) -> None:
    archive = opened()
    note = {"cause": "the beam is dim", "remedy": "clean the window"}
    assert archive.alarms.note("dim", Severity.NOTE, **note).is_new
    for _ in range(50):
        archive.alarms.note("dim", Severity.NOTE, **note)
    archive.alarms.note("dim", Severity.NOTE, subject="camera 2", **note)
    worse = archive.alarms.note("dim", Severity.STOP, **note)
    milder = archive.alarms.note("dim", Severity.NOTE, **note)
    assert (worse.count, worse.severity, worse.is_new, milder.severity) == (
        52,
        Severity.STOP,
        False,
        Severity.STOP,
    )
    assert len(archive.alarms.open()) == 2
    seen = archive.alarms.acknowledge(worse.id, who="A. Person", why="cleaned")
    assert (seen.acknowledged_by, seen.acknowledged_why) == ("A. Person", "cleaned")
    assert archive.alarms.acknowledge(worse.id, who="B. Person", why="me too").acknowledged_by == "A. Person"
    assert archive.alarms.note("dim", Severity.NOTE, **note).is_new
    assert [entry.who for entry in archive.trail.entries(kind="alarm")] == ["A. Person"]
    assert len(archive.alarms.between(worse.first_utc, worse.first_utc + timedelta(days=1))) == 3


def test_stations_have_their_own_alarms(opened: Opened) -> None:
    one, other = opened("cell 1"), opened("cell 2")
    for archive in (one, other):
        assert archive.alarms.note("dim", Severity.NOTE, cause="c", remedy="r").is_new
    assert [alarm.station for alarm in other.alarms.open("cell 2")] == ["cell 2"]


def test_an_unknown_alarm_cannot_be_acknowledged(archive: Archive) -> None:
    with pytest.raises(Refused, match="there is none of this number"):
        archive.alarms.acknowledge(7, who="A. Person", why="x")


# --- lots ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("serials", "words"),
    [
        (["A1", "A2", "A1"], "number 3, 'A1', is the same as number 1"),
        (["A1", ""], "number 2, '', is empty"),
        (["A1 "], "number 1, 'A1 ', has blanks before or after it"),
        (["A\x07"], "number 1, 'A\\x07', has letters that cannot be printed"),
        (["A" * 65], "is longer than 64 letters"),
        (["A1"] * 9, "(3 more)"),
    ],
)
def test_odd_lists_are_refused_whole(archive: Archive, serials: list[str], words: str) -> None:
    with pytest.raises(Refused) as refused:
        archive.lots.create("lot 1", serials, released(archive), who="A. Person")
    assert words in refused.value.found
    assert archive.lots.recent() == ()


def test_a_lot_name_is_used_once_and_an_unknown_one_is_told(opened: Opened) -> None:
    archive = opened()
    lot_of(archive)
    with pytest.raises(Refused, match="there is one, open") as refused:
        archive.lots.create("lot 1", ["A1"], archive.recipes.for_run("f100"), who="A. Person")
    assert refused.value.problem is Problem.DUPLICATE
    with pytest.raises(Refused, match="there is none; the newest are lot 1"):
        archive.lots.get("lot 2")


def test_a_lot_stops_goes_on_and_is_done(opened: Opened) -> None:
    archive = opened()
    lot_id, setup = lot_of(archive, "A1", "A2")
    stopped = archive.lots.stop(lot_id, who="program", why="3 rejects in a row")
    assert (stopped.state, stopped.ended_why) == (LotState.STOPPED, "3 rejects in a row")
    with pytest.raises(Refused, match="'lot 1' is stopped: 3 rejects in a row"):
        archive.claims.claim_next(lot_id, setup)
    archive.lots.reopen(lot_id, who="A. Person", why="cleaned")
    part = archive.claims.claim_next(lot_id, setup)
    assert part is not None
    with pytest.raises(Refused, match="in hand are A1"):
        archive.lots.finish(lot_id, who="program", why="end of shift")
    part.finish(rejected())
    assert archive.lots.finish(lot_id, who="program", why="end of shift").state is LotState.DONE
    with pytest.raises(Refused, match="it is done"):
        archive.lots.reopen(lot_id, who="A. Person", why="x")
    states = [entry.new["state"] for entry in archive.trail.entries(kind="lot", subject="lot 1")]
    assert states == ["open", "stopped", "open", "done"]


def test_a_feeder_announces_each_part_once(opened: Opened) -> None:
    archive = opened()
    lot_id, setup = lot_of(archive, "A1")
    number = archive.lots.announce(lot_id, "A2")
    assert archive.lots.announce(lot_id, "A2") == number
    assert [part.serial for part in archive.parts.of_lot(lot_id)] == ["A1", "A2"]
    with pytest.raises(Refused, match="it is there as a product part"):
        archive.lots.announce(lot_id, "A1", kind=PartKind.CHECK)
    assert [finish_one(archive, lot_id, setup).claim.serial for _ in range(2)] == ["A1", "A2"]


# --- doubt -----------------------------------------------------------------------------------------------


def _check(archive: Archive, lot_id: int, *, good: bool) -> int:
    archive.lots.announce(lot_id, "CHECK", kind=PartKind.CHECK)
    part = archive.claims.claim_next(lot_id, a_setup(archive), kind=PartKind.CHECK)
    assert part is not None
    part.add(_a_look)
    part.finish(aligned() if good else rejected())
    return part.claim.part_id


def _a_look(number: int) -> object:
    from station.archive import LookStep

    return LookStep(number, 1.0, "check", "verify", 2, {}, {})


def test_a_failed_check_puts_the_parts_since_the_last_pass_in_doubt(opened: Opened) -> None:
    archive = opened()
    lot_id, setup = lot_of(archive, *(f"A{number}" for number in range(1, 6)))
    finish_one(archive, lot_id, setup)
    passed = _check(archive, lot_id, good=True)
    finish_one(archive, lot_id, setup)
    finish_one(archive, lot_id, setup, rejected())
    finish_one(archive, lot_id, setup)
    failed = _check(archive, lot_id, good=False)
    finish_one(archive, lot_id, setup)
    with pytest.raises(Refused, match="no check part that was finished and failed"):
        archive.doubts.raise_since_last_pass(passed, who="program", why="x")
    doubts = archive.doubts.raise_since_last_pass(failed, who="program", why="12 um off")
    assert [doubt.serial for doubt in doubts] == ["A2", "A4"]
    assert archive.charts.lot(lot_id).in_doubt == 2
    archive.doubts.clear(doubts[0].id, who="A. Person", why="measured again, good")
    assert [doubt.serial for doubt in archive.doubts.open()] == ["A4"]
    assert archive.charts.lot(lot_id).in_doubt == 1
    # Asked again, nothing is put in doubt twice.
    assert len(archive.doubts.raise_since_last_pass(failed, who="program", why="12 um off")) == 2
