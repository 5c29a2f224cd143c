"""Rows that carry a digest of themselves, written and read in one place."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

import msgspec
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook.numbering import give_number
from voicecheck.records import from_json, to_json
from voicecheck.records.times import get_now_utc

Record = TypeVar("Record")
BATCH = 500
"""Values in one IN list; SQLite's default limit on variables is far above."""


def utc_now() -> str:
    """Now, to the millisecond: rows are made faster than one a second."""
    return get_now_utc("milliseconds")


def compute_digest(values: Mapping[str, Any]) -> str:
    """
    Digest of a row's columns.

    Parameters
    ----------
    values : mapping
        Column to value; `id`, `digest` and columns without a value do not count, so that a
        schema step can add a column and leave the digests of old rows as they are.

    Returns
    -------
    str
        16 hexadecimal digits.
    """
    counted = sorted(
        (str(name), value)
        for name, value in values.items()
        if value is not None and name not in ("id", "digest")
    )
    return hashlib.blake2b(msgspec.json.encode(counted), digest_size=8).hexdigest()


def finite_or_none(value: float | None) -> float | None:
    """A number as both databases give it back: no NaN, no infinity, no minus zero."""
    return float(value) + 0.0 if value is not None and math.isfinite(value) else None


def insert_row(connection: sa.Connection, table: sa.Table, **values: Any) -> int:
    """Insert one row with its digest; gives its id."""
    numbered = {**give_number(connection, table), **values}
    statement = sa.insert(table).values(**numbered, digest=compute_digest(values))
    row = connection.execute(statement).inserted_primary_key
    if row is None:
        raise JobBookError(f"{table.name}: the database gave no row number")
    return int(row[0])


def insert_once(
    connection: sa.Connection, table: sa.Table, keys: Sequence[str], **values: Any
) -> tuple[int, bool]:
    """
    Insert one row unless there is one with the same keys, also when two benches do so at once.

    Returns
    -------
    row_id : int
        Of the new row or of the one that was there.
    is_new : bool
    """
    same = sa.select(table.c.id).where(*(table.c[key] == values[key] for key in keys))
    # Looked for first: a row that is offered in vain uses a number up, and would be missed.
    if (there := connection.execute(same).scalar()) is not None:
        return int(there), False
    postgres = connection.dialect.name == "postgresql"
    insert = postgresql.insert if postgres else sqlite.insert
    numbered = {**give_number(connection, table), **values}
    statement = insert(table).values(**numbered, digest=compute_digest(values))
    statement = statement.on_conflict_do_nothing(index_elements=keys)
    new = connection.execute(statement.returning(table.c.id)).scalar()
    if new is not None:
        return int(new), True
    return int(connection.execute(same).scalar_one()), False


def update_row(connection: sa.Connection, table: sa.Table, row_id: int, **changes: Any) -> None:
    """Change columns of one row and its digest with them."""
    select = sa.select(table).where(table.c.id == row_id).with_for_update()
    old = connection.execute(select).one()
    values = {**check_row(table, old), **changes}
    statement = sa.update(table).where(table.c.id == row_id)
    connection.execute(statement.values(**changes, digest=compute_digest(values)))


def is_sound(row: Mapping[str, Any]) -> bool:
    """Whether a row still has the digest it was written with."""
    return bool(compute_digest(row) == row["digest"])


def check_row(table: sa.Table, row: sa.Row[Any]) -> Mapping[str, Any]:
    """
    Values of a whole row of one table, known to be as they were written.

    Raises
    ------
    JobBookError
        A byte of the row has changed since.
    """
    values = dict(row._mapping)
    if not is_sound(values):
        raise JobBookError(
            f"job book: row {values['id']} of table {table.name} is damaged; the rest of the "
            "book is untouched; restore a backup, or let salvage_book copy what can be read"
        )
    return values


def fold(*texts: str) -> str:
    """What a row is found by."""
    return "\n".join(texts).casefold()


def match_words(
    statement: sa.Select[Any], column: sa.Column[Any], search: str | None
) -> sa.Select[Any]:
    """Of a statement, the rows in whose folded text all words occur."""
    for word in check_text("search", search or "").casefold().split():
        statement = statement.where(column.contains(word, autoescape=True))
    return statement


def select_rows(
    connection: sa.Connection, table: sa.Table, statement: sa.Select[Any]
) -> list[Mapping[str, Any]]:
    """Rows of one table, each checked against its digest."""
    return [check_row(table, row) for row in connection.execute(statement)]


def select_in(
    connection: sa.Connection, table: sa.Table, column: sa.Column[Any], values: Sequence[Any]
) -> list[Mapping[str, Any]]:
    """Rows of one table whose column has one of the values, oldest first, in batches."""
    rows: list[Mapping[str, Any]] = []
    for first in range(0, len(values), BATCH):
        some = values[first : first + BATCH]
        statement = sa.select(table).where(column.in_(some)).order_by(table.c.id)
        rows.extend(select_rows(connection, table, statement))
    return rows


def select_named(
    connection: sa.Connection, table: sa.Table, numbers: Sequence[int]
) -> list[Mapping[str, Any]]:
    """
    Rows of one table that other rows name by their numbers, oldest first.

    Raises
    ------
    JobBookError
        One is not there.
    """
    rows = select_in(connection, table, table.c.id, numbers)
    if missing := {*numbers} - {row["id"] for row in rows}:
        raise JobBookError(
            f"row {min(missing)} of table {table.name} is missing, which other rows belong to; "
            "`voicecheck book verify` lists all that is lost; restore a backup, or let "
            "`voicecheck book salvage` copy what can be read"
        )
    return rows


def encode_record(record: Any) -> str:
    """
    JSON text of a record that is known to read back.

    Raises
    ------
    InputError
        The record cannot be read back as it is (a NaN where a number has to be, say).
    """
    try:
        text = to_json(record)
        from_json(text, type(record))
    except (msgspec.MsgspecError, TypeError, UnicodeError, NotImplementedError) as error:
        raise InputError(f"{type(record).__name__} cannot be stored: {error}") from error
    return text.decode()


def decode_record(text: str, kind: type[Record], what: str) -> Record:
    """
    Read a record of the book.

    Raises
    ------
    JobBookError
        The document does not fit this program.
    """
    try:
        return from_json(text, kind)
    except msgspec.MsgspecError as error:
        raise JobBookError(
            f"job book: {what} cannot be read ({error}); the rest of the book is untouched"
        ) from error


def check_text(name: str, text: str, *, empty: bool = True) -> str:
    """
    Text that both databases can hold.

    Raises
    ------
    InputError
        It has a zero character or half a surrogate pair, or is empty where it may not be.
    """
    if "\0" in text:
        raise InputError(f"{name}: need text, got one with a zero character")
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise InputError(f"{name}: need text, got something that is not Unicode") from error
    if not empty and not text.strip():
        raise InputError(f"{name}: need a name, got an empty one")
    return text
