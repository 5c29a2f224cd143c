"""
An owner forgotten: name, contact, voice and photographs go, the measurements stay.

Taken out of the job, its set, notes, work, time line and the check's own documents, and out of the
files. SQLite is then written anew (`VACUUM`), so that no old page of it holds them; a server keeps
old pages until its own cleaning, which is told.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from voicecheck.errors import JobBookError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.jobs import refresh_search
from voicecheck.jobbook.personal import (
    WORK_TEXTS,
    is_personal_file,
    leave_out,
    list_former_names,
    list_names,
    sort_names,
)
from voicecheck.jobbook.removals import delete_rows
from voicecheck.jobbook.rows import select_in, select_named, update_row, utc_now
from voicecheck.jobbook.sets import refresh_set_search
from voicecheck.jobbook.stages import is_check
from voicecheck.records import Problem
from voicecheck.records.jobwords import JOB_WORDS, PERSONAL_WORDS
from voicecheck.records.sets import SET_WORDS

CHECK_LIST = "check-list.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """
    What was done to forget an owner.

    Parameters
    ----------
    mark : str
        Of the job, by which copies of the book know it.
    names : tuple of str
        What was looked for, for the copies; kept nowhere.
    n_files : int
        Photographs and recordings of speech that are gone, and documents that were written anew.
    problems : tuple of Problem
        What could not be done at once.
    """

    mark: str
    names: tuple[str, ...]
    n_files: int
    problems: tuple[Problem, ...] = ()


class ForgetShelf(BookCore):
    """Owners forgotten."""

    def forget_owner(
        self, number: int, *, also: Iterable[str] = (), are_files_shared: bool = False
    ) -> Forgotten:
        """
        Take whose a set is out of a job and all that belongs to it; it cannot be undone.

        Parameters
        ----------
        number : int
        also : iterable of str
            Other names of the same person.
        are_files_shared : bool
            Other databases name the files, too: whoever calls removes them.

        Raises
        ------
        InputError
            The job is not in the book.
        """
        with self._writing() as connection:
            row = find_job(connection, number, lock=True, removed=True)
            edits = select_in(connection, tables.event, tables.event.c.job_id, [number])
            former = list_former_names(one["text"] for one in edits if one["kind"] == "edited")
            known = list_names({name: row[name] for name in PERSONAL_WORDS})
            names = sort_names({*known, *former, *also})
            gone = self._forget_rows(connection, row, names)
            refresh_search(connection, number)
        for sha256 in () if are_files_shared else gone:
            self._vault.locate_attachment(sha256).unlink(missing_ok=True)
        return Forgotten(
            mark=row["mark"] or "", names=names, n_files=len(gone), problems=tuple(self._scrub())
        )

    def forget_marked(self, forgotten: Forgotten) -> bool:
        """Do the same in a copy of the book; whether it knows the job."""
        job = tables.job
        with self._reading() as connection:
            statement = sa.select(job.c.id).where(job.c.mark == forgotten.mark)
            number = connection.execute(statement).scalar() if forgotten.mark else None
        if number is None:
            return False
        self.forget_owner(int(number), also=forgotten.names, are_files_shared=True)
        return True

    def _forget_rows(
        self, connection: sa.Connection, row: Any, names: Collection[str]
    ) -> list[str]:
        """All rows of a job, without them; digests of the files that nothing names any more."""
        number = row["id"]
        words: dict[str, Any] = {name: leave_out(row[name] or "", names) for name in JOB_WORDS}
        words |= dict.fromkeys(PERSONAL_WORDS, "")
        words |= {"label": leave_out(row["label"], names), "forgotten_utc": utc_now()}
        update_row(connection, tables.job, number, **words)
        for table, columns in (
            (tables.note, ("text",)), (tables.event, ("text",)), (tables.work, WORK_TEXTS),
        ):  # fmt: skip
            for one in select_in(connection, table, table.c.job_id, [number]):
                _rewrite(connection, table, one, columns, names)
        if row["telephone_id"] is not None:
            table = tables.telephone
            (one,) = select_named(connection, table, [row["telephone_id"]])
            _rewrite(connection, table, one, ("label", *SET_WORDS), names)
            refresh_set_search(connection, one["id"])
        gone = self._forget_files(connection, number, names)
        add_event(connection, number, "owner forgotten", f"files gone or written anew: {len(gone)}")
        return gone

    def _forget_files(
        self, connection: sa.Connection, number: int, names: Collection[str]
    ) -> list[str]:
        table = tables.attachment
        left_behind = []
        for one in select_in(connection, table, table.c.job_id, [number]):
            if is_personal_file(one["name"]):
                delete_rows(connection, table, table.c.id == one["id"])
                told = sa.and_(tables.event.c.job_id == number, tables.event.c.text == one["name"])
                delete_rows(connection, tables.event, told)
            elif not self._rewrite_document(connection, one, names):
                continue
            left_behind.append(one["sha256"])
        named = set(
            connection.execute(
                sa.select(table.c.sha256).where(table.c.sha256.in_(left_behind))
            ).scalars()
        )
        return sorted(set(left_behind) - named)

    def _rewrite_document(
        self, connection: sa.Connection, row: Any, names: Collection[str]
    ) -> bool:
        """A document of our own without the names; whether it held any."""
        path = self._vault.locate_attachment(row["sha256"])
        is_ours = is_check(row["name"]) or row["name"] == CHECK_LIST
        if not is_ours or not path.is_file():
            return False
        text = path.read_text(encoding="utf-8", errors="replace")
        clean = leave_out(text, names)
        if clean == text:
            return False
        sha256, n_bytes = self._vault.store_attachment([clean.encode()])
        update_row(connection, tables.attachment, row["id"], sha256=sha256, n_bytes=n_bytes)
        return True

    def _scrub(self) -> Iterable[Problem]:
        """Write a SQLite file anew, so that no page that is no longer used holds what was there."""
        if self._engine.dialect.name != "sqlite":
            yield Problem(
                kind="not-scrubbed",
                message="the server keeps old pages until it cleans its tables",
                effect="run VACUUM FULL on it to be rid of them",
            )
            return
        try:
            with (
                translate_failures(self.name),
                contextlib.closing(self._engine.raw_connection()) as connection,
            ):
                raw = connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.execute("VACUUM")
                raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except JobBookError as error:
            yield Problem(
                kind="not-scrubbed",
                message=f"the book could not be written anew ({error})",
                effect="close other programs that have it open and forget the owner once more",
            )


def _rewrite(
    connection: sa.Connection,
    table: sa.Table,
    row: Any,
    columns: Iterable[str],
    names: Collection[str],
) -> None:
    changes = {
        name: clean
        for name in columns
        if row[name] is not None and (clean := leave_out(row[name], names)) != row[name]
    }
    if changes:
        update_row(connection, table, row["id"], **changes)
