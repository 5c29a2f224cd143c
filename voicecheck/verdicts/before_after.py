"""
Two stages of one set held against each other.

A difference counts as real only above 2 sqrt(s1^2/n1 + s2^2/n2), s the spread between seats and
n their number. With few seats that rule alone cries out too often (12 times in 100 with three and
three, at each of many quantities), so the interval of the difference must leave zero out as well:
simultaneous over curve, shape and bands, at 99 % for every other figure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from voicecheck.budgets import COVERAGE_95
from voicecheck.errors import InputError
from voicecheck.records import Against, Comparison, Finding, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import QUANTITIES, Quantity
from voicecheck.records.terms import Verdict
from voicecheck.records.verdicts import find_gravest
from voicecheck.verdicts.comparability import Comparability, check_conditions, find_refusal
from voicecheck.verdicts.decide import refuse
from voicecheck.verdicts.limits import (
    BAND_VARIANCE,
    CURVE_PRIOR_DOF,
    draw_together,
    limit_factor,
    mean_variance,
)
from voicecheck.verdicts.ownspread import count_usable, shape_of, shape_spread_db
from voicecheck.verdicts.pooling import pool_run
from voicecheck.verdicts.quantities import Spread, from_scale, read_spread
from voicecheck.verdicts.sameness import find_same
from voicecheck.verdicts.sharing import (
    find_day_variance,
    find_level_variance,
    sum_unshared,
    tell_unshared,
)

RULE_FACTOR = 2.0
SCALAR_TAIL = 0.005
UNKNOWN_SPREAD = "one recording on either side: the spread is not known; record at least three"
BORROWED_SPREAD = "one recording on one side: the spread of the other side is taken for both"


def compare_runs(
    after: Mapping[str, Run],
    before: Mapping[str, Run],
    *,
    job: int | None,
    stage: str,
    against: Against,
) -> Comparison:
    """
    Hold one stage of a set against another: after against before, or one element against another.

    Parameters
    ----------
    after, before : mapping of str to Run
        By path; paths on one side only are passed over.
    job : int or None
    stage : str
    against : Against
        What `before` is.

    Returns
    -------
    Comparison
        Values are differences, after minus before; THD and bursts as the change in their own
        unit. `low` and `high` are the rule's limits on the difference, `uncertainty` the
        half-width of its interval; `outside` means a real difference, neither good nor bad.

    Raises
    ------
    InputError
        No path has a run on both sides, or a run is made of the other's recordings.
    """
    paths = [path for path in after if path in before]
    if not paths:
        message = (
            f"nothing to compare: paths {', '.join(after) or 'none'} against "
            f"{', '.join(before) or 'none'}; sweep the same path at both stages"
        )
        raise InputError(message)
    findings = [
        finding
        for path in paths
        for finding in _compare_path(_leave_out(after[path], before[path]), before[path], against)
    ]
    return Comparison(
        job=job,
        stage=stage,
        against=against,
        findings=tuple(findings),
        overall=find_gravest(finding.verdict for finding in findings),
    )


def _leave_out(after: Run, before: Run) -> Run:
    """A run without the recordings that are in the other one, too."""
    usable = [one for one in after.recordings if one.response is not None]
    own = [one for one in usable if find_same(one, before.recordings) is None]
    if len(own) == len(usable):
        return after
    if not own:
        raise InputError(
            f"{after.path}, {after.stage}: its recordings are the same as those of "
            f"{before.stage}, so nothing can have changed; record it anew"
        )
    return pool_run(
        own, job=after.job, path=after.path, stage=after.stage, taken_utc=after.taken_utc
    )


def _compare_path(after: Run, before: Run, against: Against) -> list[Finding]:
    first, second = after.pooled.response, before.pooled.response
    if first is None or second is None:
        return []
    allowed = check_conditions(
        after.path, after.pooled.conditions, first.unit, before.pooled.conditions, second.unit
    )
    source = f"difference to {against.name or against.kind}"
    findings = [
        _judge_curve(after, before, "response", allowed, source),
        _judge_curve(after, before, "shape", allowed, source),
    ]
    has_dbm = all(run.pooled.noise.psophometric_dbm is not None for run in (after, before))
    for quantity in QUANTITIES:
        if not quantity.is_compared or (quantity.name == "psophometric_dbfs" and has_dbm):
            continue
        finding = _judge_scalar(after, before, quantity, allowed, source)
        if finding is not None:
            findings.append(finding)
    return findings


def _seat_variances(after: Run, before: Run, *, is_shape: bool) -> tuple[Array, Array, float, str]:
    """Variances of the two means, their degrees of freedom, and a remark."""
    spreads, counts = [], []
    for run in (after, before):
        spread = shape_spread_db(run) if is_shape else np.array(run.seat_sd_db)
        counts.append(count_usable(run))
        variance, dof_one = np.square(spread), counts[-1] - 1.0
        drawn = draw_together(
            variance, dof_one, whole=mean_variance(variance), prior_dof=CURVE_PRIOR_DOF
        )
        spreads.append(np.sqrt(drawn))
    known = [bool(np.any(np.isfinite(spread))) for spread in spreads]
    remark, dof = "", float(sum(count - 1 for count in counts))
    if not any(known):
        remark = UNKNOWN_SPREAD
    elif not all(known):
        spreads = [spreads[known.index(True)]] * 2
        remark = BORROWED_SPREAD
    first, second = (
        np.square(spread) / count for spread, count in zip(spreads, counts, strict=True)
    )
    return first, second, dof, remark


def _noise_variance(*responses: Response) -> Array:
    total = np.zeros_like(responses[0].level_db)
    for response in responses:
        if response.noise_uncertainty_db is not None:
            total = total + np.square(np.nan_to_num(response.noise_uncertainty_db) / COVERAGE_95)
    return total


def _judge_curve(
    after: Run, before: Run, quantity: str, allowed: Comparability, source: str
) -> Finding:
    first, second = after.pooled.response, before.pooled.response
    group = "level" if quantity == "response" else "shape"
    if group in allowed.refused or first is None or second is None:
        return refuse(
            after.path, quantity, "dB", reason=allowed.refused.get(group, ""), source=source
        )
    if first.level_db.shape != second.level_db.shape:
        reason = "the two runs are on different frequencies: analyse again"
        return refuse(after.path, quantity, "dB", reason=reason, source=source)
    is_shape = quantity == "shape"
    difference = first.level_db - second.level_db
    if is_shape:
        difference = shape_of(first) - shape_of(second)
    var_after, var_before, dof, remark = _seat_variances(after, before, is_shape=is_shape)
    noise = _noise_variance(first, second)
    then, now = before.pooled.conditions, after.pooled.conditions
    shared = sum_unshared(first, now, then, is_shape=is_shape)
    shared += sum_unshared(second, then, now, is_shape=is_shape)
    noise += shared / COVERAGE_95**2 + (0.0 if is_shape else find_day_variance(after, before))
    known = remark != UNKNOWN_SPREAD
    standard = np.sqrt(noise + (var_after + var_before if known else 0.0))
    rule = RULE_FACTOR * standard
    interval = limit_factor("shape" if is_shape else "curve", dof) * standard
    remarks = (remark, *allowed.remarks, *tell_unshared(first, now, then))
    return _difference_curve(
        after.path, quantity, difference, rule, interval,
        frequency_hz=first.frequency_hz, is_known=known, remarks=remarks, source=source,
    )  # fmt: skip


def _difference_curve(
    path: str,
    quantity: str,
    difference: Array,
    rule: Array,
    interval: Array,
    *,
    frequency_hz: Array,
    is_known: bool,
    remarks: tuple[str, ...],
    source: str,
) -> Finding:
    if not np.any(np.isfinite(difference)):
        return refuse(path, quantity, "dB", reason="every point is withheld", source=source)
    size = np.abs(difference)
    margin = size - np.maximum(rule, interval)
    at = int(np.nanargmax(margin))
    verdict: Verdict = "outside"
    if margin[at] <= 0.0:
        verdict = "doubtful" if np.any(size > rule) else "within"
    if not is_known:
        verdict = "doubtful"
    return Finding(
        path=path, quantity=quantity, value=float(difference[at]), unit="dB",
        uncertainty=float(interval[at]), low=-float(rule[at]), high=float(rule[at]),
        verdict=verdict, worst_hz=float(frequency_hz[at]),
        reason="; ".join(remark for remark in remarks if remark), source=source,
    )  # fmt: skip


def _judge_scalar(
    after: Run, before: Run, quantity: Quantity, allowed: Comparability, source: str
) -> Finding | None:
    first, second = read_spread(after, quantity), read_spread(before, quantity)
    if first.n == 0 or second.n == 0:
        return None
    unit = quantity.unit_beside("dB")
    refused = find_refusal(allowed.refused, quantity.family, unit)
    if refused:
        return refuse(after.path, quantity.name, unit, reason=refused, source=source)
    own, dof, remark = _scalar_variances(first, second)
    difference = first.mean - second.mean
    is_level = quantity.family == "level"
    beyond = find_level_variance(after, before, quantity.name) if is_level else 0.0
    variances = (*own, beyond) if own else ()
    standard = math.sqrt(sum(variances)) if variances else math.nan
    rule = RULE_FACTOR * standard
    interval = _student(dof) * standard if variances else math.nan
    if variances and is_level:
        interval = math.hypot(_level_interval(after, before, quantity), COVERAGE_95 * beyond**0.5)
    verdict: Verdict = "doubtful"
    if variances and abs(difference) > max(rule, interval):
        verdict = "outside"
    elif variances and abs(difference) <= rule:
        verdict = "within"
    return _difference_finding(
        after.path, quantity, (second.mean, difference, rule, interval), verdict,
        reason="; ".join(r for r in (remark, *allowed.remarks) if r), source=source,
    )  # fmt: skip


def _student(dof: float) -> float:
    from scipy.stats import t as student

    return float(student.isf(SCALAR_TAIL, max(dof, 1.0)))


def _level_interval(after: Run, before: Run, quantity: Quantity) -> float:
    """Simultaneous with the curve: a band's spread is drawn towards that of the points."""
    total, dof = 0.0, 0.0
    for run in (after, before):
        spread, whole = read_spread(run, quantity), mean_variance(np.square(run.seat_sd_db))
        if not math.isfinite(spread.sd) or not math.isfinite(whole):
            other = before if run is after else after
            spread, whole = read_spread(other, quantity), mean_variance(np.square(other.seat_sd_db))
        own = np.array([spread.sd**2])
        drawn = draw_together(
            own, spread.n - 1.0, whole=whole, prior_dof=CURVE_PRIOR_DOF,
            share=BAND_VARIANCE[quantity.name],
        )  # fmt: skip
        total += float(drawn[0]) / count_usable(run)
        dof += count_usable(run) - 1.0
    return limit_factor("level", dof) * math.sqrt(total)


def _scalar_variances(first: Spread, second: Spread) -> tuple[tuple[float, ...], float, str]:
    known = [spread for spread in (first, second) if math.isfinite(spread.sd)]
    if not known:
        return (), 0.0, UNKNOWN_SPREAD
    remark = BORROWED_SPREAD if len(known) == 1 else ""
    sds = [spread.sd if math.isfinite(spread.sd) else known[0].sd for spread in (first, second)]
    variances = (sds[0] ** 2 / first.n, sds[1] ** 2 / second.n)
    if sum(variances) == 0.0:
        return variances, 1.0, remark
    # Degrees of freedom of a difference of means with unequal spreads (Welch-Satterthwaite).
    weights = [
        variance**2 / (spread.n - 1)
        for variance, spread in zip(variances, (first, second), strict=True)
        if spread.n > 1
    ]
    return variances, sum(variances) ** 2 / sum(weights), remark


def _difference_finding(
    path: str,
    quantity: Quantity,
    numbers: tuple[float, float, float, float],
    verdict: Verdict,
    *,
    reason: str,
    source: str,
) -> Finding:
    base, difference, rule, interval = numbers
    known = math.isfinite(rule)

    def shown(change: float) -> float:
        return from_scale(quantity, base + change) - from_scale(quantity, base)

    return Finding(
        path=path,
        quantity=quantity.name,
        value=shown(difference),
        unit=quantity.unit_beside("dB"),
        uncertainty=shown(difference) - shown(difference - interval) if known else None,
        low=shown(-rule) if known else None,
        high=shown(rule) if known else None,
        verdict=verdict,
        reason=reason,
        source=source,
        reference=from_scale(quantity, base),
    )
