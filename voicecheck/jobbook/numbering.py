"""
Numbers of rows: one after the other without a gap, none given twice, the highest known.

So a number that is neither there nor noted as taken away (`removals.py`) was lost. SQLite does this
by itself. PostgreSQL's own counters keep the numbers of a transaction that failed, so that the last
number of each table stands in a row of `last_row`, which is written in the same transaction; only
one program writes at a time (`engine.py`).
"""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql

from voicecheck.jobbook import tables

_READ = sa.text("SELECT seq FROM sqlite_sequence WHERE name = :name")
_CHANGE = sa.text("UPDATE sqlite_sequence SET seq = :last WHERE name = :name")
_ADD = sa.text("INSERT INTO sqlite_sequence (name, seq) VALUES (:name, :last)")


def give_number(connection: sa.Connection, table: sa.Table) -> dict[str, int]:
    """The column `id` of a new row, where the database does not give it by itself."""
    if connection.dialect.name == "sqlite":
        return {}
    last = tables.last_row
    highest = sa.select(sa.func.coalesce(sa.func.max(table.c.id), 0)).scalar_subquery()
    # The table itself is asked, too: its row here may be one of those that were lost.
    statement = postgresql.insert(last).values(table_name=table.name, last_id=highest + 1)
    statement = statement.on_conflict_do_update(
        index_elements=["table_name"],
        set_={"last_id": sa.func.greatest(last.c.last_id + 1, highest + 1)},
    )
    return {"id": int(connection.execute(statement.returning(last.c.last_id)).scalar_one())}


def read_last(connection: sa.Connection, table: sa.Table) -> int:
    """The highest number that a row of a table has ever had; 0 before the first."""
    if connection.dialect.name == "sqlite":
        return connection.execute(_READ, {"name": table.name}).scalar() or 0
    noted = sa.select(tables.last_row.c.last_id).where(tables.last_row.c.table_name == table.name)
    there = connection.execute(sa.select(sa.func.max(table.c.id))).scalar()
    return max(connection.execute(noted).scalar() or 0, there or 0)


def set_last(connection: sa.Connection, table: sa.Table, number: int) -> None:
    """The next row of a table gets the number after this one; of rows that were copied."""
    if connection.dialect.name == "sqlite":
        values = {"name": table.name, "last": number}
        if connection.execute(_CHANGE, values).rowcount == 0:
            connection.execute(_ADD, values)
        return
    statement = postgresql.insert(tables.last_row).values(table_name=table.name, last_id=number)
    connection.execute(
        statement.on_conflict_do_update(index_elements=["table_name"], set_={"last_id": number})
    )


def take_over_counters(connection: sa.Connection) -> None:
    """Go on from PostgreSQL's own counters, for a book from before `last_row`."""
    for table in tables.list_numbered():
        counter = sa.func.pg_get_serial_sequence(table.name, "id")
        used = sa.func.coalesce(
            sa.func.pg_sequence_last_value(sa.cast(counter, postgresql.REGCLASS)), 0
        )
        number = connection.execute(sa.select(used)).scalar_one()
        set_last(connection, table, max(int(number), read_last(connection, table)))
