"""
How far a bench moves from day to day, from its daily checks of the reference handset.

Mouth and ear are set again each day, the coupler's ring seals a little differently: reproducibility
with the day as the changed condition (ISO 5725-1:2023, its terms and idea alone). A handset that is
kept for the bench shows it, a loop-back does not, since it knows nothing of mouth and seal. What
that handset's own seats scatter is in the figure as well, which makes it rather too large. Where a
mouth or an ear moved further between its calibrations than those checks show, its own history
counts. The one estimate serves the interval of a level and the difference of two stages.

A handset that two people laid in on two days tells of days, too, with one degree of freedom: it is
pooled with the daily checks once there are enough of those, and never stands for them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records import StepResult
from voicecheck.records.arrays import Array

FEWEST_CHECKS = 10
STEPS: Mapping[str, tuple[str, ...]] = {
    "transmit": ("reference-transmit",),
    "receive": ("reference-receive",),
    "sidetone": ("reference-transmit", "reference-receive"),
    "loop": ("loop-back",),
}
"""Whose history tells of a path."""
PARTS: Mapping[str, tuple[str, ...]] = {
    "transmit": ("mouth",), "receive": ("microphone",), "sidetone": ("mouth", "microphone"),
}  # fmt: skip
"""Steps of a calibration that tell how far the mouth and the ear of a path moved."""
SEATS_STEP, SEATS_PATH, SEATS_DOF = "seats-of-days", "transmit", "day_dof"
"""Result of the seats of two days: standard deviation between days, dB; its path; its figure."""
FEWEST_PARTS = 5
"""Days on which such a step must have been done to be counted (a choice, not a source)."""
STATED_LEVEL_DB = {"transmit": 0.4, "receive": 0.4, "sidetone": 0.6, "loop": 0.1}
STATED_SHAPE_DB = {"transmit": 0.1, "receive": 0.1, "sidetone": 0.15, "loop": 0.05}
STATED_SEAL_DB = 0.4
SEAL_BELOW_HZ = 500.0
"""Standard deviations from day to day where no history tells them (PROP, common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSpread:
    """
    Standard deviations of one path from day to day.

    Parameters
    ----------
    level_db : float
        Of the mean level.
    frequency_hz, shape_db : ndarray, shape (n_points,)
        Of the curve without its mean.
    n_checks : int
        Days behind them.
    is_stated : bool
        Too few days: at least the stated values stand in for them.
    seats_dof : float
        Degrees of freedom that seats of other days add; 0 where there are none.
    """

    level_db: float
    frequency_hz: Array
    shape_db: Array
    n_checks: int
    is_stated: bool
    seats_dof: float = 0.0

    @property
    def dof(self) -> float | None:
        """Degrees of freedom; `None` of what is stated."""
        return None if self.is_stated else self.n_checks - 1.0 + self.seats_dof

    def spread_shape(self, frequency_hz: Array) -> Array:
        """Standard deviation of the shape at these frequencies, dB."""
        return np.asarray(np.interp(np.log(frequency_hz), np.log(self.frequency_hz), self.shape_db))

    def describe(self) -> str:
        """What a finding says of it; nothing where it is known."""
        if not self.is_stated:
            return ""
        return (
            f"{self.n_checks} daily checks of the reference handset, {FEWEST_CHECKS} are needed: "
            f"the bench is taken to scatter by {self.level_db:.1f} dB from day to day"
        )


def estimate_bench_spread(path: str, history: Sequence[StepResult]) -> BenchSpread:
    """
    Day-to-day spread of one path.

    Parameters
    ----------
    path : str
        A key of `STEPS`.
    history : sequence of StepResult
        Of one bench with its wires as they are; other steps are passed over. Of each day the
        latest counts, and only those in the unit of the latest. A day with a value and no curve
        tells of the level alone.

    Returns
    -------
    BenchSpread
        Of a path with mouth and ear, the two in quadrature.
    """
    by_step = [_latest_of_days(history, step) for step in STEPS[path]]
    n_checks = min(len(days) for days in by_step)
    is_stated = n_checks < FEWEST_CHECKS
    hz, level_db, shape_db = _state(path)
    seats_dof = 0.0
    if not is_stated:
        level_db, shape_db = _combine(by_step, hz)
        if seats := _find_seats(path, history):
            level_db, dof = pool_estimates([(level_db, n_checks - 1.0), seats])
            seats_dof = dof - (n_checks - 1.0)
    elif n_checks > 2:
        shown_level, shown_shape = _combine(by_step, hz)
        level_db, shape_db = max(level_db, shown_level), np.maximum(shape_db, shown_shape)
    parts = [_latest_of_days(history, step) for step in PARTS.get(path, ())]
    told = [days for days in parts if len(days) >= FEWEST_PARTS]
    if told:
        level_db = max(level_db, _combine(told, hz)[0])
    return BenchSpread(
        level_db=level_db, frequency_hz=hz, shape_db=shape_db, n_checks=n_checks,
        is_stated=is_stated, seats_dof=seats_dof,
    )  # fmt: skip


def pool_estimates(estimates: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """
    Several estimates of one standard deviation made one.

    Parameters
    ----------
    estimates : sequence of (sd, dof)
        As the ten daily checks' (9 degrees of freedom) and the first protocol's, which for what
        differs between two days is `VarianceEstimate.fewest_dof` of 1: Satterthwaite's would let
        twenty seats of two days that happened to agree outweigh ten days.

    Returns
    -------
    sd, dof : float
        Root of the mean variance weighted by the degrees of freedom (JCGM 100:2008, H.3.6,
        note), and their sum.

    Raises
    ------
    InputError
        Nothing with a degree of freedom.

    Examples
    --------
    >>> sd, dof = pool_estimates([(0.3, 9), (0.6, 1)])
    >>> round(sd, 3), dof
    (0.342, 10)
    """
    dof = sum(dof for _, dof in estimates)
    if dof <= 0:
        raise InputError("no estimate with a degree of freedom to pool; take more results")
    return float(np.sqrt(sum(dof * sd**2 for sd, dof in estimates) / dof)), dof


def _find_seats(path: str, history: Sequence[StepResult]) -> tuple[float, float] | None:
    """What the newest seats of two days say of that path, and its degrees of freedom."""
    found = [one for one in history if one.step == SEATS_STEP and one.value is not None]
    if path != SEATS_PATH or not found:
        return None
    newest = max(found, key=lambda one: one.done_utc)
    return newest.value or 0.0, newest.figures.get(SEATS_DOF, 0.0)


def _state(path: str) -> tuple[Array, float, Array]:
    hz = np.geomspace(200.0, 4000.0, 53)
    shape_db = np.full(len(hz), STATED_SHAPE_DB[path])
    if path in ("receive", "sidetone"):
        shape_db[hz < SEAL_BELOW_HZ] = STATED_SEAL_DB
    return hz, STATED_LEVEL_DB[path], shape_db


def _latest_of_days(history: Sequence[StepResult], step: str) -> list[StepResult]:
    results = sorted(
        (one for one in history if one.step == step and _has_level(one)),
        key=lambda result: result.done_utc,
    )
    days = {one.done_utc[:10]: one for one in results if one.unit == results[-1].unit}
    return list(days.values())


def _has_level(result: StepResult) -> bool:
    return result.level_db is not None or bool(result.value and result.unit)


def _combine(by_step: Sequence[Sequence[StepResult]], hz: Array) -> tuple[float, Array]:
    """Level and shape over the days, the steps in quadrature."""
    level, shape = 0.0, np.zeros(len(hz))
    for days in by_step:
        curves = np.vstack([_read_at(one, hz) for one in days])
        means = np.mean(curves, axis=1)
        level += float(np.var(means, ddof=1))
        shape += np.var(curves - means[:, None], axis=0, ddof=1)
    return float(np.sqrt(level)), np.sqrt(shape)


def _read_at(result: StepResult, hz: Array) -> Array:
    """Curve of a day in dB, or its one value where it has none."""
    if result.level_db is not None and result.frequency_hz is not None:
        known_hz, level_db = np.asarray(result.frequency_hz), np.asarray(result.level_db)
        return np.asarray(np.interp(np.log(hz), np.log(known_hz), level_db))
    value = result.value or 0.0
    level = value if result.unit.startswith("dB") else 20.0 * np.log10(abs(value))
    return np.full(len(hz), level)
