"""What the lot runner asks after every part: whether the process drifts, whether rejects are too many."""

from station.quality.lot_watch.drift import DriftSettings, DriftSignal, DriftWatch, Ewma, cusum, ewma
from station.quality.lot_watch.rejects import RejectLimits, RejectSignal, reject_signal, rejects_in_a_row
from station.quality.lot_watch.run_lengths import cusum_run_length, rejects_in_a_row_run_length

__all__ = [
    "DriftSettings",
    "DriftSignal",
    "DriftWatch",
    "Ewma",
    "RejectLimits",
    "RejectSignal",
    "cusum",
    "cusum_run_length",
    "ewma",
    "reject_signal",
    "rejects_in_a_row",
    "rejects_in_a_row_run_length",
]
