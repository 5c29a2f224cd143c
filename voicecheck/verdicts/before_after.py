"""
Two stages of one set held against each other.

A difference is real beyond what an unchanged set would show in at most 5 of 100 whole comparisons,
doubtful where real or doubtful together would come in at most 20 (`differences`). What the bench
moved from day to day is in it, and two calibrations where the sides do not share one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.budgets import COVERAGE_95, OWN_ROWS
from voicecheck.errors import InputError
from voicecheck.records import Against, Comparison, Finding, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import QUANTITIES, Quantity
from voicecheck.records.terms import Verdict
from voicecheck.records.verdicts import find_gravest
from voicecheck.verdicts.benchspread import BenchSpread
from voicecheck.verdicts.comparability import Comparability, check_conditions, find_refusal
from voicecheck.verdicts.decide import refuse
from voicecheck.verdicts.differences import (
    FLOOR,
    Part,
    Reach,
    compute_reach,
    list_rows,
    pool_variance,
    seat_part,
)
from voicecheck.verdicts.limits import BAND_VARIANCE, CURVE_PRIOR_DOF, DISTORTION_PRIOR_DOF
from voicecheck.verdicts.ownspread import count_usable, shape_of
from voicecheck.verdicts.pooling import pool_run
from voicecheck.verdicts.quantities import from_scale, read_seats, read_spread
from voicecheck.verdicts.readings import READERS
from voicecheck.verdicts.sameness import find_same
from voicecheck.verdicts.sharing import (
    find_day_variance,
    find_level_variance,
    sum_unshared,
    tell_unshared,
)

UNKNOWN_SPREAD = (
    "one recording on either side: the spread is not known, a usual one is taken and nothing is "
    "called real; record at least three"
)
BORROWED_SPREAD = "one recording on one side: the spread of the other side is taken for both"
PRIOR_DOF = {
    "level": CURVE_PRIOR_DOF, "response": CURVE_PRIOR_DOF, "shape": CURVE_PRIOR_DOF,
    "distortion": DISTORTION_PRIOR_DOF,
}  # fmt: skip
KIND_OF = {"hum": "noise"}
"""Families that share the rate of another."""
BAND_MIDDLE_HZ = {"low_db": 316.0, "mid_db": 1000.0, "high_db": 2608.0, "at_1khz_db": 1000.0}
BENCH_MOVES = {"distortion": 1.0, "linearity": 0.5}
"""
Decibels by which a quantity moves with one of drive: the second harmonic's share as the level (the
square law), compression by half a decibel at the steepest (PROP); `BENCH_MOVES_MORE` by name.
"""
BENCH_MOVES_MORE = {"order3_db": 2.0}
HEARD_PATHS = ("receive", "sidetone")
"""Their noise comes through the ear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """Both runs of one path, and what all their quantities share."""

    after: Run
    before: Run
    allowed: Comparability
    bench: BenchSpread | None
    n_paths: int
    source: str

    @property
    def path(self) -> str:
        return self.after.path

    @property
    def counts(self) -> tuple[int, int]:
        return count_usable(self.after), count_usable(self.before)

    def explain(self, *remarks: str) -> str:
        """Why an interval is as it is."""
        spread = "" if min(self.counts) > 1 else BORROWED_SPREAD
        spread = spread if max(self.counts) > 1 else UNKNOWN_SPREAD
        return "; ".join(text for text in (spread, *remarks, *self.allowed.remarks) if text)


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
    pair = _Pair(
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


def _stack_curves(run: Run, *, is_shape: bool) -> Array:
    responses = [m.response for m in run.recordings if m.response is not None]
    if not responses and run.pooled.response is not None:
        responses = [run.pooled.response]
    return np.vstack([shape_of(r) if is_shape else r.level_db for r in responses])


def _judge_curve(pair: _Pair, first: Response, second: Response, *, is_shape: bool) -> Finding:
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
    parts = _curve_parts(pair, first, second, is_shape=is_shape)
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


def _curve_parts(
    pair: _Pair, first: Response, second: Response, *, is_shape: bool
) -> tuple[Part, ...]:
    kind = "shape" if is_shape else "response"
    sides = [_stack_curves(run, is_shape=is_shape) for run in (pair.after, pair.before)]
    parts = [seat_part(sides[0], sides[1], family=kind, prior_dof=PRIOR_DOF[kind])]
    noise = _add_squares([first.noise_uncertainty_db, second.noise_uncertainty_db])
    if noise is not None:
        parts.append(Part(name="noise", standard=noise, drawn_dof=np.inf))
    if pair.bench:
        shape = pair.bench.spread_shape(first.frequency_hz)
        level = 0.0 if is_shape else pair.bench.level_db
        parts.append(_bench_part(pair.bench, np.hypot(level, shape)))
    elif not is_shape:
        parts.append(_day_part(pair, np.ones(len(first.level_db))))
    calibration = _calibration(pair, is_shape=is_shape)
    if calibration is not None:
        parts.append(Part(name="calibration", standard=calibration))
    return tuple(parts)


def _bench_part(bench: BenchSpread, spread: Array) -> Part:
    """Of a difference of two days."""
    return Part(name="bench", standard=math.sqrt(2.0) * spread, dof=bench.dof)


def _day_part(pair: _Pair, follows: Array) -> Part:
    """Of two days, as the runs themselves state it: widened by Student's t already."""
    return Part(
        name="bench", standard=math.sqrt(find_day_variance(pair.after, pair.before)) * follows
    )


def _add_squares(half_widths: Sequence[Array | None]) -> Array | None:
    """Standard uncertainty of a difference out of 95 % half-widths; `None` where none is known."""
    known = [np.nan_to_num(one) for one in half_widths if one is not None]
    return np.sqrt(np.sum(np.square(known), axis=0)) / COVERAGE_95 if known else None


def _calibration(pair: _Pair, *, is_shape: bool = False) -> Array | None:
    """Standard uncertainty by two calibrations; what both sides share of them cancels."""
    total = np.zeros(1)
    for run, other in ((pair.after, pair.before), (pair.before, pair.after)):
        if run.pooled.response is not None:
            total = total + sum_unshared(
                run.pooled.response, run.pooled.conditions, other.pooled.conditions,
                is_shape=is_shape,
            )  # fmt: skip
    return np.sqrt(total) / COVERAGE_95 if np.any(total > 0.0) else None


def _explain_parts(pair: _Pair, parts: Sequence[Part], at: int) -> tuple[str, ...]:
    by_name = {row.name: row for row in list_rows(parts, at)}
    told = []
    if "bench" in by_name and pair.bench:
        told.append(pair.bench.describe())
    if "calibration" in by_name:
        half_width = by_name["calibration"].half_width
        told.append(f"two calibrations: ±{half_width:.1f} dB of the difference may be theirs")
    return tuple(told)


def _judge_kind(pair: _Pair, quantities: Sequence[Quantity]) -> list[Finding]:
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


def _judge_scalars(pair: _Pair, quantities: Sequence[Quantity]) -> list[Finding]:
    kind = KIND_OF.get(quantities[0].family, quantities[0].family)
    parts = _scalar_parts(pair, quantities, kind)
    reach = compute_reach(parts, family=kind, n_paths=pair.n_paths)
    return [
        _scalar_finding(pair, quantity, parts, reach, at) for at, quantity in enumerate(quantities)
    ]


def _scalar_parts(pair: _Pair, quantities: Sequence[Quantity], kind: str) -> tuple[Part, ...]:
    sides = [
        np.column_stack([read_seats(run, quantity) for quantity in quantities])
        for run in (pair.after, pair.before)
    ]
    whole, share = None, np.ones(len(quantities))
    if kind == "level":
        curves = [_stack_curves(run, is_shape=False) for run in (pair.after, pair.before)]
        if curves[0].shape[1] == curves[1].shape[1]:
            variance, _ = pool_variance(curves[0], curves[1])
            whole = np.mean(np.maximum(variance, FLOOR["response"] ** 2), keepdims=True)
        share = np.array([BAND_VARIANCE[quantity.name] for quantity in quantities])
    parts = [
        seat_part(
            sides[0], sides[1], family=kind, prior_dof=PRIOR_DOF.get(kind, 0.0), whole=whole,
            share=share,
        )
    ]  # fmt: skip
    noise = np.array([_read_noise(pair, quantity) for quantity in quantities])
    parts.append(Part(name="noise", standard=noise, drawn_dof=np.inf))
    if pair.bench:
        spread = np.array([_bench_moves(pair.bench, pair.path, one) for one in quantities])
        parts.append(_bench_part(pair.bench, spread))
    else:
        follows = np.array([quantity.family == "level" for quantity in quantities])
        parts.append(_day_part(pair, follows))
    calibrations = np.array([_read_calibration(pair, quantity) for quantity in quantities])
    parts.append(Part(name="calibration", standard=calibrations))
    return tuple(parts)


def _read_calibration(pair: _Pair, quantity: Quantity) -> float:
    """Standard uncertainty of a level's difference by two calibrations; 0 for what is none."""
    if quantity.family not in ("level", "noise", "hum"):
        return 0.0
    if all(quantity.name in run.pooled.bands.budget for run in (pair.after, pair.before)):
        both = find_level_variance(pair.after, pair.before, quantity.name)
        # The bench from day to day is a part of its own.
        return math.sqrt(max(both - find_day_variance(pair.after, pair.before), 0.0))
    curve = _calibration(pair)
    return 0.0 if curve is None else float(np.mean(curve))


def _read_noise(pair: _Pair, quantity: Quantity) -> float:
    """What the recordings' own noise leaves of a difference, where a budget states it."""
    half_widths = []
    for run in (pair.after, pair.before):
        for record in (run.pooled.bands, run.pooled.noise):
            rows = record.budget.get(quantity.name, ())
            half_widths += [row.half_width for row in rows if row.name in OWN_ROWS]
        if quantity.family == "distortion" and quantity.scale == "log":
            half_widths.append(_read_thd_noise(run, quantity))
    return math.hypot(*half_widths) / COVERAGE_95


def _read_thd_noise(run: Run, quantity: Quantity) -> float:
    """Half-width of a THD by its recordings' noise, dB; 0 where it is not stated."""
    part, value = run.pooled.distortion, READERS[quantity.name](run.pooled)
    if part is None or not value:
        return 0.0
    at = int(np.nanargmin(np.abs(part.thd_percent - value)))
    rows = [float(row.half_width[at]) for row in part.budget if row.name in OWN_ROWS]
    half_width = math.hypot(*(one for one in rows if math.isfinite(one)))
    return 20.0 * math.log10(1.0 + half_width / value)


def _bench_moves(bench: BenchSpread, path: str, quantity: Quantity) -> float:
    """Standard deviation of a quantity by the bench's."""
    if quantity.name in BAND_MIDDLE_HZ:
        at_hz = np.array([BAND_MIDDLE_HZ[quantity.name]])
        return float(np.hypot(bench.level_db, bench.spread_shape(at_hz)[0]))
    if quantity.family in ("noise", "hum"):
        return bench.level_db if path in HEARD_PATHS else 0.0
    moves = BENCH_MOVES.get(quantity.family, 0.0)
    return bench.level_db * BENCH_MOVES_MORE.get(quantity.name, moves)


def _scalar_finding(
    pair: _Pair, quantity: Quantity, parts: Sequence[Part], reach: Reach, at: int
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
