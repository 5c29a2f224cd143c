"""Records -> figures. Never shows one: that is for whoever asked."""

from voicecheck.charts.captions import (
    conclude_path,
    describe_response,
    find_worst,
    is_held_against_limits,
    is_wide,
    list_conditions,
    say_conclusion,
    say_limits,
    say_stage,
    say_value,
)
from voicecheck.charts.findings import draw_findings
from voicecheck.charts.owner import draw_owner_picture
from voicecheck.charts.panel import order_runs
from voicecheck.charts.response import draw_response
from voicecheck.charts.saving import inline_svg, render_figure, save_figure
from voicecheck.charts.sheet import RESPONSE_PATHS, draw_job_sheet
from voicecheck.charts.summary import OWNER_PATHS, draw_summary
from voicecheck.charts.timing import draw_timing
from voicecheck.records.shown import Display, show_by

__all__ = [
    "OWNER_PATHS",
    "RESPONSE_PATHS",
    "conclude_path",
    "describe_response",
    "draw_findings",
    "draw_job_sheet",
    "draw_owner_picture",
    "draw_response",
    "draw_summary",
    "draw_timing",
    "find_display",
    "find_worst",
    "inline_svg",
    "is_held_against_limits",
    "is_wide",
    "list_conditions",
    "order_runs",
    "render_figure",
    "save_figure",
    "say_conclusion",
    "say_limits",
    "say_stage",
    "say_value",
]


def find_display() -> Display:
    """What shows records in a notebook; loaded when one is shown."""
    from voicecheck.charts import notebook

    return notebook


show_by(find_display)
