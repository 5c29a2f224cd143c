"""Curves as plain numbers, for a page that draws them itself."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from voicecheck.jobbook import JobBook
from voicecheck.records import Baseline, Measurement, Programme, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.signals import PATHS
from voicecheck.workflow.comparing import REFERENCE, find_baselines, find_judged_baselines

DIGITS = 3


def collect_curves(book: JobBook, job: int) -> dict[str, Any]:
    """
    Every run of a job by path, with the baseline of its set type.

    Parameters
    ----------
    book : JobBook
    job : int

    Returns
    -------
    dict
        JSON-ready; a withheld point is `None`. A run's number counts the runs of the job from 1,
        the oldest first. Runs in another unit than the newest of their path stand apart.

    Raises
    ------
    InputError
        No such job.
    """
    record = book.load_job(job)
    runs = book.list_runs(job=job, recordings=True)
    paths = {run.path for run in runs}
    baselines = find_judged_baselines(book, record.type_name, paths)
    return {"job": job, "paths": list_paths(runs, baselines)}


def collect_type_curves(book: JobBook, type_name: str) -> dict[str, Any]:
    """
    The reference sets of a type by path, the newest run of each job, with their baseline.

    Raises
    ------
    InputError
        No such type.
    """
    runs = book.list_runs(type_name=type_name, stage=REFERENCE)
    newest = {(run.job, run.path): run for run in runs}
    baselines = find_baselines(book, type_name)
    return {"type": type_name, "paths": list_paths(tuple(newest.values()), baselines)}


def list_paths(runs: Sequence[Run], baselines: dict[str, Baseline]) -> list[dict[str, Any]]:
    """
    Runs and baselines grouped by path and unit, in the order of the contract's paths.

    Parameters
    ----------
    runs : sequence of Run
        The oldest first.
    baselines : dict of str to Baseline
        By path; one without runs stands alone.
    """
    numbered = [(number, run) for number, run in enumerate(runs, 1) if run.pooled.response]
    listed = []
    for path in PATHS:
        of_path = [(number, run) for number, run in numbered if run.path == path]
        units = list(dict.fromkeys(_unit(run) for _, run in reversed(of_path)))
        baseline = baselines.get(path)
        if not of_path and baseline is not None:
            listed.append(_describe_path(path, baseline.unit, [], baseline))
        for unit in units:
            of_unit = [(number, run) for number, run in of_path if _unit(run) == unit]
            listed.append(_describe_path(path, unit, of_unit, baseline))
    return listed


def curve_of_measurement(measurement: Measurement, *, seat: int, n_seats: int) -> dict[str, Any]:
    """
    The curve of a seat that is done.

    Parameters
    ----------
    measurement : Measurement
    seat, n_seats : int

    Returns
    -------
    dict
        Without any curve where there is none.
    """
    told = {"path": measurement.conditions.path, "seat": seat, "n_seats": n_seats}
    response = measurement.response
    return told if response is None else {**told, **_describe_response(response)}


def trace_frequency_hz(programme: Programme, time_s: float) -> float | None:
    """
    What a programme plays at a time of its sweeps.

    Parameters
    ----------
    programme : Programme
    time_s : float
        From its first sample.

    Returns
    -------
    float or None
        `None` outside the sweeps.

    Notes
    -----
    Exponential sweep, f(t) = f1 (f2 / f1) ** (t / T).
    """
    for block in programme.blocks_of("sweep"):
        if block.start_s <= time_s < block.end_s and block.from_hz and block.to_hz:
            share = (time_s - block.start_s) / (block.end_s - block.start_s)
            return float(block.from_hz * (block.to_hz / block.from_hz) ** share)
    return None


def _describe_path(
    path: str, unit: str, numbered: Sequence[tuple[int, Run]], baseline: Baseline | None
) -> dict[str, Any]:
    latest = {(run.job, run.stage): number for number, run in numbered}
    runs = [
        {
            "run": number,
            "job": run.job,
            "stage": run.stage,
            "label": _label(run),
            "is_latest": latest[run.job, run.stage] == number,
            **_describe_response(_response(run)),
        }
        for number, run in numbered
    ]
    return {"path": path, "unit": unit, "runs": runs, "baseline": _place(baseline, unit, numbered)}


def _place(
    baseline: Baseline | None, unit: str, numbered: Sequence[tuple[int, Run]]
) -> dict[str, Any] | None:
    """The band beside these runs; only its shape, at their level, where the units differ."""
    if baseline is None:
        return None
    n_sets = f"{baseline.type_name}, {baseline.n} sets"
    if baseline.unit == unit:
        return {
            "label": f"baseline of {n_sets}",
            "frequency_hz": _round(baseline.frequency_hz),
            "low_db": _round(baseline.low_db),
            "mean_db": _round(baseline.mean_db),
            "high_db": _round(baseline.high_db),
        }
    response = _response(numbered[-1][1])
    at_type_db = np.interp(
        baseline.frequency_hz, response.frequency_hz, response.level_db, np.nan, np.nan
    )
    offsets_db = (at_type_db - baseline.shape_mean_db)[np.isfinite(at_type_db)]
    if not offsets_db.size:
        return None
    shift_db = float(np.median(offsets_db))
    return {
        "label": f"shape only, moved to the newest run's level: baseline of {n_sets}",
        "frequency_hz": _round(baseline.frequency_hz),
        "low_db": _round(baseline.shape_low_db + shift_db),
        "mean_db": _round(baseline.shape_mean_db + shift_db),
        "high_db": _round(baseline.shape_high_db + shift_db),
    }


def _describe_response(response: Response) -> dict[str, Any]:
    return {
        "unit": response.unit,
        "frequency_hz": _round(response.frequency_hz),
        "level_db": _round(response.level_db),
        "uncertainty_db": _round(response.uncertainty_db),
    }


def _label(run: Run) -> str:
    n_seats = len(run.recordings)
    seats = f", {n_seats} seat{'s' if n_seats != 1 else ''}" if n_seats else ""
    taken = f", {run.taken_utc[:16].replace('T', ' ')}" if run.taken_utc else ""
    job = f"job {run.job}, " if run.stage == REFERENCE and run.job is not None else ""
    return f"{job}{run.stage}{seats}{taken}"


def _unit(run: Run) -> str:
    return _response(run).unit


def _response(run: Run) -> Response:
    assert run.pooled.response is not None
    return run.pooled.response


def _round(values: Array | Iterable[float]) -> list[float | None]:
    return [round(float(v), DIGITS) if math.isfinite(v) else None for v in values]
