from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.config.problems import BadInput
from station.lot.settings import LotTable, load_lot_settings, quiet_until

DAY = datetime(2026, 1, 15, tzinfo=UTC)


def test_the_defaults_are_allowed() -> None:
    assert load_lot_settings(None) == LotTable()


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[limits]\nquiet_hours = ["22-6"]\n', 2, "22:00-06:00"),
        ('[faults]\ngo_on = ["line_lots"]\n', 2, "line_lost"),
        ("[limits]\npart_second = 3\n", 2, "nearest: part_seconds"),
        ("[rejects]\nin_a_row = 1\n", 2, "in_a_row"),
        ("[limits]\npart_seconds = inf\n", 2, "part_seconds"),
    ],
)
def test_bad_settings_name_line_and_key(text: str, line: int, words: str, tmp_path: Path) -> None:
    path = tmp_path / "LOT.toml"
    path.write_text(text)
    with pytest.raises(BadInput) as caught:
        load_lot_settings(path)
    assert caught.value.line == line
    assert words in caught.value.text()


@pytest.mark.parametrize(
    ("hours", "at", "until"),
    [
        ("22:00-06:00", "21:59", None),
        ("22:00-06:00", "22:00", "1 06:00"),
        ("22:00-06:00", "05:59", "0 06:00"),
        ("22:00-06:00", "06:00", None),
        ("12:00-13:00", "12:30", "0 13:00"),
    ],
)
def test_quiet_hours(hours: str, at: str, until: str | None) -> None:
    hour, minute = map(int, at.split(":"))
    found = quiet_until([hours], DAY + timedelta(hours=hour, minutes=minute))
    if until is None:
        assert found is None
    else:
        days, clock = until.split()
        assert found == DAY + timedelta(days=int(days), hours=int(clock[:2]), minutes=int(clock[3:]))


@given(st.integers(0, 1439), st.integers(0, 1439), st.integers(0, 1439))
def test_quiet_hours_end_after_now_and_within_a_day(begin: int, end: int, now: int) -> None:
    text = f"{begin // 60:02}:{begin % 60:02}-{end // 60:02}:{end % 60:02}"
    at = DAY + timedelta(minutes=now)
    until = quiet_until([text], at)
    inside = begin <= now < end if begin < end else now >= begin or now < end
    assert (until is not None) == inside
    assert until is None or at < until <= at + timedelta(days=1)
