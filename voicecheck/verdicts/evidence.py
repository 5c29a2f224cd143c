"""What the runs say against the type's baseline, as the named numbers that clues are read from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Baseline, BaselineQuantity, Problem, Run
from voicecheck.records.quantities import BY_NAME, THD_AT_HZ, list_evidence
from voicecheck.verdicts.baseline import quantities_of
from voicecheck.verdicts.comparability import check_conditions, find_refusal
from voicecheck.verdicts.quantities import from_scale, read_spread, to_scale
from voicecheck.verdicts.readings import READERS, mean_level_db

DEAD_DB = -30.0
THD_OF_TYPE = "thd_500_percent"
"""Stands for the distortion's spread among sets."""
SILENT_KINDS = ("no-signal", "wrong-programme")
"""How a path is reported on which nothing of the programme comes back."""
NO_HUM_DB = -30.0
DIRECT_CURRENT = {
    "loop_ma": "measured.feed_ratio",
    "transmitter_ohm": "measured.dc_ohm_ratio",
}
KINDS = {
    "bursts_in_signal": ("burst",),
    "overload": ("overload", "clipping"),
    "unsteady": ("unsteady", "level-control"),
}
"""Problems that are clues, counted per recording."""


def gather_evidence(
    runs: Mapping[str, Run],
    baselines: Mapping[str, Baseline],
    *,
    problems: Mapping[str, Sequence[Problem]] | None = None,
    extra: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """
    Named numbers that the causes are told apart by.

    Parameters
    ----------
    runs : mapping of str to Run
        By path.
    baselines : mapping of str to Baseline
        By path; deviations are from their means. What is not comparable is left out.
    problems : mapping of str to sequence of Problem, optional
        Of paths whose recordings could not be used at all.
    extra : mapping of str to float, optional
        Results of separating tests and other instruments, as "test.flex_events_per_min".

    Returns
    -------
    dict of str to float
        Keys `path.name`.
    """
    evidence: dict[str, float] = {}
    for path, run in runs.items():
        baseline = baselines.get(path)
        found = _of_run(run)
        if baseline is not None and run.pooled.response is not None:
            found |= _against_baseline(run, baseline)
        evidence |= {f"{path}.{name}": value for name, value in found.items()}
    for path, found_problems in (problems or {}).items():
        if any(problem.kind in SILENT_KINDS for problem in found_problems):
            evidence[f"{path}.dead"] = 1.0
    evidence |= _of_both(evidence)
    evidence |= _of_direct_current(runs, baselines)
    evidence |= extra or {}
    return {name: value for name, value in evidence.items() if math.isfinite(value)}


def _of_run(run: Run) -> dict[str, float]:
    found = {"dead": 0.0}
    for name, quantities in list_evidence("value").items():
        values = [_read(run, quantity.name) for quantity in quantities]
        known = [value for value in values if value is not None]
        if known:
            found[name] = known[0]
    if run.level_sd_db is not None:
        found["seat_sd"] = run.level_sd_db
    n = max(1, len(run.recordings))
    kinds = [problem.kind for m in run.recordings for problem in m.problems]
    for name, told in KINDS.items():
        found[name] = sum(kinds.count(kind) for kind in told) / n
    found |= _of_linearity(run)
    return found


def _read(run: Run, name: str) -> float | None:
    return READERS[name](run.pooled)


def _of_linearity(run: Run) -> dict[str, float]:
    part = run.pooled.linearity
    if part is None or len(part.input_db) < 2:
        return {}
    thd = np.where(np.isfinite(part.thd_percent), part.thd_percent, part.thd_below_percent)
    top, lower = int(np.argmax(part.input_db)), int(np.argmin(np.abs(part.input_db + 6.0)))
    if not (thd[top] > 0.0 and thd[lower] > 0.0):
        return {}
    return {"thd_jump": 20.0 * math.log10(thd[top] / thd[lower])}


def _against_baseline(run: Run, baseline: Baseline) -> dict[str, float]:
    response = run.pooled.response
    if response is None:
        return {}
    refused = check_conditions(
        run.path, run.pooled.conditions, response.unit, baseline.conditions, baseline.unit
    ).refused
    known = quantities_of(baseline)
    found: dict[str, float] = {}
    for name, quantities in list_evidence("deviation").items():
        for quantity in quantities:
            if find_refusal(refused, quantity.family, quantity.unit):
                continue
            if quantity.name in known and (spread := read_spread(run, quantity)).n:
                found[name] = spread.mean - to_scale(quantity, known[quantity.name].mean)
                break
    if "distortion" not in refused:
        found |= _thd_deviation(run, baseline)
    if "shape" not in refused:
        found |= _shape_evidence(run, baseline)
    if "fade" in found:
        found["fade"] = -found["fade"]
    if "noise" not in refused and "dbfs" not in refused:
        found |= _hum(run, known)
    if "level" in found:
        if "low" in found:
            found["low_rel"] = found["low"] - found["level"]
        found["dead"] = float(found["level"] <= DEAD_DB)
    return found


def _hum(run: Run, known: Mapping[str, BaselineQuantity]) -> dict[str, float]:
    """Mains lines against the type's whole idle noise: most healthy sets have no hum to compare."""
    usual = known.get("flat_dbfs")
    if usual is None:
        return {}
    spread = read_spread(run, BY_NAME["mains_dbfs"])
    return {"mains": spread.mean - usual.mean if spread.n else NO_HUM_DB}


def _thd_deviation(run: Run, baseline: Baseline) -> dict[str, float]:
    known = quantities_of(baseline)
    changes = []
    for name in (*(f"thd_{hz:.0f}_percent" for hz in THD_AT_HZ), "thd_max_percent"):
        spread = read_spread(run, BY_NAME[name])
        if name in known and spread.n:
            changes.append(spread.mean - to_scale(BY_NAME[name], known[name].mean))
    return {"thd": float(np.mean(changes))} if changes else {}


def _shape_evidence(run: Run, baseline: Baseline) -> dict[str, float]:
    response = run.pooled.response
    if response is None or response.level_db.shape != baseline.mean_db.shape:
        return {}
    shape = response.level_db - mean_level_db(response.frequency_hz, response.level_db)
    change = shape - baseline.shape_mean_db
    found = {}
    if np.any(np.isfinite(change)):
        found["shape_rms"] = float(np.sqrt(np.nanmean(change**2)))
        peak, usual = (
            _peak_hz(response.frequency_hz, shape),
            _peak_hz(baseline.frequency_hz, baseline.shape_mean_db),
        )
        found["peak_shift_percent"] = 100.0 * (peak / usual - 1.0)
    return found


def _peak_hz(frequency_hz: np.ndarray, level_db: np.ndarray) -> float:
    return float(frequency_hz[int(np.nanargmax(level_db))])


def _of_direct_current(
    runs: Mapping[str, Run], baselines: Mapping[str, Baseline]
) -> dict[str, float]:
    """Loop current and the transmitter's resistance, as multiples of the type's."""
    run, baseline = runs.get("transmit"), baselines.get("transmit")
    if run is None:
        return {}
    if baseline is None:
        return {}
    known = quantities_of(baseline)
    found = {}
    for name, clue in DIRECT_CURRENT.items():
        quantity, spread = BY_NAME[name], read_spread(run, BY_NAME[name])
        if name in known and spread.n:
            found[clue] = from_scale(quantity, spread.mean - to_scale(quantity, known[name].mean))
    return found


def _of_both(evidence: Mapping[str, float]) -> dict[str, float]:
    talk, hear = evidence.get("transmit.level"), evidence.get("receive.level")
    if talk is None or hear is None:
        return {}
    own = evidence.get("sidetone.level")
    # Own voice passes the transmitter and the receiver: what they lose, it loses as well.
    return {} if own is None else {"both.sidetone_excess": own - talk - hear}


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """
    One number among the reference sets of a type.

    `mean` is 0 for what is told as a deviation; `sd` is dB on a ratio scale; `n` the sets.
    """

    mean: float
    sd: float
    n: int


def gather_usual(baselines: Mapping[str, Baseline]) -> dict[str, Usual]:
    """
    What is usual for a type in each number that its baselines know.

    Parameters
    ----------
    baselines : mapping of str to Baseline
        By path.

    Returns
    -------
    dict of str to Usual
    """
    found = {}
    for path, baseline in baselines.items():
        known = quantities_of(baseline)
        moved = list_evidence("deviation") | {"thd": [BY_NAME[THD_OF_TYPE]]}
        for names, is_value in ((moved, False), (list_evidence("value"), True)):
            for name, quantities in names.items():
                one = next((known[q.name] for q in quantities if q.name in known), None)
                if one is not None:
                    mean = one.mean if is_value else 0.0
                    found[f"{path}.{name}"] = Usual(mean=mean, sd=one.sd, n=one.n)
    return found
