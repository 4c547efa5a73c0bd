"""Targets to print: a plate at 1:1 on a sheet of paper, as PDF or SVG.

The printed side is drawn as a person facing it sees it. Nothing may be scaled in printing: two bars on the
sheet are there to be measured with a ruler.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np

from vision.plate import PlateSpec
from vision.sheet_draw import Circle, Disc, Line, Rectangle, Shape, Words, to_pdf, to_svg

Paper = Literal["A4", "Letter"]
FileFormat = Literal["pdf", "svg"]

# ISO 216 and ANSI/ASME Y14.1 (from memory), width and height in mm.
PAPERS_MM: dict[Paper, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

_MARGIN_MM = 12.0
_HEAD_MM = 26.0
_FOOT_MM = 44.0
_SIDE_BAR_MM = 14.0

CAUTION = (
    "Caution: a laser beam and its reflections can injure eyes and skin. "
    "Fit or change targets with the beam off.",
    "Eyewear, shutter and interlocks as your site's laser safety officer and local rules say "
    "(IEC 60825-1, ANSI Z136.1).",
)


class SheetError(ValueError):
    """A plate that cannot be printed on the paper asked for."""


def write_sheet(
    plate: PlateSpec, path: Path, paper: Paper = "A4", file_format: FileFormat | None = None
) -> None:
    """Write a plate's sheet to a file.

    Parameters
    ----------
    plate : PlateSpec
    path : Path
    paper : {"A4", "Letter"}
    file_format : {"pdf", "svg"}, optional
        By default what the file's suffix says.

    Raises
    ------
    SheetError
        For an unknown paper or format, or a plate that does not fit the paper. Nothing is written then.
    """
    kind = path.suffix.lower().lstrip(".") if file_format is None else file_format
    if kind == "pdf":
        path.write_bytes(sheet_pdf(plate, paper))
    elif kind == "svg":
        path.write_text(sheet_svg(plate, paper), encoding="utf-8")
    else:
        raise SheetError(f"file format {kind!r}; allowed: 'pdf', 'svg'")


def sheet_pdf(plate: PlateSpec, paper: Paper = "A4") -> bytes:
    """Return a plate's sheet as PDF; the same plate gives the same bytes."""
    return to_pdf(sheet_shapes(plate, paper), PAPERS_MM[paper], title=f"{plate.name}, 1:1")


def sheet_svg(plate: PlateSpec, paper: Paper = "A4") -> str:
    """Return a plate's sheet as SVG with true mm."""
    return to_svg(sheet_shapes(plate, paper), PAPERS_MM[paper], title=f"{plate.name}, 1:1")


def sheet_shapes(plate: PlateSpec, paper: Paper) -> list[Shape]:
    """Lay a plate out on a sheet; page coordinates in mm from the lower left corner, y up."""
    if paper not in PAPERS_MM:
        raise SheetError(f"paper {paper!r}; allowed: {', '.join(map(repr, PAPERS_MM))}")
    width, height = PAPERS_MM[paper]
    free_x = width - 2 * (_MARGIN_MM + _SIDE_BAR_MM)
    free_y = height - 2 * _MARGIN_MM - _HEAD_MM - _FOOT_MM
    if plate.width_mm > free_x or plate.height_mm > free_y:
        raise SheetError(
            f"plate {plate.name!r} of {plate.width_mm:g} x {plate.height_mm:g} mm does not fit {paper}: it "
            f"has room for {free_x:g} x {free_y:g} mm"
        )
    center = (width / 2, _MARGIN_MM + _FOOT_MM + free_y / 2)
    return [
        *_plate_shapes(plate, center),
        *_words(plate, width, height),
        *_ruler_bars(plate, center, width),
    ]


def _plate_shapes(plate: PlateSpec, center: tuple[float, float]) -> list[Shape]:
    cx, cy = center
    shapes: list[Shape] = [
        Rectangle(
            cx - plate.width_mm / 2, cy - plate.height_mm / 2, plate.width_mm, plate.height_mm, None, 0.1
        )
    ]
    mark_u, mark_v = plate.print_points_mm(np.asarray(plate.mark_center_mm))
    for radius in plate.ring_radii_mm:
        shapes.append(Circle(cx + mark_u, cy + mark_v, radius, plate.line_width_mm))
    if plate.cross_arm_mm is not None:
        shapes += _cross(
            cx + mark_u, cy + mark_v, plate.cross_arm_mm, plate.cross_gap_mm, plate.line_width_mm
        )
    if plate.hole_radius_mm is not None:
        hole_u, hole_v = plate.print_points_mm(np.asarray(plate.hole_center_mm))
        shapes += _drilling_mark(cx + hole_u, cy + hole_v, plate.hole_radius_mm)
    for number in plate.fiducials:
        shapes += _fiducial(plate, number, center)
    return shapes


def _cross(x: float, y: float, arm: float, gap: float, line: float) -> list[Shape]:
    """Draw two lines through the centre, or four arms round a centre that is left free."""
    if gap > 0.0:
        long = arm - gap
        return [
            Rectangle(x - arm, y - line / 2, long, line, "black", 0.0),
            Rectangle(x + gap, y - line / 2, long, line, "black", 0.0),
            Rectangle(x - line / 2, y - arm, line, long, "black", 0.0),
            Rectangle(x - line / 2, y + gap, line, long, "black", 0.0),
        ]
    return [
        Rectangle(x - arm, y - line / 2, 2 * arm, line, "black", 0.0),
        Rectangle(x - line / 2, y - arm, line, 2 * arm, "black", 0.0),
    ]


def _drilling_mark(x: float, y: float, radius: float) -> list[Shape]:
    """Hair lines and a point for the centre punch; all of it lies inside the hole and is drilled away."""
    reach = 0.85 * radius
    hair = min(0.1, radius / 10)
    return [
        Line(x - reach, y, x + reach, y, hair),
        Line(x, y - reach, x, y + reach, hair),
        Disc(x, y, min(0.15, radius / 6), "black"),
    ]


def _fiducial(plate: PlateSpec, number: int, center: tuple[float, float]) -> list[Shape]:
    """Draw a black square with the white cells on top: no seams between cells."""
    dictionary = plate.dictionary()
    cells = dictionary.markerSize + 2
    bits = dictionary.generateImageMarker(number, cells, borderBits=1)
    side = plate.fiducial_side_mm
    u, v = plate.print_points_mm(np.asarray(plate.fiducials[number], float))
    left, bottom = center[0] + u - side / 2, center[1] + v - side / 2
    shapes: list[Shape] = [Rectangle(left, bottom, side, side, "black", 0.0)]
    cell = side / cells
    for row in range(cells):
        # Cells of a row that touch are one rectangle.
        edges = np.flatnonzero(np.diff(np.concatenate([[0], bits[row] > 0, [0]]).astype(int)))
        for start, end in edges.reshape(-1, 2):
            x, y = left + start * cell, bottom + (cells - 1 - row) * cell
            shapes.append(Rectangle(x, y, (end - start) * cell, cell, "white", 0.0))
    return shapes


def _words(plate: PlateSpec, width: float, height: float) -> list[Shape]:
    left, top = _MARGIN_MM, height - _MARGIN_MM
    what = f"plate {plate.width_mm:g} x {plate.height_mm:g} mm"
    if plate.hole_radius_mm is not None:
        what += f"; drill {2 * plate.hole_radius_mm:g} mm at the fine cross"
    way = "downstream, away from the laser" if plate.faces == "downstream" else "upstream, towards the laser"
    ids = ", ".join(str(number) for number in plate.fiducials)
    head = (
        (14.0, plate.name.replace("_", " ")),
        (9.0, f"{what}. Print at 100 %, without fitting to the page; measure both bars with a ruler."),
        (9.0, f"Cut along the outline. The printed side looks {way}; this heading shows which way is up."),
        (7.0, f"Markers {ids} of {plate.fiducial_dictionary}, side {plate.fiducial_side_mm:g} mm."),
    )
    shapes: list[Shape] = []
    y = top
    for size, text in head:
        y -= size * 0.5
        shapes.append(Words(left, y, text, size))
    for index, text in enumerate(CAUTION):
        shapes.append(Words(left, _MARGIN_MM + 5.0 - 4.0 * index, text, 8.0))
    return shapes


def _ruler_bars(plate: PlateSpec, center: tuple[float, float], width: float) -> list[Shape]:
    """Draw a bar across and a bar up: printers scale the two ways differently."""
    shapes: list[Shape] = []
    across, up = 100, 50 if plate.height_mm < 100 else 100
    x, y = center[0] - across / 2, _MARGIN_MM + 18.0
    shapes.append(Line(x, y, x + across, y, 0.2))
    for tick in range(0, across + 1, 10):
        shapes.append(Line(x + tick, y, x + tick, y + (4.0 if tick % 50 == 0 else 2.5), 0.2))
    shapes.append(Words(x, y - 4.5, f"this bar is {across} mm long, from the first tick to the last", 8.0))
    x, y = width - _MARGIN_MM - 6.0, center[1] - up / 2
    shapes.append(Line(x, y, x, y + up, 0.2))
    for tick in range(0, up + 1, 10):
        shapes.append(Line(x, y + tick, x + (4.0 if tick % 50 == 0 else 2.5), y + tick, 0.2))
    shapes.append(Words(x - 4.0, y - 5.0, f"{up} mm", 8.0))
    return shapes
