"""Where vision cannot tell which return is which, the run moves them apart instead of guessing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from control.messages import Move, MovePurpose, Outcome
from station.campaign.inprocess import InProcess, MemoryRecord
from station.campaign.measures_spots import MeasuresSpots
from station.campaign.plan import CampaignPlan, deviations, setup_of
from vision.spots import NoSpot, Reason, SpotName

PLAN = CampaignPlan(benches=8, seed=5)


@dataclass
class UndecidedAtFirst:
    """The campaign's vision, which at the first looks says of both returns that they may be either."""

    inner: MeasuresSpots
    times: int
    said: int = field(default=0)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def returns(self, *given: Any) -> Any:
        seen = self.inner.returns(*given)
        if self.said >= self.times:
            return seen
        self.said += 1
        return dict.fromkeys((SpotName.FRONT, SpotName.BACK), NoSpot(Reason.UNDECIDED, "made for a test"))


def test_an_undecided_look_is_answered_by_a_sideways_move_and_the_run_goes_on() -> None:
    for index in range(4):
        run = InProcess(setup_of(PLAN, index), PLAN.seed_of(index), nuisances=deviations())
        run.eyes.measures = UndecidedAtFirst(run.eyes.measures, times=2)
        ended = run.run()
        assert isinstance(run.record, MemoryRecord)
        moves = [action for _, action in run.record.steps if isinstance(action, Move)]
        apart = [move for move in moves if "move the returns apart" in move.why]
        assert len(apart) == 2
        assert all(move.purpose is MovePurpose.SEARCH for move in apart)
        first = next(i for i, move in enumerate(moves) if move is apart[0])
        before = moves[first - 1].targets if first else dict.fromkeys(apart[0].targets, 0.0)
        changed = {name for name, value in apart[0].targets.items() if abs(value - before[name]) > 0.01}
        assert changed == {"X"}  # decentre moves the returns apart, tilt moves them together
        assert ended.finish.outcome is Outcome.ALIGNED, ended.finish.reason
