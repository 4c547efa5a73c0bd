"""Bad lists of parts: each mistake is told with its line, and nothing of the list is taken in."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.config.problems import BadInput
from station.lot.parts_file import PartLine, parse_parts, read_parts

ONE = ("f100",)
TWO = ("f100", "f200, long")


def problem(data: bytes, recipes: tuple[str, ...], tmp_path: Path) -> BadInput:
    path = tmp_path / "PARTS.csv"
    path.write_bytes(data)
    with pytest.raises(BadInput) as caught:
        read_parts(path, recipes)
    return caught.value


def test_a_good_list() -> None:
    text = '\ufeffserial,recipe\r\nA1,f100\r\nA2,"f200, long"\r\n\r\n'
    assert parse_parts(text, "p", TWO) == (PartLine("A1", "f100", 2), PartLine("A2", "f200, long", 3))


def test_one_recipe_needs_no_column() -> None:
    assert parse_parts("serial\nA1\n", "p", ONE) == (PartLine("A1", "f100", 2),)


@pytest.mark.parametrize(
    ("data", "line", "words"),
    [
        (b"serial\nA1\nA2\nA1\n", 4, "the same as in line 2"),
        (b"serial,recipe\nA1,f100\n,f100\n", 3, "empty"),
        (b"serial\n A1\n", 2, "blanks"),
        (b"serial\nA\x071\n", 2, "cannot be printed"),
        (b"serial\n" + b"A" * 65 + b"\n", 2, "longer than 64"),
        (b"serial;recipe\nA1;f100\n", 1, "semicolons"),
        (b"serial\trecipe\nA1\tf100\n", 1, "tabs"),
        (b"serial\nA1;f100\n", 2, "semicolon"),
        (b"serial,recipe\nA1,f100\nA2\n", 3, "1 fields"),
        (b"serial,recipe\nA1,f101\n", 2, "f101"),
        (b"serial\nA1\nM\xfcller\n", 3, "0xFC"),
        ("serial\nA1\n".encode("utf-16"), 1, "UTF-16"),
        (b"serial\nA1\nA\x002\n", 3, "null"),
        (b'serial\n"A1\n', 2, "no CSV"),
        (b"number\nA1\n", 1, "number"),
        (b"A1\nA2\n", 1, "A1"),
        (b"", None, "an empty file"),
        (b"serial\n\n", None, "no part"),
    ],
)
def test_each_mistake_names_its_line(data: bytes, line: int | None, words: str, tmp_path: Path) -> None:
    found = problem(data, ("f100", "f102") if b"," in data.split(b"\n")[0] else ONE, tmp_path)
    assert found.line == line
    assert words in found.text()


def test_a_misspelt_recipe_is_offered_the_nearest(tmp_path: Path) -> None:
    assert problem(b"serial,recipe\nA1,f10\n", ("f100", "g2"), tmp_path).nearest == "f100"


def test_further_mistakes_are_counted(tmp_path: Path) -> None:
    assert problem(b"serial\nA1\nA1\n B\nC \n", ONE, tmp_path).others == 2


def test_several_recipes_need_the_column(tmp_path: Path) -> None:
    assert "no column recipe" in problem(b"serial\nA1\n", TWO, tmp_path).text()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="No such file"):
        read_parts(tmp_path / "none.csv", ONE)


@given(
    st.lists(
        st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=64),
        unique=True,
        min_size=1,
    )
)
def test_whatever_the_csv_library_writes_comes_back(serials: list[str]) -> None:
    """The standard library's writer (RFC 4180) is the other side."""
    serials = [serial for serial in serials if ";" not in serial] or ["A"]
    stream = io.StringIO(newline="")
    csv.writer(stream).writerows([["serial"], *([serial] for serial in serials)])
    assert [part.serial for part in parse_parts(stream.getvalue(), "p", ONE)] == serials


@given(st.text())
def test_any_text_is_a_list_or_bad_input(text: str) -> None:
    try:
        parts = parse_parts(text, "p", ONE)
    except BadInput:
        return
    assert parts
