"""Many cases out of one run: where a fault is to strike, the process forks, and the child goes on with it.

What comes before the fault is the same in all cases and computed once. What a child finds is what a run of
its case from the beginning finds, bit for bit.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
from collections.abc import Sequence

from station.campaign.inprocess import Measurement
from station.config import Setup
from station.planning import aligner_of
from station.sweep.cases import Case, Place
from station.sweep.judged import Judged, judged
from station.sweep.oracle import Oracle
from station.sweep.remembered import Memory, Remembered
from station.sweep.rig import Rig

LONGEST_RUN_S = 300
"""Of real time; a run that takes longer counts as one that never ends."""


class Branching:
    """One run without faults, of which every case is a branch.

    Parameters
    ----------
    setup : Setup
    seed : int
    cases : sequence of Case
        Each with a fault at least.
    measurement : {"spots", "frames"}
    digests : bool
        Wanted of the records.
    """

    def __init__(
        self,
        setup: Setup,
        seed: int,
        cases: Sequence[Case],
        measurement: Measurement,
        *,
        digests: bool = False,
    ) -> None:
        self._digests = digests
        self._waiting: dict[tuple[Place, int], list[int]] = {}
        for number, case in enumerate(cases):
            for fault in case.faults:
                place = Place.LINE if fault.place is Place.PERSON else fault.place
                self._waiting.setdefault((place, fault.at), []).append(number)
        self._cases = tuple(cases)
        self._found: dict[int, Judged] = {}
        self._pipe: int | None = None
        self._decided, self._decided_again = Memory(), Memory()
        remembered = Remembered(aligner_of(setup), self._decided)
        self._rig = Rig(
            setup, seed, Case(), measurement=measurement, on_call=self._called, aligner=remembered
        )
        self._oracle = Oracle(self._rig.seen, self._decided_again)

    def run(self) -> dict[int, Judged]:
        """Return what came of each case by its number; a case whose calls are never made is left out."""
        gc.collect()
        gc.freeze()
        try:
            seen = self._rig.run()
            if self._pipe is not None:
                found = judged(seen, self._oracle, digest=self._digests)
                self._tell(pickle.dumps((found, self._decided.new, self._decided_again.new)))
        finally:
            if self._pipe is not None:
                os._exit(0)
            gc.unfreeze()
        return self._found

    def _called(self, place: Place, index: int) -> Case | None:
        if self._pipe is not None:
            return None
        for number in self._waiting.get((place, index), ()):
            if number in self._found:
                continue
            self._oracle.follow(self._rig.seen)
            reading, writing = os.pipe()
            child = os.fork()
            if child == 0:
                os.close(reading)
                self._become_child(writing)
                return self._cases[number]
            os.close(writing)
            self._found[number] = self._heard(reading, child, self._cases[number])
        return None

    def _heard(self, reading: int, child: int, case: Case) -> Judged:
        with os.fdopen(reading, "rb") as pipe:
            data = pipe.read()
        _, status = os.waitpid(child, 0)
        if data and status == 0:
            found: Judged
            found, decided, decided_again = pickle.loads(data)
            self._decided.add(decided)
            self._decided_again.add(decided_again)
            return found
        if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGALRM:
            why = f"bound: no end within {LONGEST_RUN_S} s of real time"
        else:
            why = f"raised: the process ended with status {status}"
        return Judged(str(case), "raised", (why,), 0.0)

    def _become_child(self, pipe: int) -> None:
        self._pipe = pipe
        self._decided.mark()
        self._decided_again.mark()
        gc.disable()
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(LONGEST_RUN_S)

    def _tell(self, data: bytes) -> None:
        assert self._pipe is not None
        with os.fdopen(self._pipe, "wb", closefd=False) as pipe:
            pipe.write(data)
