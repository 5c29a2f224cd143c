"""
Several recordings of one path at one stage -> one run.

Everything in dB is averaged in dB, THD by its logarithm: the spread between seats is close to
normal on that scale, the limits of a baseline are made on it, and one bursting seat does not own
the mean. A power mean of the noise would be the mean energy instead; it follows the loudest seat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NoReturn

import numpy as np

from voicecheck.budgets import (
    combine_curve_rows,
    combine_rows,
    pool_curve_rows,
    pool_rows,
    student_95,
)
from voicecheck.errors import InputError, RecordingError
from voicecheck.records import (
    Bands,
    Conditions,
    CurveBudgetRow,
    FineResponse,
    Intermodulation,
    Loudness,
    Measurement,
    Problem,
    RecordingInfo,
    Response,
    Run,
)
from voicecheck.records.arrays import Array
from voicecheck.records.budgets import CurveBudget
from voicecheck.verdicts.poolparts import (
    BAND_FIELDS,
    IMD_FIELDS,
    LOUDNESS_FIELDS,
    UNCERTAIN_IMD_FIELDS,
    make_seats_row,
    mean_of_known,
    mean_where_half,
    pool_distortion,
    pool_intervals,
    pool_ladders,
    pool_linearity,
    pool_noise,
    pool_residual,
    pool_scalars,
    pool_steadiness,
)
from voicecheck.verdicts.readings import mean_level_db
from voicecheck.verdicts.sameness import leave_out_repeats
from voicecheck.verdicts.sharing import SHARED

ONE_RECORDING = "one recording: the spread between seats is not known"


def pool_run(
    measurements: Sequence[Measurement],
    *,
    job: int | None,
    path: str,
    stage: str,
    taken_utc: str | None = None,
) -> Run:
    """
    Pool repeated recordings of one path.

    Parameters
    ----------
    measurements : sequence of Measurement
        One per seat or conditioning; those without a response, and a recording that is there
        already, are kept in the run but not pooled.
    job : int or None
    path, stage : str
    taken_utc : str, optional
        ISO 8601.

    Returns
    -------
    Run
        A point withheld in some seats uses the others, and is withheld when fewer than half
        have it. `seat_sd_db` is NaN with one recording.

    Raises
    ------
    RecordingError
        No recording is usable.
    InputError
        The recordings are not on the same points, or not in the same unit.

    Notes
    -----
    The uncertainty of the pooled curve combines recording noise, seats and calibration after
    JCGM 100:2008 (the GUM): standard uncertainties in quadrature, Student's t at the effective
    degrees of freedom of its equation G.2b. Seats have n - 1, the other parts many.
    """
    measurements = leave_out_repeats(measurements)
    usable = [m for m in measurements if m.response is not None]
    if not usable:
        _refuse_all(measurements, f"{path}, {stage}")
    responses = [m.response for m in usable if m.response is not None]
    _check_alike(responses, path)
    levels = np.vstack([r.level_db for r in responses])
    seat_sd = _spread_over_seats(levels)
    pooled = Measurement(
        recording=RecordingInfo(rate_hz=usable[0].recording.rate_hz),
        response=_pool_response(responses, levels, seat_sd),
        fine=_pool_fine(usable),
        bands=_pool_bands([m.bands for m in usable]),
        loudness=_pool_loudness([m.loudness for m in usable]),
        residual=pool_residual([m.residual for m in usable if m.residual]),
        distortion=pool_distortion([m.distortion for m in usable if m.distortion]),
        linearity=pool_linearity([m.linearity for m in usable if m.linearity]),
        ladders=pool_ladders([m.ladders for m in usable]),
        intermodulation=Intermodulation(
            **pool_scalars([m.intermodulation for m in usable], IMD_FIELDS),
            **pool_intervals([m.intermodulation for m in usable], UNCERTAIN_IMD_FIELDS),
        ),
        noise=pool_noise([m.noise for m in usable]),
        **_pool_sinad(usable),
        steadiness=pool_steadiness([m.steadiness for m in usable]),
        problems=_join_problems(measurements),
        conditions=common_conditions([m.conditions for m in usable], path),
        steps=_describe(len(usable), len(measurements)),
        version=usable[0].version,
    )
    return Run(
        job=job,
        path=path,
        stage=stage,
        recordings=tuple(measurements),
        pooled=pooled,
        seat_sd_db=seat_sd,
        level_sd_db=_spread_of_level(responses),
        taken_utc=taken_utc,
    )


def _refuse_all(measurements: Sequence[Measurement], what: str) -> NoReturn:
    message = (
        f"{what}: none of {len(measurements)} recordings can be used; they are kept, "
        "see the problems listed with each and record again"
    )
    raise RecordingError(message, _first_kind(measurements))


def _pool_sinad(usable: Sequence[Measurement]) -> dict[str, Any]:
    found: dict[str, Any] = {"sinad_db": mean_of_known([m.sinad_db for m in usable])}
    rows = [m.sinad_budget for m in usable if m.sinad_db is not None]
    if found["sinad_db"] is None or not all(rows):
        return found
    seats = make_seats_row([m.sinad_db for m in usable if m.sinad_db is not None])
    budget = (*pool_rows(rows), seats) if seats else pool_rows(rows)
    return {**found, "sinad_uncertainty_db": combine_rows(budget), "sinad_budget": budget}


def _pool_bands(parts: Sequence[Bands]) -> Bands:
    return Bands(**pool_scalars(parts, BAND_FIELDS), **pool_intervals(parts, BAND_FIELDS))


def _pool_loudness(parts: Sequence[Loudness]) -> Loudness:
    stated = [name for name in LOUDNESS_FIELDS if getattr(parts[0], name) is not None]
    return Loudness(**pool_scalars(parts, LOUDNESS_FIELDS), **pool_intervals(parts, stated))


def _first_kind(measurements: Sequence[Measurement]) -> str:
    kinds = [problem.kind for m in measurements for problem in m.problems]
    return kinds[0] if kinds else "unusable"


def _describe(n_usable: int, n_all: int) -> tuple[str, ...]:
    steps = [f"pooled from {n_usable} recordings: means of dB, THD by its logarithm"]
    if n_usable == 1:
        steps = [ONE_RECORDING]
    if n_usable < n_all:
        steps.append(f"{n_all - n_usable} of {n_all} recordings set aside: no usable response")
    return tuple(steps)


def _check_alike(responses: Sequence[Response], path: str) -> None:
    first = responses[0]
    for other in responses[1:]:
        if other.unit != first.unit:
            message = (
                f"{path}: need recordings in one unit, got {first.unit} and {other.unit}; "
                "pool calibrated and uncalibrated recordings apart"
            )
            raise InputError(message)
        if other.frequency_hz.shape != first.frequency_hz.shape or not np.allclose(
            other.frequency_hz, first.frequency_hz
        ):
            message = f"{path}: need recordings on the same frequencies; analyse them again"
            raise InputError(message)


def _spread_of_level(responses: Sequence[Response]) -> float | None:
    means = [mean_level_db(r.frequency_hz, r.level_db) for r in responses]
    finite = np.array([value for value in means if math.isfinite(value)])
    return float(np.std(finite, ddof=1)) if len(finite) > 1 else None


def _spread_over_seats(levels: Array) -> Array:
    count = np.sum(np.isfinite(levels), axis=0)
    spread = np.full(levels.shape[1], np.nan)
    several = count > 1
    if np.any(several):
        spread[several] = np.nanstd(levels[:, several], axis=0, ddof=1)
    return spread


def _circular_mean(phases: Array) -> Array:
    vectors = np.exp(1j * phases)
    real, imag = mean_where_half(vectors.real), mean_where_half(vectors.imag)
    angle = np.arctan2(imag, real)
    kept = np.isfinite(angle)
    angle[kept] = np.unwrap(angle[kept])
    return angle


def _pool_response(responses: Sequence[Response], levels: Array, seat_sd: Array) -> Response:
    count = np.maximum(np.sum(np.isfinite(levels), axis=0), 1)
    # Calibration is the same for every seat, so it does not average down.
    rows = pool_curve_rows([_rows_of(r) for r in responses])
    budget = (*rows, _seats_row(seat_sd, count)) if len(responses) > 1 else rows
    part = {row.name: row.half_width for row in budget}
    level = mean_where_half(levels)
    return Response(
        unit=responses[0].unit,
        frequency_hz=responses[0].frequency_hz,
        level_db=level,
        uncertainty_db=np.where(np.isfinite(level), combine_curve_rows(budget), np.nan),
        snr_db=mean_where_half(np.vstack([r.snr_db for r in responses])),
        phase_rad=_circular_mean(np.vstack([r.phase_rad for r in responses])),
        group_delay_s=mean_where_half(np.vstack([r.group_delay_s for r in responses])),
        noise_uncertainty_db=part["noise"],
        seat_uncertainty_db=part.get("seats", np.full_like(level, np.nan)),
        calibration_uncertainty_db=_sum_shared(budget, level),
        budget=budget,
    )


def _sum_shared(budget: CurveBudget, level: Array) -> Array:
    """Everything that a calibration adds, as one half-width."""
    shared = tuple(row for row in budget if row.name in SHARED)
    return combine_curve_rows(shared) if shared else np.zeros_like(level)


def _seats_row(seat_sd: Array, count: Array) -> CurveBudgetRow:
    dof = np.maximum(count - 1, 1)
    half_width = student_95(dof) * seat_sd / np.sqrt(count)
    return CurveBudgetRow(name="seats", half_width=half_width, dof=dof)


def _rows_of(response: Response) -> CurveBudget:
    """The budget, or what an older document has in its place."""
    if response.budget:
        return response.budget
    noise = response.noise_uncertainty_db
    own = response.uncertainty_db if noise is None else noise
    rows = (CurveBudgetRow(name="noise", half_width=own),)
    shared = response.calibration_uncertainty_db
    if shared is None:
        return rows
    return (*rows, CurveBudgetRow(name="calibration", half_width=shared))


def _pool_fine(usable: Sequence[Measurement]) -> FineResponse | None:
    parts = [m.fine for m in usable if m.fine is not None]
    if not parts or any(p.frequency_hz.shape != parts[0].frequency_hz.shape for p in parts):
        return None
    return FineResponse(
        frequency_hz=parts[0].frequency_hz,
        level_db=mean_where_half(np.vstack([p.level_db for p in parts])),
        phase_rad=_circular_mean(np.vstack([p.phase_rad for p in parts])),
    )


def _join_problems(measurements: Sequence[Measurement]) -> tuple[Problem, ...]:
    joined: dict[tuple[str, str, str], Problem] = {}
    for measurement in measurements:
        for problem in measurement.problems:
            joined.setdefault((problem.kind, problem.message, problem.effect), problem)
    return tuple(joined.values())


def common_conditions(conditions: Sequence[Conditions], path: str) -> Conditions:
    """
    What all recordings share; a field that differs between them becomes "not stated".

    Parameters
    ----------
    conditions : sequence of Conditions
        At least one.
    path : str

    Returns
    -------
    Conditions
        Without seat, seed and time, which belong to one recording.
    """
    first = conditions[0]
    shared: dict[str, object] = {}
    for field in (
        "handset", "feed_ma", "load_ohm", "ear", "mouth_mm", "angle_deg", "conditioned",
        "level_dbfs", "calibration", "microphone", "day_sd_db", "day_dof",
    ):  # fmt: skip
        values = {getattr(item, field) for item in conditions}
        shared[field] = getattr(first, field) if len(values) == 1 else None
    shared["microphone"] = shared["microphone"] or ""
    benches = {item.bench for item in conditions}
    notes = tuple(dict.fromkeys(note for item in conditions for note in item.notes))
    resting = tuple(dict.fromkeys(note for item in conditions for note in item.calibration_notes))
    return Conditions(
        path=path,
        bench=first.bench if len(benches) == 1 else "",
        notes=notes,
        calibration_notes=resting,
    ).replace(**shared)
