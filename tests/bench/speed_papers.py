"""Charts and reports over a bare figure of the drawing library; a part of `all_ratios.py`."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator

import factories
import numpy as np
from timing import Ratio, hold

from voicecheck.charts import draw_response, render_figure
from voicecheck.report import render_html, write_report


def draw_chart(file_format: str) -> bytes:
    """The response chart of the made job, before and after."""
    figure = draw_response(
        [run for run in factories.make_job_runs() if run.path == "transmit"],
        baseline=factories.make_baseline(),
        comparison=factories.make_comparison("after"),
        set_type=factories.SET_TYPE,
    )
    return render_figure(figure, file_format)


def draw_bare(file_format: str) -> bytes:
    """Three lines of as many points on a logarithmic axis, as large, straight from the library."""
    from matplotlib.figure import Figure

    frequency_hz = np.geomspace(200.0, 4000.0, 53)
    figure = Figure(figsize=(180 / 25.4, 118 / 25.4), dpi=200)
    axes = figure.add_subplot()
    for level in (0.0, 3.0, 6.0):
        axes.semilogx(frequency_hz, level + np.sin(frequency_hz / 500.0))
    buffer = io.BytesIO()
    figure.savefig(buffer, format=file_format)
    return buffer.getvalue()


def list_papers(*, short: bool) -> Iterator[Ratio]:
    """Chart in three formats, report as a page and with all its files."""
    rounds = 3 if short else 9
    content = factories.make_content()
    for file_format in ("png", "svg", "pdf"):
        yield hold(
            f"chart: {file_format.upper()}",
            lambda: draw_chart(file_format),  # noqa: B023
            lambda: draw_bare(file_format),  # noqa: B023
            "a bare figure of three lines",
            rounds=rounds,
        )
    yield hold(
        "report: HTML with its charts", lambda: render_html(content), lambda: draw_bare("svg"),
        "a bare figure of three lines, SVG", rounds=rounds,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        yield hold(
            "report: all files", lambda: write_report(content, folder), lambda: draw_bare("png"),
            "a bare figure of three lines, PNG", rounds=rounds,
        )  # fmt: skip
