"""Too many rejects: K in a row, or more in a stretch of parts than the known share of bad lenses explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import bdtrc

from control.messages import Outcome
from station.quality.checks import require


@dataclass(frozen=True, slots=True)
class RejectLimits:
    """When rejects stop a lot.

    Attributes
    ----------
    in_a_row : int
        This many rejects one after the other stop it.
    window : int
        Length of the stretch of parts that is counted.
    share : float
        Share of bad lenses that is expected.
    false_alarm : float
        Probability that one healthy stretch holds as many rejects as stop the lot.
    """

    in_a_row: int = 3
    window: int = 40
    share: float = 0.02
    false_alarm: float = 1e-4

    def __post_init__(self) -> None:
        require(self.in_a_row >= 2, f"{self.in_a_row} rejects in a row were asked for; at least 2")
        require(self.window > self.in_a_row, f"a stretch of {self.window} parts is not longer than the run")
        require(0.0 < self.share < 0.5, f"a share of bad lenses of {self.share}; it lies between 0 and 0.5")
        require(0.0 < self.false_alarm < 0.1, f"a false-alarm probability of {self.false_alarm}; below 0.1")

    @property
    def most_in_window(self) -> int:
        """Largest number of rejects that a healthy stretch may hold (binomial distribution)."""
        most = 0
        while most < self.window and float(bdtrc(most, self.window, self.share)) > self.false_alarm:
            most += 1
        return most


@dataclass(frozen=True, slots=True)
class RejectSignal:
    """The lot has to stop; why, and what helps."""

    reason: str
    remedy: str


def reject_signal(outcomes: Sequence[Outcome], limits: RejectLimits) -> RejectSignal | None:
    """Return why the lot has to stop after these outcomes (in time order), or None.

    Only aligned and rejected parts count: a part that was stopped or timed out says nothing about lenses, it
    neither adds to a run of rejects nor ends it.
    """
    judged = [outcome for outcome in outcomes if outcome in (Outcome.ALIGNED, Outcome.REJECTED)]
    row = rejects_in_a_row(judged)
    if row >= limits.in_a_row:
        return RejectSignal(
            f"{row} parts rejected in a row, the limit is {limits.in_a_row}",
            "Read why the last ones were rejected. Measure the check part: if it fails, the bench is at "
            "fault; if it passes, the lenses are.",
        )
    recent = judged[-limits.window :]
    bad = sum(outcome is Outcome.REJECTED for outcome in recent)
    if bad > limits.most_in_window:
        return RejectSignal(
            f"{bad} of the last {len(recent)} parts rejected; with {limits.share:.0%} bad lenses no more "
            f"than {limits.most_in_window} of {limits.window} are expected",
            "Compare the rejects' reasons and their batch, and measure the check part.",
        )
    return None


def rejects_in_a_row(outcomes: Sequence[Outcome]) -> int:
    """Return how many rejects stand at the end, not counting parts that were stopped or timed out."""
    row = 0
    for outcome in reversed(outcomes):
        if outcome is Outcome.ALIGNED:
            break
        row += outcome is Outcome.REJECTED
    return row
