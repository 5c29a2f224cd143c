"""What each interval is made of: the uncertainty budget (JCGM 100:2008) in rows of text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from voicecheck.budgets import combine_rows, cut_budget
from voicecheck.charts import say_stage
from voicecheck.records import BudgetRow, Measurement, Run
from voicecheck.records.arrays import Array
from voicecheck.records.budgets import Budget, CurveBudget
from voicecheck.records.quantities import BY_NAME, OF_RESPONSE, THD_AT_HZ
from voicecheck.records.terms import BudgetName, words_of
from voicecheck.words import Words

RESPONSE_AT_HZ = (300.0, 1000.0, 3000.0)
"""Where the curve's budget is shown: the nearest points, low, middle and high."""
FEW_DOF = 100.0
"""Degrees of freedom from which on an interval hardly grows by them: t is 1.984."""
ON_PAPER = (
    "response", "mid_db", "slr_db", "rlr_db", "stmr_db", "thd_500_percent", "residual_percent",
    "sinad_db", "compression_db", "psophometric_dbm", "psophometric_dbfs",
)  # fmt: skip
"""Of all figures with a budget those that the report shows; `--numbers` has the others too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedFigure:
    """One figure with its interval and the rows of it; `at_hz` of a curve's."""

    quantity: str
    at_hz: float | None = None
    value: float
    unit: str
    half_width: float
    rows: Budget

    def name(self, words: Words) -> str:
        """As the reader knows it."""
        if self.quantity != "response":
            return words.say("quantity", self.quantity)
        return words.say("report", "budget_response", hz=f"{self.at_hz:.0f}")


def list_stated(measurement: Measurement) -> Iterator[StatedFigure]:
    """Every figure of a measurement that states a budget, in the order of the tables."""
    unit = measurement.response.unit if measurement.response is not None else "dB"
    for quantity, at_hz, value, rows in _list_all(measurement):
        if rows and value is not None and math.isfinite(value):
            known = BY_NAME.get(quantity)
            own = unit if known is None or known.unit == OF_RESPONSE else known.unit
            yield StatedFigure(
                quantity=quantity,
                at_hz=at_hz,
                value=value,
                unit="dB" if quantity.endswith(("lr_db", "stmr_db")) else own,
                half_width=combine_rows(rows),
                rows=rows,
            )


Row = tuple[str, float | None, float | None, Budget]


def _list_all(measurement: Measurement) -> Iterator[Row]:
    response, distortion = measurement.response, measurement.distortion
    if response is not None:
        for at_hz in RESPONSE_AT_HZ:
            curve = (response.frequency_hz, response.level_db)
            yield _cut("response", at_hz, curve, response.budget)
    if distortion is not None:
        for at_hz in THD_AT_HZ:
            curve = (distortion.frequency_hz, distortion.thd_percent)
            yield _cut(f"thd_{at_hz:.0f}_percent", at_hz, curve, distortion.budget)
    residual = measurement.residual
    if residual is not None:
        rows = residual.budget.get("voice_percent", ())
        yield "residual_percent", None, residual.voice_percent, rows
    records: Sequence[Any] = (
        measurement.bands, measurement.loudness, measurement.linearity,
        measurement.intermodulation, measurement.noise,
    )  # fmt: skip
    for record in records:
        for figure, rows in (record.budget if record is not None else {}).items():
            yield figure, None, getattr(record, figure), rows
    yield "sinad_db", None, measurement.sinad_db, measurement.sinad_budget


def _cut(quantity: str, at_hz: float, curve: tuple[Array, Array], budget: CurveBudget) -> Row:
    """One point of a curve, the nearest to a frequency."""
    at = int(np.argmin(np.abs(curve[0] - at_hz)))
    return quantity, at_hz, float(curve[1][at]), cut_budget(budget, at)


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """Name, value, unit and interval of a figure, and a cell for each part of it."""

    name: str
    value: str
    unit: str
    half_width: str
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetTable:
    """Figures in rows, grouped by path and stage; the parts of their intervals in columns."""

    parts: tuple[str, ...]
    groups: tuple[tuple[str, tuple[BudgetLine, ...]], ...]


def tabulate_budgets(runs: Sequence[Run], words: Words) -> BudgetTable:
    """
    The uncertainty budgets of a report.

    Parameters
    ----------
    runs : sequence of Run
        In the order of the report; of each path the last counts.
    words : Words

    Returns
    -------
    BudgetTable
        Without groups where no run states a budget, as in books of earlier versions.
    """
    latest = {run.path: run for run in runs}
    shown = {
        path: [one for one in list_stated(run.pooled) if one.quantity in ON_PAPER]
        for path, run in latest.items()
    }
    there = {row.name for stated in shown.values() for one in stated for row in one.rows}
    names: tuple[str, ...] = tuple(name for name in words_of(BudgetName) if name in there)
    return BudgetTable(
        parts=tuple(words.say("budget", name) for name in names),
        groups=tuple(
            (
                words.say(
                    "report",
                    "budget_of",
                    path=words.say("path", path),
                    stage=say_stage(latest[path].stage, words),
                ),
                tuple(_make_line(one, names, words) for one in stated),
            )
            for path, stated in shown.items()
            if stated
        ),
    )


def _make_line(stated: StatedFigure, names: Sequence[str], words: Words) -> BudgetLine:
    rows: dict[str, BudgetRow] = {row.name: row for row in stated.rows}
    return BudgetLine(
        name=stated.name(words),
        value=words.number(stated.value, 2 if stated.unit == "%" else 1),
        unit=words.say("unit", stated.unit),
        half_width=_round(stated.half_width, words),
        parts=tuple(_say_part(rows.get(name), words) for name in names),
    )


def _say_part(row: BudgetRow | None, words: Words) -> str:
    if row is None:
        return ""
    text = _round(row.half_width, words)
    is_few = row.dof is not None and row.dof < FEW_DOF
    return f"{text} ({row.dof:.0f})" if is_few else text


def _round(value: float, words: Words) -> str:
    """Two digits that count, but no more than three decimals: less is nothing here."""
    if value < 5e-4:
        return words.number(0.0, 0)
    return words.number(value, min(3, max(0, 1 - math.floor(math.log10(value)))))
