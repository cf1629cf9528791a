"""A published report: one HTML file that stands alone. Draws and writes; every number comes from the assessment."""

from harness.show.report.page import report_page

__all__ = ["report_page"]
