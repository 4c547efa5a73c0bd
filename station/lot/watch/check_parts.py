"""The check part: a lens that is known to be good, measured at the start and every so many parts.

When it is rejected, the station is in doubt, and with it every part since the check part passed last.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from control.messages import Outcome
from station.archive import Archive, FinalRecord, PartKind
from station.lot.order import Order, RecipeOfLot
from station.lot.settings import CheckPartTable
from station.lot.watch.alarms import Cause

FAILED = "check_part_failed"
_REMEDY = (
    "see that the check part is the right one, clean and well seated; check plates, cameras and beam; "
    "hold the parts in doubt back and measure them again; then resume the lot"
)


@dataclass(slots=True)
class CheckParts:
    """Says when the check part is due, and what its result means.

    Parameters
    ----------
    archive : Archive
    table : CheckPartTable
    order : Order
    """

    archive: Archive
    table: CheckPartTable
    order: Order
    _since: int = field(default=0, init=False)
    _due: bool = field(default=False, init=False)

    def begin(self) -> None:
        """Find out whether it is due first; put right what a crash between failure and doubt left undone."""
        if self.table.serial is None:
            return
        last = self._last()
        failed = last is not None and last.outcome == Outcome.REJECTED.value
        self._due = self.table.at_start or failed
        if last is not None and failed and not self.archive.doubts.of_check(last.part_id):
            self._raise_doubts(last)

    @property
    def recipe(self) -> RecipeOfLot:
        """Recipe that the check part is measured by; it is not fixed."""
        return self.order.recipes[self.table.recipe or next(iter(self.order.recipes))]

    @property
    def due(self) -> bool:
        """Whether it is measured before the next part."""
        return self.table.serial is not None and (self._due or self._since >= self.table.every_parts)

    @property
    def due_at_end(self) -> bool:
        """Whether it is measured after the last part."""
        return self.table.serial is not None and self.table.at_end and self._since > 0

    def announce(self) -> None:
        """Put it into its lot once more."""
        assert self.table.serial is not None
        self.archive.lots.announce(self.recipe.lot.id, self.table.serial, kind=PartKind.CHECK)

    def count_part(self) -> None:
        """Note that one more part is done."""
        self._since += 1

    def take(self, final: FinalRecord) -> Cause | None:
        """Note a result; return why the lot has to stop, None where it may go on.

        A check without a verdict says nothing: it stays due.
        """
        outcome = Outcome(final.outcome)
        if outcome is Outcome.ALIGNED:
            self._since, self._due = 0, False
            return None
        self._due = True
        if outcome is not Outcome.REJECTED:
            return None
        count = self._raise_doubts(final)
        words = f"the check part failed: {final.reason}; {count} parts since it passed last are in doubt"
        return Cause(FAILED, words, _REMEDY, self.table.serial or "")

    def _raise_doubts(self, final: FinalRecord) -> int:
        who = f"station {self.archive.context.station}"
        why = f"check part: {final.reason}"
        return len(self.archive.doubts.raise_since_last_pass(final.part_id, who=who, why=why))

    def _last(self) -> FinalRecord | None:
        """Return the newest record of the check part at this station in this lot."""
        assert self.table.serial is not None
        found = self.archive.parts.find(self.table.serial, lot_id=self.recipe.lot.id)
        station = self.archive.context.station
        mine = [part.final for part in found if part.final is not None and part.final.station == station]
        return max(mine, key=lambda final: final.id, default=None)
