"""What each interval is made of, as a table: the option `--numbers`."""

from __future__ import annotations

from voicecheck.records import BudgetRow, Measurement
from voicecheck.workflow.wording import list_stated, say_stated


def list_budgets(measurement: Measurement) -> list[tuple[str, str, str]]:
    """
    Figure, its interval and the rows of it, for a table.

    Every row is the half-width of a 95 % interval by that part alone, in the figure's unit, with
    its degrees of freedom where they are few.
    """
    return [
        (say_stated(one), f"+/- {_round(one.half_width)}", ", ".join(map(_say_row, one.rows)))
        for one in list_stated(measurement)
    ]


def _say_row(row: BudgetRow) -> str:
    few = "" if row.dof is None or row.dof > 1000 else f" ({row.dof:.0f} dof)"
    return f"{row.name} {_round(row.half_width)}{few}"


def _round(value: float) -> str:
    """Two digits that count."""
    return f"{value:.2g}"
