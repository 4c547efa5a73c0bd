"""The report as one self-contained HTML file."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined

if TYPE_CHECKING:
    from station.report.content import ReportData


def render_html(data: ReportData) -> str:
    """Return the report as HTML; pictures are inside, nothing is fetched from anywhere."""
    environment = Environment(
        loader=PackageLoader("station", "templates"), autoescape=True, undefined=StrictUndefined
    )
    pictures = {name: base64.b64encode(png).decode("ascii") for name, png in data.pictures.items()}
    return environment.get_template("report.html").render(report=data, pictures=pictures)
