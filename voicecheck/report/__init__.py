"""HTML and PDF from records."""

from voicecheck.report.content import ReportContent
from voicecheck.report.files import render_file, write_report
from voicecheck.report.render import render_html, render_pdf

__all__ = ["ReportContent", "render_file", "render_html", "render_pdf", "write_report"]
