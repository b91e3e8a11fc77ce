"""Report: one self-contained page."""

from wearbench.report.page import render_report, write_report

__all__ = ["render_report", "write_report"]
