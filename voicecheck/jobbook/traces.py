"""What jobs have left in the book, in a few columns: enough to say where a set stands."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from voicecheck.errors import JobBookError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore
from voicecheck.jobbook.rows import BATCH, decode_record, select_in, select_named
from voicecheck.jobbook.runs import ORIGIN, is_current
from voicecheck.jobbook.stages import REARRANGED, is_check
from voicecheck.records import Comparison, Run


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTrace:
    """
    A run without its numbers.

    `key` names it wherever it goes ("run-12"); `aside` says why it does not count, "" if it does.
    """

    key: str
    path: str
    stage: str
    n_seats: int
    saved_utc: str
    is_simulated: bool
    aside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A comparison with when it was made, and whether runs were moved or put aside since."""

    comparison: Comparison
    made_utc: str
    is_overtaken: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Traces:
    """
    Everything of one job that says where its set stands.

    `compared` has the newest comparison of each stage with each kind of reference; `event` is the
    newest line of the time line: equal, nothing has changed.
    """

    runs: tuple[RunTrace, ...] = ()
    compared: tuple[Compared, ...] = ()
    event: int = 0


class TraceShelf(BookCore):
    """Light questions about many jobs at once."""

    def read_traces(self, numbers: Sequence[int]) -> dict[int, Traces]:
        """
        Traces of jobs, by their number; a job that is not in the book has none.

        Parameters
        ----------
        numbers : sequence of int
        """
        with self._reading() as connection:
            events = _read_events(connection, numbers)
            rearranged = _read_events(connection, numbers, times_of=REARRANGED)
            runs, compared = defaultdict(list), defaultdict(list)
            for job, run in _read_runs(connection, numbers):
                runs[job].append(run)
            for row in _read_compared(connection, numbers):
                moved_utc = str(rearranged.get(row["job_id"], ""))
                one = Compared(
                    comparison=decode_record(
                        row["document"], Comparison, f"comparison {row['id']}"
                    ),
                    made_utc=row["made_utc"],
                    is_overtaken=row["made_utc"] < moved_utc,
                )
                compared[row["job_id"]].append(one)
        return {
            number: Traces(
                runs=tuple(runs[number]),
                compared=tuple(compared[number]),
                event=int(events.get(number, 0)),
            )
            for number in numbers
        }

    def read_document(self, sha256: str) -> bytes:
        """
        Bytes of a document of the program's own that a job's attachments name.

        Raises
        ------
        JobBookError
            The file is missing or damaged.
        """
        path = self._vault.locate_attachment(sha256)
        data = path.read_bytes() if path.is_file() else b""
        if hashlib.sha256(data).hexdigest() != sha256:
            raise JobBookError(
                f"job book {self.name}: {path} is missing or damaged; the rest of the book is "
                "untouched; restore this file from a backup"
            )
        return data

    def read_file_keys(self, number: int) -> dict[str, str]:
        """Keys of a job's checks ("check-34"), by the digest of their documents."""
        table = tables.attachment
        with self._reading() as connection:
            rows = select_in(connection, table, table.c.job_id, [number])
        return {row["sha256"]: f"check-{row['id']}" for row in rows if is_check(row["name"])}

    def read_marks(self, numbers: Sequence[int]) -> dict[int, int]:
        """The newest line of each job's time line: equal marks, nothing has changed."""
        with self._reading() as connection:
            return {job: int(last) for job, last in _read_events(connection, numbers).items()}


def _batches(numbers: Sequence[int]) -> list[Sequence[int]]:
    return [numbers[first : first + BATCH] for first in range(0, len(numbers), BATCH)]


def _read_events(
    connection: sa.Connection, numbers: Sequence[int], times_of: tuple[str, ...] = ()
) -> dict[int, Any]:
    """Number of the newest event by job; of some kinds its time."""
    event = tables.event
    what = sa.func.max(event.c.at_utc if times_of else event.c.id)
    found: dict[int, Any] = {}
    for some in _batches(numbers):
        statement = sa.select(event.c.job_id, what).where(event.c.job_id.in_(some))
        if times_of:
            statement = statement.where(event.c.kind.in_(times_of))
        rows = connection.execute(statement.group_by(event.c.job_id))
        found.update({int(row[0]): row[1] for row in rows})
    return found


def _read_runs(connection: sa.Connection, numbers: Sequence[int]) -> list[tuple[int, RunTrace]]:
    run = tables.run
    columns = (
        run.c.id, run.c.job_id, run.c.origin_id, run.c.path, run.c.stage, run.c.n_seats,
        run.c.saved_utc, run.c.aside, run.c.simulated,
    )  # fmt: skip
    found = []
    for some in _batches(numbers):
        statement = sa.select(*columns).where(run.c.job_id.in_(some), is_current())
        rows = [row._mapping for row in connection.execute(statement.order_by(ORIGIN, run.c.id))]
        unknown = [row["id"] for row in rows if row["simulated"] is None]
        told = _read_simulated(connection, unknown)
        for row in rows:
            is_simulated = told.get(row["id"], bool(row["simulated"]))
            found.append((row["job_id"], _make_trace(row, is_simulated=is_simulated)))
    return found


def _make_trace(row: Mapping[Any, Any], *, is_simulated: bool) -> RunTrace:
    return RunTrace(
        key=f"run-{row['origin_id'] or row['id']}",
        path=row["path"],
        stage=row["stage"],
        n_seats=row["n_seats"],
        saved_utc=row["saved_utc"],
        is_simulated=is_simulated,
        aside=row["aside"] or "",
    )


def _read_simulated(connection: sa.Connection, numbers: Sequence[int]) -> dict[int, bool]:
    """Of runs from before it was a column, out of their documents."""
    rows = select_named(connection, tables.run, numbers)
    return {
        row["id"]: decode_record(row["document"], Run, f"run {row['id']}").is_simulated
        for row in rows
    }


def _read_compared(connection: sa.Connection, numbers: Sequence[int]) -> list[Mapping[str, Any]]:
    table = tables.comparison
    newest: list[int] = []
    for some in _batches(numbers):
        statement = sa.select(sa.func.max(table.c.id)).where(table.c.job_id.in_(some))
        statement = statement.group_by(table.c.job_id, table.c.stage, table.c.against_kind)
        newest += connection.execute(statement).scalars()
    return select_named(connection, table, newest)
