"""The plain look of all charts: colours that colour-blind people can tell apart, and shapes beside them.

Colours after Okabe & Ito, Color Universal Design (2008), values from memory. Whatever has a colour has a
shape, a dash or a word, too.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Literal

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

mpl.use("Agg")

BLUE, SKY, GREEN, YELLOW = "#0072B2", "#56B4E9", "#009E73", "#F0E442"
ORANGE, VERMILION, PURPLE, BLACK = "#E69F00", "#D55E00", "#CC79A7", "#000000"
GREY, PALE, INK = "#777777", "#E4E4E4", "#222222"
Form = Literal["png", "svg"]

# Any as key type: the library lists its keys one by one.
_LOOK: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8,
    "text.color": INK,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.labelsize": 8,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "xtick.labelsize": 7,
    "ytick.labelsize": 7,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "legend.fontsize": 7,
    "legend.frameon": False,
    "lines.linewidth": 1.0,
    # Text stays text, and the same chart gives the same bytes.
    "svg.fonttype": "none",
    "svg.hashsalt": "coincide",
}
_DPI = 150


@contextmanager
def sheet(width_in: float, height_in: float) -> Iterator[Figure]:
    """Give an empty figure in the common look; draw on it and take its bytes inside the ``with``."""
    with mpl.rc_context(_LOOK):
        yield Figure(figsize=(width_in, height_in), dpi=_DPI)


def picture_bytes(figure: Figure, form: Form) -> bytes:
    """Return the figure as a PNG or SVG file; the same figure gives the same bytes."""
    stream = io.BytesIO()
    if form == "svg":
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    else:
        figure.savefig(stream, format="png", metadata={"Software": None}, pil_kwargs={"compress_level": 3})
    return stream.getvalue()


def label_places(axes: Axes, labels: Sequence[str], ticks: int = 8) -> None:
    """Name a few places along x by their labels, and leave the same air at both ends."""
    count = len(labels)
    # Not at the very ends, where long names would stick out.
    step = max(1, round(count / ticks))
    places = list(range(step // 2, count, step))
    axes.set_xticks(places, [labels[place] for place in places])
    air = max(0.6, 0.012 * count)
    axes.set_xlim(-air, count - 1 + air)


def at_right(axes: Axes, height: float, text: str, colour: str = INK) -> None:
    """Write beside the right end of a level of the y axis."""
    axes.annotate(
        text,
        (1.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
        fontsize=7,
        color=colour,
        annotation_clip=False,
    )


def dot_size(count: int) -> float:
    """Return the size of a dot in points for so many of them along one chart."""
    return 4.0 if count <= 60 else 2.6 if count <= 250 else 1.6
