"""The report of a run, as HTML and PDF, and its pictures."""

from __future__ import annotations

from pathlib import Path

from station.record.folder import read_record, write_atomically
from station.report.content import PICTURE_NAMES, ReportData, report_data
from station.report.html import render_html
from station.report.pdf import render_pdf

__all__ = ["PICTURE_NAMES", "ReportData", "report_data", "write_reports"]


def write_reports(folder: Path) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf`` from the record in a run folder; return both paths."""
    data = report_data(read_record(folder), folder)
    html, pdf = folder / "report.html", folder / "report.pdf"
    write_atomically(html, render_html(data).encode())
    write_atomically(pdf, render_pdf(data))
    return html, pdf
