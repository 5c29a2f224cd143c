"""What the bench page needs from the job book."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path

from voicecheck.jobbook import JobBook
from voicecheck.workflow.benches import choose_bench
from voicecheck.workflow.benchlock import hold_bench
from voicecheck.workflow.books import open_book
from voicecheck.workflow.reporting import report_job
from voicecheck.workflow.sweeps import sweep


def make_report_html(book: JobBook, job: int) -> str:
    """
    The one-file report of a job.

    Raises
    ------
    InputError
        No such job, or no run to report.
    """
    with tempfile.TemporaryDirectory() as folder:
        files = report_job(book, job, folder)
        file = next(file for file in files if file.suffix == ".html")
        return file.read_text(encoding="utf-8")


def sweep_simulated(
    where: Path | None,
    job: int,
    *,
    path: str,
    stage: str,
    handset: str,
    n_seats: int,
    before_seat: Callable[[int, int], None],
) -> str:
    """
    Sweep a handset of the simulated bench; a line that says how it ended.

    Raises
    ------
    VoicecheckError
        As `sweep`, or the bench is busy.
    KeyboardInterrupt
        Stopped before a seat was done.
    """
    held = nullcontext() if where is None else hold_bench(where, f"simulated {handset}")
    with open_book(where) as book, held:
        set_type = book.load_type(book.load_job(job).type_name)
        chosen = choose_bench(
            set_type, simulated=handset, n_seats=n_seats, book=book, path=path, seed=job
        )
        result = sweep(
            book,
            job,
            stage=stage,
            path=path,
            bench=chosen.bench,
            programme=chosen.programme,
            n_seats=chosen.n_seats,
            before_seat=before_seat,
        )
    n = len(result.run.recordings)
    ended = "Stopped" if result.was_stopped else "Done"
    return f"{ended}: {n} of {n_seats} seats are kept with job {job}"
