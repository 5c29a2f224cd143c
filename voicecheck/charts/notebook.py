"""How measurements, runs and comparisons show themselves in a notebook."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from voicecheck.charts.captions import describe_response, say_limits, say_value
from voicecheck.charts.findings import draw_findings
from voicecheck.charts.response import draw_response
from voicecheck.charts.saving import inline_svg, render_figure
from voicecheck.errors import InputError
from voicecheck.records import (
    Bands,
    Comparison,
    Distortion,
    Finding,
    Measurement,
    Noise,
    Run,
)
from voicecheck.records.arrays import Array
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from pandas import DataFrame

Record = Measurement | Run | Comparison
FINDING_COLUMNS = (
    "path",
    "quantity",
    "value",
    "uncertainty",
    "unit",
    "low",
    "high",
    "verdict",
    "worst_hz",
    "reason",
)


def plot_record(record: Record, **options: Any) -> Figure:
    """
    Chart of a measurement, a run or a comparison.

    Parameters
    ----------
    record : Measurement, Run or Comparison
    **options : object
        As `draw_response` takes them, all optional; a comparison takes only `language`.

    Returns
    -------
    Figure

    Raises
    ------
    InputError
        A comparison without findings, or an unknown language.
    """
    if isinstance(record, Comparison):
        return draw_findings(record, **options)
    given = {"baseline": None, "comparison": None, "set_type": None, **options}
    return draw_response([_as_run(record)], **given)


def _as_run(record: Measurement | Run) -> Run:
    if isinstance(record, Run):
        return record
    n_points = 0 if record.response is None else record.response.frequency_hz.size
    return Run(
        path=record.conditions.path,
        stage="recording",
        pooled=record,
        seat_sd_db=np.full(n_points, np.nan),
    )


def tabulate_record(record: Record | Distortion | Bands | Noise) -> DataFrame:
    """
    Table of a measurement, a run or a comparison, or of a part of a measurement.

    Parameters
    ----------
    record : Measurement, Run, Comparison, Distortion, Bands or Noise

    Returns
    -------
    pandas.DataFrame
        Response by frequency, its unit in `attrs["unit"]`; distortion by frequency; one row a
        band, a figure of the noise, or a finding.

    Raises
    ------
    InputError
        pandas is not installed, or the record has no response.
    """
    try:
        import pandas as pd
    except ImportError as error:
        raise InputError("to_frame: pandas is not installed; install it, or use to_json") from error
    if isinstance(record, Distortion):
        index = pd.Index(record.frequency_hz, name="frequency_hz")
        return pd.DataFrame(_list_distortion(record), index=index)
    if isinstance(record, Bands | Noise):
        names = ("figure", "value", "uncertainty_db")
        return pd.DataFrame(_list_figures(record), columns=list(names)).set_index("figure")
    if isinstance(record, Comparison):
        rows = [[getattr(finding, name) for name in FINDING_COLUMNS] for finding in record.findings]
        return pd.DataFrame(rows, columns=list(FINDING_COLUMNS))
    run = _as_run(record)
    response = run.pooled.response
    if response is None:
        raise InputError("to_frame: this record has no response; its `problems` say why")
    columns = {
        "level_db": response.level_db,
        "uncertainty_db": response.uncertainty_db,
        "snr_db": response.snr_db,
    }
    if isinstance(record, Run):
        columns["seat_sd_db"] = run.seat_sd_db
    frame = pd.DataFrame(columns, index=pd.Index(response.frequency_hz, name="frequency_hz"))
    frame.attrs["unit"] = response.unit
    return frame


def _list_distortion(record: Distortion) -> dict[str, Array]:
    columns = {
        "thd_percent": record.thd_percent,
        "thd_uncertainty_percent": record.thd_uncertainty_percent,
        "thd_below_percent": record.thd_below_percent,
    }
    for row, order in enumerate(record.harmonic_order):
        columns[f"h{order}_db"] = record.harmonic_db[row]
        columns[f"h{order}_below_db"] = record.harmonic_below_db[row]
    return columns


def _list_figures(record: Bands | Noise) -> list[tuple[str, float, float]]:
    """Single figures by their own names, each with its half-width; withheld is NaN."""
    every = {one.name: getattr(record, one.name) for one in dataclasses.fields(record)}
    half_db = {
        name.removesuffix("_uncertainty_db"): value
        for name, value in every.items()
        if name.endswith("_uncertainty_db")
    }
    return [
        (name, _or_nan(value), _or_nan(half_db.get(name.rpartition("_")[0])))
        for name, value in every.items()
        if not name.endswith("_uncertainty_db") and isinstance(value, float | int | None)
    ]


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def render_record(record: Record) -> str:
    """
    A record as markup for a notebook's cell: chart, numbers and problems.

    Parameters
    ----------
    record : Measurement, Run or Comparison

    Returns
    -------
    str
        No script, nothing fetched; all text is escaped.
    """
    words = load_words()
    if isinstance(record, Comparison):
        return _render_comparison(record, words)
    run = _as_run(record)
    svg = inline_svg(render_figure(plot_record(record), "svg"), f"record-{id(record):x}")
    numbers = describe_response([run], None, words)
    problems = dict.fromkeys(f"{p.kind}: {p.message}" for p in run.pooled.problems)
    return f'<div style="max-width: 720px">{svg}{_list(numbers)}{_list(tuple(problems))}</div>'


def _list(lines: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<ul>{items}</ul>" if items else ""


def _render_comparison(comparison: Comparison, words: Words) -> str:
    names = ("path", "quantity", "value", "limits", "verdict")
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in names)
    rows = "".join(_render_finding(finding, words) for finding in comparison.findings)
    title = (
        f"{comparison.stage} against {comparison.against.kind} {comparison.against.name}: "
        f"{comparison.overall}"
    )
    hints = [
        f"{'besides, ' if hint.beside else ''}{hint.code}: {hint.cause} "
        f"({words.chance(hint.probability, hint.confidence)})"
        for hint in comparison.hints
    ]
    return (
        f"<table><caption>{escape(title)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{rows}</tbody></table>{_list(hints)}"
    )


def _render_finding(finding: Finding, words: Words) -> str:
    value = say_value(finding.value, finding.unit, words, quantity=finding.quantity)
    if finding.value is None:
        value = finding.reason
    quantity = words.say("quantity", finding.quantity)
    cells = (finding.path, quantity, value, say_limits(finding, words), finding.verdict)
    return f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>"
