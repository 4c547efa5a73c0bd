"""Whether the process still is what it was: rejects and drift, judged after every part."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from control.messages import Outcome
from station.archive import FinalRecord, Severity
from station.lot.settings import LotTable
from station.lot.watch.alarms import Cause
from station.quality.lot_watch import DriftSettings, DriftWatch, RejectLimits, reject_signal

_AXES = (
    ("decenter_x_um", "decentre x", "um"),
    ("decenter_y_um", "decentre y", "um"),
    ("tilt_x_arcsec", "tilt x", "arcsec"),
    ("tilt_y_arcsec", "tilt y", "arcsec"),
)


@dataclass(slots=True)
class ProcessWatch:
    """Takes final records in the order in which they are made.

    Parameters
    ----------
    settings : LotTable
    """

    settings: LotTable
    _outcomes: deque[Outcome] = field(init=False)
    _drifts: dict[tuple[str, str], DriftWatch] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        self._outcomes = deque(maxlen=self.settings.rejects.window + self.settings.rejects.in_a_row)

    def take(self, recipe: str, final: FinalRecord) -> list[tuple[Severity, Cause]]:
        """Return what there is to say after one more part."""
        outcome = Outcome(final.outcome)
        self._outcomes.append(outcome)
        told = self._rejects(outcome)
        if outcome is Outcome.ALIGNED:
            told += self._drift(recipe, final)
        return told

    def _rejects(self, outcome: Outcome) -> list[tuple[Severity, Cause]]:
        if outcome is not Outcome.REJECTED:
            return []
        table = self.settings.rejects
        limits = RejectLimits(in_a_row=table.in_a_row, window=table.window, share=table.share)
        signal = reject_signal(list(self._outcomes), limits)
        if signal is None:
            return []
        self._outcomes.clear()
        return [(Severity.STOP, Cause("too_many_rejects", signal.reason, signal.remedy))]

    def _drift(self, recipe: str, final: FinalRecord) -> list[tuple[Severity, Cause]]:
        told = []
        for column, words, unit in _AXES:
            value = getattr(final, column)
            if value is None:
                continue
            key = (recipe, column)
            settings = DriftSettings(warn=self.settings.drift.warn, stop=self.settings.drift.stop)
            watch = self._drifts.get(key) or DriftWatch(f"{words} of {recipe}", unit, settings)
            watch = watch.with_value(value)
            signal = watch.signal
            if signal is not None:
                severity = Severity.STOP if signal.stop else Severity.WARNING
                cause = Cause("process_drifts", signal.reason, signal.remedy, f"{words} of {recipe}")
                told.append((severity, cause))
                # After a stop a person has dealt with it; what is usual stays known.
                watch = watch.restarted() if signal.stop else watch
            self._drifts[key] = watch
        return sorted(told, key=lambda one: one[0] is not Severity.STOP)
