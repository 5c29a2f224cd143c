"""
Rows that were taken away on purpose are noted, so that a row that is lost can be told from them.

Rows are numbered without a gap and no number is given twice (`numbering.py`): a number up to the
highest that is neither there nor noted was lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import sqlalchemy as sa

from voicecheck.jobbook import tables
from voicecheck.jobbook.numbering import read_last
from voicecheck.jobbook.rows import BATCH, insert_row, utc_now

COUNTED = (
    "set_type", "telephone", "job", "note", "event", "work", "attachment", "recipe", "recording",
    "run", "run_measurement", "measurement", "comparison", "baseline", "bench_record",
)  # fmt: skip


def delete_rows(connection: sa.Connection, table: sa.Table, where: sa.ColumnElement[Any]) -> None:
    """Delete rows of a table, and note which."""
    numbers = list(connection.execute(sa.select(table.c.id).where(where)).scalars())
    for first in range(0, len(numbers), BATCH):
        some = numbers[first : first + BATCH]
        connection.execute(sa.delete(table).where(table.c.id.in_(some)))
    _note(connection, str(table.name), join_numbers(numbers))


def note_gaps(connection: sa.Connection) -> None:
    """Note whatever is missing by now as taken away on purpose."""
    for name, first, last in list(find_missing(connection)):
        _note(connection, name, [(first, last)])


def find_missing(connection: sa.Connection) -> Iterator[tuple[str, int, int]]:
    """
    Rows that were once there and that nobody took away.

    Yields
    ------
    table : str
    first, last : int
        Numbers of rows that follow each other.
    """
    removed = tables.removed_row.c
    for name in COUNTED:
        noted = sa.select(removed.first_id, removed.last_id).where(removed.table_name == name)
        table = tables.metadata.tables[name]
        known = set(connection.execute(sa.select(table.c.id)).scalars())
        highest = read_last(connection, table)
        for first, last in connection.execute(noted):
            known.update(range(first, min(last, highest) + 1))
        lost = (number for number in range(1, highest + 1) if number not in known)
        for first, last in join_numbers(lost):
            yield name, first, last


def join_numbers(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """
    Numbers as stretches of such as follow each other.

    Examples
    --------
    >>> join_numbers([3, 1, 2, 7])
    [(1, 3), (7, 7)]
    """
    stretches: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if stretches and stretches[-1][1] == number - 1:
            stretches[-1] = (stretches[-1][0], number)
        else:
            stretches.append((number, number))
    return stretches


def _note(connection: sa.Connection, name: str, stretches: list[tuple[int, int]]) -> None:
    if name not in COUNTED:
        return
    for first, last in stretches:
        insert_row(
            connection,
            tables.removed_row,
            table_name=name,
            first_id=first,
            last_id=last,
            removed_utc=utc_now(),
        )
