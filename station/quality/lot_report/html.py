"""The lot report as one self-contained HTML file."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined

from station.quality.lot_report.tables import (
    ASIDE_HEAD,
    EVENT_HEAD,
    OUTSIDE_HEAD,
    PART_HEAD,
    PROCESS_HEAD,
    TALLY_HEAD,
    aside_left_out,
    left_out,
)

if TYPE_CHECKING:
    from station.quality.lot_report.content import LotContent


def render_lot_html(content: LotContent) -> str:
    """Return the report as HTML; pictures are inside, nothing is fetched from anywhere."""
    environment = Environment(
        loader=PackageLoader("station", "templates"), autoescape=True, undefined=StrictUndefined
    )
    pictures = {name: base64.b64encode(png).decode("ascii") for name, png in content.pictures.items()}
    heads = {
        "tally": TALLY_HEAD,
        "aside": ASIDE_HEAD,
        "part": PART_HEAD,
        "event": EVENT_HEAD,
        "process": PROCESS_HEAD,
        "outside": OUTSIDE_HEAD,
    }
    template = environment.get_template("lot_report.html")
    return template.render(
        report=content, pictures=pictures, heads=heads, left_out=left_out, aside_left_out=aside_left_out
    )
