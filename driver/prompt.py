"""The lens-in / lens-out step done by a person who is asked on the console."""

from __future__ import annotations

import sys
from typing import TextIO

from driver.faults import DeviceFault, FaultCode

CAUTION = (
    "Before reaching in: shutter closed, stages at rest, eyewear on, the site's laser rules followed. "
    "This program is not a safety function."
)
_REFUSALS = ("n", "no", "s", "stop", "q", "quit")


class PromptLensHandler:
    """Fulfils :class:`driver.protocols.LensHandler` by asking an operator.

    Parameters
    ----------
    answers : text stream, optional
        Where the operator's lines come from; standard input by default.
    questions : text stream, optional
        Where the questions go; standard error by default, so that results on standard output stay clean.
    lens : str
        What to call the lens.
    """

    def __init__(
        self, answers: TextIO | None = None, questions: TextIO | None = None, lens: str = "the lens"
    ) -> None:
        self._answers = sys.stdin if answers is None else answers
        self._questions = sys.stderr if questions is None else questions
        self._lens = lens

    def lens_in(self) -> None:
        """Return when the operator says that the lens is in the mount.

        Raises
        ------
        DeviceFault
            HANDLER_FAILED when the operator declines or there is nobody to answer.
        """
        self._ask(f"put {self._lens} into the mount")

    def lens_out(self) -> None:
        """Return when the operator says that the beam is bare; see :meth:`lens_in`."""
        self._ask(f"take {self._lens} out of the mount, so that the beam is bare")

    def _ask(self, task: str) -> None:
        line = f"{CAUTION}\nPlease {task}, then press Enter (or type stop): "
        try:
            self._questions.write(line)
            self._questions.flush()
            answer = self._answers.readline()
        except (OSError, ValueError) as problem:
            raise self._fault(task, f"the console failed: {problem}") from problem
        if not answer:
            raise self._fault(task, "nobody is there to answer (end of input)")
        if answer.strip().lower() in _REFUSALS:
            raise self._fault(task, f"the operator answered {answer.strip()!r}")

    def _fault(self, task: str, came: str) -> DeviceFault:
        return DeviceFault(FaultCode.HANDLER_FAILED, state="waiting for the operator", asked=task, came=came)
