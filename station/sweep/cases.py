"""What can strike where: faults by place, index and kind, and the text that names a case."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from sim.tap import LineFaultKind as Line


class Place(Enum):
    """Whose calls are counted, each place from 0."""

    LINE = "line"
    CAMERA = "camera"
    CLOCK = "clock"
    HANDLER = "handler"
    RECORD = "record"
    PERSON = "person"
    CONTROL = "control"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes
    ----------
    place : Place
    kind : str
        One of :data:`KINDS` of the place.
    at : int
        Index of the call that it strikes; for a person, of the line's.
    count : int
        Calls in a row.
    value : float
        What the kind makes of it; see :class:`sim.tap.LineFaultKind` and :mod:`station.sweep.striking`.
    """

    place: Place
    kind: str
    at: int
    count: int = 1
    value: float = 0.0

    def strikes(self, index: int) -> bool:
        """Tell whether it strikes the call with this index."""
        return self.at <= index < self.at + self.count

    def __str__(self) -> str:
        return f"{self.place.value}:{self.kind}@{self.at}x{self.count}={self.value:g}"


_TEXT = re.compile(r"(?P<place>\w+):(?P<kind>\w+)@(?P<at>\d+)(x(?P<count>\d+))?(=(?P<value>-?[\w.]+))?")


@dataclass(frozen=True, slots=True)
class Case:
    """The faults of one run."""

    faults: tuple[Fault, ...] = ()

    def __str__(self) -> str:
        return "+".join(str(fault) for fault in self.faults) or "none"

    @classmethod
    def parse(cls, text: str) -> Case:
        """Return the case that ``str`` of it names.

        Raises
        ------
        ValueError
            For a text that names none.
        """
        if text == "none":
            return cls()
        faults = []
        for part in text.split("+"):
            found = _TEXT.fullmatch(part)
            if found is None:
                raise ValueError(f"{part!r} is not written as place:kind@index, x count and = value after it")
            place, kind = Place(found["place"]), found["kind"]
            if kind not in KINDS[place]:
                raise ValueError(f"{place.value} has no fault {kind!r}; there are {', '.join(KINDS[place])}")
            faults.append(
                Fault(place, kind, int(found["at"]), int(found["count"] or 1), float(found["value"] or 0.0))
            )
        return cls(tuple(faults))


_ON_BYTES: dict[str, tuple[float, ...]] = {
    Line.BYTE_LOST.value: (0.0, 4.0, -1.0),
    Line.BYTE_FLIPPED.value: (0.0, 4.0, 12.0, -2.0),
}
_BOTH_WAYS: dict[str, tuple[float, ...]] = {
    Line.SILENT.value: (0.0, 2.0, math.inf),
    Line.CUT.value: (0.0, 2.0, math.inf),
    Line.RESET.value: (0.0,),
    Line.STALL.value: (0.0,),
    Line.LIMIT.value: (0.0,),
    Line.NEVER_ARRIVES.value: (0.0,),
    Line.STEPS_LOST.value: (60.0,),
    Line.SCREW_SLIPS.value: (60.0,),
    Line.INTERLOCK_OPEN.value: (0.0, 0.5),
    Line.SHUTTER_STUCK_OPEN.value: (0.0,),
    Line.SHUTTER_STUCK_CLOSED.value: (0.0,),
}
_ON_REPLIES: dict[str, tuple[float, ...]] = {
    Line.REPLY_LATE.value: (0.3, 1.5, 5.0),
    Line.REPLY_DOUBLED.value: (0.0,),
    Line.REPLY_OF_PREVIOUS.value: (0.0,),
}
KINDS: Mapping[Place, Mapping[str, tuple[float, ...]]] = {
    Place.LINE: _ON_BYTES | _BOTH_WAYS | _ON_REPLIES,
    Place.CAMERA: {
        "late": (5.0,),
        "stale": (0.0,),
        "black": (0.0,),
        "white": (0.0,),
        "half": (0.0,),
        "wrong_size": (0.0,),
        "gone": (0.0, 2.0, math.inf),
        "beam_blocked": (0.0,),
        "beam_dimmed": (0.2,),
        "beam_jumped": (0.1,),
        "camera_knocked": (0.2,),
    },
    Place.CLOCK: {"jump": (30.0, 3600.0), "stands_still": (0.0, math.inf), "fails": (0.0, math.inf)},
    Place.HANDLER: {"fails": (0.0,), "does_nothing": (0.0,)},
    Place.RECORD: {"disk_full": (0.0, math.inf), "write_error": (0.0, math.inf)},
    Place.PERSON: {"stops": (0.0,)},
    Place.CONTROL: {"wild_move": (99.0, -99.0), "raises": (0.0,)},
}
"""Kinds of each place, with the values at which each is tried."""

LOSING_STEPS = {"steps_lost", "screw_slips", "stall"}
"""Kinds after which the mount stands elsewhere than the counters say."""

DEAD_KINDS = (Line.CUT.value, Line.SILENT.value)
"""Kinds of a line that dies."""


@dataclass(frozen=True, slots=True)
class Counts:
    """How many calls a run without faults makes.

    Attributes
    ----------
    line_reads, line_bytes : tuple of bool
        Of each call of the line: whether it is a read, and whether bytes pass in it.
    camera : int
    last_map : int
        Index of the last frame of which a plate is mapped first.
    first_beam : int
        Index of the last of the frames in which the bare beam's place is measured.
    clock, handler, record, control : int
    """

    line_reads: tuple[bool, ...]
    line_bytes: tuple[bool, ...]
    camera: int
    last_map: int
    first_beam: int
    clock: int
    handler: int
    record: int
    control: int

    def of(self, place: Place) -> int:
        """Return the number of calls of a place."""
        if place in (Place.LINE, Place.PERSON):
            return len(self.line_reads)
        return int(getattr(self, place.value))


def single_faults(counts: Counts, place: Place, at: int) -> Iterator[Fault]:
    """Return every fault that fits one call.

    Where no byte passes, none can be lost; and a beam that has moved before its place was measured first is
    another bench, whose file vouches for the beam in the hole (``reference.beam_in_hole_sigma_um``). So is a
    camera that was knocked before it was mapped.
    """
    misfits: set[str] = set()
    if place is Place.LINE and not counts.line_bytes[at]:
        misfits |= _ON_BYTES.keys() | _ON_REPLIES.keys()
    if place is Place.LINE and not counts.line_reads[at]:
        misfits |= _ON_REPLIES.keys()
    if place is Place.CAMERA and at <= counts.first_beam:
        misfits.add("beam_jumped")
    if place is Place.CAMERA and at <= counts.last_map:
        misfits.add("camera_knocked")
    for kind, values in KINDS[place].items():
        if kind in misfits:
            continue
        for value in values:
            yield Fault(place, kind, at, value=value)


def all_singles(counts: Counts) -> Iterator[Case]:
    """Return every fault at every call, one at a time."""
    for place in Place:
        for at in range(counts.of(place)):
            for fault in single_faults(counts, place, at):
                yield Case((fault,))
