"""
How long a chart and a report take, printed as a table.

    python tests/bench/paper_speed.py

Each figure is the best of five after a first one; the first includes loading matplotlib.
"""

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
import factories

from voicecheck.charts import draw_response, render_figure
from voicecheck.report import render_html, write_report

RUNS = [run for run in factories.make_job_runs() if run.path == "transmit"]
BASELINE = factories.make_baseline()


def draw(kind: Any) -> Any:
    comparison = factories.make_comparison("after")
    figure = draw_response(
        RUNS, baseline=BASELINE, comparison=comparison, set_type=factories.SET_TYPE
    )
    return render_figure(figure, kind)


def measure(task: Any) -> Any:
    times = []
    for _ in range(6):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    return times[0], min(times[1:])


def main() -> None:
    content = factories.make_content()
    with tempfile.TemporaryDirectory() as folder:
        tasks = {
            "chart, PNG": lambda: draw("png"),
            "chart, SVG": lambda: draw("svg"),
            "chart, PDF": lambda: draw("pdf"),
            "report, HTML": lambda: render_html(content),
            "report, all files": lambda: write_report(content, folder),
        }
        print(f"{'':20}{'first s':>10}{'warm s':>10}")  # noqa: T201
        for name, task in tasks.items():
            first, warm = measure(task)
            print(f"{name:20}{first:10.3f}{warm:10.3f}")  # noqa: T201


if __name__ == "__main__":
    main()
