"""The few shapes that a printed sheet is made of, and their two writers: PDF and SVG. Lengths in mm, y up."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

Shade = Literal["black", "white"]
_MM_PER_POINT = 25.4 / 72


@dataclass(frozen=True, slots=True)
class Rectangle:
    """Lower left corner, size; filled, or outlined with ``line_mm`` where ``fill`` is None."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    fill: Shade | None
    line_mm: float


@dataclass(frozen=True, slots=True)
class Circle:
    """An outlined circle; the radius is that of the middle of the line."""

    x_mm: float
    y_mm: float
    radius_mm: float
    line_mm: float


@dataclass(frozen=True, slots=True)
class Disc:
    """A filled circle."""

    x_mm: float
    y_mm: float
    radius_mm: float
    fill: Shade


@dataclass(frozen=True, slots=True)
class Line:
    """A straight black line with square-cut ends."""

    x1_mm: float
    y1_mm: float
    x2_mm: float
    y2_mm: float
    line_mm: float


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text from its lower left corner; size in points."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float


Shape = Rectangle | Circle | Disc | Line | Words


def to_pdf(shapes: Sequence[Shape], page_mm: tuple[float, float], title: str) -> bytes:
    """Return the shapes as a PDF of one page."""
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(page_mm[0] * mm, page_mm[1] * mm), invariant=True)
    canvas.setTitle(title)
    # Ask viewers not to scale in printing; the reader is told as well, since not all obey.
    canvas.setViewerPreference("PrintScaling", "None")
    for shape in shapes:
        _draw(canvas, shape)
    canvas.save()
    return file.getvalue()


def _draw(canvas: Canvas, shape: Shape) -> None:
    canvas.setStrokeGray(0)
    canvas.setFillGray(1 if isinstance(shape, Rectangle | Disc) and shape.fill == "white" else 0)
    match shape:
        case Rectangle():
            filled = shape.fill is not None
            canvas.setLineWidth(shape.line_mm * mm)
            size = (shape.width_mm * mm, shape.height_mm * mm)
            canvas.rect(shape.x_mm * mm, shape.y_mm * mm, *size, stroke=not filled, fill=filled)
        case Circle():
            canvas.setLineWidth(shape.line_mm * mm)
            canvas.circle(shape.x_mm * mm, shape.y_mm * mm, shape.radius_mm * mm, stroke=1, fill=0)
        case Disc():
            canvas.circle(shape.x_mm * mm, shape.y_mm * mm, shape.radius_mm * mm, stroke=0, fill=1)
        case Line():
            canvas.setLineWidth(shape.line_mm * mm)
            canvas.line(shape.x1_mm * mm, shape.y1_mm * mm, shape.x2_mm * mm, shape.y2_mm * mm)
        case Words():
            canvas.setFont("Helvetica", shape.size_pt)
            canvas.drawString(shape.x_mm * mm, shape.y_mm * mm, shape.text)


def to_svg(shapes: Sequence[Shape], page_mm: tuple[float, float], title: str) -> str:
    """Return the shapes as an SVG whose units are mm."""
    width, height = page_mm
    body = "\n".join(_element(shape, height) for shape in shapes)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">\n<title>{escape(title)}</title>\n'
        f'<rect width="{width:g}" height="{height:g}" fill="white"/>\n{body}\n</svg>\n'
    )


def _element(shape: Shape, page_height: float) -> str:
    """Return one SVG element; SVG's y runs down."""
    match shape:
        case Rectangle(x, y, width, height, fill, line):
            look = f'fill="{fill}"' if fill else f'fill="none" stroke="black" stroke-width="{line:g}"'
            top = page_height - y - height
            return f'<rect x="{x:.4f}" y="{top:.4f}" width="{width:.4f}" height="{height:.4f}" {look}/>'
        case Circle(x, y, radius, line):
            look = f'fill="none" stroke="black" stroke-width="{line:g}"'
            return f'<circle cx="{x:.4f}" cy="{page_height - y:.4f}" r="{radius:.4f}" {look}/>'
        case Disc(x, y, radius, shade):
            return f'<circle cx="{x:.4f}" cy="{page_height - y:.4f}" r="{radius:.4f}" fill="{shade}"/>'
        case Line(x1, y1, x2, y2, line):
            ends = f'x1="{x1:.4f}" y1="{page_height - y1:.4f}" x2="{x2:.4f}" y2="{page_height - y2:.4f}"'
            return f'<line {ends} stroke="black" stroke-width="{line:g}"/>'
        case Words(x, y, text, size):
            font = f'font-family="Helvetica, Arial, sans-serif" font-size="{size * _MM_PER_POINT:.3f}"'
            return f'<text x="{x:.4f}" y="{page_height - y:.4f}" {font}>{escape(text)}</text>'
