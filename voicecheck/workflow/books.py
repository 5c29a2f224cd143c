"""Opening a job book, and the small things done with one."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from voicecheck.errors import InputError, VoicecheckError
from voicecheck.jobbook import JobBook
from voicecheck.measure import measure_recording
from voicecheck.records import (
    Attachment,
    Job,
    Measurement,
    NormalValue,
    Problem,
    Recipe,
    Recording,
    Run,
)
from voicecheck.records.times import get_now_utc
from voicecheck.verdicts import pool_run
from voicecheck.workflow.analysis import remake_programme

if TYPE_CHECKING:
    from voicecheck.jobbook.reanalysis import AnalysedAgain


BACKUP_SWITCH = "VOICECHECK_BACKUPS"
OWN_NAMES = re.compile(r"check-[a-z]+\.json|protocol(-part)?\.json", re.IGNORECASE)
Where = str | Path | None
"""A folder, a database address, or the user's own book."""


def open_book(where: Where = None) -> JobBook:
    """
    Open the job book of a folder or a database address, or the user's own one.

    Parameters
    ----------
    where : str, Path or None

    Returns
    -------
    JobBook
        A context manager; closes itself.

    Raises
    ------
    JobBookError
        Not writable, full, newer than this program, or damaged.
    """
    return JobBook.open(where)


def read_normal_value(text: str) -> NormalValue:
    """
    A value that a set of a type should show, as it is typed.

    Raises
    ------
    InputError
        It does not read as NAME=LOW..HIGH and a unit; either limit may be left out.

    Examples
    --------
    >>> read_normal_value("transmitter=30..80ohm").high
    80.0
    >>> read_normal_value("loop current=20..mA").high is None
    True
    """
    # A number with one point at the most, so that float() takes whatever matches.
    number = r"[-+]?\d*\.?\d+|[-+]?\d+"
    found = re.fullmatch(rf"\s*(.+?)\s*=\s*({number})?\.\.({number})?\s*([^\d\s.].*)?", text)
    if found is None:
        raise InputError(f"normal: need NAME=LOW..HIGH and a unit, got {text!r}")
    low, high = (None if part is None else float(part) for part in found.group(2, 3))
    return NormalValue(quantity=found[1], unit=(found[4] or "").strip(), low=low, high=high)


def check_open(job: Job) -> None:
    """
    Refuse to measure for a job that is closed, or on a set that has a hazard.

    Raises
    ------
    InputError
        It is closed, or a hazard is open; the message says what to do.
    """
    if job.closed_utc is not None:
        raise InputError(
            f"job {job.job}: is closed since {job.closed_utc[:10]}; nothing was added; "
            f"`voicecheck job reopen {job.job}` opens it again"
        )
    hazard = next((one for one in job.work if one.is_open_hazard), None)
    if hazard is not None:
        raise InputError(
            f"job {job.job}: hazard {hazard.number} is open ({hazard.what}); nothing is measured "
            "before the set is safe; disconnect it, make it safe, then say what was done: "
            f"`voicecheck work answer {job.job} {hazard.number} WORDS`"
        )


def attach_file(book: JobBook, job: int, path: str | Path) -> Attachment:
    """
    Keep a copy of a user's file with a job.

    Raises
    ------
    InputError
        No such job or file, or its name is one that the program keeps its own documents under.
    """
    name = Path(path).name
    if OWN_NAMES.fullmatch(name):
        raise InputError(
            f"{name}: the program keeps its own documents under such names; rename the file, "
            "nothing was kept"
        )
    return book.attach_file(job, path)


def backup_today(book: JobBook) -> str:
    """
    Keep the book as it was at the first work of a day; once a day, beside the book.

    `VOICECHECK_BACKUPS=off` leaves it to others.

    Parameters
    ----------
    book : JobBook

    Returns
    -------
    str
        What could not be kept, in a sentence; "" where all is well. Nothing else stops by it.
    """
    if os.environ.get(BACKUP_SWITCH, "").strip().lower() in ("off", "0", "no"):
        return ""
    try:
        problems = book.backup_of_day(get_now_utc()[:10])
    except VoicecheckError as error:
        return f"the backup of the day was not made: {error}"
    if problems:
        return f"the backup of the day lacks {len(problems)} files; `voicecheck book verify`"
    return ""


def find_backups(where: Where = None) -> Path:
    """Folder of a book's dated backups; the book itself may be gone."""
    from voicecheck.jobbook.backups import name_backups
    from voicecheck.jobbook.engine import choose_place

    return name_backups(choose_place(where)[1])


def restore_backup(day: str, into: str | Path, folder: str | Path) -> tuple[Problem, ...]:
    """
    Make a book of a dated backup, and check that it is whole.

    Returns
    -------
    tuple of Problem
        What is missing or damaged in it.

    Raises
    ------
    InputError
        There is no backup of that day, or the new folder holds something.
    """
    from voicecheck.jobbook.backups import restore_day

    missing = restore_day(folder, day, into)
    with JobBook.open(into, create=False) as restored:
        return (*missing, *restored.verify())


def analyse_again(
    book: JobBook,
    *,
    n_workers: int = -1,
    backend: str = "loky",
    on_progress: Callable[[int, int], None] | None = None,
) -> AnalysedAgain:
    """
    Give every recording that has only older numbers new ones; the old are kept.

    Parameters
    ----------
    book : JobBook
    n_workers : int
        Processes; -1 is one for each core.
    backend : str
        "loky", "threading" or "dask".
    on_progress : callable, optional
        Called with the number done and the number to do.

    Returns
    -------
    AnalysedAgain
    """
    return book.analyse_again(
        _measure_one, _pool_again, n_workers=n_workers, backend=backend, on_progress=on_progress
    )


def salvage(where: str | Path, into: str | Path) -> tuple[Problem, ...]:
    """
    Save what can be read of a damaged book into a new one.

    Returns
    -------
    tuple of Problem
        What could not be saved.
    """
    from voicecheck.jobbook.salvage import salvage_book

    return salvage_book(where, into)


def _measure_one(recording: Recording, recipe: Recipe) -> Measurement:
    return measure_recording(remake_programme(recipe), recording)


def _pool_again(run: Run, measurements: Sequence[Measurement]) -> Run:
    return pool_run(
        measurements, job=run.job, path=run.path, stage=run.stage, taken_utc=run.taken_utc
    )
