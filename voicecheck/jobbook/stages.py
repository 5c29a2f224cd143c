"""Where a job stands, and the runs and checks that are moved between stages or put aside."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from voicecheck.errors import InputError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job
from voicecheck.jobbook.rows import (
    check_text,
    decode_record,
    encode_record,
    select_in,
    select_rows,
    update_row,
)
from voicecheck.records import Run
from voicecheck.records.terms import JobStage, check_word, words_of

CHECK_STAGES = words_of(JobStage)
"""A run may stand at a stage of any name, a job and a check at one of these."""
REARRANGED = ("moved", "put aside", "brought back")
"""Lines of the time line after which what was compared before no longer holds."""


class StageShelf(BookCore):
    """As found or after the work; nothing of a job changes its stage by itself."""

    def set_stage(self, number: int, stage: JobStage) -> None:
        """
        Say that the work on a set is done ("after"), or that it is not ("before").

        Raises
        ------
        InputError
            The job is not in the book, or the stage is neither.
        """
        check_word(stage, CHECK_STAGES, "stage")
        with self._writing() as connection:
            row = find_job(connection, number, lock=True)
            if find_stage(connection, row) != stage or row["stage"] is None:
                update_row(connection, tables.job, number, stage=stage)
                told = "the work is done" if stage == "after" else "the work goes on"
                add_event(connection, number, "stage", told)

    def move(self, number: int, key: str, stage: str, reason: str) -> None:
        """
        File a run or a check under another stage.

        Parameters
        ----------
        number : int
            Of the job.
        key : str
            As `Trace.key`: "run-12" or "check-34".
        stage : str
            A check has "before" and "after" alone.
        reason : str
            For the time line.

        Raises
        ------
        InputError
            No such job, run or check, an empty reason, or a stage that it cannot have.
        """
        check_text("stage", stage, empty=False)
        check_text("reason", reason, empty=False)
        with self._writing() as connection:
            table, rows = _find_piece(connection, number, key)
            if table is tables.attachment:
                check_word(stage, CHECK_STAGES, "stage")
            for row in rows:
                changes: dict[str, Any] = {"stage": stage}
                if table is tables.run:
                    run = decode_record(row["document"], Run, key)
                    changes["document"] = encode_record(dataclasses.replace(run, stage=stage))
                update_row(connection, table, row["id"], **changes)
            told = f"{key} ({_name_piece(rows[0])}) to {stage}: {reason}"
            add_event(connection, number, "moved", told)

    def put_aside(self, number: int, key: str, reason: str) -> None:
        """
        Let a run or a check no longer count; it stays in the book.

        Raises
        ------
        InputError
            No such job, run or check, or an empty reason.
        """
        check_text("reason", reason, empty=False)
        self._set_aside(number, key, reason, "put aside", reason)

    def bring_back(self, number: int, key: str, reason: str) -> None:
        """
        Let a run or a check that was put aside count again.

        Raises
        ------
        InputError
            No such job, run or check, or an empty reason.
        """
        check_text("reason", reason, empty=False)
        self._set_aside(number, key, None, "brought back", reason)

    def _set_aside(self, number: int, key: str, aside: str | None, event: str, reason: str) -> None:
        with self._writing() as connection:
            table, rows = _find_piece(connection, number, key)
            if (rows[0]["aside"] is None) == (aside is None):
                state = "counts already" if aside is None else "is put aside already"
                raise InputError(f"{key}: {state}; nothing was changed")
            for row in rows:
                update_row(connection, table, row["id"], aside=aside)
            add_event(connection, number, event, f"{key} ({_name_piece(rows[0])}): {reason}")


def find_stage(connection: sa.Connection, row: Mapping[str, Any]) -> JobStage:
    """
    Stage of a job's row.

    A job from before stages were kept is after its work once it has a run of that stage.
    """
    if row["stage"] is not None:
        return "after" if row["stage"] == "after" else "before"
    run = tables.run
    statement = sa.select(run.c.id).where(run.c.job_id == row["id"], run.c.stage == "after")
    return "after" if connection.execute(statement.limit(1)).first() else "before"


def is_check(name: str) -> bool:
    """Whether a file of a job is the document of a check or trial."""
    return (
        name.startswith(("check-", "trial-"))
        and name.endswith(".json")
        and name != "check-list.json"
    )


def _find_piece(
    connection: sa.Connection, number: int, key: str
) -> tuple[sa.Table, list[Mapping[str, Any]]]:
    """Rows of a run (its later analyses, too) or of a check of a job."""
    find_job(connection, number, lock=True)
    kind, _, place = key.partition("-")
    rows: list[Mapping[str, Any]] = []
    table = tables.run if kind == "run" else tables.attachment
    if kind in ("run", "check") and place.isdecimal() and int(place) < 1 << 31:
        rows = _read_rows(connection, table, int(place))
    rows = [row for row in rows if row["job_id"] == number]
    if not rows:
        raise InputError(
            f"{key[:40]!r}: no run or check of job {number}; `voicecheck job takes {number}` "
            "lists them"
        )
    return table, rows


def _read_rows(connection: sa.Connection, table: sa.Table, place: int) -> list[Mapping[str, Any]]:
    if table is tables.attachment:
        files = select_in(connection, table, table.c.id, [place])
        return [row for row in files if is_check(row["name"])]
    is_own = sa.or_(table.c.id == place, table.c.origin_id == place)
    rows = select_rows(connection, table, sa.select(table).where(is_own).order_by(table.c.id))
    return [row for row in rows if (row["origin_id"] or row["id"]) == place]


def _name_piece(row: Mapping[str, Any]) -> str:
    if "path" in row:
        return f"{row['path']}, {row['stage']}"
    return str(row["name"]).removeprefix("check-").removesuffix(".json")
