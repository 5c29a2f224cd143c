"""
Steps from older layouts of the book to the newest.

A new book is made whole from `tables.py`; steps are for books that are there. All of them run in
the transaction of the caller: after a failure or a kill the book is as it was. What was applied,
when and by which version stands in the table `layout_step`.

To change the layout: change `tables.py`, add a step with the next number, raise
`SCHEMA_VERSION`. A step's words never change again, and it asks nothing of `tables.py`, which goes
on changing. SQLite tables are never rebuilt (other tables point to them); a column is added without
a default, so that the digests of old rows stay right.
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

import voicecheck
from voicecheck.jobbook import tables
from voicecheck.jobbook.rows import utc_now


@dataclass(frozen=True, slots=True)
class Step:
    """
    One step: what it is for, and its statements, the same words on both databases.

    `{strict}` stands for what makes a SQLite table take the stated types only.
    """

    number: str
    about: str
    statements: tuple[str, ...]


STEPS = (
    Step("0001", "the first layout, which a book has from its making", ()),
    Step(
        "0002",
        "runs analysed again point to the run that they stand for; imports know a job by its mark",
        (
            "ALTER TABLE run ADD COLUMN origin_id INTEGER "
            "CONSTRAINT fk_run_origin_id_run REFERENCES run (id)",
            "CREATE INDEX ix_run_origin_id ON run (origin_id)",
            "ALTER TABLE job ADD COLUMN mark TEXT",
            "CREATE INDEX ix_job_mark ON job (mark)",
        ),
    ),
    Step(
        "0003",
        "the steps themselves are logged",
        (
            "CREATE TABLE layout_step (step TEXT NOT NULL, at_utc TEXT NOT NULL, "
            "version TEXT NOT NULL, CONSTRAINT pk_layout_step PRIMARY KEY (step)){strict}",
        ),
    ),
    Step(
        "0004",
        "jobs know their stage and the bin; runs and checks can be moved and put aside",
        (
            "ALTER TABLE job ADD COLUMN stage TEXT",
            "ALTER TABLE job ADD COLUMN removed_utc TEXT",
            "ALTER TABLE attachment ADD COLUMN stage TEXT",
            "ALTER TABLE attachment ADD COLUMN aside TEXT",
            "ALTER TABLE run ADD COLUMN aside TEXT",
            "ALTER TABLE run ADD COLUMN simulated INTEGER",
        ),
    ),
)


def apply_steps(connection: sa.Connection, version: str) -> tuple[str, ...]:
    """
    Bring a book from an older layout to the newest, inside the open transaction.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        Writing.
    version : str
        Layout that the book has now.

    Returns
    -------
    tuple of str
        Numbers of the steps that were applied, in order.
    """
    strict = " STRICT" if connection.dialect.name == "sqlite" else ""
    missing = [step for step in STEPS if step.number > version]
    for step in missing:
        for statement in step.statements:
            connection.exec_driver_sql(statement.format(strict=strict))
    applied = tuple(step.number for step in missing)
    connection.execute(sa.update(tables.alembic_version).values(version_num=applied[-1]))
    _log(connection, applied)
    return applied


def make_tables(connection: sa.Connection) -> None:
    """Make the tables of a new book, in the newest layout."""
    tables.metadata.create_all(connection)
    newest = tables.SCHEMA_VERSION
    connection.execute(sa.insert(tables.alembic_version).values(version_num=newest))
    _log(connection, (newest,))


def _log(connection: sa.Connection, numbers: tuple[str, ...]) -> None:
    rows = [
        {"step": number, "at_utc": utc_now(), "version": voicecheck.__version__}
        for number in numbers
    ]
    connection.execute(sa.insert(tables.layout_step), rows)
