"""The parts of a measurement, pooled over recordings: scalars, distortion, linearity, noise."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from voicecheck.budgets import (
    combine_curve_rows,
    combine_rows,
    cut_budget,
    pool_curve_rows,
    pool_rows,
    student_95,
    uncertainty_name,
)
from voicecheck.records import (
    BudgetRow,
    CurveBudgetRow,
    Distortion,
    Linearity,
    Noise,
    Residual,
    Steadiness,
)
from voicecheck.records.arrays import Array, none_if_nan
from voicecheck.records.budgets import Budgets, CurveBudget

BAND_FIELDS = ("low_db", "mid_db", "high_db", "at_1khz_db")
LOUDNESS_FIELDS = ("slr_db", "rlr_db", "stmr_db")
IMD_FIELDS = ("order2_db", "order3_db", "order2_below_db", "order3_below_db")
NOISE_FIELDS = (
    "flat_dbfs", "psophometric_dbfs", "c_message_dbfs", "mains_hz", "mains_dbfs", "bursts_per_s",
    "kurtosis", "slope_db_per_decade", "psophometric_dbm", "psophometric_dbmp",
    "c_message_dbrnc", "flat_dbm", "flat_dbspl",
)  # fmt: skip
LINEARITY_FIELDS = ("compression_db", "threshold_db")
UNCERTAIN_IMD_FIELDS = ("order2_db", "order3_db")
UNCERTAIN_NOISE_FIELDS = ("flat_dbfs", "psophometric_dbfs", "c_message_dbfs")


def mean_where_half(stack: Array) -> Array:
    """
    Mean over the first axis without the withheld, NaN where fewer than half are there.

    Parameters
    ----------
    stack : ndarray, shape (n_recordings, ...)

    Returns
    -------
    ndarray, shape (...)
    """
    count = np.sum(np.isfinite(stack), axis=0)
    total = np.nansum(np.where(np.isfinite(stack), stack, np.nan), axis=0)
    enough = (2 * count >= len(stack)) & (count > 0)
    mean: Array = np.where(enough, total / np.maximum(count, 1), np.nan)
    return mean


def mean_of_known(values: Sequence[float | None]) -> float | None:
    """Mean of the values that are there; `None` where fewer than half are."""
    kept = [value for value in values if value is not None and math.isfinite(value)]
    return float(np.mean(kept)) if kept and 2 * len(kept) >= len(values) else None


def pool_scalars(parts: Sequence[object], fields: Sequence[str]) -> dict[str, Any]:
    """Means of several scalars, by the name of their field."""
    return {field: mean_of_known([getattr(part, field) for part in parts]) for field in fields}


def _mean_of(parts: Sequence[object], field: str) -> Array:
    return mean_where_half(np.stack([getattr(part, field) for part in parts]))


def _log_mean_of(parts: Sequence[object], field: str) -> Array:
    stack = np.stack([getattr(part, field) for part in parts])
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(stack > 0.0, np.log(stack), np.nan)
    mean: Array = np.exp(mean_where_half(logs))
    return mean


def _largest_of(parts: Sequence[object], field: str) -> Array:
    """Of several "less than", the weakest statement holds for all of them."""
    stack = np.stack([getattr(part, field) for part in parts])
    known = np.any(np.isfinite(stack), axis=0)
    largest = np.max(np.where(np.isfinite(stack), stack, -np.inf), axis=0)
    result: Array = np.where(known, largest, np.nan)
    return result


def _only_where_withheld(below: Array, value: Array) -> Array:
    kept: Array = np.where(np.isfinite(value), np.nan, below)
    return kept


def pool_intervals(parts: Sequence[Any], fields: Sequence[str]) -> dict[str, Any]:
    """
    Intervals of several pooled scalars, and the budget that they are made of.

    Parameters
    ----------
    parts : sequence of records
        Each with a `budget` by figure.
    fields : sequence of str
        The scalars.

    Returns
    -------
    dict
        `budget`, and of each field its uncertainty: `None` where the recordings state none.
    """
    budgets: Budgets = {}
    found: dict[str, Any] = {}
    for field in fields:
        stated = [part for part in parts if getattr(part, field) is not None]
        name = uncertainty_name(field)
        own = mean_of_known([getattr(part, name) for part in stated])
        found[name] = None
        if own is None or 2 * len(stated) < len(parts):
            continue
        rows = [part.budget[field] for part in stated if field in part.budget]
        # An older document has no rows: its uncertainty is taken as common to all.
        is_split = len(rows) == len(stated)
        pooled = pool_rows(rows) if is_split else (BudgetRow(name="bench", half_width=own),)
        seats = make_seats_row([getattr(part, field) for part in stated])
        pooled = (*pooled, seats) if seats else pooled
        found[name] = combine_rows(pooled)
        budgets |= {field: pooled} if is_split else {}
    return {**found, "budget": budgets}


def make_seats_row(values: Sequence[float]) -> BudgetRow | None:
    """What the spread between seats leaves of their mean; `None` with one seat."""
    n = len(values)
    if n < 2:
        return None
    spread = float(np.std(values, ddof=1)) / math.sqrt(n)
    half_width = float(student_95(n - 1)) * spread
    return BudgetRow(name="seats", half_width=half_width, dof=float(n - 1))


def pool_ladders(ladders: Sequence[Sequence[Linearity]]) -> tuple[Linearity, ...]:
    """Step ladders at several frequencies, frequency by frequency; none where they differ."""
    frequencies = [tuple(ladder.frequency_hz for ladder in each) for each in ladders]
    if not frequencies or any(other != frequencies[0] for other in frequencies):
        return ()
    pooled = [pool_linearity(steps) for steps in zip(*ladders, strict=True)]
    return tuple(ladder for ladder in pooled if ladder is not None)


def pool_distortion(parts: Sequence[Distortion]) -> Distortion | None:
    """THD by its logarithm, harmonics in dB; of several "less than" the weakest holds for all."""
    if not parts or not _same_shapes(parts, "harmonic_db"):
        return None
    thd, harmonics = _log_mean_of(parts, "thd_percent"), _mean_of(parts, "harmonic_db")
    budget = _pool_thd_rows(parts, [_thd_rows(part) for part in parts], thd)
    return Distortion(
        frequency_hz=parts[0].frequency_hz,
        thd_percent=thd,
        thd_uncertainty_percent=np.where(np.isnan(thd), np.nan, combine_curve_rows(budget)),
        harmonic_order=parts[0].harmonic_order,
        harmonic_db=harmonics,
        thd_below_percent=_only_where_withheld(_largest_of(parts, "thd_below_percent"), thd),
        harmonic_below_db=_only_where_withheld(_largest_of(parts, "harmonic_below_db"), harmonics),
        budget=budget,
    )


def pool_residual(parts: Sequence[Residual]) -> Residual | None:
    """Band by band as THD, by its logarithm; so that over all bands; the crests in dB."""
    if not parts or not _same_shapes(parts, "percent"):
        return None
    # The figure over all bands goes with them as one more.
    values, limits = (
        np.array(
            [np.append(getattr(one, name), getattr(one, f"voice_{name}")) for one in parts], float
        )
        for name in ("percent", "below_percent")
    )
    percent = np.exp(mean_where_half(np.log(values)))
    largest = np.max(np.nan_to_num(limits), axis=0)
    below = np.where(np.isfinite(percent) | (largest <= 0.0), np.nan, largest)
    rows = pool_curve_rows([_join_rows(part) for part in parts])
    rows = _add_seats(rows, values, percent)
    half_width = np.where(np.isnan(percent), np.nan, combine_curve_rows(rows))
    voice = () if np.isnan(percent[-1]) else cut_budget(rows, -1)
    return Residual(
        frequency_hz=parts[0].frequency_hz,
        percent=percent[:-1],
        below_percent=below[:-1],
        uncertainty_percent=half_width[:-1],
        crest_db=_mean_of(parts, "crest_db"),
        voice_percent=none_if_nan(percent[-1]),
        voice_below_percent=none_if_nan(below[-1]),
        voice_db=none_if_nan(20.0 * np.log10(percent[-1] / 100.0)),
        voice_uncertainty_percent=none_if_nan(half_width[-1]),
        budget={"voice_percent": voice} if voice else {},
        band_budget=tuple(_cut_last(row) for row in rows),
    )


def _join_rows(part: Residual) -> CurveBudget:
    """Rows of the bands with those of the figure over all of them behind."""
    over_all = {row.name: row.half_width for row in part.budget.get("voice_percent", ())}
    return tuple(
        CurveBudgetRow(
            name=row.name, half_width=np.append(row.half_width, over_all.get(row.name, np.nan))
        )
        for row in part.band_budget
    )


def _cut_last(row: CurveBudgetRow) -> CurveBudgetRow:
    dof = None if row.dof is None else row.dof[:-1]
    return dataclasses.replace(row, half_width=row.half_width[:-1], dof=dof)


def _thd_rows(part: Distortion) -> CurveBudget:
    """The budget, or what an older document has in its place."""
    if part.budget:
        return part.budget
    return (CurveBudgetRow(name="noise", half_width=part.thd_uncertainty_percent),)


def _pool_thd_rows(
    parts: Sequence[Distortion | Linearity], budgets: Sequence[CurveBudget], thd: Array
) -> CurveBudget:
    """Rows of a pooled THD."""
    return _add_seats(pool_curve_rows(budgets), np.stack([part.thd_percent for part in parts]), thd)


def _add_seats(rows: CurveBudget, stack: Array, percent: Array) -> CurveBudget:
    """The seats scatter in the logarithm, so their share follows the size."""
    if len(stack) < 2:
        return rows
    with np.errstate(divide="ignore", invalid="ignore"):
        seats = make_seats_curve(np.where(stack > 0.0, np.log(stack), np.nan))
    return (*rows, dataclasses.replace(seats, half_width=percent * seats.half_width))


def make_seats_curve(stack: Array) -> CurveBudgetRow:
    """
    What the spread between seats leaves of the mean of their curves.

    Parameters
    ----------
    stack : ndarray, shape (n_seats, n_points)
        NaN where a seat has no point.

    Returns
    -------
    CurveBudgetRow
        NaN where fewer than two seats have the point.
    """
    count = np.sum(np.isfinite(stack), axis=0)
    centred = stack - mean_where_half(stack)
    several = count > 1
    dof = np.maximum(count - 1, 1)
    variance = np.nansum(np.square(centred), axis=0) / dof
    spread = np.sqrt(variance / np.maximum(count, 1))
    return CurveBudgetRow(
        name="seats", half_width=np.where(several, student_95(dof) * spread, np.nan), dof=dof
    )


def _same_shapes(parts: Sequence[object], field: str) -> bool:
    shape_of: Callable[[object], tuple[int, ...]] = lambda part: getattr(part, field).shape  # noqa: E731
    return all(shape_of(part) == shape_of(parts[0]) for part in parts)


def pool_linearity(parts: Sequence[Linearity]) -> Linearity | None:
    """Step by step; `None` where the steps differ."""
    if not parts or not _same_shapes(parts, "input_db"):
        return None
    thd = _log_mean_of(parts, "thd_percent")
    found = Linearity(
        frequency_hz=parts[0].frequency_hz,
        input_db=parts[0].input_db,
        output_db=_mean_of(parts, "output_db"),
        thd_percent=thd,
        thd_below_percent=_only_where_withheld(_largest_of(parts, "thd_below_percent"), thd),
        thd_slope_db_per_db=mean_of_known([p.thd_slope_db_per_db for p in parts]),
        **pool_scalars(parts, LINEARITY_FIELDS),
        **pool_intervals(parts, LINEARITY_FIELDS),
    )
    return found if any(not part.step_budget for part in parts) else _pool_steps(parts, found)


def _pool_steps(parts: Sequence[Linearity], found: Linearity) -> Linearity:
    """Intervals of the steps."""
    output = pool_curve_rows([part.step_budget["output_db"] for part in parts])
    if len(parts) > 1:
        output = (*output, make_seats_curve(np.stack([part.output_db for part in parts])))
    budgets = [part.step_budget["thd_percent"] for part in parts]
    thd = _pool_thd_rows(parts, budgets, found.thd_percent)
    withheld = np.isnan(found.output_db)
    return dataclasses.replace(
        found,
        output_uncertainty_db=np.where(withheld, np.nan, combine_curve_rows(output)),
        thd_uncertainty_percent=np.where(
            np.isnan(found.thd_percent), np.nan, combine_curve_rows(thd)
        ),
        step_budget={"output_db": output, "thd_percent": thd},
    )


def pool_noise(parts: Sequence[Noise]) -> Noise:
    """Levels in dB; arrays only where every recording has them alike."""
    arrays: dict[str, Any] = {}
    for field in ("mains_line_dbfs", "band_hz", "band_dbfs"):
        there = [part for part in parts if getattr(part, field) is not None]
        same = bool(there) and len(there) == len(parts) and _same_shapes(there, field)
        arrays[field] = _mean_of(there, field) if same else None
    intervals = pool_intervals(parts, UNCERTAIN_NOISE_FIELDS)
    return Noise(**arrays, **pool_scalars(parts, NOISE_FIELDS), **intervals)


def pool_steadiness(parts: Sequence[Steadiness]) -> Steadiness:
    """Mean drift with the interval of a mean, mean rate of losses."""
    own = mean_of_known([part.drift_uncertainty_db for part in parts])
    return Steadiness(
        drift_db=mean_of_known([part.drift_db for part in parts]),
        drift_uncertainty_db=None if own is None else own / math.sqrt(len(parts)),
        losses_per_min=mean_of_known([part.losses_per_min for part in parts]),
    )
