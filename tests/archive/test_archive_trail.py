"""The trail: chained by SHA-256 over canonical JSON, append-only, and it says where it breaks."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from archive_help import FakeClock, finish_one, lot_of
from crash_check import Findings, _chain
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from station.archive import Archive, ArchiveError, Refused
from station.archive.store.columns import canonical_json

Opened = Callable[..., Archive]

_NAMES = ("lot.rejects_in_a_row", "lot.hours", "hold.dead_band_um")


def _some_entries(archive: Archive) -> None:
    for value, name in enumerate(_NAMES, 1):
        archive.settings.change(name, value, who="A. Person", why="site's choice")


def _tamper(path: Path, *statements: str) -> None:
    """Change the file as somebody would who can write it: the guards are no obstacle to him."""
    with closing(sqlite3.connect(path)) as base:
        guards = base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in guards:
            base.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            base.execute(statement)
        base.commit()


def test_canonical_json_is_one_text_for_one_value() -> None:
    assert canonical_json({"b": [1, 1.0, None], "a": "µm"}) == '{"a":"µm","b":[1,1.0,null]}'
    with pytest.raises(ValueError, match="JSON compliant"):
        canonical_json(float("inf"))


def test_an_untouched_trail_is_in_order_and_a_program_of_its_own_agrees(sqlite_file: Path) -> None:
    with Archive(sqlite_file, now=FakeClock()) as archive:
        _some_entries(archive)
        check = archive.trail.verify_chain()
        head = archive.trail.head_sha256()
    assert (check.intact, check.broken_at, check.head_sha256) == (True, None, head)
    found = Findings()
    with closing(sqlite3.connect(sqlite_file)) as base:
        _chain(base, found)
    assert found.clean


def test_the_first_entry_hashes_as_the_document_says(opened: Opened) -> None:
    """Worked by hand from docs/records.md; SHA-256 itself is FIPS 180-4, as hashlib computes it."""
    archive = opened()
    (first, *_) = archive.trail.entries()
    text = (
        '{"kind":"archive","new":{"revision":"0002"},"number":1,"old":null,"part_id":null,'
        f'"previous_sha256":"{"0" * 64}","station":"template","subject":"revision",'
        f'"utc":"{first.utc.isoformat(timespec="microseconds")}","who":"program","why":"new archive"}}'
    )
    assert first.sha256 == hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize(
    ("statement", "broken_at", "words"),
    [
        ("UPDATE trail SET new = '9' WHERE number = 3", 3, "content of entry 3 was changed"),
        ("UPDATE trail SET who = 'B. Person' WHERE number = 2", 2, "content of entry 2 was changed"),
        ("UPDATE trail SET utc = '2026-01-01 00:00:00.000000' WHERE number = 2", 2, "content of entry 2"),
        ("UPDATE trail SET old = '1' WHERE number = 4", 4, "content of entry 4 was changed"),
        ("UPDATE trail SET new = 'no json' WHERE number = 3", 3, "content of entry 3 cannot be read"),
        ("UPDATE trail SET utc = 'never' WHERE number = 3", 3, "content of entry 3 cannot be read"),
        ("DELETE FROM setting", None, ""),
        ("DELETE FROM trail WHERE number = 3", 3, "entry 3 is missing"),
        ("DELETE FROM trail WHERE number = 4", 4, "ends with entry 3"),
        ("DELETE FROM trail WHERE number = 1", 1, "entry 1 is missing"),
        ("DELETE FROM trail", 1, "ends with entry 0"),
        ("UPDATE trail_head SET sha256 = 'x'", 5, "ends with entry 4"),
        ("UPDATE trail SET previous_sha256 = sha256 WHERE number = 3", 3, "does not follow"),
    ],
)
def test_every_way_to_tamper_is_told_with_its_place(
    sqlite_file: Path, statement: str, broken_at: int | None, words: str
) -> None:
    with Archive(sqlite_file, now=FakeClock()) as archive:
        _some_entries(archive)
    _tamper(sqlite_file, "PRAGMA foreign_keys = OFF", statement)
    with Archive(sqlite_file, read_only=True) as archive:
        check = archive.trail.verify_chain()
    assert (check.intact, check.broken_at) == (broken_at is None, broken_at)
    assert words in check.words


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE final_record SET decenter_x_um = 0.0", "final record of part number 1 was changed"),
        ("UPDATE final_record SET outcome = 'rejected', sha256 = 'x'", "was changed after it was written"),
        ("DELETE FROM final_record", "part number 1 is finished without a final record"),
        ("UPDATE part SET state = 'waiting' WHERE id = 1", "the part is waiting"),
        ("UPDATE recipe SET text = 'wider'", "text of recipe number 1 is not the one"),
        (f"UPDATE recipe SET text = 'x', sha256 = '{hashlib.sha256(b'x').hexdigest()}'", "text of recipe"),
        (
            "UPDATE setting SET value = '99' WHERE name = 'lot.hours'",
            "'lot.hours' has a value that the trail",
        ),
    ],
)
def test_records_that_were_changed_are_told(sqlite_file: Path, statement: str, words: str) -> None:
    with Archive(sqlite_file, now=FakeClock()) as archive:
        _some_entries(archive)
        lot_id, setup = lot_of(archive)
        finish_one(archive, lot_id, setup)
        assert archive.audit().clean
    _tamper(sqlite_file, statement)
    with Archive(sqlite_file, read_only=True) as archive:
        audit = archive.audit()
    assert audit.chain.intact
    assert not audit.clean
    assert words in "; ".join(audit.findings)


def test_a_final_record_hashed_anew_is_still_not_the_one_of_the_trail(sqlite_file: Path) -> None:
    with Archive(sqlite_file, now=FakeClock()) as archive:
        lot_id, setup = lot_of(archive)
        finish_one(archive, lot_id, setup)
        good = archive.parts.find("A1")[0].final
        finish_one(archive, lot_id, setup)
    assert good is not None
    # The record of the second part, hash included, in the place of the first.
    _tamper(
        sqlite_file,
        "UPDATE final_record SET sha256 = (SELECT sha256 FROM final_record WHERE id = 2) WHERE id = 1",
    )
    with Archive(sqlite_file, read_only=True) as archive:
        assert not archive.audit().clean


_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=_JSON.filter(lambda value: value is not None), why=st.text(min_size=1))
def test_any_value_and_any_words_come_back_and_keep_the_chain(
    archive: Archive, value: object, why: str
) -> None:
    try:
        archive.settings.change("anything", value, who="A. Person", why=why)
    except Refused:
        assert not why.strip() or not why.translate(str.maketrans("\n\r\t", "   ")).isprintable()
        return
    kept = archive.settings.get("anything")
    assert canonical_json(kept) == canonical_json(value)
    assert archive.trail.verify_chain().intact


def test_a_setting_remembers_every_value_with_who_and_why(opened: Opened) -> None:
    archive = opened()
    assert archive.settings.change("lot.hours", 8, who="A. Person", why="night shift")
    assert archive.settings.change("lot.hours", 8.0, who="A. Person", why="a float is another value")
    assert not archive.settings.change("lot.hours", 8.0, who="A. Person", why="no change")
    assert archive.settings.change("lot.hours", 10, who="program", why="lot grew")
    history = archive.settings.history("lot.hours")
    assert [(entry.old, entry.new, entry.who) for entry in history] == [
        (None, 8, "A. Person"),
        (8, 8.0, "A. Person"),
        (8.0, 10, "program"),
    ]
    assert archive.settings.all() == {"lot.hours": 10}


@pytest.mark.parametrize("empty", [{"who": " ", "why": "x"}, {"who": "A", "why": ""}])
def test_nobody_changes_anything_without_a_name_and_a_reason(archive: Archive, empty: dict[str, str]) -> None:
    with pytest.raises(ArchiveError, match="bad_value"):
        archive.settings.change("lot.hours", 8, **empty)


def test_pages_of_a_long_trail_are_joined(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("station.archive.trail._PAGE", 2)
    _some_entries(archive)
    assert archive.trail.verify_chain().entries == 4
    _some_entries(archive)
    assert archive.trail.verify_chain().intact
