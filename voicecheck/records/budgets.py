"""What an uncertainty is made of: the rows of the budget that stands beside a figure."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.records.arrays import Array, freeze_arrays
from voicecheck.records.terms import BudgetName


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """
    One part of a figure's uncertainty.

    `half_width` is that of a 95 % interval by this part alone, in the figure's unit; `dof` the
    degrees of freedom behind it, `None` where they are many.
    """

    name: BudgetName
    half_width: float
    dof: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveBudgetRow:
    """The same for a curve: shape (n_points,) each, NaN where the part is not known."""

    name: BudgetName
    half_width: Array
    dof: Array | None = None

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


Budget = tuple[BudgetRow, ...]
CurveBudget = tuple[CurveBudgetRow, ...]
Budgets = dict[str, Budget]
"""Budgets of several figures of one record, by the key of the figure."""
CurveBudgets = dict[str, CurveBudget]
