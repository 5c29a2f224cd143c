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
from voicecheck.jobbook.numbering import take_over_counters
from voicecheck.jobbook.removals import note_gaps
from voicecheck.jobbook.rows import utc_now

COUNTED_FROM = {"sqlite": "0006", "postgresql": "0007"}
"""Older books may have let rows go without a note: what is missing by then is taken as meant."""
SQLITE = {
    "strict": " STRICT",
    "key": "id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT",
    "number": "REAL",
}
POSTGRES = {"strict": "", "key": "id SERIAL PRIMARY KEY", "number": "DOUBLE PRECISION"}
"""What the words in braces stand for."""


@dataclass(frozen=True, slots=True)
class Step:
    """
    One step: what it is for, and its statements, the same words on both databases.

    `{strict}` stands for what makes a SQLite table take the stated types only, `{key}` for the
    row's own number, `{number}` for a number of full length.
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
    Step(
        "0005",
        "sets have jobs; what was done to a set, and for whom; the shop",
        (
            "CREATE TABLE telephone ({key}, label TEXT NOT NULL, set_type_id INTEGER NOT NULL, "
            "marks TEXT NOT NULL, part_dates TEXT NOT NULL, colour TEXT NOT NULL, "
            "made_utc TEXT NOT NULL, search_text TEXT NOT NULL, mark TEXT, digest TEXT NOT NULL, "
            "CONSTRAINT fk_telephone_set_type_id_set_type FOREIGN KEY (set_type_id) "
            "REFERENCES set_type (id)){strict}",
            "CREATE INDEX ix_telephone_set_type_id ON telephone (set_type_id)",
            "CREATE INDEX ix_telephone_mark ON telephone (mark)",
            "ALTER TABLE job ADD COLUMN telephone_id INTEGER "
            "CONSTRAINT fk_job_telephone_id_telephone REFERENCES telephone (id)",
            "CREATE INDEX ix_job_telephone_id ON job (telephone_id)",
            "ALTER TABLE job ADD COLUMN contact TEXT",
            "ALTER TABLE job ADD COLUMN promised TEXT",
            "ALTER TABLE job ADD COLUMN used_on TEXT",
            "ALTER TABLE job ADD COLUMN keep_parts TEXT",
            "ALTER TABLE job ADD COLUMN language TEXT",
            "ALTER TABLE job ADD COLUMN forgotten_utc TEXT",
            "CREATE TABLE work ({key}, job_id INTEGER NOT NULL, added_utc TEXT NOT NULL, "
            "kind TEXT NOT NULL, what TEXT NOT NULL, old_value TEXT NOT NULL, "
            "new_value TEXT NOT NULL, number {number}, answer TEXT, answered_utc TEXT, "
            "withdrawn TEXT, digest TEXT NOT NULL, "
            "CONSTRAINT fk_work_job_id_job FOREIGN KEY (job_id) REFERENCES job (id)){strict}",
            "CREATE INDEX ix_work_job_id ON work (job_id)",
            "CREATE TABLE shop ({key}, saved_utc TEXT NOT NULL, document TEXT NOT NULL, "
            "digest TEXT NOT NULL){strict}",
        ),
    ),
    Step(
        "0006",
        "what the program itself takes away is noted, so that what is lost can be named",
        (
            "CREATE TABLE removed_row ({key}, table_name TEXT NOT NULL, first_id INTEGER NOT NULL, "
            "last_id INTEGER NOT NULL, removed_utc TEXT NOT NULL, digest TEXT NOT NULL){strict}",
        ),
    ),
    Step(
        "0007",
        "a server keeps the last number of each table, too, so that lost rows are missed there",
        (
            "CREATE TABLE last_row (table_name TEXT NOT NULL, last_id INTEGER NOT NULL, "
            "CONSTRAINT pk_last_row PRIMARY KEY (table_name)){strict}",
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
    dialect = SQLITE if connection.dialect.name == "sqlite" else POSTGRES
    missing = [step for step in STEPS if step.number > version]
    for step in missing:
        for statement in step.statements:
            connection.exec_driver_sql(statement.format(**dialect))
    applied = tuple(step.number for step in missing)
    if COUNTED_FROM[connection.dialect.name] in applied:
        if connection.dialect.name == "postgresql":
            take_over_counters(connection)
        note_gaps(connection)
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
