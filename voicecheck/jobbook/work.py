"""What was done to a set in a job, resistances read on it, and hazards found in it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, get_args

import sqlalchemy as sa

from voicecheck.errors import InputError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job
from voicecheck.jobbook.jobs import read_work, refresh_search
from voicecheck.jobbook.rows import (
    check_text,
    insert_row,
    select_in,
    select_named,
    update_row,
    utc_now,
)
from voicecheck.records.sets import Work, WorkKind
from voicecheck.records.terms import check_word

WORK_KINDS: tuple[str, ...] = get_args(WorkKind)
LIMITS = {"ohms": 1e9, "time": 1e6}
"""Kinds that have a value, and the most it may be: ohm, minutes."""


class WorkShelf(BookCore):
    """The work on a set, entry by entry; nothing is deleted, an entry can be withdrawn."""

    def add_work(self, job: int, work: Work) -> Work:
        """
        Keep one thing that was done, read or found.

        Returns
        -------
        Work
            With its number and time.

        Raises
        ------
        InputError
            The job is not in the book or closed, or the entry is not complete.
        """
        check_work(work)
        with self._writing() as connection:
            _check_open(find_job(connection, job, lock=True))
            number = insert_row(
                connection,
                tables.work,
                job_id=job,
                added_utc=work.added_utc or utc_now(),
                kind=work.kind,
                what=work.what,
                old_value=work.old_value,
                new_value=work.new_value,
                number=None if work.value is None else work.value + 0.0,
            )
            refresh_search(connection, job)
            add_event(connection, job, work.kind, describe_work(work))
            return _load_work(connection, number)

    def answer_hazard(self, job: int, number: int, answer: str) -> Work:
        """
        Say what was done about a hazard, so that measuring goes on.

        Raises
        ------
        InputError
            No such hazard of this job, it is answered, or the answer is empty.
        """
        check_text("answer", answer, empty=False)
        with self._writing() as connection:
            work = self._find(connection, job, number)
            if not work.is_open_hazard:
                raise InputError(f"entry {number} of job {job}: is no hazard that waits for one")
            changes = {"answer": answer, "answered_utc": utc_now()}
            update_row(connection, tables.work, number, **changes)
            add_event(connection, job, "hazard answered", f"{work.what}: {answer}")
            return _load_work(connection, number)

    def withdraw_work(self, job: int, number: int, reason: str) -> Work:
        """
        Let an entry no longer count; it stays in the time line.

        Raises
        ------
        InputError
            No such entry of this job, it is withdrawn already, or the reason is empty.
        """
        check_text("reason", reason, empty=False)
        with self._writing() as connection:
            work = self._find(connection, job, number)
            if work.withdrawn:
                raise InputError(f"entry {number} of job {job}: is withdrawn already")
            update_row(connection, tables.work, number, withdrawn=reason)
            add_event(connection, job, "withdrawn", f"{describe_work(work)}: {reason}")
            return _load_work(connection, number)

    def correct_note(self, job: int, place: int, text: str) -> None:
        """
        Write a note anew; what it said stays in the time line.

        Parameters
        ----------
        job : int
        place : int
            Of the note among the job's, from 1.
        text : str

        Raises
        ------
        InputError
            No such job or note, or the text is empty.
        """
        check_text("note", text, empty=False)
        with self._writing() as connection:
            find_job(connection, job, lock=True)
            rows = select_in(connection, tables.note, tables.note.c.job_id, [job])
            if not 1 <= place <= len(rows):
                raise InputError(f"note {place}: job {job} has {len(rows)}; nothing was changed")
            old = rows[place - 1]
            if old["text"] == text:
                return
            update_row(connection, tables.note, old["id"], text=text)
            refresh_search(connection, job)
            add_event(connection, job, "note corrected", f"was: {old['text']}\nnow: {text}")

    @staticmethod
    def _find(connection: sa.Connection, job: int, number: int) -> Work:
        find_job(connection, job, lock=True)
        rows = select_in(connection, tables.work, tables.work.c.id, [number])
        if not rows or rows[0]["job_id"] != job:
            raise InputError(
                f"entry {number}: not one of job {job}; `voicecheck work list {job}` lists them"
            )
        return read_work(rows[0])


def describe_work(work: Work) -> str:
    """
    One entry in a line.

    Examples
    --------
    >>> describe_work(Work(kind="part", what="condenser", old_value="leaky", new_value="1 uF"))
    'condenser: leaky -> 1 uF'
    >>> describe_work(Work(kind="ohms", what="receiver", value=63.5))
    'receiver: 63.5 ohm'
    >>> describe_work(Work(kind="time", what="cleaning", value=40.0))
    'cleaning: 40 min'
    """
    if work.value is not None:
        return f"{work.what}: {work.value:g} {'ohm' if work.kind == 'ohms' else 'min'}"
    changed = " -> ".join(text for text in (work.old_value, work.new_value) if text)
    return f"{work.what}: {changed}" if changed else work.what


def _load_work(connection: sa.Connection, number: int) -> Work:
    return read_work(select_named(connection, tables.work, [number])[0])


def check_work(work: Work) -> None:
    """Refuse an entry that is not complete (`InputError`)."""
    check_word(work.kind, WORK_KINDS, "kind")
    check_text("what", work.what, empty=False)
    for text in (work.old_value, work.new_value):
        check_text(work.what, text)
    most = LIMITS.get(work.kind)
    if (most is None) != (work.value is None):
        need = "no number" if most is None else "a number"
        raise InputError(f"{work.kind} {work.what!r}: needs {need}; nothing was kept")
    value = work.value or 0.0
    if not math.isfinite(value) or not 0.0 <= value <= (most or 0.0):
        raise InputError(f"{work.kind} {work.what!r}: need 0 to {most:g}, got {value:g}")


def _check_open(row: Mapping[str, Any]) -> None:
    if row["closed_utc"] is not None:
        raise InputError(
            f"job {row['id']}: is closed since {row['closed_utc'][:10]}; nothing was kept; "
            f"`voicecheck job reopen {row['id']}` opens it again"
        )
