"""The one-page report of a run, from its record: what both the HTML and the PDF say."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from control.messages import Finish, Outcome, Verdict
from station.cautions import CAUTIONS
from station.config import Setup
from station.config.loading import setup_from_record
from station.record.history import History, history_of

_HEADLINES = {
    Outcome.ALIGNED: "Aligned",
    Outcome.REJECTED: "Part rejected",
    Outcome.STOPPED: "Stopped, not aligned",
    Outcome.TIMED_OUT: "Timed out, not aligned",
}
_SMALL_SHARE = 0.05
PICTURE_NAMES = ("hole_before", "hole_after", "reference_before", "reference_after")


@dataclass(frozen=True, slots=True)
class Quantity:
    """One line of the verdict: what is left, how surely, what is allowed."""

    name: str
    x: str
    y: str
    radial: str
    expanded: str
    tolerance: str
    within: str


@dataclass(frozen=True, slots=True)
class ReportData:
    """What a report says, as text ready to be set.

    Attributes
    ----------
    headline, reason, remedy : str
    outcome : str
        Value of the outcome; chooses the colour of the headline.
    quantities : tuple of Quantity
        Empty without a verdict.
    rule : str
        How pass and fail are decided.
    contributions : tuple of (name, decentre, tilt)
    dominated_by : str
    facts : tuple of (name, value)
    true_pose : str
        What an independent witness says; empty without one.
    pictures : mapping of str to bytes
        PNG files by name; may lack some.
    cautions : tuple of str
    """

    headline: str
    outcome: str
    reason: str
    remedy: str
    quantities: tuple[Quantity, ...]
    rule: str
    contributions: tuple[tuple[str, str, str], ...]
    dominated_by: str
    facts: tuple[tuple[str, str], ...]
    true_pose: str
    pictures: Mapping[str, bytes]
    cautions: tuple[str, ...]


def report_data(record: Mapping[str, Any], folder: Path) -> ReportData:
    """Gather what the report says from a record; pictures are read from ``folder``."""
    setup = setup_from_record(record["configuration"])
    history = history_of(record["steps"])
    finish = history.finish or Finish(Outcome.STOPPED, "the run did not come to its end")
    verdict = finish.verdict
    result = record["result"] or {}
    pictures = {
        name: (folder / file).read_bytes()
        for name, file in record["pictures"].items()
        if (folder / file).is_file()
    }
    return ReportData(
        headline=_HEADLINES[finish.outcome],
        outcome=finish.outcome.value,
        reason=finish.reason,
        remedy=finish.remedy,
        quantities=() if verdict is None else _quantities(verdict),
        rule=_rule(verdict, setup),
        contributions=() if verdict is None else _contributions(verdict),
        dominated_by="" if verdict is None else verdict.dominated_by,
        facts=_facts(record, setup, history),
        true_pose=_true_pose(result.get("true_pose")),
        pictures=pictures,
        cautions=CAUTIONS,
    )


def _quantities(verdict: Verdict) -> tuple[Quantity, ...]:
    rows = (
        ("Decentre", "um", verdict.decenter_um, verdict.expanded_decenter_um, verdict.tolerance_decenter_um),
        ("Tilt", "arcsec", verdict.tilt_arcsec, verdict.expanded_tilt_arcsec, verdict.tolerance_tilt_arcsec),
    )
    quantities = []
    for name, unit, (x, y), expanded, tolerance in rows:
        radial = math.hypot(x, y)
        quantities.append(
            Quantity(
                name=f"{name} / {unit}",
                x=_signed(x),
                y=_signed(y),
                radial=f"{radial:.1f}",
                expanded=f"{expanded:.1f}",
                tolerance=f"{tolerance:g}",
                within="within" if radial + expanded <= tolerance else "not within",
            )
        )
    return tuple(quantities)


def _signed(value: float) -> str:
    """Return a number with its sign; what rounds to nothing has none."""
    text = f"{value:+.1f}"
    return text[1:] if float(text) == 0.0 else text


def _rule(verdict: Verdict | None, setup: Setup) -> str:
    if verdict is None:
        tolerance = setup.recipe.tolerance
        return (
            f"No verdict was reached. The tolerance is {tolerance.decenter_um:g} um of decentre and "
            f"{tolerance.tilt_arcsec:g} arcsec of tilt."
        )
    return (
        "A part passes only if residual plus expanded uncertainty lies within the tolerance (guard band "
        "after ISO 14253-1). U is the expanded radial uncertainty, coverage "
        f"{setup.recipe.tolerance.coverage:.0%}, coverage factor k = {verdict.coverage_factor:.4g} "
        "(JCGM 100)."
    )


def _contributions(verdict: Verdict) -> tuple[tuple[str, str, str], ...]:
    """Return the contributions, the largest share first; those that round to nothing are added up."""
    total_um = math.hypot(*(decenter for decenter, _ in verdict.contributions.values())) or 1.0
    total_arcsec = math.hypot(*(tilt for _, tilt in verdict.contributions.values())) or 1.0

    def share(item: tuple[str, tuple[float, float]]) -> float:
        return max(item[1][0] / total_um, item[1][1] / total_arcsec)

    ordered = sorted(verdict.contributions.items(), key=share, reverse=True)
    shown = [item for item in ordered if share(item) >= _SMALL_SHARE]
    small = ordered[len(shown) :]
    rows = [(name, f"{decenter:.2f}", f"{tilt:.2f}") for name, (decenter, tilt) in shown]
    if small:
        decenter = math.hypot(*(values[0] for _, values in small))
        tilt = math.hypot(*(values[1] for _, values in small))
        rows.append((f"{len(small)} smaller ones", f"{decenter:.2f}", f"{tilt:.2f}"))
    rows.append(("together", f"{total_um:.2f}", f"{total_arcsec:.2f}"))
    return tuple(rows)


def _facts(record: Mapping[str, Any], setup: Setup, history: History) -> tuple[tuple[str, str], ...]:
    lens, bench = setup.recipe.lens, setup.bench
    radii = ", ".join("plano" if math.isinf(s.radius_mm) else f"{s.radius_mm:+g}" for s in lens.surfaces)
    thickness = ", ".join(f"{value:g}" for value in lens.thicknesses_mm)
    seed = "" if record["seed"] is None else f", seed {record['seed']}"
    return (
        ("Lens", f"{lens.name}: {', '.join(lens.glasses)}, radii {radii} mm, thickness {thickness} mm"),
        ("Recipe", f"{setup.recipe.name} (sha256 {record['configuration']['recipe']['sha256'][:12]})"),
        ("Bench", f"{bench.name} (sha256 {record['configuration']['bench']['sha256'][:12]})"),
        (
            "Layout",
            f"L1 {bench.layout.l1_mm:g} mm, L2 {bench.layout.l2_mm:g} mm, {bench.beam.wavelength_nm:g} nm",
        ),
        ("Controller", record["controller"]),
        ("Started (UTC)", record["started_utc"]),
        (
            "Effort",
            f"{len(history.looks)} looks, {history.test_moves} test moves, {history.moves} moves, "
            f"{history.bench_seconds:.0f} s of bench time",
        ),
        ("Software", f"coincide {record['software'].get('coincide', '(not installed)')}{seed}"),
    )


def _true_pose(pose: Mapping[str, Any] | None) -> str:
    if pose is None:
        return ""
    (dx, dy), (tx, ty) = pose["decenter_um"], pose["tilt_arcsec"]
    return (
        f"Independent witness, read after the verdict: decentre ({_signed(dx)}, {_signed(dy)}) um, "
        f"radial {math.hypot(dx, dy):.1f} um; tilt ({_signed(tx)}, {_signed(ty)}) arcsec, "
        f"radial {math.hypot(tx, ty):.1f} arcsec."
    )
