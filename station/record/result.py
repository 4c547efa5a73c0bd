"""The one object that ``--json`` prints, and the exit status that goes with it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from control.messages import Finish, Outcome, Verdict
from station.record.history import History
from vision.spots import SpotName

EXIT_BAD_INPUT = 2
EXIT_STATUS: Mapping[Outcome, int] = {
    Outcome.ALIGNED: 0,
    Outcome.REJECTED: 1,
    Outcome.STOPPED: 3,
    Outcome.TIMED_OUT: 4,
}


def result_object(
    finish: Finish,
    history: History,
    *,
    compute_seconds: float,
    run_dir: Path,
    true_pose: Mapping[str, Any] | None,
) -> dict[str, Any]:
    """Return the result of a run as plain JSON values.

    Parameters
    ----------
    finish : Finish
        What control ended with.
    history : History
        The course of the run.
    compute_seconds : float
        Time spent on decisions and images.
    run_dir : Path
    true_pose : mapping or None
        What the bench's witness says; None without one.
    """
    result: dict[str, Any] = {
        "outcome": finish.outcome.value,
        "reason": finish.reason,
        "looks": len(history.looks),
        "test_moves": history.test_moves,
        "moves": history.moves,
        "bench_seconds": round(history.bench_seconds, 3),
        "compute_seconds": round(compute_seconds, 3),
        "pose": None if finish.verdict is None else _pose(finish.verdict),
        "spots": _spots(history),
        "run_dir": str(run_dir),
    }
    if true_pose is not None:
        result["true_pose"] = {
            key: [round(float(value), 4) for value in true_pose[key]]
            for key in ("decenter_um", "tilt_arcsec")
        }
    return result


def _pose(verdict: Verdict) -> dict[str, Any]:
    return {
        "decenter_um": [round(value, 4) for value in verdict.decenter_um],
        "tilt_arcsec": [round(value, 4) for value in verdict.tilt_arcsec],
        "expanded_uncertainty": {
            "decenter_um": round(verdict.expanded_decenter_um, 4),
            "tilt_arcsec": round(verdict.expanded_tilt_arcsec, 4),
        },
        "coverage_factor": verdict.coverage_factor,
    }


def _spots(history: History) -> dict[str, list[float] | None]:
    """Return each spot of the last look, seen from its target; null where it was not measured."""
    offsets = history.looks[-1].offset_mm if history.looks else {}
    return {
        f"{name.value}_mm": [round(value, 6) for value in offsets[name]] if name in offsets else None
        for name in SpotName
    }
