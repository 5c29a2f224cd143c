"""The report's folder: HTML, charts, CSV and JSON, each written aside and then renamed."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import msgspec
import numpy as np

from voicecheck.charts import draw_response, render_figure
from voicecheck.errors import InputError
from voicecheck.records import Run, to_document
from voicecheck.report.content import ReportContent
from voicecheck.report.render import Figures, draw_figures, render_html, render_pdf
from voicecheck.words import load_words
from voicecheck.writing import DOOR, Door

SCHEMA = "voicecheck.report/1"
FINDING_COLUMNS = (
    "stage",
    "against",
    "path",
    "quantity",
    "value",
    "unit",
    "uncertainty",
    "low",
    "high",
    "verdict",
    "worst_hz",
    "reason",
    "source",
    "simulated",
)
RESPONSE_COLUMNS = (
    "path",
    "stage",
    "frequency_hz",
    "level_db",
    "uncertainty_db",
    "seat_sd_db",
    "snr_db",
    "unit",
    "simulated",
)


def write_report(
    content: ReportContent, folder: Path | str, *, pdf: bool = False, door: Door = DOOR
) -> tuple[Path, ...]:
    """
    Write everything that goes with a job into a folder.

    Parameters
    ----------
    content : ReportContent
    folder : path
        Made if it is not there; an earlier report is replaced, each file as a whole.
    pdf : bool
        Also report.pdf.
    door : Door

    Returns
    -------
    tuple of Path
        report.html, chart.png, chart.svg, a chart of each path, job_sheet.png, findings.csv,
        response.csv, report.json and, when asked for, report.pdf; no charts of a job without a run.

    Raises
    ------
    InputError
        The folder cannot be written or holds another kind of file under one of these names, or
        PDF cannot be made here.
    """
    folder = door.make_folder(folder)
    figures = draw_figures(content)
    parts = {"report.html": render_html(content, figures).encode("utf-8")}
    if pdf:
        parts["report.pdf"] = render_pdf(content, figures)
    parts.update(render_charts(content, figures))
    parts["findings.csv"] = make_findings_csv(content)
    parts["response.csv"] = make_response_csv(content.runs)
    parts["report.json"] = make_report_json(content)
    return door.write_all(folder, parts)


def render_file(content: ReportContent, name: str) -> bytes:
    """
    One file of a report, without the others.

    Parameters
    ----------
    content : ReportContent
    name : str
        As `write_report` writes it.

    Raises
    ------
    InputError
        There is no such file, or PDF cannot be made here.
    """
    makers: dict[str, Callable[[], bytes]] = {
        "report.html": lambda: render_html(content, draw_figures(content)).encode("utf-8"),
        "report.pdf": lambda: render_pdf(content, draw_figures(content)),
        "chart.png": lambda: _render_chart(content, "png"),
        "chart.svg": lambda: _render_chart(content, "svg"),
        "findings.csv": lambda: make_findings_csv(content),
        "response.csv": lambda: make_response_csv(content.runs),
        "report.json": lambda: make_report_json(content),
    }
    if name not in makers:
        raise InputError(f"report: there is no file {name!r}; there are {', '.join(makers)}")
    return makers[name]()


def _render_chart(content: ReportContent, file_format: str) -> bytes:
    summary = draw_figures(content).summary
    if summary is None:
        raise InputError("chart: the job has no run to be drawn; sweep it first")
    return render_figure(summary, file_format)


def render_charts(content: ReportContent, figures: Figures) -> dict[str, bytes]:
    """
    The charts of a report, by file name.

    Parameters
    ----------
    content : ReportContent
    figures : Figures

    Returns
    -------
    dict of str to bytes
        Empty without a run.
    """
    if figures.summary is None or figures.sheet is None:
        return {}
    charts = {f"chart.{kind}": render_figure(figures.summary, kind) for kind in ("png", "svg")}
    bench = load_words(content.language).for_bench.code
    for path in content.paths:
        figure = draw_response(
            [run for run in content.runs if run.path == path],
            baseline=content.baselines.get(path),
            comparison=content.latest,
            set_type=content.set_type,
            language=bench,
        )
        charts[f"chart_{path}.png"] = render_figure(figure, "png")
    charts["job_sheet.png"] = render_figure(figures.sheet, "png")
    return charts


def make_findings_csv(content: ReportContent) -> bytes:
    """All findings of all comparisons, one row each, UTF-8; empty is "withheld" or "no limit"."""
    rows = []
    for comparison in content.comparisons:
        against = f"{comparison.against.kind}: {comparison.against.name}"
        for finding in comparison.findings:
            values = [getattr(finding, name) for name in FINDING_COLUMNS[2:-1]]
            rows.append([comparison.stage, against, *values, _shout(comparison.simulated)])
    return _make_csv(FINDING_COLUMNS, rows)


def make_response_csv(runs: Sequence[Run]) -> bytes:
    """Responses of all runs, one row a point, UTF-8; a withheld point has empty values."""
    rows: list[list[object]] = []
    for run in runs:
        response = run.pooled.response
        if response is None:
            continue
        shout = _shout(run.is_simulated)
        columns = np.column_stack(
            [
                response.frequency_hz,
                response.level_db,
                response.uncertainty_db,
                run.seat_sd_db,
                response.snr_db,
            ]
        )
        rows.extend([run.path, run.stage, *line, response.unit, shout] for line in columns.tolist())
    return _make_csv(RESPONSE_COLUMNS, rows)


def _shout(is_simulated: bool) -> str:
    return "SIMULATED" if is_simulated else ""


def _make_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return buffer.getvalue().encode("utf-8", "replace")


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return "" if not np.isfinite(value) else f"{value:.6g}"
    text = str(value)
    # A table program would run a text that begins like a formula.
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def make_report_json(content: ReportContent) -> bytes:
    """The records behind the report in one JSON document; withheld is null."""
    check = content.bench_check
    document = {
        "schema": SCHEMA,
        "version": content.version,
        "made_utc": content.now_utc,
        **({"simulated": True} if content.is_simulated else {}),
        "job": to_document(content.job),
        "set_type": to_document(content.set_type) if content.set_type is not None else None,
        "runs": [to_document(run) for run in content.runs],
        "baselines": {path: to_document(one) for path, one in content.baselines.items()},
        "comparisons": [to_document(comparison) for comparison in content.comparisons],
        "trials": [to_document(trial) for trial in content.trials],
        "bench_check": to_document(check) if check is not None else None,
        "other_checks": dict(content.other_checks),
    }
    return msgspec.json.format(msgspec.json.encode(document), indent=1)
