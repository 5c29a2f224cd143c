"""
A whole year's book, made from the simulated bench, and what its statistics say.

Run: python tests/bench/year_book.py [n_jobs] [folder]

Each job has a dial check as found, a sweep as found of a set with a known fault or none, the cause
said in the end, and for most a closing day; the days are spread over a year. Everything is drawn
from a seed.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from contextlib import AbstractContextManager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

sys.path.insert(0, str(Path(__file__).parents[1]))

from voicecheck.jobbook import JobBook
from voicecheck.records import SetType
from voicecheck.records.orders import SimulatedSource, SweepOrder
from voicecheck.workflow.checks.run import run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.papers.answers import keep_cause
from voicecheck.workflow.papers.comparing import build_baselines, compare
from voicecheck.workflow.sweeping.order import carry_out
from voicecheck.workflow.sweeping.unattended import Nobody
from voicecheck.workflow.tallies import tally
from voicecheck.workflow.wording import tell_tallies

FAULTS = (("carbon+packed", "F01"), ("carbon", ""), ("carbon+worn", "worn element"))
DIALS = ("healthy", "slow", "fast", "slow+bouncing")
FIRST = datetime(2030, 1, 4, 9, tzinfo=UTC)
N_GOOD = 4


def fill_year(folder: Path, n_jobs: int, faults: tuple[tuple[str, str], ...] = FAULTS) -> None:
    """Make the book; every clock of the book says the day that is meant."""
    draw = random.Random(2030)
    with JobBook.open(folder) as book:
        book.add_type(SetType(name="Lakeside 4", transmitter="carbon", region="Sweden"))
        for seed in range(1, N_GOOD + 1):
            with set_clock(FIRST):
                job = book.open_job(f"good set {seed}", "Lakeside 4").job
            sweep(book, job, "reference", "carbon", seed)
        build_baselines(book, "Lakeside 4")
        for index in range(n_jobs):
            day = FIRST + timedelta(days=360.0 * index / n_jobs)
            handset, cause = faults[index % len(faults)]
            with set_clock(day):
                job = book.open_job(f"set {index}", "Lakeside 4").job
                run_check(
                    "dial", Source(simulated=draw.choice(DIALS), seed=index), book=book, job=job
                )
                sweep(book, job, "before", handset, 100 + index)
                compare(book, job, stage="before")
                if cause:
                    keep_cause(book, job, cause)
            if draw.random() < 0.8:
                with set_clock(day + timedelta(days=draw.randint(2, 30))):
                    book.close_job(job)


def sweep(book: JobBook, job: int, stage: str, handset: str, seed: int) -> None:
    """One path, one seat: enough to be counted."""
    source = SimulatedSource(handset=handset, seed=seed)
    order = SweepOrder(job=job, stage=stage, path="transmit", source=source, n_seats=1)
    carry_out(book, order, Nobody())


def set_clock(day: datetime) -> AbstractContextManager[object]:
    """The book's clock at a day."""
    told = day.isoformat(timespec="milliseconds")
    return mock.patch("voicecheck.jobbook.jobs.utc_now", return_value=told)


def main() -> None:
    """Make a year and show its statistics."""
    n_jobs = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(temporary) / "book"
        if not folder.exists():
            fill_year(folder, n_jobs)
        with JobBook.open(folder, create=False) as book:
            start = time.perf_counter()
            found = tally(book)
            taken_s = time.perf_counter() - start
        for title, lines in tell_tallies(found):
            sys.stdout.write("\n".join((title, *(f"  {line}" for line in lines), "")))
        sys.stdout.write(f"counted in {taken_s * 1e3:.0f} ms\n")


if __name__ == "__main__":
    main()
