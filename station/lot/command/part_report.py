"""The report of one part from the archive: how it ended, how the spots came in, every step, its frames."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Image, Paragraph, SimpleDocTemplate, Spacer, Table

from station.archive import Archive, ArchiveError, DecisionStep, FinalRecord, LookStep, MoveStep
from station.archive.parts.reading import PartFound
from station.cautions import CAUTIONS
from station.quality.lot_report.events import plain
from station.quality.pictures.style import BLUE, GREEN, GREY, ORANGE, picture_bytes, sheet

_SPOTS = (
    ("front", BLUE, "o", "front return"),
    ("back", ORANGE, "s", "back return"),
    ("transmitted", GREEN, "^", "transmitted"),
)
_MOST_FRAMES, _MOST_STEPS, _FRAME_PX = 4, 60, 420
_WIDTH = A4[0] - 30 * mm
_BASE = ParagraphStyle("base", fontName="Helvetica", fontSize=8, leading=10)
_HEAD = ParagraphStyle(
    "head", parent=_BASE, fontName="Helvetica-Bold", fontSize=10, leading=14, spaceBefore=6
)
_BIG = ParagraphStyle("big", parent=_BASE, fontName="Helvetica-Bold", fontSize=15, leading=18, spaceAfter=4)
STEP_HEAD = ("step", "time / s", "what", "why")


@dataclass(frozen=True, slots=True)
class PartContent:
    """What the report of one part says.

    Attributes
    ----------
    headline : str
    facts : tuple of (name, value)
    steps : tuple of rows as `STEP_HEAD`, steps_note : str
        Of the attempt that finished it; the JSON has those of all attempts.
    course : bytes or None
        PNG: how far each spot was from its target, look by look.
    frames : tuple of (words, PNG)
    cautions : tuple of str
    """

    headline: str
    facts: tuple[tuple[str, str], ...]
    steps: tuple[tuple[str, ...], ...]
    steps_note: str
    course: bytes | None
    frames: tuple[tuple[str, bytes], ...]
    cautions: tuple[str, ...] = CAUTIONS


def part_content(archive: Archive, part: PartFound) -> PartContent:
    """Gather what the report of one part says."""
    final = part.final
    attempts = archive.parts.attempts(part.part_id)
    number = final.attempt if final is not None else max((one.number for one in attempts), default=0)
    steps = archive.parts.steps(part.part_id, number) if number else ()
    rows = [
        (str(step.number), f"{step.time_s:.1f}", _what(step), plain(step.why) if step.why else "")
        for step in steps
        # A look or a move has a row of its own; that it was decided says nothing more.
        if not (isinstance(step, DecisionStep) and step.kind in ("Look", "Move"))
    ]
    note = "" if len(rows) <= _MOST_STEPS else f"{len(rows)} steps; the last {_MOST_STEPS} are shown."
    looks = [step for step in steps if isinstance(step, LookStep)]
    return PartContent(
        headline=f"Part {part.serial}: {final.outcome if final is not None else part.state}",
        facts=_facts(archive, part, len(attempts)),
        steps=tuple(rows[-_MOST_STEPS:]),
        steps_note=note,
        course=None if final is None else course_picture(looks, final),
        frames=_frames(archive, part),
    )


def course_picture(looks: Sequence[LookStep], final: FinalRecord) -> bytes | None:
    """Return how far each spot was from its target with each look; None where that is not known."""
    offsets: Any = final.spots or {}
    found = []
    for name, colour, marker, words in _SPOTS:
        seen = [(number, _center(look, name)) for number, look in enumerate(looks, 1)]
        places = [(number, center) for number, center in seen if center is not None]
        offset = offsets.get(f"{name}_mm")
        if not places or offset is None or _center(looks[-1], name) is None:
            continue
        target = places[-1][1] - np.array(offset)
        far_um = [max(1e3 * float(np.hypot(*(center - target))), 0.1) for _, center in places]
        found.append(([number for number, _ in places], far_um, colour, marker, words))
    if not found:
        return None
    with sheet(7.2, 2.4) as figure:
        axes = figure.add_axes((0.09, 0.19, 0.895, 0.68))
        for numbers, far_um, colour, marker, words in found:
            axes.plot(numbers, far_um, marker=marker, ms=4, color=colour, label=words)
        axes.set_yscale("log")
        axes.set_xlabel("look")
        axes.set_ylabel("from target / µm")
        axes.grid(axis="y", color=GREY, alpha=0.25, lw=0.5)
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.2)
        return picture_bytes(figure, "png")


def render_part_html(contents: Sequence[PartContent]) -> str:
    """Return the report as HTML; pictures are inside, nothing is fetched from anywhere."""
    environment = Environment(
        loader=PackageLoader("station", "templates"), autoescape=True, undefined=StrictUndefined
    )
    encode = {"encode": lambda png: base64.b64encode(png).decode("ascii")}
    return environment.get_template("part_report.html").render(parts=contents, head=STEP_HEAD, **encode)


def render_part_pdf(contents: Sequence[PartContent]) -> bytes:
    """Return the report as PDF; the same data gives the same bytes."""
    stream = io.BytesIO()
    margins = {"leftMargin": 15 * mm, "rightMargin": 15 * mm, "topMargin": 12 * mm, "bottomMargin": 12 * mm}
    document = SimpleDocTemplate(stream, pagesize=A4, title="part report", invariant=1, **margins)
    parts: list[Any] = []
    for content in contents:
        parts += [_text(content.headline, _BIG), _grid([*content.facts], (0.22, 0.78))]
        if content.course is not None:
            parts += [_text("How the spots came in", _HEAD), _image(content.course, 2.4 / 7.2)]
        for words, png in content.frames:
            parts += [_text(words), _image(png, None, 0.5), Spacer(1, 3)]
        parts += [_text("Steps", _HEAD), _grid([STEP_HEAD, *content.steps], (0.07, 0.1, 0.33, 0.5))]
        parts += [_text(content.steps_note)] if content.steps_note else []
    parts += [_text("Cautions", _HEAD), *(_text(line) for line in CAUTIONS)]
    document.build(parts)
    return stream.getvalue()


# --- pieces -------------------------------------------------------------------------------------------------


def _what(step: Any) -> str:
    if isinstance(step, LookStep):
        unseen = [name for name, spot in dict(step.spots).items() if "center_mm" not in spot]
        return f"look, {step.frames} frames" + (f"; not seen: {', '.join(unseen)}" if unseen else "")
    if isinstance(step, MoveStep):
        there = ", ".join(f"{name} {value:g}" for name, value in step.positions.items())
        return f"move ({step.purpose}) to {there}"
    return f"decided: {step.kind}"


def _center(look: LookStep, name: str) -> Any:
    spots: Any = look.spots
    center = spots.get(name, {}).get("center_mm")
    return None if center is None else np.array(center, dtype=float)


def _facts(archive: Archive, part: PartFound, attempts: int) -> tuple[tuple[str, str], ...]:
    final = part.final
    if final is None:
        return (("state", part.state), ("attempts", str(attempts)))
    setup, recipe = archive.parts.setup(final.setup_id), archive.recipes.by_id(final.recipe_id)
    facts = [
        ("why", plain(final.reason)),
        ("what helps", final.remedy or "-"),
        ("decentre x, y", _pair(final.decenter_x_um, final.decenter_y_um, final.expanded_decenter_um, "µm")),
        ("tilt x, y", _pair(final.tilt_x_arcsec, final.tilt_y_arcsec, final.expanded_tilt_arcsec, "arcsec")),
        ("tolerance", f"{final.tolerance_decenter_um} µm, {final.tolerance_tilt_arcsec} arcsec (radial)"),
        ("verified", "yes, after the last move and after fixing" if final.verified else "no"),
    ]
    if final.shift_decenter_x_um is not None:
        shift = _pair(final.shift_decenter_x_um, final.shift_decenter_y_um, None, "µm")
        turn = _pair(final.shift_tilt_x_arcsec, final.shift_tilt_y_arcsec, None, "arcsec")
        facts.append(("shift by fixing", f"{shift}; {turn}"))
    facts += [
        ("recipe, station", f"{recipe.title}, {final.station}"),
        ("bench", f"{setup.bench}, file {setup.bench_sha256[:12]}, {setup.controller}"),
        (
            "time",
            f"{_at(final.started_utc)} to {_at(final.ended_utc)}, attempt {final.attempt} of {attempts}",
        ),
        ("record", f"SHA-256 {final.sha256}"),
    ]
    return tuple(facts)


def _pair(x: float | None, y: float | None, expanded: float | None, unit: str) -> str:
    if x is None or y is None:
        return "not measured"
    return f"{x:+.1f}, {y:+.1f} {unit}" + (
        "" if expanded is None else f" (expanded uncertainty {expanded:.1f})"
    )


def _at(time: datetime) -> str:
    return f"{time.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"


def _frames(archive: Archive, part: PartFound) -> tuple[tuple[str, bytes], ...]:
    shown: list[tuple[str, bytes]] = []
    for kept in archive.frames.of_part(part.part_id):
        if kept.purpose not in ("returns", "transmitted") or kept.pruned_utc is not None:
            continue
        try:
            pixels = archive.frames.pixels(kept)
        except ArchiveError:
            continue  # no folder here, or the file is gone: the row is in the export all the same
        words = f"{kept.rule.value} frame, {kept.purpose}, {kept.camera}, attempt {kept.attempt}"
        shown.append((words, _seen_png(pixels)))
    return (*shown[:2], *shown[2:][-(_MOST_FRAMES - 2) :])


def _seen_png(pixels: Any) -> bytes:
    """Return a frame as a small picture, brightness as a square root."""
    import cv2  # noqa: PLC0415  a fifth of a second to load, and only frames need it

    scale = _FRAME_PX / max(pixels.shape)
    small = cv2.resize(pixels.astype(np.float32), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    bright = np.sqrt(small / max(float(small.max()), 1.0))
    _, data = cv2.imencode(".png", np.round(255 * bright).astype(np.uint8))
    return bytes(data.tobytes())


def _text(text: str, style: ParagraphStyle = _BASE) -> Paragraph:
    return Paragraph(escape(text), style)


def _image(png: bytes, ratio: float | None, share: float = 1.0) -> Image:
    picture = Image(io.BytesIO(png), hAlign="LEFT")
    ratio = picture.imageHeight / picture.imageWidth if ratio is None else ratio
    picture.drawWidth, picture.drawHeight = share * _WIDTH, share * _WIDTH * ratio
    return picture


def _grid(rows: Sequence[Sequence[str]], shares: Sequence[float]) -> Table:
    cells = [[_text(cell) for cell in row] for row in rows]
    style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
    style += [("TOPPADDING", (0, 0), (-1, -1), 0.5), ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5)]
    return Table(cells, colWidths=[_WIDTH * share for share in shares], style=style, hAlign="LEFT")
