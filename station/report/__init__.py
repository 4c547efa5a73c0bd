"""The report of a run, as HTML and PDF, and its pictures."""

from station.report.content import PICTURE_NAMES, ReportData, report_data, write_reports

__all__ = ["PICTURE_NAMES", "ReportData", "report_data", "write_reports"]
