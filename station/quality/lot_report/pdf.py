"""The lot report as two A4 pages of PDF; the same data gives the same bytes."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Image, KeepInFrame, PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table

from station.quality.lot_report.tables import (
    ASIDE_HEAD,
    EVENT_HEAD,
    OUTSIDE_HEAD,
    PROCESS_HEAD,
    TALLY_HEAD,
    aside_left_out,
    left_out,
)

if TYPE_CHECKING:
    from station.quality.lot_report.content import LotContent

# Pictures go in as bytes, not as text: the library's encoder in Python takes seconds.
rl_config.useA85 = 0

_WIDTH = A4[0] - 30 * mm - 12
_BASE = ParagraphStyle("base", fontName="Helvetica", fontSize=8.5, leading=10.8)
_SMALL = ParagraphStyle("small", parent=_BASE, fontSize=7, leading=8.6, textColor=colors.HexColor("#333333"))
_CELL = ParagraphStyle("cell", parent=_BASE, fontSize=7.2, leading=8.6)
_CELL_RIGHT = ParagraphStyle("cell_right", parent=_CELL, alignment=2)
_HEAD_CELL = ParagraphStyle("head_cell", parent=_CELL, fontName="Helvetica-Bold")
_HEAD_RIGHT = ParagraphStyle("head_right", parent=_HEAD_CELL, alignment=2)
_HEAD = ParagraphStyle(
    "head", parent=_BASE, fontName="Helvetica-Bold", fontSize=10, leading=12, spaceBefore=7, spaceAfter=2
)
_TITLE = ParagraphStyle("title", parent=_BASE, fontSize=9, textColor=colors.HexColor("#444444"))
_BIG = ParagraphStyle("big", parent=_BASE, fontName="Helvetica-Bold", fontSize=16, leading=19)
_TODO = ParagraphStyle("todo", parent=_BASE, fontSize=9.5, leading=12, leftIndent=14, spaceAfter=2)
_TODO_PLAIN = ParagraphStyle("plain", parent=_BASE, fontSize=9.5, leading=12, spaceAfter=3)
_BARS = {"done": "#009E73", "stopped": "#D55E00", "running": "#0072B2"}
_FEWEST, _ENOUGH = 3, 6
_LINE = colors.HexColor("#BBBBBB")
_PICTURE_RATIO = {"course": 1.75 / 7.2, "process": 4.7 / 7.2}


def render_lot_pdf(content: LotContent) -> bytes:
    """Return the report as PDF of two A4 pages; long tables are cut and say so, the rest is shrunk to fit."""
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream,
        pagesize=A4,
        leftMargin=15 * mm,
        rightMargin=15 * mm,
        topMargin=11 * mm,
        bottomMargin=9 * mm,
        title=f"{content.title} - lot report",
        author="coincide",
        invariant=1,
    )
    pages = [
        KeepInFrame(document.width - 12, document.height - 12, parts, mode="shrink")
        for parts in (_first_page(content, document.height - 14), _second_page(content))
    ]
    document.build([pages[0], PageBreak(), pages[1]])
    return stream.getvalue()


def _first_page(content: LotContent, height: float) -> list[Any]:
    """Return the first page; tables are cut, and say so, before letters get small."""
    aside, events = len(content.set_aside), len(content.events)
    parts = _first_page_with(content, aside, events)
    while _height(parts) > height and (aside > _FEWEST or events > _FEWEST):
        # Events come grouped, the most serious first: their end is missed least.
        if events > max(_ENOUGH, aside - _ENOUGH) or aside <= _FEWEST:
            events -= 1
        else:
            aside -= 1
        parts = _first_page_with(content, aside, events)
    return parts


def _first_page_with(content: LotContent, aside: int, events: int) -> list[Any]:
    parts: list[Any] = [
        _text(f"Lot report: {content.title}, {content.period}", _TITLE),
        Spacer(1, 3),
        _verdict(content),
        Paragraph("What to do", _HEAD),
        *(Paragraph(f"<bullet>{n}.</bullet>{escape(line)}", _TODO) for n, line in enumerate(content.todo, 1)),
        Paragraph("What happened", _HEAD),
        *_picture(content, "course"),
        _grid(
            TALLY_HEAD, content.tally, (0.24, 0.18, 0.06, 0.08, 0.09, 0.09, 0.09, 0.08, 0.09), right_from=2
        ),
    ]
    if content.set_aside:
        parts.append(Paragraph("Parts not aligned", _HEAD))
        parts.append(_grid(ASIDE_HEAD, content.set_aside[-aside:], (0.07, 0.06, 0.08, 0.2, 0.36, 0.23)))
        parts += _note(aside_left_out(content.aside_serials, aside))
    if content.events:
        parts.append(Paragraph("Stops and alarms", _HEAD))
        parts.append(_grid(EVENT_HEAD, content.events[:events], (0.29, 0.13, 0.17, 0.08, 0.33)))
        parts += _note(left_out("kinds of stops and alarms", content.events_of, events, "the first"))
    return parts


def _height(parts: Sequence[Any]) -> float:
    """Return how high flowables stand one above the other."""
    total = 0.0
    for part in parts:
        total += float(part.wrap(_WIDTH, 1e6)[1]) + float(part.getSpaceBefore()) + float(part.getSpaceAfter())
    return total


def _second_page(content: LotContent) -> list[Any]:
    parts: list[Any] = [
        _text(f"Lot report: {content.title}, {content.period}", _TITLE),
        Paragraph("How the process did: residuals, axis by axis", _HEAD),
    ]
    if content.process:
        parts += [_text(content.process_line, _TODO_PLAIN)]
        parts += _picture(content, "process")
        widths = (0.2, 0.11, 0.07, 0.07, 0.07, 0.13, 0.15, 0.2)
        parts.append(_grid(PROCESS_HEAD, content.process, widths, right_from=2, right_to=4))
        parts.append(Spacer(1, 4))
        parts.append(_grid(OUTSIDE_HEAD, content.outside, (0.3, 0.2, 0.2)))
    else:
        parts.append(_text("No part of this period was measured."))
    parts += [Spacer(1, 3), *(_text(note, _SMALL) for note in content.notes)]
    if content.facts:
        parts.append(Paragraph("Identity", _HEAD))
        parts.append(_text("; ".join(f"{name}: {value}" for name, value in content.facts), _SMALL))
    return [*parts, Paragraph("Cautions", _HEAD), _cautions(content)]


def _text(text: str, style: ParagraphStyle = _BASE) -> Paragraph:
    return Paragraph(escape(text), style)


def _note(text: str) -> list[Any]:
    return [_text(text, _SMALL)] if text else []


def _verdict(content: LotContent) -> Table:
    return Table(
        [["", [_text(content.headline, _BIG), _text(content.subline)]]],
        colWidths=[6, _WIDTH - 6],
        style=[
            ("BACKGROUND", (0, 0), (0, 0), colors.HexColor(_BARS[content.state])),
            ("BACKGROUND", (1, 0), (1, 0), colors.HexColor("#F4F4F4")),
            ("TOPPADDING", (0, 0), (-1, -1), 3),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
        ],
        hAlign="LEFT",
    )


def _picture(content: LotContent, name: str) -> list[Any]:
    if name not in content.pictures:
        return []
    size = {"width": _WIDTH, "height": _WIDTH * _PICTURE_RATIO[name]}
    return [Image(io.BytesIO(content.pictures[name]), hAlign="LEFT", **size), Spacer(1, 2)]


def _grid(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    shares: Sequence[float],
    *,
    right_from: int = 99,
    right_to: int = 99,
) -> Table:
    """Return a table whose cells wrap; columns ``right_from`` to ``right_to`` hold numbers."""
    numbers = [right_from <= column <= right_to for column in range(len(head))]
    cells = [[_text(t, _HEAD_RIGHT if n else _HEAD_CELL) for t, n in zip(head, numbers, strict=True)]]
    for row in rows:
        cells.append([_text(t, _CELL_RIGHT if n else _CELL) for t, n in zip(row, numbers, strict=True)])
    return Table(
        cells,
        colWidths=[_WIDTH * share for share in shares],
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -2), 0.3, _LINE),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 5),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
        ],
        hAlign="LEFT",
    )


def _cautions(content: LotContent) -> Table:
    return Table(
        [[[_text(line, _SMALL) for line in content.cautions]]],
        colWidths=[_WIDTH],
        style=[
            ("BOX", (0, 0), (-1, -1), 1.2, colors.HexColor("#E69F00")),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ],
        hAlign="LEFT",
    )
