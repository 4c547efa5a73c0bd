"""How the process did, axis by axis and recipe by recipe: charts, state of control, capability."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from control.messages import Outcome
from station.quality.capability import (
    LEAST_PARTS,
    Capability,
    NoCapability,
    axis_tolerance,
    capability,
    radial_share_outside,
)
from station.quality.checks import QualityError
from station.quality.control_charts import LIMITS_ONLY, ControlChart, control_state, individuals_chart
from station.quality.lot_report.summary import AXES, AXIS_NAMES, LotSummary, PartRow

MOST_CHARTED = 1000
"""The charts show at most the last so many parts."""


@dataclass(frozen=True, slots=True, eq=False)
class AxisOfRecipe:
    """One axis of one recipe.

    Attributes
    ----------
    recipe, axis : str
    parts : tuple of PartRow
        Measured products in time order.
    chart : ControlChart or None
        None with too few parts or without scatter; then ``why`` says so. Rejected parts are left out of it.
    out_of_control : str
        The first reason; empty in control.
    result : Capability or NoCapability
    """

    recipe: str
    axis: str
    parts: tuple[PartRow, ...]
    chart: ControlChart | None
    why: str
    out_of_control: str
    result: Capability | NoCapability

    @property
    def label(self) -> str:
        """Name of the axis with its unit."""
        name, unit = AXIS_NAMES[self.axis]
        return f"{name} / {unit}"


def judge_process(summary: LotSummary) -> tuple[AxisOfRecipe, ...]:
    """Return every axis of every recipe with measured products, recipes in the order of their first part."""
    measured = [part for part in summary.products if part.is_measured][-MOST_CHARTED:]
    recipes = dict.fromkeys(part.recipe for part in measured)
    judged = []
    for recipe in recipes:
        parts = tuple(part for part in measured if part.recipe == recipe)
        judged += [_judge(summary, recipe, axis, parts) for axis in AXES]
    return tuple(judged)


def expected_outside(summary: LotSummary, recipe: str, judged: Sequence[AxisOfRecipe]) -> tuple[str, str]:
    """Return the share of aligned parts expected outside the radial tolerances (decentre, tilt), in words."""
    parts = [part for part in summary.products if part.recipe == recipe and part.outcome is Outcome.ALIGNED]
    words = []
    moved = {one.axis for one in judged if one.recipe == recipe and one.out_of_control}
    for x, y in (AXES[:2], AXES[2:]):
        if moved & {x, y}:
            words.append("none: out of control")
            continue
        try:
            share = radial_share_outside(
                [part.residual(x) for part in parts if part.is_measured][-MOST_CHARTED:],
                [part.residual(y) for part in parts if part.is_measured][-MOST_CHARTED:],
                summary.recipes[recipe].tolerance(x),
            )
        except QualityError:
            words.append("too few")
        else:
            words.append(
                "below 1 ppm"
                if share < 1e-6
                else f"{share * 1e6:.0f} ppm"
                if share < 1e-3
                else f"{share:.1%}"
            )
    return words[0], words[1]


def _judge(summary: LotSummary, recipe: str, axis: str, parts: tuple[PartRow, ...]) -> AxisOfRecipe:
    name, unit = AXIS_NAMES[axis]
    values = [part.residual(axis) for part in parts]
    # A rejected part has a known cause; its residual says nothing about the process.
    left_out = [place for place, part in enumerate(parts) if part.outcome is not Outcome.ALIGNED]
    aligned_parts = [part for part in parts if part.outcome is Outcome.ALIGNED]
    kept = [part.residual(axis) for part in aligned_parts]
    title = f"{name} ({recipe})" if len(summary.recipes) > 1 else name
    try:
        chart = individuals_chart(
            values,
            name=title,
            unit=unit,
            labels=[part.serial for part in parts],
            rules=LIMITS_ONLY,
            excluded=left_out,
        )
        labels = [part.serial for part in aligned_parts]
        aligned = individuals_chart(kept, name=title, unit=unit, labels=labels, rules=LIMITS_ONLY)
    except QualityError as error:
        return AxisOfRecipe(recipe, axis, parts, None, str(error), "", NoCapability(title, _few(len(kept))))
    state = control_state(aligned)
    tolerance = axis_tolerance(summary.recipes[recipe].tolerance(axis))
    result: Capability | NoCapability
    if state.in_control:
        result = capability(aligned, kept, tolerance)
    else:
        result = NoCapability(title, "out of control")
    return AxisOfRecipe(recipe, axis, parts, chart, "", "" if state.in_control else state.reasons[0], result)


def _share(share: float) -> str:
    if share < 1e-6:
        return "below 1 ppm"
    return f"{share * 1e6:.0f} ppm" if share < 1e-3 else f"{share:.1%}"


def _few(count: int) -> str:
    return f"only {count} parts (from {LEAST_PARTS})"
