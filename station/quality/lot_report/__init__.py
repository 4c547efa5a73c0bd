"""The two-page report of a lot or a shift, as HTML and PDF, from plain rows."""

from station.quality.lot_report.content import LotContent, lot_content
from station.quality.lot_report.html import render_lot_html
from station.quality.lot_report.pdf import render_lot_pdf
from station.quality.lot_report.summary import AlarmRow, LotState, LotSummary, PartRow, RecipeRow, StopRow

__all__ = [
    "AlarmRow",
    "LotContent",
    "LotState",
    "LotSummary",
    "PartRow",
    "RecipeRow",
    "StopRow",
    "lot_content",
    "lot_report",
]


def lot_report(summary: LotSummary) -> tuple[str, bytes]:
    """Return the report as one self-contained HTML file and as a PDF of two A4 pages."""
    content = lot_content(summary)
    return render_lot_html(content), render_lot_pdf(content)
