"""
Steps from older layouts to the newest, in `versions/`, by Alembic.

A new book is made whole from `tables.py`; Alembic loads only when a book is behind. All steps
run in the transaction of the caller: after a failure or a kill the book is as it was.

To change the layout: change `tables.py`, add a step with the next number, raise
`SCHEMA_VERSION`. SQLite tables are never rebuilt (other tables point to them); a column is added
without a default, so that the digests of old rows stay right.
"""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from voicecheck.jobbook import tables


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
    from alembic.migration import MigrationContext
    from alembic.operations import Operations
    from alembic.script import ScriptDirectory

    folder = Path(__file__).parent
    script = ScriptDirectory(str(folder), version_locations=[str(folder / "versions")])
    steps = list(script.iterate_revisions(tables.SCHEMA_VERSION, version))[::-1]
    applied = []
    with Operations.context(MigrationContext.configure(connection)):
        for step in steps:
            step.module.upgrade()
            connection.execute(sa.update(tables.alembic_version).values(version_num=step.revision))
            applied.append(step.revision)
    return tuple(applied)
