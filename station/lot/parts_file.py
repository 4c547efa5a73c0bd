"""The list of parts: a CSV file of serial numbers, and of recipes where there are several."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from station.archive.lots import LONGEST_SERIAL
from station.config.problems import BadInput, nearest

_MAX_BYTES = 20_000_000
_HEADS = (["serial"], ["serial", "recipe"])
_ALLOWED_HEAD = 'a first line "serial" or "serial,recipe"'
_MARKS = ((b"\xff\xfe", "UTF-16"), (b"\xfe\xff", "UTF-16"), (b"\x00\x00\xfe\xff", "UTF-32"))


@dataclass(frozen=True, slots=True)
class PartLine:
    """One line of the list.

    Attributes
    ----------
    serial, recipe : str
    line : int
        Of the file, from 1.
    """

    serial: str
    recipe: str
    line: int


def read_parts(path: Path, recipes: Sequence[str]) -> tuple[PartLine, ...]:
    """Read and check a list of parts; nothing of a list with a mistake is taken in.

    Parameters
    ----------
    path : Path
        UTF-8, comma-separated, with a heading.
    recipes : sequence of str
        Names of the recipes of this lot; the column may be left out where there is only one.

    Raises
    ------
    BadInput
        With the line of the first mistake and the number of further ones.
    """
    return parse_parts(_text(path), str(path), recipes)


def parse_parts(text: str, name: str, recipes: Sequence[str]) -> tuple[PartLine, ...]:
    """Check the text of a list; see :func:`read_parts`."""
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        for row in reader:
            rows.append((reader.line_num, row))
    except csv.Error as error:
        raise BadInput(
            name,
            "",
            line=reader.line_num,
            found=f"no CSV: {error}",
            allowed="fields with commas between them",
        ) from None
    head = _head(rows, name)
    if len(head) == 1 and len(recipes) != 1:
        raise BadInput(
            name, "", line=1, found=f"no column recipe, but {len(recipes)} recipes", allowed="serial,recipe"
        )
    problems: list[BadInput] = []
    parts: list[PartLine] = []
    seen: dict[str, int] = {}
    for line, row in rows[1:]:
        if not row:
            continue  # an empty line, as at the end of many files
        try:
            part = _part(line, row, head, name, recipes)
            _once(part, seen, name)
            parts.append(part)
        except BadInput as problem:
            problems.append(problem)
    if problems:
        raise _with_others(problems)
    if not parts:
        raise BadInput(name, "", found="no part", allowed="at least one serial number below the heading")
    return tuple(parts)


def _text(path: Path) -> str:
    name = str(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(name, "", found=error.strerror or str(error), allowed="a readable CSV file") from error
    if len(data) > _MAX_BYTES:
        raise BadInput(name, "", found=f"{len(data)} bytes", allowed=f"at most {_MAX_BYTES} bytes")
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            raise BadInput(name, "", line=1, found=f"{encoding} text", allowed="UTF-8 text")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        found = f"the byte 0x{data[error.start]:02X}, which is not UTF-8"
        raise BadInput(name, "", line=line, found=found, allowed="UTF-8 text") from error
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise BadInput(name, "", line=line, found="a null character", allowed="text")
    return text


def _head(rows: list[tuple[int, list[str]]], name: str) -> list[str]:
    if not rows:
        raise BadInput(name, "", found="an empty file", allowed=f"{_ALLOWED_HEAD}, then one part a line")
    line, row = rows[0]
    head = [field.strip().casefold() for field in row]
    if head in _HEADS:
        return head
    joined = ",".join(row)
    for delimiter, words in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
        if [field.strip().casefold() for field in joined.split(delimiter)] in _HEADS[1:]:
            raise BadInput(name, "", line=line, found=f"{words} between the fields", allowed="commas")
    raise BadInput(name, "", line=line, found=repr(joined[:80]), allowed=_ALLOWED_HEAD)


def _part(line: int, row: list[str], head: list[str], name: str, recipes: Sequence[str]) -> PartLine:
    if len(row) != len(head):
        found = f"{len(row)} fields: {','.join(row)[:80]!r}"
        raise BadInput(name, "", line=line, found=found, allowed=f"{len(head)}: {','.join(head)}")
    serial = row[0]
    odd = odd_serial(serial)
    if odd:
        raise BadInput(name, "serial", line=line, found=f"{serial[:80]!r}, {odd}", allowed=_SERIAL)
    recipe = row[1] if len(row) > 1 else recipes[0]
    if recipe not in recipes:
        raise BadInput(
            name,
            "recipe",
            line=line,
            found=repr(recipe[:80]),
            allowed=", ".join(recipes),
            nearest=nearest(recipe, recipes),
        )
    return PartLine(serial, recipe, line)


_SERIAL = f"1 to {LONGEST_SERIAL} printable letters without blanks before or after them"


def odd_serial(serial: str) -> str:
    """Say what is odd about a serial number; empty when nothing is."""
    if not serial.strip():
        return "which is empty"
    if serial != serial.strip():
        return "with blanks before or after it"
    if not serial.isprintable():
        return "with letters that cannot be printed"
    if ";" in serial or "\t" in serial:
        return "with a semicolon or tab: the fields are separated by commas"
    if len(serial) > LONGEST_SERIAL:
        return f"which is longer than {LONGEST_SERIAL} letters"
    return ""


def _once(part: PartLine, seen: dict[str, int], name: str) -> None:
    first = seen.setdefault(part.serial, part.line)
    if first != part.line:
        raise BadInput(
            name,
            "serial",
            line=part.line,
            found=f"{part.serial!r}, the same as in line {first}",
            allowed="every serial number once",
        )


def _with_others(problems: list[BadInput]) -> BadInput:
    first = problems[0]
    return BadInput(
        first.file,
        first.key,
        found=first.found,
        allowed=first.allowed,
        line=first.line,
        nearest=first.nearest,
        others=len(problems) - 1,
    )
