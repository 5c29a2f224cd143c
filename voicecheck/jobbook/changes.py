"""What changed in a book since it was last looked at, whoever changed it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import sqlalchemy as sa

from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """
    How far a book has come; equal marks mean that nothing happened in between.

    Parameters
    ----------
    event : int
        The newest line of any job's time line.
    types : str
        Digest over the set types, which are edited in place, and the newest baseline.
    benches : int
        The newest document about a bench.
    """

    event: int = 0
    types: str = ""
    benches: int = 0


class ChangeShelf(BookCore):
    """Cheap enough to be asked a few times a second."""

    def find_marks(self) -> Marks:
        """The marks of this moment."""
        digests = sa.select(tables.set_type.c.digest).order_by(tables.set_type.c.id)
        with self._reading() as connection:

            def find_last(table: sa.Table) -> int:
                return int(connection.execute(sa.select(sa.func.max(table.c.id))).scalar() or 0)

            told = [*connection.execute(digests).scalars(), str(find_last(tables.baseline))]
            return Marks(
                event=find_last(tables.event),
                types=hashlib.sha256("\n".join(told).encode()).hexdigest(),
                benches=find_last(tables.bench_record),
            )

    def list_changed_jobs(self, since: Marks) -> tuple[int, ...]:
        """
        Jobs whose time line has grown.

        Parameters
        ----------
        since : Marks

        Returns
        -------
        tuple of int
            Job numbers, ascending.
        """
        column = tables.event.c.job_id
        statement = sa.select(column).where(tables.event.c.id > since.event)
        with self._reading() as connection:
            return tuple(connection.execute(statement.distinct().order_by(column)).scalars())
