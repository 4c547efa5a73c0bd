"""Which runs a sweep makes: singles, doubles, bursts, faults within the stop, a line that dies, frames."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Literal

import numpy as np

from station.campaign.inprocess import Measurement
from station.config import Setup
from station.config.loading import setup_from_texts
from station.demo import example_setup
from station.sweep.branching import Branching
from station.sweep.cases import DEAD_KINDS, Case, Counts, Fault, Place, all_singles, single_faults
from station.sweep.judged import Judged, judged
from station.sweep.rig import Rig
from station.sweep.seen import Seen

Sweep = Literal["singles", "doubles", "bursts", "stop", "dead", "frames"]
SEED = 3
MOST_IN_A_ROW = 10
_BEFORE_THE_STOP = (
    "person:stops@150",
    "person:stops@420",
    "line:stall@300",
    "line:limit@500",
    "line:reset@420",
    "line:never_arrives@300",
    "line:interlock_open@420",
    "camera:gone@30=inf",
    "handler:fails@1",
    "record:disk_full@12=inf",
)
"""What brings about the stops in which a second fault strikes; a run without any ends with a stop too."""


def run_case(case: Case, *, measurement: Measurement = "spots") -> Seen:
    """Run one case on the bench of the example files."""
    return Rig(_setup(), SEED, case, measurement=measurement).run()


def judge(text: str, measurement: Measurement = "spots", *, digest: bool = False) -> Judged:
    """Run the case that ``text`` names and ask the oracle."""
    return judged(run_case(Case.parse(text), measurement=measurement), digest=digest)


def judge_all(
    texts: Sequence[str], measurement: Measurement = "spots", *, digests: bool = False
) -> list[Judged]:
    """Run many cases and ask the oracle about each; cheaper than one by one, and the same."""
    made = [Case.parse(text) for text in texts]
    struck = [number for number, case in enumerate(made) if case.faults]
    branches = [made[number] for number in struck]
    found = Branching(_setup(), SEED, branches, measurement, digests=digests).run()
    by_number = {struck[number]: what for number, what in found.items()}
    return [
        by_number.get(number) or judge(text, measurement, digest=digests) for number, text in enumerate(texts)
    ]


def judge_too_tight() -> Judged:
    """Run without faults for a tolerance that nothing can keep, and ask the oracle."""
    setup = _setup()
    recipe, count = re.subn(r"(?m)^decenter_um = [0-9.]+", "decenter_um = 1.0", setup.recipe_file.text)
    if count != 1:
        raise ValueError(f"the example recipe has {count} tolerances of decentre, not one")
    tight = setup_from_texts(setup.bench_file.text, recipe, "BENCH.toml", "RECIPE.toml")
    return judged(Rig(tight, SEED, Case()).run())


@lru_cache(maxsize=1)
def _setup() -> Setup:
    return example_setup()


@lru_cache(maxsize=1)
def _faultless() -> Seen:
    return run_case(Case())


def counts() -> Counts:
    """Return how many calls a run without faults makes."""
    return _faultless().counts


def calls_with(word: str) -> list[int]:
    """Return the calls of a run without faults in which a request with this word is sent."""
    return [
        passed.call
        for passed in _faultless().passed
        if passed.way == "out" and word.encode() in passed.data.split()
    ]


def frames_for(purpose: str) -> list[int]:
    """Return the grabs of a run without faults whose frames are measured for this."""
    return [index for index, what in _faultless().frames if what == purpose]


def cases(sweep: Sweep, number: int, seed: int) -> Sequence[Case]:
    """Return the cases of a sweep; ``number`` and ``seed`` matter where they are drawn."""
    makers: Mapping[Sweep, Callable[[], Iterator[Case]]] = {
        "singles": lambda: all_singles(counts()),
        "doubles": lambda: _drawn(_double, number, seed),
        "bursts": lambda: _drawn(_burst, number, seed),
        "stop": _within_the_stop,
        "dead": _dead_from_here,
        "frames": _on_frames,
    }
    return tuple(makers[sweep]())


def _drawn(
    draw: Callable[[np.random.Generator, Sequence[Case]], Case], number: int, seed: int
) -> Iterator[Case]:
    singles = tuple(all_singles(counts()))
    rng = np.random.default_rng(seed)
    for _ in range(number):
        yield draw(rng, singles)


def _double(rng: np.random.Generator, singles: Sequence[Case]) -> Case:
    one, other = (singles[int(number)].faults[0] for number in rng.integers(0, len(singles), 2))
    return Case((one, other))


def _burst(rng: np.random.Generator, singles: Sequence[Case]) -> Case:
    fault = singles[int(rng.integers(0, len(singles)))].faults[0]
    return Case((replace(fault, count=int(rng.integers(2, MOST_IN_A_ROW + 1))),))


def _within_the_stop() -> Iterator[Case]:
    """Return every fault of the line at every call after the fault that brings about the stop."""
    for text in _BEFORE_THE_STOP:
        first = Case.parse(text)
        seen = run_case(first)
        begun = next(
            (
                passed.call
                for passed in seen.passed
                if passed.time_s > seen.first_fault_s - 5.0 and _is_stop(passed.data)
            ),
            len(seen.counts.line_reads) - 1,
        )
        for at in range(begun, len(seen.counts.line_reads)):
            for fault in single_faults(seen.counts, Place.LINE, at):
                yield Case((*first.faults, fault))
    normal = counts()
    for at in range(len(normal.line_reads) - 12, len(normal.line_reads)):
        for fault in single_faults(normal, Place.LINE, at):
            yield Case((fault,))


def _is_stop(data: bytes) -> bool:
    return b" M00 " in data


def _dead_from_here() -> Iterator[Case]:
    for at in range(counts().of(Place.LINE)):
        for kind in DEAD_KINDS:
            yield Case((Fault(Place.LINE, kind, at, value=math.inf),))


def _on_frames() -> Iterator[Case]:
    """Return every camera fault at every grab of a run on rendered frames."""
    made = run_case(Case(), measurement="frames").counts
    for at in range(made.camera):
        for fault in single_faults(made, Place.CAMERA, at):
            yield Case((fault,))
