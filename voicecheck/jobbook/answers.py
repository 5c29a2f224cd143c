"""What turned out to be wrong with the sets of a book."""

from __future__ import annotations

from collections import Counter

import sqlalchemy as sa

from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job, is_in_bin
from voicecheck.jobbook.rows import check_text

CAUSE = "cause"
"""Kind of the line in a job's time line; its text is `code: words`, and the newest counts."""


class AnswerShelf(BookCore):
    """Causes that were found, said by whoever found them."""

    def keep_cause(self, number: int, code: str, text: str) -> None:
        """
        Keep with a job what its cause was; said again, it takes the place of what was said.

        Parameters
        ----------
        number : int
        code : str
            Of the fault table, or "other".
        text : str
            In words.

        Raises
        ------
        InputError
            The job is not in the book, or the text is empty.
        """
        check_text("cause", text, empty=False)
        with self._writing() as connection:
            find_job(connection, number, lock=True)
            add_event(connection, number, CAUSE, f"{code}: {text}")

    def count_causes(self) -> dict[str, int]:
        """How many jobs of the book, the bin left out, turned out to have each cause, by code."""
        event = tables.event
        newest = sa.select(sa.func.max(event.c.id)).where(
            event.c.kind == CAUSE, ~is_in_bin(event.c.job_id)
        )
        chosen = newest.group_by(event.c.job_id).scalar_subquery()
        with self._reading() as connection:
            texts = connection.execute(sa.select(event.c.text).where(event.c.id.in_(chosen)))
            return dict(Counter(text.partition(":")[0] for text in texts.scalars()))
