"""Sets: each has jobs, and is known again when it comes back."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from voicecheck.errors import InputError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job, find_set_type
from voicecheck.jobbook.rows import (
    check_text,
    fold,
    insert_row,
    match_words,
    select_named,
    select_rows,
    update_row,
    utc_now,
)
from voicecheck.records.sets import SET_WORDS, Telephone


class SetShelf(BookCore):
    """Sets and their jobs."""

    def load_set(self, number: int) -> Telephone:
        """
        Set by its number.

        Raises
        ------
        InputError
            There is none of that number.
        """
        with self._reading() as connection:
            return _load_sets(connection, [find_set(connection, number)["id"]])[0]

    def list_sets(
        self, *, search: str | None = None, limit: int = 50, offset: int = 0
    ) -> tuple[Telephone, ...]:
        """
        Sets, the newest first.

        Parameters
        ----------
        search : str, optional
            Words that must all occur in label, type, marks, dates on parts or colour.
        limit, offset : int
            How many to give, after how many passed over.
        """
        if limit < 0 or offset < 0:
            raise InputError(f"limit, offset: need 0 or more, got {limit}, {offset}")
        table = tables.telephone
        statement = match_words(sa.select(table.c.id), table.c.search_text, search)
        statement = statement.order_by(table.c.id.desc()).limit(limit).offset(offset)
        with self._reading() as connection:
            numbers = list(connection.execute(statement).scalars())
            return tuple(reversed(_load_sets(connection, numbers)))

    def count_sets(self) -> int:
        """How many sets there are."""
        statement = sa.select(sa.func.count(tables.telephone.c.id))
        with self._reading() as connection:
            return int(connection.execute(statement).scalar() or 0)

    def edit_set(
        self,
        number: int,
        *,
        label: str | None = None,
        type_name: str | None = None,
        **words: str | None,
    ) -> Telephone:
        """
        Change what is given of a set; its jobs keep their own label and type.

        Parameters
        ----------
        number : int
        label, type_name : str, optional
        **words : str
            Any of `SetWords`, as marks and colour.

        Raises
        ------
        InputError
            The set or the set type is not in the book, or the label is empty.
        """
        if unknown := set(words) - set(SET_WORDS):
            raise TypeError(f"a set has no {', '.join(sorted(unknown))}")
        said = {name: check_text(name, text) for name, text in words.items() if text is not None}
        changes: dict[str, Any] = dict(said)
        if label is not None:
            changes["label"] = check_text("label", label, empty=False)
        with self._writing() as connection:
            find_set(connection, number)
            if type_name is not None:
                changes["set_type_id"] = find_set_type(connection, type_name)["id"]
            update_row(connection, tables.telephone, number, **changes)
            refresh_set_search(connection, number)
            return _load_sets(connection, [number])[0]

    def give_set(self, job: int) -> Telephone:
        """
        The set of a job; one is made for a job from before sets were kept.

        Raises
        ------
        InputError
            The job is not in the book.
        """
        with self._writing() as connection:
            row = find_job(connection, job, lock=True)
            number = row["telephone_id"]
            if number is None:
                types = select_named(connection, tables.set_type, [row["set_type_id"]])
                number = add_set(connection, row["label"], types[0])
                update_row(connection, tables.job, job, telephone_id=number)
                add_event(connection, job, "set", f"set {number}")
            return _load_sets(connection, [number])[0]

    def list_labels(self, numbers: Sequence[int]) -> dict[int, tuple[str, str, str | None]]:
        """
        Of jobs: label, opened and closed (UTC).

        Parameters
        ----------
        numbers : sequence of int
        """
        with self._reading() as connection:
            rows = select_named(connection, tables.job, numbers)
        return {row["id"]: (row["label"], row["opened_utc"], row["closed_utc"]) for row in rows}


def find_set(connection: sa.Connection, number: int) -> Any:
    """
    Row of a set.

    Raises
    ------
    InputError
        There is none of that number.
    """
    table = tables.telephone
    statement = sa.select(table).where(table.c.id == number)
    rows = select_rows(connection, table, statement) if abs(number) < 1 << 31 else []
    if rows:
        return rows[0]
    raise InputError(
        f"set {number}: not in the book; `voicecheck set list` lists them; a job that is opened "
        "without one makes one"
    )


def add_set(
    connection: sa.Connection,
    label: str,
    set_type: Mapping[str, Any],
    *,
    mark: str = "",
    **words: str,
) -> int:
    """File a new set of a type's row; gives its number."""
    said = {**dict.fromkeys(SET_WORDS, ""), **words}
    return insert_row(
        connection,
        tables.telephone,
        label=label,
        set_type_id=set_type["id"],
        made_utc=utc_now(),
        search_text=fold(label, set_type["name"], *said.values()),
        mark=mark or uuid.uuid4().hex,
        **said,
    )


def follow_job(connection: sa.Connection, job: int) -> None:
    """Let a set that has this job alone be called and typed as the job is."""
    row = find_job(connection, job)
    of_set = sa.select(tables.job.c.id).where(tables.job.c.telephone_id == row["telephone_id"])
    if list(connection.execute(of_set).scalars()) == [job]:
        changes = {"label": row["label"], "set_type_id": row["set_type_id"]}
        update_row(connection, tables.telephone, row["telephone_id"], **changes)
        refresh_set_search(connection, row["telephone_id"])


def refresh_set_search(connection: sa.Connection, number: int) -> None:
    """Bring a set's searchable text up to date with its words."""
    made = _load_sets(connection, [number])[0]
    words = (getattr(made, name) for name in SET_WORDS)
    text = fold(made.label, made.type_name, *words)
    update_row(connection, tables.telephone, number, search_text=text)


def _load_sets(connection: sa.Connection, numbers: Sequence[int]) -> list[Telephone]:
    """Sets of these numbers, oldest first, with their jobs that are in no bin."""
    rows = select_named(connection, tables.telephone, numbers)
    of_types = sorted({row["set_type_id"] for row in rows})
    types = {row["id"]: row["name"] for row in select_named(connection, tables.set_type, of_types)}
    jobs: dict[int, list[int]] = defaultdict(list)
    job = tables.job
    statement = (
        sa.select(job.c.telephone_id, job.c.id)
        .where(job.c.telephone_id.in_([row["id"] for row in rows]), job.c.removed_utc.is_(None))
        .order_by(job.c.id)
    )
    for number, one in connection.execute(statement):
        jobs[number].append(one)
    return [
        Telephone(
            set=row["id"],
            label=row["label"],
            type_name=types[row["set_type_id"]],
            made_utc=row["made_utc"],
            jobs=tuple(jobs[row["id"]]),
            **{name: row[name] for name in SET_WORDS},
        )
        for row in rows
    ]
