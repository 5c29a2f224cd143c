"""What the uncertainty of a difference between two stages is made of, by quantity."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.benchspread import BenchSpread
from voicecheck.budgets import COVERAGE_95, OWN_ROWS
from voicecheck.records import Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import Quantity
from voicecheck.verdicts.comparability import Comparability
from voicecheck.verdicts.differences import FLOOR, Part, pool_variance, seat_part
from voicecheck.verdicts.limits import BAND_VARIANCE, CURVE_PRIOR_DOF, DISTORTION_PRIOR_DOF
from voicecheck.verdicts.ownspread import count_usable, shape_of
from voicecheck.verdicts.quantities import read_seats
from voicecheck.verdicts.readings import READERS
from voicecheck.verdicts.sharing import find_day_variance, find_level_variance, sum_unshared

UNKNOWN_SPREAD = (
    "one recording on either side: the spread is not known, a usual one is taken and nothing is "
    "called real; record at least three"
)
BORROWED_SPREAD = "one recording on one side: the spread of the other side is taken for both"
PRIOR_DOF = {
    "level": CURVE_PRIOR_DOF, "response": CURVE_PRIOR_DOF, "shape": CURVE_PRIOR_DOF,
    "distortion": DISTORTION_PRIOR_DOF,
}  # fmt: skip
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
class StagePair:
    """Both runs of one path, and what all their quantities share."""

    after: Run
    before: Run
    allowed: Comparability
    bench: BenchSpread | None
    n_paths: int
    source: str

    @property
    def path(self) -> str:
        """Of both runs."""
        return self.after.path

    @property
    def counts(self) -> tuple[int, int]:
        """Seats after and before."""
        return count_usable(self.after), count_usable(self.before)

    def explain(self, *remarks: str) -> str:
        """Why an interval is as it is."""
        spread = "" if min(self.counts) > 1 else BORROWED_SPREAD
        spread = spread if max(self.counts) > 1 else UNKNOWN_SPREAD
        return "; ".join(text for text in (spread, *remarks, *self.allowed.remarks) if text)


def _stack_curves(run: Run, *, is_shape: bool) -> Array:
    responses = [m.response for m in run.recordings if m.response is not None]
    if not responses and run.pooled.response is not None:
        responses = [run.pooled.response]
    return np.vstack([shape_of(r) if is_shape else r.level_db for r in responses])


def list_curve_parts(
    pair: StagePair, first: Response, second: Response, *, is_shape: bool
) -> tuple[Part, ...]:
    """Parts of the difference of two curves or of their shapes, shape (n_points,) each."""
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


def _day_part(pair: StagePair, follows: Array) -> Part:
    """Of two days, as the runs themselves state it: widened by Student's t already."""
    return Part(
        name="bench", standard=math.sqrt(find_day_variance(pair.after, pair.before)) * follows
    )


def _add_squares(half_widths: Sequence[Array | None]) -> Array | None:
    """Standard uncertainty of a difference out of 95 % half-widths; `None` where none is known."""
    known = [np.nan_to_num(one) for one in half_widths if one is not None]
    return np.sqrt(np.sum(np.square(known), axis=0)) / COVERAGE_95 if known else None


def _calibration(pair: StagePair, *, is_shape: bool = False) -> Array | None:
    """Standard uncertainty by two calibrations; what both sides share of them cancels."""
    total = np.zeros(1)
    for run, other in ((pair.after, pair.before), (pair.before, pair.after)):
        if run.pooled.response is not None:
            total = total + sum_unshared(
                run.pooled.response, run.pooled.conditions, other.pooled.conditions,
                is_shape=is_shape,
            )  # fmt: skip
    return np.sqrt(total) / COVERAGE_95 if np.any(total > 0.0) else None


def list_scalar_parts(
    pair: StagePair, quantities: Sequence[Quantity], kind: str
) -> tuple[Part, ...]:
    """
    Parts of the differences of quantities that share one error rate.

    Parameters
    ----------
    pair : StagePair
    quantities : sequence of Quantity
    kind : str
        A key of `differences.SHARE`.

    Returns
    -------
    tuple of Part
        Shape (n_quantities,) each, on the scale the quantities are judged on.
    """
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


def _read_calibration(pair: StagePair, quantity: Quantity) -> float:
    """Standard uncertainty of a level's difference by two calibrations; 0 for what is none."""
    if quantity.family not in ("level", "noise", "hum"):
        return 0.0
    if all(quantity.name in run.pooled.bands.budget for run in (pair.after, pair.before)):
        both = find_level_variance(pair.after, pair.before, quantity.name)
        # The bench from day to day is a part of its own.
        return math.sqrt(max(both - find_day_variance(pair.after, pair.before), 0.0))
    curve = _calibration(pair)
    return 0.0 if curve is None else float(np.mean(curve))


def _read_noise(pair: StagePair, quantity: Quantity) -> float:
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
    """Half-width of a distortion by its recordings' noise, dB; 0 where it is not stated."""
    part, value = run.pooled.distortion, READERS[quantity.name](run.pooled)
    residual = run.pooled.residual
    if quantity.name == "residual_percent" and residual is not None and value:
        own = [one.half_width for one in residual.budget["voice_percent"] if one.name in OWN_ROWS]
        return 20.0 * math.log10(1.0 + math.hypot(*own) / value)
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
