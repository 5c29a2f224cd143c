"""Counts over a whole book, in few columns: jobs a month, and which jobs to look into."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import sqlalchemy as sa

from voicecheck.jobbook import tables
from voicecheck.jobbook.answers import CAUSE
from voicecheck.jobbook.core import BookCore, is_in_bin


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What turned out to be wrong with the set of a job; the newest that was said."""

    job: int
    type_name: str
    code: str
    text: str
    said_utc: str


class TallyShelf(BookCore):
    """Jobs counted; those in the bin are left out."""

    def count_by_month(self) -> dict[str, tuple[int, int]]:
        """Jobs opened and closed in each month, "2031-05" to (opened, closed), in order."""
        job = tables.job
        statement = sa.select(job.c.opened_utc, job.c.closed_utc).where(job.c.removed_utc.is_(None))
        with self._reading() as connection:
            rows = connection.execute(statement).all()
        opened = Counter(row[0][:7] for row in rows)
        closed = Counter(row[1][:7] for row in rows if row[1])
        return {
            month: (opened[month], closed[month]) for month in sorted(opened.keys() | closed.keys())
        }

    def list_answers(self) -> tuple[Answer, ...]:
        """What was said to be the cause, job by job."""
        event, job, set_type = tables.event, tables.job, tables.set_type
        newest = sa.select(sa.func.max(event.c.id)).where(
            event.c.kind == CAUSE, ~is_in_bin(event.c.job_id)
        )
        chosen = newest.group_by(event.c.job_id).scalar_subquery()
        statement = (
            sa.select(event.c.job_id, set_type.c.name, event.c.text, event.c.at_utc)
            .join(job, event.c.job_id == job.c.id)
            .join(set_type, job.c.set_type_id == set_type.c.id)
            .where(event.c.id.in_(chosen))
            .order_by(event.c.job_id)
        )
        with self._reading() as connection:
            rows = connection.execute(statement).all()
        return tuple(
            Answer(
                job=int(row[0]),
                type_name=str(row[1]),
                code=str(row[2]).partition(":")[0],
                text=str(row[2]).partition(": ")[2],
                said_utc=str(row[3]),
            )
            for row in rows
        )

    def list_jobs_with_file(self, name: str) -> tuple[int, ...]:
        """Jobs that have a file of that name, in order."""
        table = tables.attachment
        statement = sa.select(table.c.job_id).where(
            table.c.name == name, ~is_in_bin(table.c.job_id)
        )
        with self._reading() as connection:
            found = connection.execute(statement.distinct().order_by(table.c.job_id)).scalars()
            return tuple(int(one) for one in found)

    def has_simulated_runs(self) -> bool:
        """Whether any run of a job is of no real telephone."""
        run = tables.run
        statement = sa.select(run.c.id).where(run.c.simulated == 1, ~is_in_bin(run.c.job_id))
        with self._reading() as connection:
            return connection.execute(statement.limit(1)).first() is not None
