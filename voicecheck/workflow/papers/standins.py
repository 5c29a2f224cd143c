"""A comparison where the type has no baseline, and what is told beside it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from voicecheck.jobbook import JobBook
from voicecheck.records import Against, Baseline, Comparison, Job, Run
from voicecheck.verdicts import (
    build_baseline,
    compare_runs,
    compare_to_mask,
    compare_without_baseline,
    list_masks,
    load_mask,
)
from voicecheck.verdicts.oneset import make_provisional_baseline
from voicecheck.workflow.papers.lookup import (
    current_runs,
    find_bench_spreads,
    find_kindred,
    find_references,
)

FITTING_MASKS = "narrowband-handset"
"""Of the masks that come with the program those of the old telephone's band."""
CARBON = "carbon"
IN_PASSING = (
    "baseline built in passing from the reference sets; "
    '`voicecheck baseline build "{type_name}"` keeps it'
)


def build_in_passing(book: JobBook, type_name: str) -> dict[str, Baseline]:
    """Baselines of those paths that have reference sets enough, not kept; empty where none has."""
    kindred = find_kindred(book, type_name)
    return {
        path: build_baseline(runs, type_name=type_name, path=path, kindred=kindred)
        for path, runs in find_references(book, type_name).items()
        if len({run.job for run in runs}) > 1
    }


def compare_in_place(book: JobBook, job: Job, stage: str, runs: Mapping[str, Run]) -> Comparison:
    """
    Hold a stage against what stands in for a baseline.

    Parameters
    ----------
    book : JobBook
    job : Job
    stage : str
    runs : mapping of str to Run
        By path.

    Returns
    -------
    Comparison
        With the change since the stage before, and the masks that fit, beside it.
    """
    others = find_references(book, job.type_name, but=job.job)
    set_type = book.load_type(job.type_name)
    comparison = compare_without_baseline(
        runs,
        job=job.job,
        stage=stage,
        type_name=job.type_name,
        transmitter=set_type.transmitter,
        references={path: found[-1] for path, found in others.items()},
        kindred=find_kindred(book, job.type_name),
    )
    beside = (
        *_compare_to_before(book, job, stage, runs),
        *_compare_to_masks(job, stage, runs, set_type.transmitter),
    )
    return dataclasses.replace(comparison, beside=beside)


def find_provisional(book: JobBook, job: Job) -> dict[str, Baseline]:
    """What the only reference set of each path says of the type; empty where there is none."""
    kindred = find_kindred(book, job.type_name)
    others = find_references(book, job.type_name, but=job.job)
    return {
        path: make_provisional_baseline(found[-1], type_name=job.type_name, kindred=kindred)
        for path, found in others.items()
        if found[-1].pooled.response is not None
    }


def fill_in(
    book: JobBook,
    job: Job,
    comparison: Comparison,
    runs: Mapping[str, Run],
    baselines: Mapping[str, Baseline],
) -> Comparison:
    """The comparison with what can be said of the paths that have no baseline beside it."""
    left = {path: run for path, run in runs.items() if path not in baselines}
    if not left:
        return comparison
    beside = compare_in_place(book, job, comparison.stage, left)
    inner = (dataclasses.replace(beside, beside=()), *beside.beside)
    return dataclasses.replace(comparison, beside=inner)


def _compare_to_before(
    book: JobBook, job: Job, stage: str, runs: Mapping[str, Run]
) -> tuple[Comparison, ...]:
    before = current_runs(book, job.job, "before") if stage != "before" else {}
    if not before.keys() & runs.keys():
        return ()
    return (
        compare_runs(
            runs,
            before,
            job=job.job,
            stage=stage,
            against=Against(kind="before", name="before"),
            bench=find_bench_spreads(book, runs, before),
        ),
    )


def _compare_to_masks(
    job: Job, stage: str, runs: Mapping[str, Run], transmitter: str
) -> tuple[Comparison, ...]:
    """Masks were made for linear transmitters: a carbon one is not held against them."""
    names = [name for name in list_masks() if name.startswith(FITTING_MASKS)]
    masks = [load_mask(name) for name in names]
    return tuple(
        compare_to_mask(runs, mask, job=job.job, stage=stage)
        for mask in masks
        if mask.path in runs and not (mask.path == "transmit" and transmitter == CARBON)
    )
