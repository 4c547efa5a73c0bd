"""The report as one A4 page of PDF; the same data gives the same bytes."""

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
from reportlab.platypus import Image, KeepInFrame, Paragraph, SimpleDocTemplate, Spacer, Table

if TYPE_CHECKING:
    from station.report.content import ReportData

# Pictures go in as bytes, not as text: the library's encoder in Python takes seconds.
rl_config.useA85 = 0

_WIDTH = A4[0] - 30 * mm
_LEFT = 116 * mm
_RIGHT = _WIDTH - _LEFT
_BASE = ParagraphStyle("base", fontName="Helvetica", fontSize=8, leading=10)
_SMALL = ParagraphStyle("small", parent=_BASE, fontSize=7, leading=8.6, textColor=colors.HexColor("#333333"))
_HEAD = ParagraphStyle(
    "head", parent=_BASE, fontName="Helvetica-Bold", fontSize=8.5, spaceBefore=5, spaceAfter=2
)
_TITLE = ParagraphStyle("title", parent=_BASE, fontSize=9, textColor=colors.HexColor("#444444"))
_VERDICT = ParagraphStyle("verdict", parent=_BASE, fontName="Helvetica-Bold", fontSize=16, leading=19)
_BARS = {"aligned": "#009E73", "rejected": "#D55E00", "stopped": "#555555", "timed_out": "#555555"}
_LINE = colors.HexColor("#BBBBBB")
_NOTE = (
    "Camera frames straightened to the plate (mind the scales), background taken off, brightness as a square "
    "root. Dashed circles: fitted 1/e2 radius of each spot. x to the right and y up, looking at the hole "
    "target's rear face. During verification the lens stands beside the null on purpose, so that speckle "
    "averages."
)
_RESIDUAL_SHARES = (0.2, 0.12, 0.12, 0.12, 0.13, 0.13, 0.15)


def render_pdf(data: ReportData) -> bytes:
    """Return the report as PDF of one A4 page; what does not fit is shrunk, never dropped."""
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream,
        pagesize=A4,
        leftMargin=15 * mm,
        rightMargin=15 * mm,
        topMargin=11 * mm,
        bottomMargin=9 * mm,
        title=f"{data.headline} - alignment report",
        author="coincide",
        invariant=1,
    )
    parts: list[Any] = [
        Paragraph("Alignment of one lens onto a laser beam", _TITLE),
        Spacer(1, 3),
        _verdict(data),
        *_residual(data),
        _columns(_pictures(data), [*_facts(data), *_contributions(data)]),
        _text(_NOTE, _SMALL),
        Paragraph("Cautions", _HEAD),
        _cautions(data),
    ]
    room = KeepInFrame(document.width - 12, document.height - 12, parts, mode="shrink")
    document.build([room])
    return stream.getvalue()


def _text(text: str, style: ParagraphStyle = _BASE) -> Paragraph:
    return Paragraph(escape(text), style)


def _columns(left: list[Any], right: list[Any]) -> Table:
    return Table(
        [[left or "", right or ""]],
        colWidths=[_LEFT, _RIGHT - 12],
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (0, -1), 8),
        ],
        hAlign="LEFT",
    )


def _verdict(data: ReportData) -> Table:
    lines = [_text(data.headline, _VERDICT), _text(data.reason)]
    if data.remedy:
        lines.append(_text(f"What to do: {data.remedy}"))
    bar = colors.HexColor(_BARS[data.outcome])
    return Table(
        [["", lines]],
        colWidths=[6, _WIDTH - 18],
        style=[
            ("BACKGROUND", (0, 0), (0, 0), bar),
            ("BACKGROUND", (1, 0), (1, 0), colors.HexColor("#F4F4F4")),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
        ],
        hAlign="LEFT",
    )


def _grid(rows: Sequence[Sequence[str]], widths: Sequence[float]) -> Table:
    return Table(
        [list(row) for row in rows],
        colWidths=list(widths),
        style=[
            ("FONT", (0, 0), (-1, 0), "Helvetica-Bold", 7),
            ("FONT", (0, 1), (-1, -1), "Helvetica", 7.5),
            ("ALIGN", (1, 0), (-1, -1), "RIGHT"),
            ("LINEBELOW", (0, 0), (-1, -2), 0.3, _LINE),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 0.8),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
        ],
        hAlign="LEFT",
    )


def _residual(data: ReportData) -> list[Any]:
    parts: list[Any] = []
    if data.quantities:
        head = ("", "x", "y", "radial", "U (radial)", "tolerance", "radial + U is")
        rows = [(q.name, q.x, q.y, q.radial, q.expanded, q.tolerance, q.within) for q in data.quantities]
        parts += [Paragraph("Residual error of the lens against the beam", _HEAD)]
        parts += [_grid([head, *rows], [_WIDTH * share for share in _RESIDUAL_SHARES])]
    parts += [Spacer(1, 3), _text(data.rule, _SMALL)]
    if data.true_pose:
        parts += [Spacer(1, 1), _text(data.true_pose, _SMALL)]
    return [*parts, Spacer(1, 3)]


def _contributions(data: ReportData) -> list[Any]:
    if not data.contributions:
        return []
    head = ("standard uncertainty (k = 1)", "um", "arcsec")
    return [
        Paragraph("What the uncertainty is made of", _HEAD),
        _grid([head, *data.contributions], [_RIGHT - 82, 30, 36]),
        Spacer(1, 2),
        _text(f"Dominated by: {data.dominated_by}.", _SMALL),
    ]


def _pictures(data: ReportData) -> list[Any]:
    side = 55 * mm
    rows = []
    for plate in ("hole", "reference"):
        row = [_image(data, f"{plate}_{when}", side, side) for when in ("before", "after")]
        if any(row):
            rows.append(row)
    parts: list[Any] = []
    if rows:
        flat = [(f"{edge}PADDING", (0, 0), (-1, -1), 0) for edge in ("TOP", "BOTTOM", "LEFT", "RIGHT")]
        parts.append(Table(rows, colWidths=[side + 3, side + 3], style=flat, hAlign="LEFT"))
    width = 2 * side + 6
    convergence = _image(data, "convergence", width, width * 2.7 / 4.9)
    return [*parts, convergence] if convergence else parts


def _image(data: ReportData, name: str, width: float, height: float) -> Any:
    if name not in data.pictures:
        return ""
    return Image(io.BytesIO(data.pictures[name]), width=width, height=height, hAlign="LEFT")


def _facts(data: ReportData) -> list[Any]:
    parts: list[Any] = [Paragraph("Bench, part and run", _HEAD)]
    for name, value in data.facts:
        parts.append(Paragraph(f"<b>{escape(name)}</b><br/>{escape(value)}", _SMALL))
        parts.append(Spacer(1, 2))
    return parts


def _cautions(data: ReportData) -> Table:
    return Table(
        [[[_text(line, _SMALL) for line in data.cautions]]],
        colWidths=[_WIDTH - 12],
        style=[
            ("BOX", (0, 0), (-1, -1), 1.2, colors.HexColor("#E69F00")),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ],
        hAlign="LEFT",
    )
