"""Curves of a job for the page: runs and the type's limits, a seat that is done, a live trace."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from voicecheck.charts.captions import find_refused
from voicecheck.charts.panel import find_band
from voicecheck.jobbook import JobBook
from voicecheck.records import Baseline, Comparison, Measurement, Programme, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.signals import PATHS
from voicecheck.records.times import say_own_time
from voicecheck.words import load_words
from voicecheck.workflow.papers.comparing import find_judged_baselines
from voicecheck.workflow.papers.lookup import REFERENCE, find_baselines
from voicecheck.workflow.told import say_stage_name

BESIDE_FROM = 100_000
"""Runs of another job are numbered from here, after any of the job's own."""
Key = tuple[str, str, bytes]
"""Path, unit and grid: what curves must share to lie in one figure."""


def collect_curves(book: JobBook, job: int, *, beside: int | None = None) -> dict[str, Any]:
    """
    Every response of a job, ready for JSON.

    Parameters
    ----------
    book : JobBook
    job : int
    beside : int, optional
        Another job, whose newest runs are laid beside; `is_beside` tells them.

    Returns
    -------
    dict
        `job` and `paths`: one entry for each path, in the order transmit, receive, sidetone,
        loop. An entry has `path`, `unit`, `frequency_hz`, its `runs` from the oldest on, and a
        `baseline` or `None`. A run has `run` (its place among the runs of the job, from 1, which
        stays when it is analysed again), `stage`, `label`, `level_db`, `uncertainty_db` (withheld
        points are `None`) and `is_latest`, of its job and stage in this entry. Runs of another
        unit or grid make an entry of their own.

    Raises
    ------
    InputError
        The job is not in the book.
    """
    runs = book.list_runs(job=job)
    baselines = find_judged_baselines(
        book, book.load_job(job).type_name, {run.path for run in runs}
    )
    comparisons = book.list_comparisons(job) if baselines else ()
    others = () if beside in (None, job) else _find_newest(book, beside or 0)
    return {"job": job, "paths": _list_paths(runs, baselines, comparisons, others)}


def _find_newest(book: JobBook, job: int) -> tuple[Run, ...]:
    """The newest run of each stage and path of a job; the job must be there."""
    book.load_job(job)
    return tuple({(run.stage, run.path): run for run in book.list_runs(job=job)}.values())


def collect_type_curves(book: JobBook, type_name: str) -> dict[str, Any]:
    """
    The reference sets of a type, the newest run of each, with their baseline.

    Parameters
    ----------
    book : JobBook
    type_name : str

    Returns
    -------
    dict
        `type` and `paths` as of `collect_curves`; a baseline that came without its runs stands
        alone.

    Raises
    ------
    InputError
        The set type is not in the book.
    """
    runs = book.list_runs(type_name=type_name, stage=REFERENCE)
    newest = {(run.job, run.path): run for run in runs}
    baselines = find_baselines(book, type_name)
    paths = _list_paths(tuple(newest.values()), baselines)
    for path in sorted(set(baselines) - {one["path"] for one in paths}, key=PATHS.index):
        alone = baselines[path]
        paths.append(
            {
                "path": path,
                "unit": alone.unit,
                "frequency_hz": _list_values(alone.frequency_hz),
                "runs": [],
                "baseline": {
                    "label": f"{alone.type_name}, {alone.n} sets",
                    "low_db": _list_values(alone.low_db),
                    "mean_db": _list_values(alone.mean_db),
                    "high_db": _list_values(alone.high_db),
                },
            }
        )
    return {"type": type_name, "paths": paths}


def _list_paths(
    runs: Sequence[Run],
    baselines: Mapping[str, Baseline],
    comparisons: Sequence[Comparison] = (),
    others: Sequence[Run] = (),
) -> list[dict[str, Any]]:
    entries: dict[Key, list[tuple[int, Run, Response]]] = {}
    numbered = [*enumerate(runs, 1), *enumerate(others, BESIDE_FROM)]
    for number, run in numbered:
        if (response := run.pooled.response) is not None:
            key = (run.path, response.unit, response.frequency_hz.round(3).tobytes())
            entries.setdefault(key, []).append((number, run, response))
    ordered = sorted(entries.items(), key=lambda entry: PATHS.index(entry[0][0]))
    return [
        {
            "path": path,
            "unit": unit,
            "frequency_hz": _list_values(of_entry[0][2].frequency_hz),
            "runs": _describe_runs(of_entry),
            "baseline": _describe_baseline(
                [run for number, run, _ in of_entry if number < BESIDE_FROM],
                baselines.get(path),
                comparisons,
            ),
        }
        for (path, unit, _), of_entry in ordered
    ]


def curve_of_measurement(measurement: Measurement, *, seat: int, n_seats: int) -> dict[str, Any]:
    """
    Curve of one seat, ready for JSON.

    Parameters
    ----------
    measurement : Measurement
    seat, n_seats : int
        Which seat of how many, from 1.

    Returns
    -------
    dict
        `path`, `unit`, `seat`, `n_seats`, `frequency_hz`, `level_db` and `uncertainty_db`;
        withheld points are `None`, and the lists are empty where there is no response.
    """
    response = measurement.response
    curve: dict[str, Any] = {
        "path": measurement.conditions.path,
        "unit": "",
        "seat": seat,
        "n_seats": n_seats,
        "frequency_hz": [],
        "level_db": [],
        "uncertainty_db": [],
    }
    if response is not None:
        curve["unit"] = response.unit
        for name in ("frequency_hz", "level_db", "uncertainty_db"):
            curve[name] = _list_values(getattr(response, name))
    return curve


def trace_frequency_hz(programme: Programme, time_s: float) -> float | None:
    """
    Frequency that a programme plays at an instant of one of its sweeps.

    Parameters
    ----------
    programme : Programme
    time_s : float
        Seconds from the programme's first sample.

    Returns
    -------
    float or None
        In Hz; `None` outside the sweeps.

    Notes
    -----
    An exponential sweep: its frequency grows by the same factor in equal times (Novak, Lotton,
    Simon, J. Audio Eng. Soc. 63(10), 2015).
    """
    for block in programme.blocks_of("sweep"):
        if block.start_s <= time_s < block.end_s and block.from_hz and block.to_hz:
            done = (time_s - block.start_s) / (block.end_s - block.start_s)
            return float(block.from_hz * (block.to_hz / block.from_hz) ** done)
    return None


def _describe_runs(of_entry: Sequence[tuple[int, Run, Response]]) -> list[dict[str, Any]]:
    latest = {(run.job, run.stage): number for number, run, _ in of_entry}
    return [
        {
            "run": number,
            "stage": run.stage if number < BESIDE_FROM else f"job {run.job}, {run.stage}",
            "label": _name_run(run, is_beside=number >= BESIDE_FROM),
            "level_db": _list_values(response.level_db),
            "uncertainty_db": _list_values(response.uncertainty_db),
            "is_latest": latest[run.job, run.stage] == number,
            "is_beside": number >= BESIDE_FROM,
        }
        for number, run, response in of_entry
    ]


def _name_run(run: Run, *, is_beside: bool = False) -> str:
    n_seats = len(run.recordings)
    is_named = run.job is not None and (is_beside or run.stage == REFERENCE)
    job = f"job {run.job}, " if is_named else ""
    if run.is_simulated:
        job = f"SIMULATED, {job}"
    seats = f"{n_seats} seat{'' if n_seats == 1 else 's'}"
    stage = say_stage_name(run.stage, load_words())
    return f"{job}{stage}, {seats}, {say_own_time(run.taken_utc)}".rstrip(" ,")


def _describe_baseline(
    runs: Sequence[Run], baseline: Baseline | None, comparisons: Sequence[Comparison]
) -> dict[str, Any] | None:
    """The type's limits as the charts on paper lay them over the newest run, or `None`."""
    response = runs[-1].pooled.response if runs else None
    if baseline is None or response is None or not _is_same_grid(baseline, response):
        return None
    held = [
        one for one in comparisons if one.against.kind == "baseline" and one.stage == runs[-1].stage
    ]
    refused = find_refused(runs[-1].path, held[-1] if held else None)
    band = find_band(runs, baseline, load_words(), refused=refused)
    if band is None:
        return None
    label = f"{baseline.type_name}, {baseline.n} sets"
    mean_db = baseline.mean_db
    if band.is_shape_only:
        label += ", shape only, moved to the newest run"
        # The band was moved as a whole, and its mean goes with it.
        shape_db = baseline.shape_mean_db[np.isfinite(baseline.shape_mean_db)]
        shift_db = band.centre_db - float(np.median(shape_db)) if shape_db.size else 0.0
        mean_db = baseline.shape_mean_db + shift_db
    return {
        "label": label,
        "low_db": _list_values(band.low_db),
        "mean_db": _list_values(mean_db),
        "high_db": _list_values(band.high_db),
    }


def _is_same_grid(baseline: Baseline, response: Response) -> bool:
    ours, theirs = response.frequency_hz, baseline.frequency_hz
    return ours.shape == theirs.shape and bool(np.allclose(ours, theirs, rtol=1e-6, atol=0.0))


def _list_values(values: Array) -> list[float | None]:
    """Values as JSON has them: to a thousandth, `None` for what is withheld."""
    return [round(value, 3) if np.isfinite(value) else None for value in values.tolist()]
