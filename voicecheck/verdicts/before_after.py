"""
Two stages of one set held against each other.

A difference is real beyond what an unchanged set would show in at most 5 of 100 whole comparisons,
doubtful where real or doubtful together would come in at most 20 (`differences`). What the bench
moved from day to day is in it, and two calibrations where the sides do not share one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from voicecheck.benchspread import BenchSpread
from voicecheck.errors import InputError
from voicecheck.records import Against, Comparison, Finding, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import QUANTITIES, Quantity
from voicecheck.records.terms import Verdict
from voicecheck.records.verdicts import find_gravest
from voicecheck.verdicts.comparability import check_conditions, find_refusal
from voicecheck.verdicts.decide import refuse
from voicecheck.verdicts.differences import Part, Reach, compute_reach, list_rows
from voicecheck.verdicts.ownspread import shape_of
from voicecheck.verdicts.pooling import pool_run
from voicecheck.verdicts.quantities import from_scale, read_spread
from voicecheck.verdicts.sameness import find_same
from voicecheck.verdicts.sharing import tell_unshared
from voicecheck.verdicts.stagepair import StagePair, list_curve_parts, list_scalar_parts

KIND_OF = {"hum": "noise"}
"""Families that share the rate of another."""


def compare_runs(
    after: Mapping[str, Run],
    before: Mapping[str, Run],
    *,
    job: int | None,
    stage: str,
    against: Against,
    bench: Mapping[str, BenchSpread] | None = None,
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
    bench : mapping of str to BenchSpread, optional
        By path, how far the bench moves from day to day; where it is left out what the runs of two
        days state of it counts.

    Returns
    -------
    Comparison
        Values are differences, after minus before; THD and bursts as the change in their own
        unit. Beyond `low` and `high` a difference is at least doubtful; `uncertainty` is the
        half-width of its interval, simultaneous with all others: beyond it the difference is
        real, `outside`, neither good nor bad. `detectable` is the smallest change that could be
        found.

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
        for finding in _compare_path(
            _leave_out(after[path], before[path]),
            before[path],
            against,
            (bench or {}).get(path),
            len(paths),
        )
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


def _compare_path(
    after: Run, before: Run, against: Against, bench: BenchSpread | None, n_paths: int
) -> list[Finding]:
    first, second = after.pooled.response, before.pooled.response
    if first is None or second is None:
        return []
    allowed = check_conditions(
        after.path, after.pooled.conditions, first.unit, before.pooled.conditions, second.unit
    )
    pair = StagePair(
        after=after, before=before, allowed=allowed, bench=bench, n_paths=n_paths,
        source=f"difference to {against.name or against.kind}",
    )  # fmt: skip
    has_dbm = all(run.pooled.noise.psophometric_dbm is not None for run in (after, before))
    compared = [
        quantity
        for quantity in QUANTITIES
        if quantity.is_compared and not (quantity.name == "psophometric_dbfs" and has_dbm)
    ]
    found = {one.quantity: one for kind in _group(compared) for one in _judge_kind(pair, kind)}
    return [
        _judge_curve(pair, first, second, is_shape=False),
        _judge_curve(pair, first, second, is_shape=True),
        *(found[quantity.name] for quantity in compared if quantity.name in found),
    ]


def _group(quantities: Sequence[Quantity]) -> list[list[Quantity]]:
    """Quantities that share one error rate."""
    kinds: dict[str, list[Quantity]] = {}
    for quantity in quantities:
        kinds.setdefault(KIND_OF.get(quantity.family, quantity.family), []).append(quantity)
    return list(kinds.values())


def _judge_curve(pair: StagePair, first: Response, second: Response, *, is_shape: bool) -> Finding:
    quantity, group = ("shape", "shape") if is_shape else ("response", "level")
    reason = pair.allowed.refused.get(group, "")
    if not reason and first.level_db.shape != second.level_db.shape:
        reason = "the two runs are on different frequencies: analyse again"
    difference = np.zeros(0)
    if not reason:
        difference = first.level_db - second.level_db
        difference = shape_of(first) - shape_of(second) if is_shape else difference
        if not np.any(np.isfinite(difference)):
            reason = "every point is withheld"
    if reason:
        return refuse(pair.path, quantity, "dB", reason=reason, source=pair.source)
    parts = list_curve_parts(pair, first, second, is_shape=is_shape)
    reach = compute_reach(parts, family=quantity, n_paths=pair.n_paths)
    size = np.abs(difference)
    at = int(np.nanargmax(size / (reach.real if np.any(size > reach.real) else reach.doubt)))
    now, then = pair.after.pooled.conditions, pair.before.pooled.conditions
    remarks = (*_explain_parts(pair, parts, at), *tell_unshared(first, now, then))
    return Finding(
        path=pair.path, quantity=quantity, value=float(difference[at]), unit="dB",
        uncertainty=_finite(reach.real[at]), low=-float(reach.doubt[at]),
        high=float(reach.doubt[at]), verdict=_decide(difference, reach),
        worst_hz=float(first.frequency_hz[at]), reason=pair.explain(*remarks), source=pair.source,
        detectable=_finite(reach.found[at]), budget=list_rows(parts, at),
    )  # fmt: skip


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _decide(difference: Array, reach: Reach) -> Verdict:
    """Of one quantity or of a curve; what is withheld says nothing."""
    size = np.abs(difference)
    if np.any(size > reach.real):
        return "outside"
    return "doubtful" if np.any(size > reach.doubt) else "within"


def _explain_parts(pair: StagePair, parts: Sequence[Part], at: int) -> tuple[str, ...]:
    by_name = {row.name: row for row in list_rows(parts, at)}
    told = []
    if "bench" in by_name and pair.bench:
        told.append(pair.bench.describe())
    if "calibration" in by_name:
        half_width = by_name["calibration"].half_width
        told.append(f"two calibrations: ±{half_width:.1f} dB of the difference may be theirs")
    return tuple(told)


def _judge_kind(pair: StagePair, quantities: Sequence[Quantity]) -> list[Finding]:
    """Quantities that share one error rate; those that a side does not have are passed over."""
    findings, judged = [], []
    for quantity in quantities:
        if any(read_spread(run, quantity).n == 0 for run in (pair.after, pair.before)):
            continue
        unit = quantity.unit_beside("dB")
        reason = find_refusal(pair.allowed.refused, quantity.family, unit)
        if reason:
            findings.append(
                refuse(pair.path, quantity.name, unit, reason=reason, source=pair.source)
            )
        else:
            judged.append(quantity)
    if judged:
        findings.extend(_judge_scalars(pair, judged))
    return findings


def _judge_scalars(pair: StagePair, quantities: Sequence[Quantity]) -> list[Finding]:
    kind = KIND_OF.get(quantities[0].family, quantities[0].family)
    parts = list_scalar_parts(pair, quantities, kind)
    reach = compute_reach(parts, family=kind, n_paths=pair.n_paths)
    return [
        _scalar_finding(pair, quantity, parts, reach, at) for at, quantity in enumerate(quantities)
    ]


def _scalar_finding(
    pair: StagePair, quantity: Quantity, parts: Sequence[Part], reach: Reach, at: int
) -> Finding:
    after, before = (read_spread(run, quantity).mean for run in (pair.after, pair.before))
    difference = after - before
    own = Reach(
        real=reach.real[at : at + 1], doubt=reach.doubt[at : at + 1], found=reach.found[at : at + 1]
    )
    real, doubt, found = (float(limit[0]) for limit in (own.real, own.doubt, own.found))

    def shown(change: float) -> float:
        return from_scale(quantity, before + change) - from_scale(quantity, before)

    towards = shown(difference - math.copysign(real, difference)) if math.isfinite(real) else None

    return Finding(
        path=pair.path,
        quantity=quantity.name,
        value=shown(difference),
        unit=quantity.unit_beside("dB"),
        # On a ratio scale the interval is lopsided; the half towards no change decides.
        uncertainty=None if towards is None else abs(shown(difference) - towards),
        low=shown(-doubt),
        high=shown(doubt),
        verdict=_decide(np.array([difference]), own),
        reason=pair.explain(*_explain_parts(pair, parts, at)),
        source=pair.source,
        reference=from_scale(quantity, before),
        detectable=shown(found) if math.isfinite(found) else None,
        budget=list_rows(parts, at) if quantity.scale == "linear" else (),
    )
