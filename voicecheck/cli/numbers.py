"""What each interval is made of, as a table: the option `--numbers`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from voicecheck.records import Measurement
from voicecheck.records.budgets import Budget, CurveBudget
from voicecheck.records.quantities import THD_AT_HZ
from voicecheck.workflow.wording import combine_budget, cut_budget, say_quantity

RESPONSE_AT_HZ = (300.0, 1000.0, 3000.0)
"""Where the curve's budget is shown: the nearest points, low, middle and high."""


def list_budgets(measurement: Measurement) -> list[tuple[str, str, str]]:
    """
    Figure, its interval and the rows of it, for a table.

    Every row is the half-width of a 95 % interval by that part alone, in the figure's unit, with
    its degrees of freedom where they are few.
    """
    return [
        (name, f"+/- {_round(half_width)}", ", ".join(map(_say_row, rows)))
        for name, half_width, rows in _list_rows(measurement)
        if rows and half_width is not None
    ]


def _list_rows(measurement: Measurement) -> Iterator[tuple[str, float | None, Budget]]:
    for name, at_hz, curve, budget in _list_curves(measurement):
        rows = cut_budget(budget, curve, at_hz)
        yield name, combine_budget(rows), rows
    residual = measurement.residual
    if residual is not None:
        rows = residual.budget.get("voice_percent", ())
        yield say_quantity("residual_percent"), combine_budget(rows), rows
    records: Sequence[Any] = (
        measurement.bands, measurement.loudness, measurement.linearity,
        measurement.intermodulation, measurement.noise,
    )  # fmt: skip
    for record in records:
        for figure, rows in (record.budget if record is not None else {}).items():
            yield say_quantity(figure), combine_budget(rows), rows
    yield say_quantity("sinad_db"), measurement.sinad_uncertainty_db, measurement.sinad_budget


def _list_curves(measurement: Measurement) -> Iterator[tuple[str, float, Any, CurveBudget]]:
    response, distortion = measurement.response, measurement.distortion
    if response is not None:
        for at_hz in RESPONSE_AT_HZ:
            yield f"response at {at_hz:.0f} Hz", at_hz, response.frequency_hz, response.budget
    if distortion is not None:
        for at_hz in THD_AT_HZ:
            name = say_quantity(f"thd_{at_hz:.0f}_percent")
            yield name, at_hz, distortion.frequency_hz, distortion.budget


def _say_row(row: Any) -> str:
    few = "" if row.dof is None or row.dof > 1000 else f" ({row.dof:.0f} dof)"
    return f"{row.name} {_round(row.half_width)}{few}"


def _round(value: float) -> str:
    """Two digits that count."""
    return f"{value:.2g}"
