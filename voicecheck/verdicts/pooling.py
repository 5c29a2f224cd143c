"""
Several recordings of one path at one stage -> one run.

Everything in dB is averaged in dB, THD by its logarithm: the spread between seats is close to
normal on that scale, the limits of a baseline are made on it, and one bursting seat does not own
the mean. A power mean of the noise would be the mean energy instead; it follows the loudest seat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from voicecheck.errors import InputError, RecordingError
from voicecheck.records import (
    Bands,
    Conditions,
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
from voicecheck.verdicts.poolparts import (
    BAND_FIELDS,
    IMD_FIELDS,
    LOUDNESS_FIELDS,
    mean_of_known,
    mean_where_half,
    pool_distortion,
    pool_ladders,
    pool_linearity,
    pool_noise,
    pool_scalars,
    pool_uncertainties,
    pool_uncertainty,
)
from voicecheck.verdicts.readings import mean_level_db

COVERAGE_95 = 1.959964
"""Half-width of a 95 % interval in standard deviations of a normal value."""
MANY_DOF = 1e9
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
        One per seat or conditioning; those without a response are kept in the run but not
        pooled.
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
    usable = [m for m in measurements if m.response is not None]
    if not usable:
        message = (
            f"{path}, {stage}: none of {len(measurements)} recordings can be used; they are kept, "
            "see the problems listed with each and record again"
        )
        raise RecordingError(message, _first_kind(measurements))
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
        distortion=pool_distortion([m.distortion for m in usable if m.distortion]),
        linearity=pool_linearity([m.linearity for m in usable if m.linearity]),
        ladders=pool_ladders([m.ladders for m in usable]),
        intermodulation=Intermodulation(
            **pool_scalars([m.intermodulation for m in usable], IMD_FIELDS)
        ),
        noise=pool_noise([m.noise for m in usable]),
        sinad_db=mean_of_known([m.sinad_db for m in usable]),
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


def _pool_bands(parts: Sequence[Bands]) -> Bands:
    return Bands(**pool_scalars(parts, BAND_FIELDS), **pool_uncertainties(parts, BAND_FIELDS))


def _pool_loudness(parts: Sequence[Loudness]) -> Loudness:
    stated = [name for name in LOUDNESS_FIELDS if getattr(parts[0], name) is not None]
    own = pool_uncertainty(parts, stated[0], "uncertainty_db") if stated else None
    return Loudness(**pool_scalars(parts, LOUDNESS_FIELDS), uncertainty_db=own)


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
    noise = np.vstack([_noise_part(r) for r in responses])
    calibration = np.vstack([_calibration_part(r) for r in responses])
    noise_u = np.sqrt(mean_where_half((noise / COVERAGE_95) ** 2) / count)
    # Calibration is the same for every seat, so it does not average down.
    calibration_u = mean_where_half(calibration) / COVERAGE_95
    seat_u = seat_sd / np.sqrt(count)
    level = mean_where_half(levels)
    total, seat_half = combine_uncertainty(noise_u, seat_u, calibration_u, count)
    return Response(
        unit=responses[0].unit,
        frequency_hz=responses[0].frequency_hz,
        level_db=level,
        uncertainty_db=np.where(np.isfinite(level), total, np.nan),
        snr_db=mean_where_half(np.vstack([r.snr_db for r in responses])),
        phase_rad=_circular_mean(np.vstack([r.phase_rad for r in responses])),
        group_delay_s=mean_where_half(np.vstack([r.group_delay_s for r in responses])),
        noise_uncertainty_db=COVERAGE_95 * noise_u,
        seat_uncertainty_db=seat_half,
        calibration_uncertainty_db=COVERAGE_95 * calibration_u,
    )


def _noise_part(response: Response) -> Array:
    part = response.noise_uncertainty_db
    return response.uncertainty_db if part is None else part


def _calibration_part(response: Response) -> Array:
    part = response.calibration_uncertainty_db
    return np.zeros_like(response.level_db) if part is None else part


def combine_uncertainty(
    noise_u: Array, seat_u: Array, calibration_u: Array, count: Array
) -> tuple[Array, Array]:
    """
    95 % half-widths of a pooled curve and of its seat part.

    Parameters
    ----------
    noise_u, seat_u, calibration_u : ndarray, shape (n_points,)
        Standard uncertainties of the mean in dB; `seat_u` NaN where it is not known.
    count : ndarray, shape (n_points,)
        Seats behind each point.

    Returns
    -------
    total_db, seat_db : ndarray, shape (n_points,)
        The seat part is NaN where it is not known; the total then leaves it out.

    Notes
    -----
    Source: JCGM 100:2008, 5.1.2 and equation G.2b.
    """
    from scipy.stats import t as student

    known_seat = np.nan_to_num(seat_u)
    variance = noise_u**2 + known_seat**2 + np.nan_to_num(calibration_u) ** 2
    dof_seat = np.maximum(count - 1, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        dof = np.where(known_seat > 0.0, variance**2 / (known_seat**4 / dof_seat), MANY_DOF)
    dof = np.clip(np.nan_to_num(dof, nan=MANY_DOF), 1.0, MANY_DOF)
    total: Array = student.ppf(0.975, dof) * np.sqrt(variance)
    seat: Array = student.ppf(0.975, dof_seat) * seat_u
    return total, seat


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
        "level_dbfs", "calibration",
    ):  # fmt: skip
        values = {getattr(item, field) for item in conditions}
        shared[field] = getattr(first, field) if len(values) == 1 else None
    benches = {item.bench for item in conditions}
    notes = tuple(dict.fromkeys(note for item in conditions for note in item.notes))
    resting = tuple(dict.fromkeys(note for item in conditions for note in item.calibration_notes))
    return Conditions(
        path=path,
        bench=first.bench if len(benches) == 1 else "",
        notes=notes,
        calibration_notes=resting,
    ).replace(**shared)
