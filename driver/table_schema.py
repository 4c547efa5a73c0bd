"""Shape of a phrase table: what each key may hold, checked as soon as the table is read."""

from __future__ import annotations

import re
from string import Formatter
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _one_line_ascii(text: str) -> str:
    if not text.isascii() or not text.isprintable():
        raise ValueError("must be printable ASCII without line ends")
    return text


def _ending(text: str) -> str:
    if not text.isascii():
        raise ValueError("must be ASCII")
    return text


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as problem:
        raise ValueError(f"is not a regular expression: {problem}") from problem
    return text


Phrase = Annotated[str, AfterValidator(_one_line_ascii)]
Ending = Annotated[str, AfterValidator(_ending)]
Pattern = Annotated[str, AfterValidator(_pattern)]
Decimals = Annotated[int, Field(ge=0, le=9)]
Moment = Literal["start", "end"]
ErrorMeaning = Literal[
    "check_wrong",
    "not_understood",
    "not_homed",
    "out_of_travel",
    "busy",
    "interlock_open",
    "limit_switch",
    "stalled",
    "refused",
]


def fields_of(template: str) -> list[str]:
    """Return the names of the ``{fields}`` of a template in their order.

    Raises
    ------
    ValueError
        When braces do not match, or a field has no plain name.
    """
    names = []
    for _, name, spec, conversion in Formatter().parse(template):
        if name is None:
            continue
        if not name.isidentifier() or spec or conversion:
            raise ValueError(f"field {{{name}}} of {template!r} must be a plain name in braces")
        names.append(name)
    return names


def _check_fields(template: str, *, needed: set[str], allowed: set[str]) -> None:
    found = fields_of(template)
    if missing := needed - set(found):
        raise ValueError(f"{template!r} lacks the field {{{min(missing)}}}")
    if unknown := set(found) - allowed - needed:
        choices = ", ".join(f"{{{name}}}" for name in sorted(allowed | needed))
        raise ValueError(f"{template!r} has the unknown field {{{min(unknown)}}}; allowed: {choices}")
    if len(found) != len(set(found)):
        raise ValueError(f"{template!r} names a field twice")


def _check_groups(pattern: str, *, needed: set[str], allowed: set[str]) -> None:
    found = set(re.compile(pattern).groupindex)
    if missing := needed - found:
        raise ValueError(f"{pattern!r} lacks the named group (?P<{min(missing)}>...)")
    if unknown := found - allowed - needed:
        choices = ", ".join(sorted(allowed | needed))
        raise ValueError(f"{pattern!r} has the unknown group {min(unknown)!r}; allowed: {choices}")


class LineTable(_Table):
    """How a message is framed."""

    terminator: Annotated[Ending, Field(min_length=1, max_length=4)]
    reply_terminator: Annotated[Ending, Field(min_length=1, max_length=4)]
    ignored_ending: Ending = ""
    blank_line_ignored: bool = False
    max_bytes: Annotated[int, Field(ge=8, le=4096)]
    request: Phrase
    reply: Phrase
    sequence_min: Annotated[int, Field(ge=0)] = 1
    sequence_max: Annotated[int, Field(le=999_999_999)] = 9999
    check: Literal["none", "crc16", "xor", "sum8"]
    check_written: Phrase | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        for template in (self.request, self.reply):
            _check_fields(template, needed={"words"}, allowed={"sequence"})
        if ("sequence" in fields_of(self.request)) != ("sequence" in fields_of(self.reply)):
            raise ValueError("request and reply must both have {sequence}, or neither")
        if self.sequence_max - self.sequence_min < 1:
            raise ValueError("sequence_max must be above sequence_min")
        if (self.check == "none") != (self.check_written is None):
            raise ValueError("check_written is needed with a check, and only then")
        if self.check_written is not None:
            _check_fields(self.check_written, needed={"check"}, allowed=set())
        return self

    @property
    def numbered(self) -> bool:
        """Say whether messages carry a sequence number."""
        return "sequence" in fields_of(self.request)


class NumberTable(_Table):
    """How a quantity of one axis or unit is written: value times ``scale`` with ``decimals`` places."""

    scale: float
    decimals: Decimals

    @model_validator(mode="after")
    def _not_zero(self) -> Self:
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        return self

    @property
    def quantum(self) -> float:
        """Smallest difference that can be written (axis unit)."""
        return 1.0 / (abs(self.scale) * 10.0**self.decimals)


class AxesTable(_Table):
    """How the axes of one command are written."""

    written: Phrase = "{axis}{value}"
    separator: Phrase = " "
    left_out: Literal["omitted", "empty", "held"] = "omitted"
    words: dict[str, Phrase] = {}

    @model_validator(mode="after")
    def _fields(self) -> Self:
        _check_fields(self.written, needed={"value"}, allowed={"axis"})
        if self.left_out == "omitted" and "axis" not in fields_of(self.written):
            raise ValueError('left_out = "omitted" needs the field {axis} in written')
        if len(set(self.words.values())) != len(self.words):
            raise ValueError("words must differ from axis to axis")
        return self


class FeedTable(_Table):
    """How the speed along the line is written."""

    per: Literal["minute", "second"]
    scale: Annotated[float, Field(gt=0)] = 1.0
    decimals: Decimals


class MotionTable(_Table):
    """What an acknowledgement of a motion means."""

    acknowledged_at: Moment
    homing_acknowledged_at: Moment = "start"


class RequestTable(_Table):
    """The phrases that the driver sends."""

    set_up: list[Phrase] = []
    home: Phrase
    move: Phrase
    stop: Phrase
    positions: Phrase
    identify: Phrase | None = None
    shutter_open: Phrase | None = None
    shutter_closed: Phrase | None = None
    lamp_on: Phrase | None = None
    lamp_off: Phrase | None = None

    @model_validator(mode="after")
    def _fields(self) -> Self:
        _check_fields(self.move, needed={"axes"}, allowed={"feed"})
        plain = [*self.set_up, self.home, self.stop, self.positions, self.identify]
        for phrase in (*plain, self.shutter_open, self.shutter_closed, self.lamp_on, self.lamp_off):
            if phrase is not None:
                _check_fields(phrase, needed=set(), allowed=set())
        for pair in ("shutter_open", "shutter_closed"), ("lamp_on", "lamp_off"):
            if len({getattr(self, key) is None for key in pair}) == 2:
                raise ValueError(f"{pair[0]} and {pair[1]} go together")
        return self


class PositionTable(_Table):
    """One axis within the reply to the position query."""

    written: Pattern
    separator: Annotated[Phrase, Field(min_length=1)]

    @model_validator(mode="after")
    def _groups(self) -> Self:
        _check_groups(self.written, needed={"value"}, allowed={"axis"})
        return self


class ReplyTable(_Table):
    """Patterns that fit the whole of a reply."""

    acknowledge: Pattern | None = None
    error: Pattern | None = None
    positions: Pattern
    position: PositionTable
    identify: Pattern | None = None

    @model_validator(mode="after")
    def _groups(self) -> Self:
        if self.acknowledge is not None:
            _check_groups(self.acknowledge, needed=set(), allowed=set())
        if self.error is not None:
            _check_groups(self.error, needed={"code"}, allowed={"words"})
        _check_groups(self.positions, needed={"axes"}, allowed=set())
        if self.identify is not None:
            _check_groups(self.identify, needed={"words"}, allowed=set())
        return self


FLAGS = ("homed", "limit", "interlock", "shutter", "lamp")
"""Groups of the state reply that are yes or no."""


class StateTable(_Table):
    """One query of the state."""

    request: Phrase
    reply: Pattern

    @model_validator(mode="after")
    def _groups(self) -> Self:
        _check_groups(self.reply, needed=set(), allowed={"state", *FLAGS})
        return self


class StateWordsTable(_Table):
    """Which state words mean what."""

    idle: Annotated[list[str], Field(min_length=1)]
    moving: Annotated[list[str], Field(min_length=1)]
    homing: list[str] = []
    stopped: list[str] = []
    fault: list[str] = []
    not_homed: list[str] = []

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        words = [*self.idle, *self.moving, *self.homing, *self.stopped, *self.fault, *self.not_homed]
        if len(words) != len(set(words)):
            raise ValueError("one word must not mean two things")
        return self


class YesNoTable(_Table):
    """Which words of a state reply mean yes and which no."""

    yes: Annotated[list[str], Field(min_length=1)]
    no: Annotated[list[str], Field(min_length=1)]

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        if set(self.yes) & set(self.no):
            raise ValueError("one word must not mean both yes and no")
        return self


class FlagsTable(YesNoTable):
    """The same for all groups, and for single groups where they differ."""

    homed: YesNoTable | None = None
    limit: YesNoTable | None = None
    interlock: YesNoTable | None = None
    shutter: YesNoTable | None = None
    lamp: YesNoTable | None = None
