"""What is said of the reflections that were found in a recording, and what they leave open."""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import numpy as np

from voicecheck.budgets import (
    add_curve_row,
    add_row,
    combine_curve_rows,
    combine_rows,
    merge_row,
)
from voicecheck.records import (
    BudgetRow,
    CurveBudgetRow,
    Distortion,
    Linearity,
    Measurement,
    Noise,
    Problem,
)
from voicecheck.records.arrays import Array
from voicecheck.response import Reflections
from voicecheck.response.transfer import WINDOW_SCALES
from voicecheck.response.windows import CYCLES_AFTER


def report_reflections(found: Reflections | None, frequency_hz: Array) -> list[Problem]:
    """
    One problem for each reflection, with its delay, its level and what it costs.

    Parameters
    ----------
    found : Reflections or None
    frequency_hz : ndarray, shape (n_points,)
        Of the curve.

    Returns
    -------
    list of Problem
    """
    if found is None:
        return []
    widest_db = float(np.max(found.doubt_db(frequency_hz)))
    problems = []
    for delay_s, gain in zip(found.delays_s, found.gains, strict=True):
        free_hz = WINDOW_SCALES[0] * CYCLES_AFTER / delay_s
        problems.append(
            Problem(
                kind="reflection",
                message=f"a reflection arrives {1000.0 * delay_s:.1f} ms after the direct sound, "
                f"{-20.0 * math.log10(gain):.0f} dB below it",
                effect=f"taken out; the curve's interval holds what may be left of it, up to "
                f"{widest_db:.2f} dB; below {free_hz:.0f} Hz no window ends before it arrives. "
                "Cover hard surfaces near the set, or move it away from them",
            )
        )
    return problems


ROW: Final = "bench"
"""The room is part of the bench."""
PERCENT_PER_DB = 100.0 * (10.0 ** (1.0 / 20.0) - 1.0)
"""What one decibel is of an amplitude."""


def hold_reflections(found: Measurement, reflections: Reflections | None) -> Measurement:
    """
    A measurement whose single figures hold what may be left of the reflections.

    Parameters
    ----------
    found : Measurement
        Whose curve and bands hold it already.
    reflections : Reflections or None

    Returns
    -------
    Measurement
        The same one where there are none. A level keeps the doubt at its frequency, a ratio of
        lines twice the most there is; gains at two levels of one frequency have it in common.
        Noise is measured as it was heard: it may have come the second way too, or not.
    """
    if reflections is None or found.response is None:
        return found
    most_db = float(np.max(reflections.doubt_db(found.response.frequency_hz)))
    products, sinad_rows = found.intermodulation, found.sinad_budget
    for figure in ("order2_db", "order3_db"):
        products = add_row(products, figure, BudgetRow(name=ROW, half_width=2.0 * most_db))
    if found.sinad_db is not None:
        sinad_rows = merge_row(sinad_rows, BudgetRow(name=ROW, half_width=2.0 * most_db))
    return found.replace(
        distortion=_hold_harmonics(found.distortion, most_db),
        linearity=_hold_steps(found.linearity, reflections, most_db),
        ladders=tuple(_hold_steps(one, reflections, most_db) for one in found.ladders),
        noise=_hold_noise(found.noise, reflections),
        intermodulation=products,
        sinad_uncertainty_db=combine_rows(sinad_rows) if sinad_rows else None,
        sinad_budget=sinad_rows,
    )


def _hold_harmonics(found: Distortion | None, most_db: float) -> Distortion | None:
    if found is None:
        return None
    half_width = 0.01 * found.thd_percent * PERCENT_PER_DB * 2.0 * most_db
    return add_curve_row(found, "thd_percent", CurveBudgetRow(name=ROW, half_width=half_width))


def _hold_steps(
    found: Linearity | None, reflections: Reflections, most_db: float
) -> Linearity | None:
    if found is None:
        return None
    left_db = float(reflections.doubt_db(np.array([found.frequency_hz]))[0])
    rows = {
        "output_db": np.where(np.isnan(found.output_db), np.nan, left_db),
        "thd_percent": 0.01 * found.thd_percent * PERCENT_PER_DB * 2.0 * most_db,
    }
    budget = dict(found.step_budget)
    for figure, half_width in rows.items():
        row = CurveBudgetRow(name=ROW, half_width=half_width)
        budget[figure] = merge_row(budget.get(figure, ()), row)
    is_heard, is_bent = np.isfinite(found.output_db), np.isfinite(found.thd_percent)
    return dataclasses.replace(
        found,
        output_uncertainty_db=np.where(is_heard, combine_curve_rows(budget["output_db"]), np.nan),
        thd_uncertainty_percent=np.where(
            is_bent, combine_curve_rows(budget["thd_percent"]), np.nan
        ),
        step_budget=budget,
    )


def _hold_noise(found: Noise, reflections: Reflections) -> Noise:
    twice_db = 20.0 * math.log10(1.0 + sum(map(abs, reflections.gains)))
    for figure in ("flat_dbfs", "psophometric_dbfs", "c_message_dbfs"):
        found = add_row(found, figure, BudgetRow(name=ROW, half_width=twice_db))
    return found
