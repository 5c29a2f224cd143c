"""
How long a comparison with its causes takes, beside how many runs the book holds.

A part of `all_ratios.py`: `compare` on one set against a baseline of eight, and the part of it that
the causes take; 1000 runs are asked to stay under 0.3 s.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from set_population import Fault, Population, draw_set, measure_set
from timing import Ratio, hold

from voicecheck.jobbook import JobBook
from voicecheck.records import SetType
from voicecheck.verdicts import build_baseline, pool_run, rank_hints
from voicecheck.workflow.papers.comparing import compare

TYPE = "Lakeside 4"
N_REFERENCES = 8


def fill(book: JobBook, n_runs: int) -> int:
    """Reference sets, then sets with a fault and an answer; the last of them is compared."""
    population, job = Population(), 0
    book.add_type(SetType(name=TYPE, transmitter="carbon", feed_ma=40.0))
    for index in range(n_runs):
        random = np.random.default_rng(index)
        is_good = index < N_REFERENCES
        drawn = draw_set(population, random, Fault(level_db=0.0 if is_good else 9.0))
        job = book.open_job(f"set {index}", TYPE).job
        stage = "reference" if is_good else "before"
        seats = measure_set(population, drawn, random)
        book.save_run(pool_run(seats, job=job, path="transmit", stage=stage))
        if not is_good and index % 3 == 0:
            book.keep_cause(job, "F01", "packed carbon")
    references = book.list_runs(type_name=TYPE, stage="reference", path="transmit")
    book.save_baseline(build_baseline(references, type_name=TYPE, path="transmit"))
    return job


def list_comparisons(*, short: bool) -> Iterator[Ratio]:
    """A whole comparison and its causes, in a small book and in a large one."""
    for n_runs in (20, 200) if short else (20, 200, 1000):
        with tempfile.TemporaryDirectory() as folder, JobBook.open(Path(folder) / "book") as book:
            job = fill(book, n_runs)
            yield from hold_comparison(book, job, n_runs)


def hold_comparison(book: JobBook, job: int, n_runs: int) -> Iterator[Ratio]:
    """Over the reading of what is compared."""
    runs = {run.path: run for run in book.list_runs(job=job, stage="before")}
    baselines = {one.path: one for one in book.list_baselines()}
    found = compare(book, job, stage="before")

    def read() -> None:
        book.list_runs(job=job, stage="before")
        book.list_baselines()

    against = "reading the run and the baselines"
    yield hold(
        f"comparison: with causes, {n_runs} runs in the book",
        lambda: compare(book, job, stage="before"), read, against, rounds=9,
    )  # fmt: skip
    yield hold(
        f"comparison: its causes alone, {n_runs} runs",
        lambda: rank_hints(found, runs, baselines, answers=book.count_causes()), read, against,
        rounds=9,
    )  # fmt: skip
