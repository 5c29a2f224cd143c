"""A book for what is said on a terminal: a type with good sets, and a set before and after."""

from __future__ import annotations

import dataclasses
import io
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

from factories import make_job_runs, make_run

from voicecheck.cli.main import make_app
from voicecheck.jobbook import JobBook
from voicecheck.records import Measurement, Run, SetType
from voicecheck.workflow.papers.comparing import build_baselines

TYPE = "Hillview 2"
PATHS = ("transmit", "receive", "sidetone")
SHOUT = "SIMULATED: no real telephone was measured"


def simulate(run: Run) -> Run:
    """The run as one of no real telephone."""

    def state(one: Measurement) -> Measurement:
        return one.replace(conditions=one.conditions.replace(bench="simulated"))

    return dataclasses.replace(
        run,
        pooled=state(run.pooled),
        recordings=tuple(map(state, run.recordings)),
    )


def fill_book(folder: Path, *, n_good: int = 8) -> int:
    """Good sets of a type with their baselines, and the job of a set that was mended."""
    with JobBook.open(folder) as book:
        book.add_type(SetType(name=TYPE, transmitter="carbon", region="Sweden"))
        for i in range(n_good):
            job = book.open_job(f"good set {i + 1}", TYPE).job
            gain_db = 0.8 * ((5 * i) % 8 - 3.5) / 3.5
            for path in PATHS:
                run = make_run(path, "reference", seed=100 + i, job=job, gain_db=gain_db)
                book.save_run(simulate(run))
        if n_good > 1:
            build_baselines(book, TYPE)
        job = book.open_job("green wall set", TYPE).job
        for run in make_job_runs():
            book.save_run(simulate(dataclasses.replace(run, job=job)))
    return job


def call(*words: object, book: Path | None = None, is_all: bool = False) -> str:
    """What a command prints to its output, on wish with what it says beside; errors are raised."""
    arguments = [str(word) for word in words]
    if book is not None:
        arguments += ["--book", str(book)]
    said, beside = io.StringIO(), io.StringIO()
    with redirect_stdout(said), redirect_stderr(beside):
        make_app()(arguments, standalone_mode=False)
    return said.getvalue() + beside.getvalue() * is_all
