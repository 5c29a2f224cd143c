"""
How long a comparison with its causes takes, beside how many runs the book holds.

    python tests/bench/cause_speed.py [RUNS ...]

Processor time of `compare` on one set against a baseline of eight, median of nine, and the part of
it that the causes take; 1000 runs are asked to stay under 0.3 s.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from set_population import Fault, Population, draw_set, measure_set

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


def take_time_s(call: Callable[[], object]) -> float:
    """Median processor time of nine, the first call not counted."""
    call()
    times = []
    for _ in range(9):
        started = time.process_time()
        call()
        times.append(time.process_time() - started)
    return statistics.median(times)


def main() -> None:
    out = sys.stdout
    out.write("| runs in the book | compare s | of it causes s |\n|---|---|---|\n")
    for n_runs in [int(text) for text in sys.argv[1:]] or [20, 200, 1000]:
        with tempfile.TemporaryDirectory() as folder, JobBook.open(Path(folder) / "book") as book:
            job = fill(book, n_runs)
            runs = {run.path: run for run in book.list_runs(job=job, stage="before")}
            baselines = {one.path: one for one in book.list_baselines()}
            found = compare(book, job, stage="before")
            whole_s = take_time_s(lambda: compare(book, job, stage="before"))  # noqa: B023
            causes_s = take_time_s(
                lambda: rank_hints(found, runs, baselines, answers=book.count_causes())  # noqa: B023
            )
            out.write(f"| {n_runs} | {whole_s:.3f} | {causes_s:.3f} |\n")
            out.flush()


if __name__ == "__main__":
    main()
