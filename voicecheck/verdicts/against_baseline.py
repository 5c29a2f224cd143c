"""One stage of one set held against the baselines of its type."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import numpy as np

from voicecheck.budgets import COVERAGE_95
from voicecheck.errors import InputError
from voicecheck.records import (
    Against,
    Baseline,
    BaselineQuantity,
    Comparison,
    Covariation,
    Finding,
    Run,
)
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import BY_NAME, Quantity
from voicecheck.records.verdicts import find_gravest
from voicecheck.verdicts.comparability import Comparability, check_conditions, find_refusal
from voicecheck.verdicts.covariance import find_own_level, limit_own_level
from voicecheck.verdicts.decide import decide, decide_curve, refuse
from voicecheck.verdicts.floors import judge_floors
from voicecheck.verdicts.limits import USUAL_LEVEL_SHARE, limit_factor
from voicecheck.verdicts.ownspread import (
    count_usable,
    curve_guard_db,
    own_level_guard_db,
    scalar_guard,
    shape_of,
)
from voicecheck.verdicts.quantities import from_scale, read_spread, to_scale
from voicecheck.verdicts.sharing import find_band_variance, tell_unshared
from voicecheck.verdicts.traits import read_traits

SINGLE_SHOT = (
    "one recording of a carbon element decides nothing: condition it and record at least three"
)


DOUBTED_INSIDE = "the baseline holds a doubted set, so its limits may be too wide"


def compare_to_baseline(
    runs: Mapping[str, Run],
    baselines: Mapping[str, Baseline],
    *,
    job: int | None,
    stage: str,
    transmitter: str | None = None,
) -> Comparison:
    """
    Hold the runs of one stage against the baselines of the set's type.

    Parameters
    ----------
    runs : mapping of str to Run
        By path.
    baselines : mapping of str to Baseline
        By path; a path without a baseline is passed over.
    job : int or None
    stage : str
    transmitter : str, optional
        Kind of transmitter; with "carbon" a talking path with one recording is never `outside`.

    Returns
    -------
    Comparison
        The limits are widened for the number of paths, so that the whole comparison calls a
        healthy set `outside` at most 5 times in 100.

    Raises
    ------
    InputError
        No path has both a run and a baseline.
    """
    paths = [path for path in runs if path in baselines]
    if not paths:
        message = (
            f"nothing to compare: runs of {_list(runs)}, baselines of {_list(baselines)}; "
            "build a baseline for the path first"
        )
        raise InputError(message)
    findings: list[Finding] = []
    for path in paths:
        baseline = widen_baseline(baselines[path], len(paths))
        found = _compare_path(runs[path], baseline)
        if transmitter == "carbon" and path != "receive" and count_usable(runs[path]) == 1:
            found = [_never_outside(finding) for finding in found]
        findings.extend(found)
    first = baselines[paths[0]]
    return Comparison(
        job=job,
        stage=stage,
        against=Against(
            kind="baseline", name=first.type_name, n=min(baselines[path].n for path in paths)
        ),
        findings=tuple(findings),
        overall=find_gravest(finding.verdict for finding in findings),
    )


def _list(mapping: Mapping[str, object]) -> str:
    return ", ".join(mapping) or "none"


def _never_outside(finding: Finding) -> Finding:
    if finding.verdict != "outside":
        return finding
    return dataclasses.replace(finding, verdict="doubtful", reason=SINGLE_SHOT)


def widen_baseline(baseline: Baseline, n_paths: int) -> Baseline:
    """
    The same baseline with limits for several paths compared together.

    Parameters
    ----------
    baseline : Baseline
    n_paths : int

    Returns
    -------
    Baseline
        For drawing, too: the band shown is then the band that was judged.
    """
    if n_paths <= 1 or baseline.dof is None:
        return baseline
    share = baseline.level_share
    widening = _widening("curve", baseline.dof, n_paths, level_share=share)
    return dataclasses.replace(
        baseline,
        low_db=baseline.mean_db + widening * (baseline.low_db - baseline.mean_db),
        high_db=baseline.mean_db + widening * (baseline.high_db - baseline.mean_db),
        shape_low_db=baseline.shape_mean_db
        + widening * (baseline.shape_low_db - baseline.shape_mean_db),
        shape_high_db=baseline.shape_mean_db
        + widening * (baseline.shape_high_db - baseline.shape_mean_db),
        quantities=tuple(_widen_quantity(known, n_paths, share) for known in baseline.quantities),
        covariation=_widen_own_level(baseline, n_paths),
    )


def _widen_own_level(baseline: Baseline, n_paths: int) -> Covariation | None:
    known = baseline.covariation
    if known is None or baseline.dof is None:
        return known
    low_db, high_db = limit_own_level(known, curve_dof=baseline.dof, n_paths=n_paths)
    return dataclasses.replace(known, low_db=low_db, high_db=high_db)


def _widening(
    family: str,
    dof: float,
    n_paths: int,
    *,
    is_two_sided: bool = True,
    level_share: float = USUAL_LEVEL_SHARE,
) -> float:
    wide, narrow = (
        limit_factor(family, dof, n_paths=paths, is_two_sided=is_two_sided, level_share=level_share)
        for paths in (n_paths, 1)
    )
    return wide / narrow


def _widen_quantity(known: BaselineQuantity, n_paths: int, level_share: float) -> BaselineQuantity:
    quantity = BY_NAME.get(known.quantity)
    if quantity is None or not known.family or known.dof is None:
        return known
    factor = _widening(
        known.family, known.dof, n_paths, is_two_sided=quantity.side == "both",
        level_share=level_share,
    )  # fmt: skip
    return dataclasses.replace(
        known,
        low=_widen_limit(quantity, known.mean, known.low, factor),
        high=_widen_limit(quantity, known.mean, known.high, factor),
    )


def _widen_limit(
    quantity: Quantity, mean: float, limit: float | None, factor: float
) -> float | None:
    if limit is None:
        return None
    middle = to_scale(quantity, mean)
    return from_scale(quantity, middle + factor * (to_scale(quantity, limit) - middle))


def _compare_path(run: Run, baseline: Baseline) -> list[Finding]:
    response = run.pooled.response
    unit = response.unit if response else ""
    allowed = check_conditions(
        run.path, run.pooled.conditions, unit, baseline.conditions, baseline.unit
    )
    if baseline.doubted:
        allowed = dataclasses.replace(allowed, remarks=(*allowed.remarks, DOUBTED_INSIDE))
    findings = [_judge_curve(run, baseline, allowed), _judge_shape(run, baseline, allowed)]
    for known in baseline.quantities:
        quantity = BY_NAME.get(known.quantity)
        if quantity is None or not known.family:
            continue
        finding = _judge_scalar(run, baseline, known, quantity, allowed)
        if finding is not None:
            findings.append(finding)
    own_level = _judge_own_level(run, baseline, allowed)
    if own_level is not None:
        findings.append(own_level)
    return [*findings, *_judge_by_floors(run, findings)]


def _judge_by_floors(run: Run, judged: Sequence[Finding]) -> list[Finding]:
    """Hum of which the sets of the baseline have none, so that it has no limit there."""
    if any(finding.quantity == "mains_dbfs" and finding.value is not None for finding in judged):
        return []
    return [one for one in judge_floors(run, None) if one.quantity == "hum_margin_db"]


def _source(baseline: Baseline) -> str:
    return f"baseline of {baseline.type_name}, {baseline.path}, {baseline.n} sets"


def _judge_curve(run: Run, baseline: Baseline, allowed: Comparability) -> Finding:
    response = run.pooled.response
    if "level" in allowed.refused:
        reason = allowed.refused["level"]
        return refuse(run.path, "response", baseline.unit, reason=reason, source=_source(baseline))
    level = response.level_db if response else np.full(len(baseline.frequency_hz), np.nan)
    return _curve_finding(run, baseline, "response", level, allowed)


def _judge_shape(run: Run, baseline: Baseline, allowed: Comparability) -> Finding:
    response = run.pooled.response
    if "shape" in allowed.refused:
        return refuse(
            run.path, "shape", "dB", reason=allowed.refused["shape"], source=_source(baseline)
        )
    shape = np.full(len(baseline.frequency_hz), np.nan)
    if response is not None:
        shape = shape_of(response)
    return _curve_finding(run, baseline, "shape", shape, allowed)


def _curve_finding(
    run: Run,
    baseline: Baseline,
    quantity: str,
    value: Array,
    allowed: Comparability,
) -> Finding:
    unit, low, high, mean = baseline.unit, baseline.low_db, baseline.high_db, baseline.mean_db
    if quantity == "shape":
        unit, mean = "dB", baseline.shape_mean_db
        low, high = baseline.shape_low_db, baseline.shape_high_db
    if value.shape != low.shape:
        reason = "the run and the baseline are on different frequencies: analyse again"
        return refuse(run.path, quantity, unit, reason=reason, source=_source(baseline))
    guard = curve_guard_db(run, baseline, is_shape=quantity == "shape")
    result = decide_curve(value, guard, low, high)
    if result.worst is None:
        reason = "every point is withheld"
        return refuse(run.path, quantity, unit, reason=reason, source=_source(baseline))
    at, pooled = result.worst, run.pooled
    resting: tuple[str, ...] = ()
    if pooled.response is not None:
        resting = tell_unshared(pooled.response, pooled.conditions, baseline.conditions)
    return Finding(
        path=run.path,
        quantity=quantity,
        value=float(value[at]),
        unit=unit,
        uncertainty=float(guard[at]),
        low=float(low[at]),
        high=float(high[at]),
        verdict=result.verdict,
        worst_hz=float(baseline.frequency_hz[at]),
        reason="; ".join((*allowed.remarks, *resting)),
        source=_source(baseline),
        reference=float(mean[at]),
    )


def _judge_scalar(
    run: Run,
    baseline: Baseline,
    known: BaselineQuantity,
    quantity: Quantity,
    allowed: Comparability,
) -> Finding | None:
    unit = quantity.unit_beside(known.unit)
    refused = find_refusal(allowed.refused, quantity.family, unit)
    if refused:
        return refuse(run.path, known.quantity, unit, reason=refused, source=_source(baseline))
    spread = read_spread(run, quantity)
    if spread.n == 0 or not math.isfinite(spread.mean):
        return None
    low, high = (
        to_scale(quantity, limit) if limit is not None else None
        for limit in (known.low, known.high)
    )
    guard = scalar_guard(spread, known)
    if quantity.family == "level":
        apart = find_band_variance(run, baseline.conditions, quantity.name)
        guard = math.hypot(guard, COVERAGE_95 * math.sqrt(apart))
    shown = from_scale(quantity, spread.mean)
    return Finding(
        path=run.path,
        quantity=known.quantity,
        value=shown,
        unit=unit,
        # On a ratio scale the interval is lopsided; the lower half decides an upper limit.
        uncertainty=shown - from_scale(quantity, spread.mean - guard),
        low=known.low,
        high=known.high,
        verdict=decide(spread.mean, guard, low, high),
        reason="; ".join(allowed.remarks),
        source=_source(baseline),
        reference=known.mean,
    )


def _judge_own_level(run: Run, baseline: Baseline, allowed: Comparability) -> Finding | None:
    """The level with shape, distortion and noise allowed for: where all of them compare."""
    known = baseline.covariation
    if known is None or known.low_db is None:
        return None
    groups = {"level", "shape", "distortion", "noise"}
    units = {"noise": "dBFS" if known.noise_from.endswith("dbfs") else ""}
    if any(find_refusal(allowed.refused, group, units.get(group, "")) for group in groups):
        return None
    value = find_own_level(read_traits(run.pooled, known.noise_from), known)
    if not math.isfinite(value):
        return None
    guard = own_level_guard_db(run, baseline, known)
    return Finding(
        path=run.path,
        quantity="own_level_db",
        value=value,
        unit="dB",
        uncertainty=guard,
        low=known.low_db,
        high=known.high_db,
        verdict=decide(value, guard, known.low_db, known.high_db),
        reason="; ".join(allowed.remarks),
        source=_source(baseline),
        reference=0.0,
    )
