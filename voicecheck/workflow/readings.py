"""Readings that are typed in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from voicecheck.checkout.line import rate_line
from voicecheck.records import LineCheck, to_document
from voicecheck.workflow.books import open_book
from voicecheck.workflow.checkout import choose_stage, save_check


def keep_line(
    where: str | Path | None, job: int | None, *, stage: str = "", region: str = "", **readings: Any
) -> tuple[LineCheck, dict[str, Any]]:
    """
    Rate readings of the line and keep them with a job, where one is given.

    Parameters
    ----------
    where : path or address of the book, or None
    job : int or None
    stage, region : str
    **readings
        As `rate_line` takes them.

    Returns
    -------
    check : LineCheck
    document : dict

    Raises
    ------
    InputError
        No reading, one out of range, or no such job.
    """
    if job is None:
        check = rate_line(region=region, **readings)
        return check, to_document(check)
    with open_book(where) as book:
        set_type = book.load_type(book.load_job(job).type_name)
        check = rate_line(region=region or set_type.region, **readings)
        stage = choose_stage(book, job, "line", stage)
        return check, save_check(book, job, "line", check, stage=stage)
