"""The one way in which bad input is reported: file, line, key, what was found, what is allowed."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

Key = tuple[str | int, ...]


def dotted(key: Key) -> str:
    """Write a key as a person would say it: ``motion.axes[2].travel``."""
    text = ""
    for part in key:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """Return the allowed name that looks most like ``word``; None when none does."""
    names = {name.casefold(): name for name in allowed}
    close = difflib.get_close_matches(word.casefold(), names, n=1, cutoff=0.5)
    return names[close[0]] if close else None


class BadInput(Exception):  # noqa: N818  it is the input that is at fault, the program has no error
    """What a person gave cannot be used; nothing was moved and nothing was written.

    Parameters
    ----------
    file : str
        The file, or the name of the command-line option.
    key : str
        Dotted key; empty where the whole file is meant.
    found, allowed : str
        What stands there, and what may stand there.
    line : int or None
        Line of the file, counted from 1, where it is known.
    nearest : str or None
        The valid name that looks most like what was found.
    others : int
        Number of further problems in the same file that are not shown.
    """

    def __init__(
        self,
        file: str,
        key: str,
        *,
        found: str,
        allowed: str,
        line: int | None = None,
        nearest: str | None = None,
        others: int = 0,
    ) -> None:
        self.file = file
        self.key = key
        self.found = found
        self.allowed = allowed
        self.line = line
        self.nearest = nearest
        self.others = others
        super().__init__(self.text())

    def text(self) -> str:
        """Return the message as it is printed; several lines, no line feed at the end."""
        head = self.file
        if self.line is not None:
            head += f", line {self.line}"
        if self.key:
            head += f", key {self.key}"
        lines = [f"bad input: {head}", f"  found:   {self.found}", f"  allowed: {self.allowed}"]
        if self.nearest:
            lines.append(f"  nearest: {self.nearest}")
        if self.others:
            plural = "problem" if self.others == 1 else "problems"
            lines.append(f"  ({self.others} more {plural} in this file)")
        return "\n".join(lines)
