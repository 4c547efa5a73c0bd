"""What the lot report says, as text ready to be set: what happened, what to do, how the process did."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from control.messages import Outcome
from station.cautions import CAUTIONS
from station.quality.capability import Capability, NoCapability
from station.quality.lot_report.events import event_rows, plain
from station.quality.lot_report.pictures import OUTCOME_LOOKS, course_picture, process_picture
from station.quality.lot_report.process import AxisOfRecipe, expected_outside, judge_process
from station.quality.lot_report.summary import AXES, AXIS_NAMES, LotState, LotSummary, PartRow, RecipeRow
from station.quality.lot_report.tables import left_out
from station.quality.lot_report.todo import todo_list, when

_MOST_PARTS, _MOST_EVENTS, _MOST_RECIPES, _MOST_LISTED = 14, 14, 5, 2000
_LONGEST, _LONGEST_WHY, _LONGEST_HELP = 150, 100, 66
_ROOM = 1.33
Rows = tuple[tuple[str, ...], ...]

_CHARTS_NOTE = (
    "Charts: every dot is the residual of an aligned part; the solid line is the mean, dashed lines are "
    "three-sigma limits from the mean moving range (ISO 7870-2). Crosses, and arrows at the edge, are parts "
    "not aligned; the limits leave them out. Each axis by itself, since a radial error is not normal."
)
_INDEX_NOTE = (
    "Cpk with its 95 % interval is against the radial tolerance divided by the root of two on each axis "
    "(ISO 22514-2); none while the process is out of control or from fewer than 50 parts. In control means: "
    "no sign against it at a false-alarm rate of 1 % over the whole series."
)
_OUTSIDE_NOTE = (
    "Expected outside: share of parts whose radial error would exceed the tolerance if both axes are normal "
    "with the measured means and covariance; aligned parts only, none while an axis is out of control."
)


@dataclass(frozen=True, slots=True)
class LotContent:
    """The report in words and rows; every table comes with a note of what it leaves out.

    Attributes
    ----------
    title, period, headline, subline : str
    state : str
        Chooses the colour of the bar beside the headline.
    todo : tuple of str
        Most urgent first; never empty.
    tally : rows of (recipe, tolerance, parts, aligned, rejected, timed out, stopped, yield, time per part)
    set_aside, aside_serials : rows of (serial, ended, outcome, recipe, why, what helps), tuple of str
        The last parts that are not aligned, and the serial numbers of all of them.
    events, events_of : rows of (what, how often, when, stood, what helps), int
        Kinds of stops and alarms, the most serious first, and how many kinds there are.
    process_line : str
        How the process did, in a sentence.
    process : rows of (recipe, axis, parts, mean, sigma, limits, Cpk, remark)
        The recipe stands in the first of its rows only.
    outside : rows of (recipe, decentre, tilt)
    all_parts, all_parts_note : rows of (serial, ended, outcome, recipe, decentre, tilt, reason), str
        Every part, for the HTML.
    notes, cautions : tuple of str
    facts : tuple of (name, value)
    pictures : mapping of str to bytes
        PNG: "course", "process" (may be missing).
    """

    title: str
    period: str
    headline: str
    subline: str
    state: str
    todo: tuple[str, ...]
    tally: Rows
    set_aside: Rows
    aside_serials: tuple[str, ...]
    events: Rows
    events_of: int
    process: Rows
    process_line: str
    outside: Rows
    all_parts: Rows
    all_parts_note: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    pictures: Mapping[str, bytes]


def lot_content(summary: LotSummary) -> LotContent:
    """Gather what the report says."""
    judged = judge_process(summary)
    bad = [part for part in summary.products if part.outcome is not Outcome.ALIGNED]
    events = event_rows(summary)
    pictures = {"course": course_picture(summary)}
    if judged:
        pictures["process"] = process_picture(judged)
    recipes = tuple(dict.fromkeys(one.recipe for one in judged))
    return LotContent(
        title=f"{summary.title} on {summary.station}",
        period=_period(summary),
        headline=_headline(summary),
        subline=_subline(summary),
        state=summary.state.value,
        todo=todo_list(summary, judged),
        tally=_tally(summary),
        set_aside=_shortened(tuple(_aside_row(summary, part) for part in bad[-_MOST_PARTS:])),
        aside_serials=tuple(part.serial for part in bad),
        events=_shortened(events[:_MOST_EVENTS]),
        events_of=len(events),
        process=tuple(_process_row(one) for one in judged if one.recipe in recipes[:_MOST_RECIPES]),
        process_line=_process_line(judged),
        outside=tuple(
            (recipe, *expected_outside(summary, recipe, judged)) for recipe in recipes[:_MOST_RECIPES]
        ),
        all_parts=tuple(_part_row(summary, part) for part in summary.parts[-_MOST_LISTED:]),
        all_parts_note=left_out("parts", len(summary.parts), _MOST_LISTED, "the last"),
        notes=_notes(summary, len(recipes)),
        cautions=CAUTIONS,
        facts=tuple(summary.facts),
        pictures=pictures,
    )


def _headline(summary: LotSummary) -> str:
    if summary.state is LotState.STOPPED:
        last = next((stop for stop in reversed(summary.stops) if stop.end_utc is None), None)
        if last is None:
            return "Stopped"
        return f"Stopped since {when(summary, last.begin_utc)}: {last.reason}"
    if summary.state is LotState.RUNNING:
        return "Running"
    aligned = sum(part.outcome is Outcome.ALIGNED for part in summary.products)
    return f"Done: {aligned} of {len(summary.products)} parts aligned"


def _subline(summary: LotSummary) -> str:
    products = summary.products
    counts = Counter(part.outcome for part in products)
    of = "" if summary.planned is None else f" of {summary.planned}"
    words = [f"{counts[o]} {OUTCOME_LOOKS[o][0]}" for o in Outcome if counts[o] or o is Outcome.ALIGNED]
    stood = sum((end - begin).total_seconds() for begin, end in summary.standing())
    text = f"{len(products)}{of} parts finished: {', '.join(words)}"
    if products:
        text += f" ({counts[Outcome.ALIGNED] / len(products):.1%} aligned)"
    stops = len(summary.stops)
    if not stops:
        return f"{text}. The station never stood."
    return f"{text}. The station stood for {stood / 60.0:.0f} min in {stops} stop{'' if stops == 1 else 's'}."


def _period(summary: LotSummary) -> str:
    begin, end = summary.begin_utc.astimezone(summary.zone), summary.end_utc.astimezone(summary.zone)
    last = f"{end:%H:%M}" if begin.date() == end.date() else f"{end:%Y-%m-%d %H:%M}"
    zone = begin.tzname() or ""
    return f"{begin:%Y-%m-%d %H:%M} to {last} {zone}".strip()


def _tally(summary: LotSummary) -> Rows:
    rows = []
    for name, recipe in summary.recipes.items():
        parts = [part for part in summary.products if part.recipe == name]
        if parts or len(summary.recipes) == 1:
            rows.append(_tally_row(name, recipe, parts))
    if len(rows) > _MOST_RECIPES:
        rest = len(rows) - _MOST_RECIPES
        rows = [*rows[:_MOST_RECIPES], (f"{rest} more recipes", *("",) * (len(rows[0]) - 1))]
    if len(rows) > 1:
        rows.append(_tally_row("together", None, summary.products))
    return tuple(rows)


def _tally_row(name: str, recipe: RecipeRow | None, parts: Sequence[PartRow]) -> tuple[str, ...]:
    counts = Counter(part.outcome for part in parts)
    tolerance = ""
    if recipe is not None:
        name = f"{name} {recipe.version}".strip()
        tolerance = f"{recipe.tolerance_decenter_um:g} µm, {recipe.tolerance_tilt_arcsec:g} arcsec"
    order = (Outcome.ALIGNED, Outcome.REJECTED, Outcome.TIMED_OUT, Outcome.STOPPED)
    good = f"{counts[Outcome.ALIGNED] / len(parts):.1%}" if parts else "-"
    time = f"{statistics.median(part.seconds for part in parts):.0f} s" if parts else "-"
    return (name, tolerance, str(len(parts)), *(str(counts[outcome]) for outcome in order), good, time)


def _aside_row(summary: LotSummary, part: PartRow) -> tuple[str, ...]:
    outcome = OUTCOME_LOOKS[part.outcome][0]
    return (
        part.serial,
        when(summary, part.ended_utc),
        outcome,
        part.recipe,
        _shorter(plain(part.reason), _LONGEST_WHY),
        _shorter(part.remedy or "set it aside; see its record", _LONGEST_HELP),
    )


def _part_row(summary: LotSummary, part: PartRow) -> tuple[str, ...]:
    decenter = tilt = "not measured"
    if part.is_measured:
        decenter = f"{part.decenter_x_um:+.1f}, {part.decenter_y_um:+.1f}"
        tilt = f"{part.tilt_x_arcsec:+.1f}, {part.tilt_y_arcsec:+.1f}"
        if part.expanded_decenter_um is not None:
            decenter += f" (U {part.expanded_decenter_um:.1f})"
        if part.expanded_tilt_arcsec is not None:
            tilt += f" (U {part.expanded_tilt_arcsec:.1f})"
    outcome = OUTCOME_LOOKS[part.outcome][0]
    if part.is_check:
        outcome = f"check part: {outcome}"
    return (part.serial, when(summary, part.ended_utc), outcome, part.recipe, decenter, tilt, part.reason)


def _process_row(one: AxisOfRecipe) -> tuple[str, ...]:
    name, unit = AXIS_NAMES[one.axis]
    aligned = sum(part.outcome is Outcome.ALIGNED for part in one.parts)
    head = (one.recipe if one.axis == AXES[0] else "", f"{name} / {unit}", str(aligned))
    if one.chart is None:
        return (
            *head,
            "-",
            "-",
            "-",
            "none",
            one.result.reason if isinstance(one.result, NoCapability) else "",
        )
    limits = one.chart.limits
    numbers = (f"{limits.center:+.2f}", f"{limits.sigma:.2f}", f"{limits.lower:+.1f} to {limits.upper:+.1f}")
    if isinstance(one.result, NoCapability):
        return (*head, *numbers, "none", _short(one.out_of_control or one.result.reason))
    remark = "in control"
    if any("not normal" in note for note in one.result.notes):
        remark = "in control, but not normal: read the index with care"
    return (*head, *numbers, str(one.result.cpk), remark)


def _short(reason: str) -> str:
    """Return a reason without the name of the axis, which stands in the row already."""
    return reason.split(": ", 1)[-1]


def _shortened(rows: Rows) -> Rows:
    """Shorten long texts, so that none pushes the page out of shape; the export has them whole."""
    return tuple(tuple(_shorter(text, _LONGEST) for text in row) for row in rows)


def _shorter(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 4].rstrip()} ..."


def _process_line(judged: Sequence[AxisOfRecipe]) -> str:
    """Return in one sentence how the process did."""
    moved = [one for one in judged if one.out_of_control]
    if moved:
        return f"{len(moved)} of {len(judged)} axes are not in control: find out what has changed."
    known = [(one.result.cpk.value, one) for one in judged if isinstance(one.result, Capability)]
    if not known:
        return "Nothing speaks against a steady process; there are too few parts to say how well it fits."
    value, least = min(known, key=lambda found: found[0])
    fits = "fits with room to spare" if value >= _ROOM else "is tight: watch it"
    axis = AXIS_NAMES[least.axis][0]
    return (
        f"Steady: no axis has moved. The widest spread against its tolerance is that of {axis} of "
        f"{least.recipe}, Cpk {value:.2f}; it {fits} (from {_ROOM} on; common practice, no source)."
    )


def _notes(summary: LotSummary, recipes: int) -> tuple[str, ...]:
    notes = [_CHARTS_NOTE, _INDEX_NOTE, _OUTSIDE_NOTE]
    if recipes > _MOST_RECIPES:
        notes.append(f"{recipes} recipes; the tables show the first {_MOST_RECIPES}.")
    return tuple(notes)
