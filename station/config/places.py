"""Where a key stands in a TOML text; the parser of the standard library does not say."""

from __future__ import annotations

import re

from station.config.problems import Key

_HEADER = re.compile(r"^\s*\[(?P<array>\[)?\s*(?P<name>[^\[\]]+?)\s*\]")
_PAIR = re.compile(r"""^\s*(?P<name>[A-Za-z0-9_\-."' ]+?)\s*=(?P<value>.*)$""")
_NOISE = re.compile(r"""("(\\.|[^"\\])*")|('[^']*')|(#.*$)""")


def _split(name: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in name.split("."))


def _depth(value: str) -> int:
    """Return how many brackets ``value`` opens and does not close."""
    bare = _NOISE.sub("", value)
    return bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")


class _Scan:
    """State of one pass over the lines."""

    def __init__(self) -> None:
        self.places: dict[Key, int] = {}
        self.counts: dict[Key, int] = {}
        self.table: Key = ()
        self.value_key: Key = ()
        self.depth = 0
        self.element = 0

    def resolve(self, names: tuple[str, ...]) -> Key:
        """Insert the index of the current element for every array of tables on the way."""
        key: Key = ()
        for name in names:
            key = (*key, name)
            if key in self.counts:
                key = (*key, self.counts[key] - 1)
        return key

    def header(self, name: str, line: int, *, array: bool) -> None:
        names = _split(name)
        if array:
            key = (*self.resolve(names[:-1]), names[-1])
            self.places.setdefault(key, line)
            self.counts[key] = self.counts.get(key, 0) + 1
            self.table = (*key, self.counts[key] - 1)
        else:
            self.table = self.resolve(names)
        self.places.setdefault(self.table, line)

    def inside(self, text: str, line: int) -> None:
        """Take one line of a value that spans several lines."""
        if self.depth == 1 and text.lstrip()[:1] in ("{", "["):
            self.places.setdefault((*self.value_key, self.element), line)
            self.element += 1
        self.depth += _depth(text)

    def pair(self, name: str, value: str, line: int) -> None:
        self.value_key = (*self.table, *_split(name))
        self.places.setdefault(self.value_key, line)
        self.depth = _depth(value)
        self.element = 0


def key_lines(text: str) -> dict[Key, int]:
    """Return the line (from 1) of every table and key of a TOML text, as far as a simple scan can tell.

    Keys are paths of names and of indices into arrays: ``("motion", "axes", 2, "travel")``.
    """
    scan = _Scan()
    for line, row in enumerate(text.splitlines(), start=1):
        if scan.depth > 0:
            scan.inside(row, line)
        elif header := _HEADER.match(row):
            scan.header(header["name"], line, array=bool(header["array"]))
        elif pair := _PAIR.match(row):
            scan.pair(pair["name"], pair["value"], line)
    return scan.places


def line_of(places: dict[Key, int], key: Key) -> int | None:
    """Return the line of ``key`` or of the nearest table round it; None when nothing of it is there."""
    for length in range(len(key), 0, -1):
        if key[:length] in places:
            return places[key[:length]]
    return None
