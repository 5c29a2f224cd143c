"""
What a bench can tell, by the estimators that judge sets: repeated takes of the bench without one.

Three takes are held against the three that follow, as the stages of a set are (`before_after`),
and so on through all takes. What such a comparison would have called real is the smallest change
that the bench can tell; that none of them called anything real is a test of the bench. Two days
apart the bench's own scatter from day to day (`benchspread`) comes on top.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

import numpy as np

from voicecheck.benchspread import BenchSpread, estimate_bench_spread
from voicecheck.errors import RecordingError
from voicecheck.records import Against, Comparison, Finding, Measurement, Run, StepResult
from voicecheck.records.arrays import Array
from voicecheck.records.benchsight import BenchSight
from voicecheck.records.orders import DEFAULT_SEATS
from voicecheck.verdicts.before_after import compare_runs
from voicecheck.verdicts.pooling import pool_run
from voicecheck.verdicts.readings import value_at

FEWEST_TAKES = 2 * DEFAULT_SEATS
VOICE_HZ = (300.0, 3000.0)
NOISE_NAMES = {"dbfs": "psophometric_dbfs", "dbm": "psophometric_dbm"}


def estimate_bench_sight(
    takes: Sequence[Measurement], history: Sequence[StepResult] = ()
) -> BenchSight:
    """
    The smallest things that a bench can tell, from takes without a set.

    Parameters
    ----------
    takes : sequence of Measurement
        In the order they were taken, nothing touched between them; at least one with a response.
        From six on there are comparisons; twenty tell it well.
    history : sequence of StepResult
        Results of the bench's daily checks; without enough of them a usual scatter is stated.

    Returns
    -------
    BenchSight

    Raises
    ------
    RecordingError
        No take has a response.
    """
    usable = [one for one in takes if one.response is not None]
    if not usable:
        raise RecordingError("the bench without a set: no take has a response; look at the wires")
    spread = estimate_bench_spread("loop", history)
    now = _compare_in_turn(usable, None)
    days = _compare_in_turn(usable, spread)
    return BenchSight(
        bench=usable[0].conditions.bench,
        n_takes=len(usable),
        **_spread_of(usable, "gain_db", "gain_sd_db", lambda one: one.bands.at_1khz_db),
        level_change_db=_find_change(now, "mid_db"),
        curve_change_db=_find_change(now, "response"),
        level_found_db=_take_middle(_list_found(now, "mid_db")),
        level_change_days_db=_find_change(days, "mid_db"),
        n_days=spread.n_checks,
        are_days_stated=spread.is_stated,
        **_find_distortion(usable),
        **_find_noise(usable, now),
        **_find_latency(usable),
        **_spread_of(usable, "drift_ppm", "drift_sd_ppm", _read_drift),
        n_comparisons=len(now),
        n_false=sum(one.overall == "outside" for one in now),
    )


def _compare_in_turn(takes: Sequence[Measurement], bench: BenchSpread | None) -> list[Comparison]:
    """Each group of takes held against the one before it."""
    runs = [
        _pool(takes[first : first + DEFAULT_SEATS])
        for first in range(0, len(takes) - DEFAULT_SEATS + 1, DEFAULT_SEATS)
    ]
    return [
        compare_runs(
            {"loop": after}, {"loop": before}, job=None, stage="after",
            against=Against(kind="before", name="the takes before"),
            bench=None if bench is None else {"loop": bench},
        )
        for before, after in itertools.pairwise(runs)
    ]  # fmt: skip


def _pool(takes: Sequence[Measurement]) -> Run:
    # One day: what the bench does from day to day is handed in apart.
    return pool_run(takes, job=None, path="loop", stage="loop-back")


def _list_findings(comparisons: Sequence[Comparison], quantity: str) -> list[Finding]:
    return [
        finding for one in comparisons for finding in one.findings if finding.quantity == quantity
    ]


def _list_changes(comparisons: Sequence[Comparison], quantity: str) -> list[float]:
    """Differences that would just be called real; none where a quantity was not compared."""
    found = [one.uncertainty for one in _list_findings(comparisons, quantity)]
    return [one for one in found if one is not None and math.isfinite(one)]


def _list_found(comparisons: Sequence[Comparison], quantity: str) -> list[float]:
    """Differences that are found, as each comparison states it of itself."""
    found = [one.detectable for one in _list_findings(comparisons, quantity)]
    return [one for one in found if one is not None and math.isfinite(one)]


def _find_change(comparisons: Sequence[Comparison], quantity: str) -> float | None:
    return _take_middle(_list_changes(comparisons, quantity))


def _take_middle(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if values else None


def _spread_of(
    takes: Sequence[Measurement], mean: str, sd: str, read: Callable[[Measurement], float | None]
) -> dict[str, float | None]:
    values = [value for one in takes if (value := read(one)) is not None]
    return {
        mean: float(np.mean(values)) if values else None,
        sd: float(np.std(values, ddof=1)) if len(values) > 1 else None,
    }


def _read_drift(take: Measurement) -> float | None:
    return take.timing.drift_ppm if take.timing else None


def _find_latency(takes: Sequence[Measurement]) -> dict[str, float | None]:
    values = [1e3 * one.timing.latency_s for one in takes if one.timing]
    return {
        "latency_ms": float(np.mean(values)) if values else None,
        "latency_sd_ms": float(np.std(values, ddof=1)) if len(values) > 1 else None,
        "latency_range_ms": float(np.ptp(values)) if values else None,
    }


def _find_distortion(takes: Sequence[Measurement]) -> dict[str, float | None]:
    """Of each frequency the median over the takes of THD, or of what it is less than."""
    parts = [one.distortion for one in takes if one.distortion is not None]
    if not parts:
        return {}
    hz: Array = parts[0].frequency_hz
    told = np.vstack([_read_thd_limit(one.thd_percent, one.thd_below_percent) for one in parts])
    known = np.any(np.isfinite(told), axis=0)
    floor = np.full(len(hz), np.nan)
    floor[known] = np.nanmedian(told[:, known], axis=0)
    inside = known & (hz >= VOICE_HZ[0]) & (hz <= VOICE_HZ[1])
    if not np.any(inside):
        return {}
    at = int(np.argmax(np.where(inside, np.nan_to_num(floor), -1.0)))
    return {
        "thd_percent": value_at(hz, floor, 1000.0),
        "worst_thd_percent": float(floor[at]),
        "worst_thd_hz": float(hz[at]),
    }


def _read_thd_limit(thd_percent: Array, below_percent: Array) -> Array:
    return np.where(np.isfinite(thd_percent), thd_percent, below_percent)


def _find_noise(
    takes: Sequence[Measurement], comparisons: Sequence[Comparison]
) -> dict[str, float | None]:
    """Noise of the bench, and the least of a set that stands out above it."""
    found: dict[str, float | None] = {}
    changes = [
        change for name in NOISE_NAMES.values() for change in _list_changes(comparisons, name)
    ]
    for unit, name in NOISE_NAMES.items():
        levels_db = [value for one in takes if (value := getattr(one.noise, name)) is not None]
        if not levels_db:
            continue
        mean_db = 10.0 * math.log10(float(np.mean(10.0 ** (0.1 * np.array(levels_db)))))
        found[f"noise_{unit}"] = mean_db
        if changes:
            found[f"set_noise_{unit}"] = mean_db + lift_db(float(np.median(changes)))
    return found


def lift_db(change_db: float) -> float:
    """
    Level of a second noise, re the first, that lifts their sum by so much.

    Powers of what has nothing to do with each other add.

    Examples
    --------
    >>> round(lift_db(3.0103), 3)
    0.0
    """
    return 10.0 * math.log10(10.0 ** (0.1 * change_db) - 1.0)
