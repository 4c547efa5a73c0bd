"""What the rows of a campaign add up to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from station.campaign.outcomes import OUTCOMES, Table

CHI2_95_4: Final = 9.487729036781154
"""95 % quantile of chi-square with four degrees of freedom (handbook tables: 9.488)."""


def summary(table: Table, alignments_per_second: float | None) -> dict[str, Any]:
    """Return the object that ``coincide campaign --json`` prints.

    Parameters
    ----------
    table : mapping of str to ndarray
    alignments_per_second : float or None
        Of this invocation, all workers together; None when it computed nothing.
    """
    aligned = table["outcome"] == "aligned"
    rejected = table["outcome"] == "rejected"
    return {
        "benches": len(table["index"]),
        "outcomes": {name: int(np.sum(table["outcome"] == name)) for name in OUTCOMES},
        "false_accepts": int(np.sum(aligned & ~table["within"])),
        "false_rejects": int(np.sum(rejected & table["within"])),
        "moves": middle_and_top(table["moves"]),
        "looks": middle_and_top(table["looks"]),
        "bench_seconds": middle_and_top(table["bench_seconds"]),
        "true_decenter_um": sizes(radial(table, "true_decenter", "um")[aligned]),
        "true_tilt_arcsec": sizes(radial(table, "true_tilt", "arcsec")[aligned]),
        "coverage_95": coverage(table["distance2"], CHI2_95_4),
        "alignments_per_second": None if alignments_per_second is None else round(alignments_per_second, 2),
    }


def radial(table: Mapping[str, NDArray[Any]], name: str, unit: str) -> NDArray[np.float64]:
    """Return the radial size of a quantity with x and y columns."""
    return np.asarray(np.hypot(table[f"{name}_x_{unit}"], table[f"{name}_y_{unit}"]))


def middle_and_top(values: NDArray[Any]) -> dict[str, float]:
    """Return median, 95 % quantile and maximum."""
    return {
        "median": _short(np.median(values)),
        "p95": _short(np.quantile(values, 0.95)),
        "max": _short(np.max(values)),
    }


def sizes(values: NDArray[np.float64]) -> dict[str, float | None]:
    """Return root mean square, 95 % quantile and maximum; None of nothing."""
    if not values.size:
        return {"rms": None, "p95": None, "max": None}
    return {
        "rms": _short(np.sqrt(np.mean(values**2))),
        "p95": _short(np.quantile(values, 0.95)),
        "max": _short(np.max(values)),
    }


def coverage(distance2: NDArray[np.float64], limit: float) -> float | None:
    """Return which part of the truths lies inside the verdicts' ellipsoids; None without a verdict."""
    known = distance2[np.isfinite(distance2)]
    return round(float(np.mean(known <= limit)), 4) if known.size else None


def _short(value: Any) -> float:
    return round(float(value), 3)
