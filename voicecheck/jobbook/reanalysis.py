"""
Old recordings analysed again by a newer version; the old numbers stay.

The analysis itself is handed in, so that the book knows nothing of it. Every batch is saved when
it is done: stopped or killed, the same call goes on where it was.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

import voicecheck
from voicecheck.errors import InputError, RecordingError, VoicecheckError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, is_in_bin
from voicecheck.jobbook.rows import decode_record, encode_record, select_in, select_rows
from voicecheck.jobbook.runs import insert_measurement, insert_run, is_current, load_runs
from voicecheck.jobbook.sound import decode_recording
from voicecheck.records import Measurement, Problem, Recipe, Recording, Run

Analyse = Callable[[Recording, Recipe], Measurement]
Pool = Callable[[Run, tuple[Measurement, ...]], Run]
BATCH = 100
"""Recordings in one task: large enough that handing tasks out costs nothing."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class AnalysedAgain:
    """How many recordings and runs have new numbers, and what could not be analysed."""

    n_recordings: int
    n_runs: int
    problems: tuple[Problem, ...]


class ReanalysisShelf(BookCore):
    """New numbers for old recordings."""

    def list_outdated(self, version: str | None = None) -> tuple[str, ...]:
        """
        SHA-256 of the recordings that have no measurement by a version, oldest first.

        Those that only jobs in the bin have are left out.

        Parameters
        ----------
        version : str, optional
            This program's when left out.
        """
        recording, measurement = tables.recording, tables.measurement
        done = sa.select(measurement.c.id).where(
            measurement.c.recording_sha256 == recording.c.sha256,
            measurement.c.version == (version or voicecheck.__version__),
        )
        statement = sa.select(recording.c.sha256).where(~done.exists(), ~_is_in_bin_alone())
        statement = statement.order_by(recording.c.id)
        with self._reading() as connection:
            return tuple(connection.execute(statement).scalars())

    def list_outdated_jobs(self, version: str | None = None) -> tuple[int, ...]:
        """
        Jobs, those in the bin left out, with a run whose numbers are of another version.

        Parameters
        ----------
        version : str, optional
            This program's when left out.
        """
        run = tables.run
        statement = (
            sa.select(run.c.job_id)
            .where(is_current(), run.c.version != (version or voicecheck.__version__))
            .where(run.c.job_id.is_not(None), ~is_in_bin(run.c.job_id))
        )
        with self._reading() as connection:
            found = connection.execute(statement.distinct().order_by(run.c.job_id)).scalars()
            return tuple(int(one) for one in found)

    def analyse_again(
        self,
        analyse: Analyse,
        pool: Pool | None = None,
        *,
        version: str | None = None,
        n_workers: int = -1,
        backend: str = "loky",
        on_progress: Callable[[int, int], None] | None = None,
    ) -> AnalysedAgain:
        """
        Analyse every outdated recording and renew the runs that rest on them.

        Parameters
        ----------
        analyse : callable
            Recording and recipe to measurement; it must be one that a worker can import.
        pool : callable, optional
            The run as it was and its new measurements to the run as it is now; left out, runs
            stay as they are.
        version : str, optional
            What the new numbers are filed under; this program's when left out.
        n_workers : int
            Processes; -1 is one for each core.
        backend : str
            Of joblib: "loky" (processes here), "threading", or "dask" for a cluster with a
            client open, whose workers see the recordings' folder under the same name.
        on_progress : callable, optional
            Called with the number done and the number to do.

        Returns
        -------
        AnalysedAgain

        Raises
        ------
        InputError
            The backend is not there.
        JobBookError
            The database failed; what was done until then is kept.
        """
        version = version or voicecheck.__version__
        wanted = self.list_outdated(version)
        problems: list[Problem] = []
        n_done = 0
        for answers in self._hand_out(wanted, analyse, n_workers, backend):
            with self._writing() as connection:
                for sha256, text, problem in answers:
                    if problem is not None:
                        problems.append(problem)
                        continue
                    one = decode_record(text, Measurement, f"measurement of {sha256[:12]}")
                    insert_measurement(connection, one.replace(version=version))
                    n_done += 1
            if on_progress is not None:
                on_progress(n_done + len(problems), len(wanted))
        n_runs = self._renew_runs(pool, version) if pool is not None else 0
        return AnalysedAgain(n_recordings=n_done, n_runs=n_runs, problems=tuple(problems))

    def _hand_out(
        self, wanted: Sequence[str], analyse: Analyse, n_workers: int, backend: str
    ) -> Iterator[list[tuple[str, str, Problem | None]]]:
        """Answers of the workers, batch by batch, in the order in which they come."""
        import joblib

        try:
            with joblib.parallel_config(backend=backend, n_jobs=n_workers):
                n_effective = joblib.effective_n_jobs(n_workers)
                size = max(1, min(BATCH, len(wanted) // (4 * n_effective)))
                paths = [(one, str(self._vault.locate_recording(one))) for one in wanted]
                batches = [paths[first : first + size] for first in range(0, len(paths), size)]
                parallel = joblib.Parallel(return_as="generator_unordered")
                answers = parallel(joblib.delayed(_analyse_batch)(analyse, one) for one in batches)
        except (ImportError, ValueError) as error:
            raise InputError(f"backend {backend!r}: cannot be used here ({error})") from error
        yield from answers

    def _renew_runs(self, pool: Pool, version: str) -> int:
        """Pool again every run whose recordings all have new numbers; the old run stays."""
        table = tables.run
        statement = sa.select(table.c.id).where(
            is_current(), table.c.version != version, ~is_in_bin(table.c.job_id)
        )
        with self._reading() as connection:
            numbers = list(connection.execute(statement.order_by(table.c.id)).scalars())
        n_runs = 0
        for first in range(0, len(numbers), BATCH):
            with self._writing() as connection:
                for row in select_in(connection, table, table.c.id, numbers[first : first + BATCH]):
                    n_runs += _renew_run(connection, row, pool, version)
        return n_runs


def _is_in_bin_alone() -> sa.ColumnElement[bool]:
    """Whether a recording is in runs of removed jobs, and in no other run."""
    link, measurement, run = tables.run_measurement, tables.measurement, tables.run
    heard = (
        sa.select(run.c.id)
        .join(link, link.c.run_id == run.c.id)
        .join(measurement, link.c.measurement_id == measurement.c.id)
        .where(measurement.c.recording_sha256 == tables.recording.c.sha256)
        .correlate(tables.recording)
    )
    is_binned = is_in_bin(run.c.job_id)
    return sa.and_(heard.where(is_binned).exists(), ~heard.where(~is_binned).exists())


def _renew_run(connection: sa.Connection, row: Any, pool: Pool, version: str) -> bool:
    old = load_runs(connection, [row])[0]
    found = [_find_measurement(connection, one, version) for one in old.recordings]
    renewed = [one for one in found if one is not None]
    if not found or len(renewed) < len(found):
        return False
    new = pool(old, tuple(measurement for _, measurement in renewed))
    filed = dataclasses.replace(
        new,
        job=old.job,
        path=old.path,
        stage=old.stage,
        taken_utc=old.taken_utc,
        pooled=new.pooled.replace(version=version),
    )
    insert_run(
        connection,
        filed,
        [number for number, _ in renewed],
        row["origin_id"] or row["id"],
        row["aside"],
    )
    return True


def _find_measurement(
    connection: sa.Connection, old: Measurement, version: str
) -> tuple[int, Measurement] | None:
    table = tables.measurement
    if old.recording.sha256 is None:
        return None
    statement = sa.select(table).where(
        table.c.recording_sha256 == old.recording.sha256, table.c.version == version
    )
    rows = select_rows(connection, table, statement.order_by(table.c.id.desc()).limit(1))
    if not rows:
        return None
    what = f"measurement {rows[0]['id']}"
    return int(rows[0]["id"]), decode_record(rows[0]["document"], Measurement, what)


def _analyse_batch(
    analyse: Analyse, batch: Sequence[tuple[str, str]]
) -> list[tuple[str, str, Problem | None]]:
    """In a worker: one answer for each recording, the bad ones told and not the end of it."""
    return [_analyse_one(analyse, sha256, Path(path)) for sha256, path in batch]


def _analyse_one(analyse: Analyse, sha256: str, path: Path) -> tuple[str, str, Problem | None]:
    try:
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise RecordingError("its bytes have changed")
        recording, label = decode_recording(data, sha256)
        measurement = analyse(recording, label.recipe)
        info = dataclasses.replace(measurement.recording, sha256=sha256)
        return sha256, encode_record(measurement.replace(recording=info)), None
    except (VoicecheckError, OSError) as error:
        problem = Problem(
            kind="not-analysed", message=f"recording {path}: {error}", effect="old numbers stay"
        )
        return sha256, "", problem
