"""The report as one A4 page of PDF; the same data gives the same bytes."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Image, KeepInFrame, Paragraph, SimpleDocTemplate, Spacer, Table

if TYPE_CHECKING:
    from station.report.content import ReportData

_WIDTH = A4[0] - 30 * mm
_BASE = ParagraphStyle("base", fontName="Helvetica", fontSize=8, leading=10)
_SMALL = ParagraphStyle("small", parent=_BASE, fontSize=7, leading=8.6, textColor=colors.HexColor("#333333"))
_HEAD = ParagraphStyle(
    "head", parent=_BASE, fontName="Helvetica-Bold", fontSize=8.5, spaceBefore=4, spaceAfter=1
)
_TITLE = ParagraphStyle("title", parent=_BASE, fontSize=9, textColor=colors.HexColor("#444444"))
_VERDICT = ParagraphStyle("verdict", parent=_BASE, fontName="Helvetica-Bold", fontSize=16, leading=19)
_BARS = {"aligned": "#009E73", "rejected": "#D55E00", "stopped": "#555555", "timed_out": "#555555"}
_LINE = colors.HexColor("#BBBBBB")


def render_pdf(data: ReportData) -> bytes:
    """Return the report as PDF of one A4 page; what does not fit is shrunk, never dropped."""
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream,
        pagesize=A4,
        leftMargin=15 * mm,
        rightMargin=15 * mm,
        topMargin=10 * mm,
        bottomMargin=9 * mm,
        title=f"{data.headline} - alignment report",
        author="coincide",
        invariant=1,
    )
    parts: list[Any] = [
        Paragraph("Alignment of one lens onto a laser beam", _TITLE),
        Spacer(1, 3),
        _verdict(data),
        *_numbers(data),
        Spacer(1, 3),
        *_pictures(data),
        Paragraph("Bench, part and run", _HEAD),
        _facts(data),
        Spacer(1, 4),
        _cautions(data),
    ]
    document.build([KeepInFrame(document.width - 12, document.height - 12, parts, mode="shrink")])
    return stream.getvalue()


def _text(text: str, style: ParagraphStyle = _BASE) -> Paragraph:
    return Paragraph(escape(text), style)


def _verdict(data: ReportData) -> Table:
    lines = [_text(data.headline, _VERDICT), _text(data.reason)]
    if data.remedy:
        lines.append(_text(f"What to do: {data.remedy}"))
    bar = colors.HexColor(_BARS[data.outcome])
    return Table(
        [["", lines]],
        colWidths=[5, _WIDTH - 17],
        style=[
            ("BACKGROUND", (0, 0), (0, 0), bar),
            ("BACKGROUND", (1, 0), (1, 0), colors.HexColor("#F4F4F4")),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
        ],
    )


def _grid(rows: Sequence[Sequence[str]], widths: Sequence[float], numbers_from: int = 1) -> Table:
    return Table(
        [list(row) for row in rows],
        colWidths=list(widths),
        style=[
            ("FONT", (0, 0), (-1, 0), "Helvetica-Bold", 7),
            ("FONT", (0, 1), (-1, -1), "Helvetica", 7.5),
            ("ALIGN", (numbers_from, 0), (-1, -1), "RIGHT"),
            ("LINEBELOW", (0, 0), (-1, -2), 0.3, _LINE),
            ("TOPPADDING", (0, 0), (-1, -1), 0.8),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
        ],
        hAlign="LEFT",
    )


def _numbers(data: ReportData) -> list[Any]:
    parts: list[Any] = []
    if data.quantities:
        head = ("", "x", "y", "radial", "U (radial)", "tolerance", "radial + U is")
        rows = [(q.name, q.x, q.y, q.radial, q.expanded, q.tolerance, q.within) for q in data.quantities]
        parts += [Paragraph("Residual error of the lens against the beam", _HEAD)]
        parts += [_grid([head, *rows], [70, 50, 50, 50, 60, 60, 70])]
    note = f"{data.rule} {data.true_pose}" if data.true_pose else data.rule
    parts += [Spacer(1, 2), _text(note, _SMALL)]
    if data.contributions:
        head3 = ("contribution (standard uncertainty, k = 1)", "decentre / um", "tilt / arcsec")
        parts += [Paragraph("What the uncertainty is made of", _HEAD)]
        parts += [_grid([head3, *data.contributions], [270, 70, 70])]
        parts += [_text(f"Dominated by: {data.dominated_by}.", _SMALL)]
    return parts


def _pictures(data: ReportData) -> list[Any]:
    rows = []
    side = 62 * mm
    for plate in ("hole", "reference"):
        names = [f"{plate}_{when}" for when in ("before", "after")]
        if any(name in data.pictures for name in names):
            rows.append(
                [
                    Image(io.BytesIO(data.pictures[name]), width=side, height=side)
                    if name in data.pictures
                    else ""
                    for name in names
                ]
            )
    parts: list[Any] = []
    if rows:
        parts += [
            Table(rows, style=[("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0)])
        ]
        note = (
            "Camera frames straightened to the plate, background taken off, brightness as a square root. "
            "Dashed circles: fitted 1/e2 radius of each spot. x to the right and y up, looking at the hole "
            "target's rear face."
        )
        parts += [_text(note, _SMALL)]
    if "convergence" in data.pictures:
        width = _WIDTH * 0.8
        parts.append(Image(io.BytesIO(data.pictures["convergence"]), width=width, height=width * 2.9 / 7.2))
    return parts


def _facts(data: ReportData) -> Table:
    return Table(
        [[_text(name, _SMALL), _text(value, _SMALL)] for name, value in data.facts],
        colWidths=[70, _WIDTH - 82],
        style=[("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0.6)],
        hAlign="LEFT",
    )


def _cautions(data: ReportData) -> Table:
    return Table(
        [[[_text(line, _SMALL) for line in data.cautions]]],
        colWidths=[_WIDTH - 12],
        style=[
            ("BOX", (0, 0), (-1, -1), 1.2, colors.HexColor("#E69F00")),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ],
    )
