"""HTML and PDF from records."""

from voicecheck.report.content import CheckFindings, Picture, ReportContent, Voices
from voicecheck.report.files import render_file, write_report
from voicecheck.report.render import render_html, render_pdf
from voicecheck.report.sentences import tell_comparison
from voicecheck.report.tables import is_from_memory

__all__ = [
    "CheckFindings",
    "Picture",
    "ReportContent",
    "Voices",
    "is_from_memory",
    "render_file",
    "render_html",
    "render_pdf",
    "tell_comparison",
    "write_report",
]
