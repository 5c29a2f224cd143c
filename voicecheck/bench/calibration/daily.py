"""The daily check: what moved since the bench was calibrated."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from voicecheck.bench.calibration.curves import SEAL_DB
from voicecheck.bench.calibration.guides import list_daily
from voicecheck.bench.calibration.validity import get_newest
from voicecheck.records.benches import BenchCheck, BenchSetup, CheckItem, StepResult

LOOP_BACK_DB = 0.2
REFERENCE_DB = 1.0
NOISE_FIGURES = {"noise": ("noise_dbfs", 3.0), "hum": ("mains_dbfs", 6.0)}
"""More than stored by this many dB has a cause worth finding (PROP)."""
QUIET_DBFS = -90.0
"""What is below this disturbs no measurement, whatever was stored (PROP)."""
REMEDIES = {
    "loop-back": "look at plugs and volume controls; if nothing is found, calibrate again",
    "reference-transmit": "seat the reference handset again, look at feed and mouth distance",
    "reference-receive": "seat the reference handset again, look at the coupler's ring",
    "noise": "look for a loose screen or a dimmer, move the mains supplies away",
    "hum": "look for a ground loop or a transformer near the leads",
    "seal": "seat the coupler's ring again, with a little grease",
}


def check_bench(
    setup: BenchSetup,
    stored: Iterable[StepResult],
    fresh: Iterable[StepResult],
    now_utc: str,
) -> BenchCheck:
    """
    Hold today's results against the stored ones.

    Parameters
    ----------
    setup : BenchSetup
    stored : iterable of StepResult
        Of its calibration, not of earlier checks: a bench that wanders a little every day would
        never be noticed if each day were held against the day before. The newest of each step
        counts.
    fresh : iterable of StepResult
        Today's results of the daily steps, or some of them.
    now_utc : str

    Returns
    -------
    BenchCheck
        One item each for loop-back, both references, noise, hum and seal; what was not done
        today, or has nothing to be held against, says so.
    """
    stored, fresh = list(stored), list(fresh)
    steps = [guide.name for guide in list_daily("coupler")]
    pairs = {step: (get_newest(stored, step), get_newest(fresh, step)) for step in steps}
    items = [
        _compare_curves(*pairs["loop-back"]),
        _compare_noise("noise", *pairs["loop-back"]),
        _compare_noise("hum", *pairs["loop-back"]),
        _compare_levels("reference-transmit", *pairs["reference-transmit"]),
        _compare_levels("reference-receive", *pairs["reference-receive"]),
        _check_seal(pairs["seal"][1]),
    ]
    return BenchCheck(bench=setup.name, time_utc=now_utc, items=tuple(items))


def _make_item(
    quantity: str, verdict: str, limit: float, unit: str, **values: float | None
) -> CheckItem:
    return CheckItem(
        quantity=quantity,
        value=values.get("value"),
        stored=values.get("stored"),
        limit=limit,
        unit=unit,
        verdict=verdict,
        message=REMEDIES[quantity] if verdict == "moved" else "",
    )


def _compare_curves(stored: StepResult | None, fresh: StepResult | None) -> CheckItem:
    """Largest difference anywhere in the band, level included."""
    if stored is None or fresh is None:
        return _make_item("loop-back", "not done", LOOP_BACK_DB, "dB")
    points = (stored.frequency_hz, stored.level_db, fresh.frequency_hz, fresh.level_db)
    if any(array is None for array in points):
        return _make_item("loop-back", "not done", LOOP_BACK_DB, "dB")
    known_hz, known_db, new_hz, new_db = (np.asarray(array) for array in points)
    expected_db = np.interp(np.log(new_hz), np.log(known_hz), known_db)
    worst_db = float(np.max(np.abs(new_db - expected_db)))
    verdict = "moved" if worst_db > LOOP_BACK_DB else "pass"
    return _make_item("loop-back", verdict, LOOP_BACK_DB, "dB", value=worst_db, stored=0.0)


def _compare_levels(
    quantity: str, stored: StepResult | None, fresh: StepResult | None
) -> CheckItem:
    """Mean level of the reference handset; absolute and relative ones are never mixed."""
    if (
        stored is None
        or fresh is None
        or stored.value is None
        or fresh.value is None
        or stored.unit != fresh.unit
    ):
        return _make_item(quantity, "not done", REFERENCE_DB, "dB")
    verdict = "moved" if abs(fresh.value - stored.value) > REFERENCE_DB else "pass"
    return _make_item(
        quantity, verdict, REFERENCE_DB, fresh.unit, value=fresh.value, stored=stored.value
    )


def _compare_noise(quantity: str, stored: StepResult | None, fresh: StepResult | None) -> CheckItem:
    """Only a rise counts; hum that is not found has no figure, and is no fault."""
    figure, limit_db = NOISE_FIGURES[quantity]
    if stored is None or fresh is None:
        return _make_item(quantity, "not done", limit_db, "dBFS")
    value, known = fresh.figures.get(figure), stored.figures.get(figure)
    allowed = max(QUIET_DBFS, known if known is not None else QUIET_DBFS) + limit_db
    verdict = "moved" if value is not None and value > allowed else "pass"
    return _make_item(quantity, verdict, limit_db, "dBFS", value=value, stored=known)


def _check_seal(fresh: StepResult | None) -> CheckItem:
    if fresh is None or fresh.value is None:
        return _make_item("seal", "not done", SEAL_DB, "dB")
    verdict = "moved" if fresh.value >= SEAL_DB else "pass"
    return _make_item("seal", verdict, SEAL_DB, "dB", value=fresh.value)
