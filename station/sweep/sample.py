"""The short sample: a case for each kind of fault, where it hurts most; what the mutants are run on, too."""

from __future__ import annotations

import re
from dataclasses import replace

from station.sweep.cases import Case, Counts, Fault, single_faults
from station.sweep.plan import calls_with, counts, frames_for

SAMPLE = (
    "none",
    # Where only one check stands between the fault and the motion or the beam: the others do not see these.
    "line:byte_flipped@{Q1:-1+1}=12",
    # The last digit that may be wrong without the axis seeming to have been moved by hand.
    "line:byte_flipped@{Q1:5+1}=12",
    "line:reset@{M22:8}",
    "line:reset@{G01:0-6}",
    "line:reset@{Q1:8}",
    "line:reset@{Q1:8-3}",
    "line:shutter_stuck_open@{M22:-1+5}",
    "line:interlock_open@{M21:5-3}",
    "line:interlock_open@{M21:-1+7}=0.5",
    "line:silent@{M00:-1}=inf",
    "person:stops@0",
    "line:byte_lost@301x1=4",
    "line:byte_flipped@422x1=4",
    "line:byte_flipped@640x1=-2",
    "line:silent@500x1=2",
    "line:silent@420x1=inf",
    "line:cut@300x1=2",
    "line:cut@640x1=inf",
    "line:reset@440x1=0",
    "line:reset@609x1=0",
    "line:stall@300x1=0",
    "line:limit@500x1=0",
    "line:never_arrives@300x1=0",
    "line:steps_lost@500x1=60",
    "line:screw_slips@560x1=60",
    "line:interlock_open@440x1=0",
    "line:interlock_open@640x1=0.5",
    "line:shutter_stuck_open@440x1=0",
    "line:shutter_stuck_closed@560x1=0",
    "line:reply_late@520x1=1.5",
    "line:reply_late@640x1=5",
    "line:reply_doubled@300x1=0",
    "line:reply_of_previous@440x1=0",
    "line:reply_of_previous@609x10=0",
    "camera:late@30x1=5",
    "camera:stale@22x1=0",
    "camera:black@30x1=0",
    "camera:white@30x1=0",
    "camera:wrong_size@17x1=0",
    "camera:gone@30x1=2",
    "camera:beam_blocked@40x4=0",
    "camera:beam_jumped@40x1=0.1",
    # When the last frame of the beam has been exposed already: nobody can see it.
    "camera:beam_jumped@{transmitted:-1}=0.1",
    "camera:camera_knocked@50x1=0.2",
    # Before the first look, it fits a lens that stands aslant: only the marks tell.
    "camera:camera_knocked@{returns:0}=0.2",
    "clock:jump@40x1=3600",
    "clock:stands_still@40x1=inf",
    "clock:fails@40x1=inf",
    "handler:fails@1x1=0",
    "handler:does_nothing@1x1=0",
    "record:disk_full@12x1=0",
    "record:write_error@34x1=inf",
    "line:silent@930x1=inf",
    "control:wild_move@20x1=99",
    "control:raises@20x1=0",
    "person:stops@150x1=0",
    "person:stops@480x1=0",
    "line:stall@300x1=0+line:silent@330x1=inf",
    "camera:gone@30x1=inf+line:byte_lost@560x10=0",
)
"""Cases as :meth:`station.sweep.cases.Case.parse` reads them.

``{G01:0-6}`` stands for the call six before that of the first G01, ``{returns:0}`` for the first frame in
which returns are measured; :func:`fitted` puts in the numbers.
"""

_WORD = re.compile(r"\{(?P<word>\w+):(?P<number>-?\d+)(?P<off>[+-]\d+)?\}")


def fitted(text: str) -> str:
    """Return a case whose faults strike the next calls that they fit: no byte is lost where none passes."""
    numbered = _WORD.sub(lambda found: str(_call(found)), text)
    return str(Case(tuple(_fitted(fault, counts()) for fault in Case.parse(numbered).faults)))


def _call(found: re.Match[str]) -> int:
    calls = calls_with(found["word"]) or frames_for(found["word"])
    return calls[int(found["number"])] + int(found["off"] or 0)


def _fitted(fault: Fault, made: Counts) -> Fault:
    for at in range(fault.at, made.of(fault.place)):
        fitting = {(one.kind, one.value) for one in single_faults(made, fault.place, at)}
        if (fault.kind, fault.value) in fitting:
            return replace(fault, at=at)
    raise ValueError(f"{fault} fits no call from {fault.at} on")
