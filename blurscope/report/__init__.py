"""Reports and boards as one self-contained page, as Markdown and as CSV."""

from blurscope.report.page import board_page, report_page
from blurscope.report.tables import report_csv, report_markdown
from blurscope.report.write import write_report

__all__ = ["board_page", "report_csv", "report_markdown", "report_page", "write_report"]
