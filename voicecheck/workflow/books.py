"""Opening a job book, and the small things done with one."""

from __future__ import annotations

from pathlib import Path

from voicecheck.jobbook import JobBook
from voicecheck.records import Problem


def open_book(where: str | Path | None = None) -> JobBook:
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


def verify_book(book: JobBook) -> tuple[Problem, ...]:
    """Everything in the book that is not as it was saved."""
    return book.verify()
