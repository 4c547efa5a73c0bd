"""Control that decides once for each history of observations, so that cases which look alike cost little.

Control's decisions depend on what it was told and on nothing else; the oracle holds every run to that when it
decides the record again. Runs of a sweep share most of their histories: a step lost anywhere during a look is
the same to control. The first run with a history has it decided (and decided again for the oracle, by another
aligner); the runs after it get the same answer without the search for what is wrong that it may take.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

from station.record.codec import encode

if TYPE_CHECKING:
    from control.messages import Action, Observation
    from station.runner import Decides


class Memory:
    """Answers by history of observations.

    Attributes
    ----------
    answers : dict of bytes to Action
    new : dict of bytes to Action
        Those of them that were added since :meth:`mark`.
    """

    def __init__(self) -> None:
        self.answers: dict[bytes, Action] = {}
        self.new: dict[bytes, Action] = {}

    def mark(self) -> None:
        """Start to count what is new."""
        self.new = {}

    def add(self, answers: dict[bytes, Action]) -> None:
        """Learn answers."""
        self.answers.update(answers)
        self.new.update(answers)


class Remembered:
    """Fulfils :class:`station.runner.Decides`; asks the one inside only where the history is new.

    Parameters
    ----------
    inner : Decides
        That was told nothing yet.
    memory : Memory
    """

    def __init__(self, inner: Decides, memory: Memory) -> None:
        self._inner, self._memory = inner, memory
        self._history = b""
        self._untold: list[Observation] = []

    def next_action(self, observation: Observation) -> Action:
        """Answer as the one inside would."""
        told = json.dumps(encode(observation)).encode()
        self._history = hashlib.sha256(self._history + told).digest()
        self._untold.append(observation)
        known = self._memory.answers.get(self._history)
        if known is not None:
            return known
        for missed in self._untold[:-1]:
            self._inner.next_action(missed)
        self._untold.clear()
        action = self._inner.next_action(observation)
        self._memory.add({self._history: action})
        return action
