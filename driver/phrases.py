"""The command words of a line as data: how each request is written and each reply is read."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import cached_property, lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from driver.axes import AxisSpec
from driver.table_errors import PhraseTableError, explain
from driver.table_schema import (
    FLAGS,
    AxesTable,
    ErrorMeaning,
    FeedTable,
    FlagsTable,
    LineTable,
    MotionTable,
    NumberTable,
    ReplyTable,
    RequestTable,
    StateTable,
    StateWordsTable,
    YesNoTable,
    _Table,
    fields_of,
)

__all__ = ["Activity", "ControllerState", "PhraseTable", "PhraseTableError", "Refusal", "UnreadableError"]


_SECONDS = {"second": 1.0, "minute": 60.0}
# A controller says the same few words over and over while it is polled; a night must not grow by them.
_REMEMBERED = 256


class UnreadableError(ValueError):
    """A reply arrived whole but its words are not those of the phrase table."""


class Activity(Enum):
    """What the controller says it is doing."""

    IDLE = "idle"
    MOVING = "moving"
    HOMING = "homing"
    STOPPED = "stopped"
    FAULT = "fault"

    @property
    def at_rest(self) -> bool:
        """Say whether nothing moves and a move may begin."""
        return self in (Activity.IDLE, Activity.STOPPED)


@dataclass(frozen=True, slots=True)
class ControllerState:
    """The controller's answer to its state queries; None where this line does not report it.

    ``interlock_closed`` True means that the circuit is closed (laser permitted). ``shutter_open`` is the
    state of the shutter's own switch.
    """

    activity: Activity
    homed: bool | None
    limit_pressed: bool | None
    interlock_closed: bool | None
    shutter_open: bool | None
    lamp_on: bool | None
    words: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """An error reply: what it means and how it was worded."""

    meaning: ErrorMeaning
    words: str


class PhraseTable(_Table):
    """A checked phrase table; the TOML files in ``driver/tables`` explain every key."""

    title: str
    interlock: Literal["reported", "not_on_this_line"]
    line: LineTable
    numbers: dict[str, NumberTable]
    axes: AxesTable
    feed: FeedTable | None = None
    motion: MotionTable
    requests: RequestTable
    replies: ReplyTable
    states: list[StateTable]
    state_words: StateWordsTable
    flags: FlagsTable
    errors: dict[str, ErrorMeaning] = Field(default_factory=dict)

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], source: str = "phrase table") -> Self:
        """Check a table that was read from TOML.

        Raises
        ------
        PhraseTableError
            Naming ``source``, key path, what was found, what is allowed and the nearest valid key.
        """
        try:
            return cls.model_validate(dict(mapping))
        except ValidationError as problem:
            raise explain(problem, cls, source) from None

    @classmethod
    def from_toml(cls, text: str, source: str = "phrase table") -> Self:
        """Check a table given as TOML text; see :meth:`from_mapping`."""
        try:
            mapping = tomllib.loads(text)
        # Besides its own errors the library lets through those of huge integers and of endless brackets.
        except (ValueError, RecursionError) as problem:
            raise PhraseTableError(f"{source}: not TOML: {problem}") from None
        return cls.from_mapping(mapping, source)

    @classmethod
    def from_file(cls, path: Path) -> Self:
        """Read and check a table file; see :meth:`from_mapping`."""
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as problem:
            raise PhraseTableError(f"{path}: cannot be read: {problem}") from None
        return cls.from_toml(text, str(path))

    @classmethod
    def named(cls, name: str = "word_address") -> Self:
        """Return one of the tables that come with the package."""
        folder = resources.files("driver") / "tables"
        known = sorted(
            item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")
        )
        if name not in known:
            raise PhraseTableError(f"no phrase table {name!r} in the package; there are: {', '.join(known)}")
        return cls.from_toml((folder / f"{name}.toml").read_text(encoding="utf-8"), f"{name}.toml")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        reported = [name for state in self.states for name in re.compile(state.reply).groupindex]
        if len(reported) != len(set(reported)):
            raise ValueError("states: two replies have the same group")
        if "state" not in reported:
            raise ValueError("states: no reply has the group (?P<state>...)")
        if (self.interlock == "reported") != ("interlock" in reported):
            raise ValueError(
                f"interlock is {self.interlock!r}, but the group (?P<interlock>...) is "
                f"{'in' if 'interlock' in reported else 'not in'} the state replies"
            )
        if self.requests.shutter_open is not None and "shutter" not in reported:
            raise ValueError("states: a shutter needs the group (?P<shutter>...), its own switch")
        if ("feed" in fields_of(self.requests.move)) != (self.feed is not None):
            raise ValueError("requests.move has {feed} exactly when there is a table feed")
        if (self.requests.identify is None) != (self.replies.identify is None):
            raise ValueError("requests.identify and replies.identify go together")
        if "end" in (self.motion.acknowledged_at, self.motion.homing_acknowledged_at) and (
            self.replies.acknowledge is None
        ):
            raise ValueError('motion: "end" needs replies.acknowledge')
        return self

    # --- numbers -------------------------------------------------------------------------------

    def check_axes(self, axes: Sequence[AxisSpec]) -> None:
        """Refuse axes that this table cannot write.

        Raises
        ------
        PhraseTableError
            No axes, names or words twice, no number format, or steps finer than what the line can carry.
        """
        words = [self._word(axis) for axis in axes]
        if not words or len(words) != len(set(words)):
            raise PhraseTableError(f"axes must be there and differ on the line; they are {words}")
        for axis in axes:
            if axis.name not in self.numbers and axis.unit not in self.numbers:
                raise PhraseTableError(
                    f"key numbers: no format for axis {axis.name} or unit {axis.unit}; "
                    f"there are: {', '.join(self.numbers) or 'none'}"
                )
            quantum = self._number(axis).quantum
            if quantum > axis.step * (1 + 1e-9):
                raise PhraseTableError(
                    f"key numbers: axis {axis.name} has a step of {axis.step} {axis.unit}, "
                    f"but the line carries no less than {quantum:g} {axis.unit}"
                )

    def write_number(self, axis: AxisSpec, value: float) -> str:
        """Return ``value`` (axis unit) as it stands on the line; the inverse of :meth:`read_number`."""
        number = self._number(axis)
        return _plain(value * number.scale, number.decimals)

    def read_number(self, axis: AxisSpec, text: str) -> float:
        """Return the value (axis unit) of a number on the line.

        Raises
        ------
        UnreadableError
            When it is not a finite number.
        """
        try:
            value = float(text)
        except ValueError:
            raise UnreadableError(f"axis {axis.name}: {text!r} is not a number") from None
        if not math.isfinite(value):
            raise UnreadableError(f"axis {axis.name}: {text!r} is not finite")
        return value / self._number(axis).scale

    def on_the_line(self, axis: AxisSpec, value: float) -> float:
        """Return ``value`` rounded to what the line can carry (axis unit), as if written and read."""
        number = self._number(axis)
        carried = round(value * number.scale, number.decimals)
        if not math.isfinite(carried):
            raise UnreadableError(f"axis {axis.name}: {value} is not finite")
        return (carried + 0.0) / number.scale  # -0 is written as 0

    def _number(self, axis: AxisSpec) -> NumberTable:
        return self.numbers.get(axis.name) or self.numbers[axis.unit]

    def _word(self, axis: AxisSpec) -> str:
        return self.axes.words.get(axis.name, axis.name)

    # --- requests ------------------------------------------------------------------------------

    def write_move(
        self,
        axes: Sequence[AxisSpec],
        targets: Mapping[str, float],
        here: Mapping[str, float],
        feed_per_s: float,
    ) -> str:
        """Return the words of one straight move.

        Parameters
        ----------
        axes : sequence of AxisSpec
            All axes in the order of the bench file.
        targets : mapping
            Where the axes that move are to go (axis units, absolute).
        here : mapping
            Where all axes are; used for an axis that is "held".
        feed_per_s : float
            Speed along the line of the linear axes (mm/s), or of the rotary ones (deg/s) if only they move.
        """
        written = []
        for axis in axes:
            if axis.name in targets:
                value = self.write_number(axis, targets[axis.name])
            elif self.axes.left_out == "held":
                value = self.write_number(axis, here[axis.name])
            else:
                if self.axes.left_out == "empty":
                    written.append("")
                continue
            written.append(self.axes.written.format(axis=self._word(axis), value=value))
        return self.requests.move.format(
            axes=self.axes.separator.join(written), feed=self.write_feed(feed_per_s)
        )

    def write_feed(self, feed_per_s: float) -> str:
        """Return the speed as it stands on the line, rounded down but never to 0; "" where it has none."""
        if self.feed is None:
            return ""
        return _plain(self._feed_quanta(self.feed, feed_per_s) / 10.0**self.feed.decimals, self.feed.decimals)

    def feed_on_the_line(self, feed_per_s: float) -> float | None:
        """Return the speed (unit per second) that the line carries, None where it has none."""
        if self.feed is None:
            return None
        quanta = self._feed_quanta(self.feed, feed_per_s)
        return quanta / (10.0**self.feed.decimals * self.feed.scale * _SECONDS[self.feed.per])

    @staticmethod
    def _feed_quanta(feed: FeedTable, feed_per_s: float) -> int:
        per_line = feed_per_s * feed.scale * _SECONDS[feed.per]
        return max(1, math.floor(per_line * 10.0**feed.decimals * (1 + 1e-12)))

    # --- replies -------------------------------------------------------------------------------

    def acknowledges(self, words: str) -> bool:
        """Say whether the words of a reply acknowledge a command."""
        pattern = self.replies.acknowledge
        return pattern is not None and matched(pattern, words) is not None

    def read_refusal(self, words: str) -> Refusal | None:
        """Return the meaning of an error reply, or None where it is none."""
        match = None if self.replies.error is None else matched(self.replies.error, words)
        return None if match is None else Refusal(self.errors.get(match["code"], "refused"), words)

    def read_identity(self, words: str) -> str:
        """Return the identity out of the reply to ``requests.identify``."""
        if self.replies.identify is None:
            raise UnreadableError(f"this table has no identity to read in {words!r}")
        return _groups(self.replies.identify, words, "words")["words"]

    def read_positions(self, axes: Sequence[AxisSpec], words: str) -> dict[str, float]:
        """Return the positions of all ``axes`` (axis units) in their order.

        Raises
        ------
        UnreadableError
            When an axis is missing, there twice, or not a finite number.
        """
        inner = _groups(self.replies.positions, words, "axes")["axes"]
        item = self.replies.position
        parts = [_groups(item.written, part, "value") for part in inner.split(item.separator)]
        if all("axis" in part for part in parts):
            named = {part["axis"]: part["value"] for part in parts}
            if len(named) != len(parts):
                raise UnreadableError(f"an axis stands twice in {words!r}")
            texts = [named.get(self._word(axis)) for axis in axes]
        else:
            texts = [part["value"] for part in parts]
        if len(texts) != len(axes) or None in texts:
            raise UnreadableError(
                f"{words!r} does not give every axis of {[self._word(axis) for axis in axes]}"
            )
        return {axis.name: self.read_number(axis, str(text)) for axis, text in zip(axes, texts, strict=True)}

    def read_state(self, words: Sequence[str]) -> ControllerState:
        """Return the state out of the replies to all state queries, in their order.

        Raises
        ------
        UnreadableError
            When a reply or a word in it is unknown.
        """
        found: dict[str, str] = {}
        for query, reply in zip(self.states, words, strict=True):
            found |= _groups(query.reply, reply)
        if "state" not in found:
            raise UnreadableError(f"no state in {'; '.join(words)!r}")
        activity, homed_by_word = self._activity(found["state"])
        flags = {name: self._flag(name, found[name]) if name in found else None for name in FLAGS}
        homed = False if homed_by_word is False else flags["homed"]
        return ControllerState(
            activity,
            homed,
            flags["limit"],
            flags["interlock"],
            flags["shutter"],
            flags["lamp"],
            "; ".join(words),
        )

    @cached_property
    def reports_homed(self) -> bool:
        """Say whether the state tells a controller that has lost its home."""
        return bool(self.state_words.not_homed) or any(
            "homed" in re.compile(state.reply).groupindex for state in self.states
        )

    def _activity(self, word: str) -> tuple[Activity, bool | None]:
        if word in self.state_words.not_homed:
            return Activity.IDLE, False
        for activity in Activity:
            if word in getattr(self.state_words, activity.value):
                return activity, None
        raise UnreadableError(f"unknown state word {word!r}")

    def _flag(self, name: str, word: str) -> bool:
        own: YesNoTable | None = getattr(self.flags, name)
        table = own or self.flags
        if word in table.yes:
            return True
        if word in table.no:
            return False
        raise UnreadableError(f"{word!r} is neither yes nor no of {name}")


@lru_cache(maxsize=_REMEMBERED)
def _plain(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


@lru_cache(maxsize=_REMEMBERED)
def matched(pattern: str, words: str) -> re.Match[str] | None:
    """Match the whole of a reply; the few replies that come over and over are matched once."""
    return re.fullmatch(pattern, words)


def _groups(pattern: str, words: str, *needed: str) -> dict[str, str]:
    match = matched(pattern, words)
    if match is None:
        raise UnreadableError(f"{words!r} does not fit {pattern!r}")
    groups = {name: text for name, text in match.groupdict().items() if text is not None}
    # A pattern may have made a group optional.
    if missing := [name for name in needed if name not in groups]:
        raise UnreadableError(f"{words!r} gives no {missing[0]}")
    return groups
