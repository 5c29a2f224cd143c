"""Records -> figures. Never shows one: that is for whoever asked."""

from voicecheck.charts.captions import conclude_path, describe_response, list_conditions
from voicecheck.charts.response import draw_response
from voicecheck.charts.saving import inline_svg, render_figure, save_figure
from voicecheck.charts.sheet import draw_job_sheet
from voicecheck.charts.words import Words, load_words

__all__ = [
    "Words",
    "conclude_path",
    "describe_response",
    "draw_job_sheet",
    "draw_response",
    "inline_svg",
    "list_conditions",
    "load_words",
    "render_figure",
    "save_figure",
]
