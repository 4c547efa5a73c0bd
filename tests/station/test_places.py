"""Where keys stand in a TOML text."""

from __future__ import annotations

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from station.config.places import key_lines, line_of

TEXT = """\
name = "a"          # 1
[motion]            # 2
port = "x = [y]"    # 3
[[motion.axes]]     # 4
name = "X"
[[motion.axes]]     # 6
name = "Y"
travel = [
  -1.0,             # 9
  1.0,
]
[plates.hole]       # 12
marks = [
  { id = 0 },       # 14
  # a comment with [ and {
  { id = 1 },       # 16
]
"quoted" = 1        # 18
a.b = 2
"""


def test_tables_keys_arrays_of_tables_and_elements() -> None:
    places = key_lines(TEXT)
    assert places["name",] == 1
    assert places["motion",] == 2
    assert places["motion", "port"] == 3
    assert places["motion", "axes", 0, "name"] == 5
    assert places["motion", "axes", 1] == 6
    assert places["motion", "axes", 1, "travel"] == 8
    assert places["plates", "hole", "marks", 1] == 16
    assert places["plates", "hole", "quoted"] == 18
    assert places["plates", "hole", "a", "b"] == 19


def test_the_nearest_table_round_a_key_that_is_not_there() -> None:
    places = key_lines(TEXT)
    assert line_of(places, ("motion", "axes", 1, "step")) == 6
    assert line_of(places, ("plates", "hole", "marks", 0, "x_mm")) == 14
    assert line_of(places, ("nothing",)) is None


NAMES = st.sampled_from(["a", "b", "c"])
VALUES = st.sampled_from(["1", '"#["', "[1, 2]", "{ x = 1 }", "'''a'''", "true"])


@given(st.dictionaries(NAMES, st.dictionaries(NAMES, VALUES, min_size=1), min_size=1))
def test_every_key_of_plain_tables_is_found_on_its_line(tables: dict[str, dict[str, str]]) -> None:
    rows = []
    for table, pairs in tables.items():
        rows.append(f"[{table}]")
        rows += [f"{key} = {value}" for key, value in pairs.items()]
    text = "\n".join(rows)
    places = key_lines(text)
    for table, pairs in tomllib.loads(text).items():
        for key in pairs:
            assert rows[places[table, key] - 1].startswith(f"{key} =")


@given(st.text())
def test_no_text_breaks_it(text: str) -> None:
    assert all(line >= 1 for line in key_lines(text).values())
