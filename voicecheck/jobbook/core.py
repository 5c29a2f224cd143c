"""What every shelf of the book stands on: connections, files, errors."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa

from voicecheck.errors import InputError
from voicecheck.jobbook import tables
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.rows import insert_row, select_rows, utc_now
from voicecheck.jobbook.vault import Vault


class BookCore:
    """
    Database and files of an open book.

    Parameters
    ----------
    engine : sqlalchemy.Engine
    vault : Vault
    name : str
        The book as the user knows it.
    """

    def __init__(self, engine: sa.Engine, vault: Vault, name: str) -> None:
        self._engine = engine
        self._vault = vault
        self.name = name

    @contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        """One view of the database for the whole block; writers are not held up."""
        with translate_failures(self.name), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        """All of the block or nothing; on disk at its end."""
        engine = self._engine.execution_options(writing=True)
        with translate_failures(self.name), engine.begin() as connection:
            yield connection


def find_set_type(connection: sa.Connection, name: str) -> Any:
    """
    Row of a set type.

    Raises
    ------
    InputError
        There is none of that name; the nearest names are given.
    """
    statement = sa.select(tables.set_type).where(tables.set_type.c.name == name)
    rows = select_rows(connection, tables.set_type, statement)
    if rows:
        return rows[0]
    names = connection.execute(sa.select(tables.set_type.c.name)).scalars().all()
    raise InputError(
        f"set type {name!r}: not in the book; {suggest(name, list(names), 'types')}; "
        "add it with `voicecheck type add`"
    )


def find_job(
    connection: sa.Connection, number: int, *, lock: bool = False, removed: bool = False
) -> Any:
    """
    Row of a job; with `lock` nobody else changes the job until the transaction ends.

    With `removed` also of one that is in the bin.

    Raises
    ------
    InputError
        There is none of that number.
    """
    statement = sa.select(tables.job).where(tables.job.c.id == number)
    statement = statement.with_for_update() if lock else statement
    rows = select_rows(connection, tables.job, statement) if abs(number) < 1 << 31 else []
    if rows and (removed or rows[0]["removed_utc"] is None):
        return rows[0]
    if rows:
        raise InputError(
            f"job {number}: is in the bin since {rows[0]['removed_utc'][:10]}; "
            f"`voicecheck job restore {number}` takes it out"
        )
    last = connection.execute(sa.select(sa.func.max(tables.job.c.id))).scalar()
    known = "has no jobs yet" if last is None else f"has jobs up to {last}"
    raise InputError(
        f"job {number}: not in the book, which {known}; open one with `voicecheck job open`"
    )


def is_in_bin(job_id: sa.Column[Any]) -> sa.Exists:
    """Whether the job that a column names was removed; no job is in no bin."""
    job = tables.job
    return sa.exists().where(job.c.id == job_id, job.c.removed_utc.is_not(None))


def suggest(name: str, names: list[str], what: str) -> str:
    """Which known names are near the one asked for, in words."""
    import difflib

    folded = {known.casefold(): known for known in names}
    near = difflib.get_close_matches(name.casefold(), folded, n=3, cutoff=0.5)
    if near:
        return "near it: " + ", ".join(repr(folded[key]) for key in near)
    if not names:
        return f"there are no {what} yet"
    return f"known {what}: " + ", ".join(map(repr, sorted(names)[:5]))


def add_event(connection: sa.Connection, number: int, kind: str, text: str) -> None:
    """Add one line to a job's time line."""
    insert_row(connection, tables.event, job_id=number, at_utc=utc_now(), kind=kind, text=text)
