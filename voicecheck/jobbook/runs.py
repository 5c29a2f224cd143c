"""Runs and their measurements, baselines, comparisons, and documents about benches."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

import voicecheck
from voicecheck.errors import InputError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job, find_set_type
from voicecheck.jobbook.rows import (
    check_text,
    decode_record,
    encode_record,
    finite_or_none,
    insert_row,
    select_in,
    select_named,
    select_rows,
    utc_now,
)
from voicecheck.records import Baseline, BenchRecord, Comparison, Measurement, Run
from voicecheck.records.signals import PATHS
from voicecheck.records.terms import check_word
from voicecheck.records.verdicts import CHANGES, HELD_AGAINST

ORIGIN = sa.func.coalesce(tables.run.c.origin_id, tables.run.c.id)
"""The run that a run stands for: itself, or the one whose recordings were analysed again."""


class RunShelf(BookCore):
    """What was measured and concluded."""

    def save_run(self, run: Run) -> int:
        """
        Keep a run with the measurement of each of its recordings.

        Returns
        -------
        int
            Number of the run in the book.

        Raises
        ------
        InputError
            The job is not in the book, or the path is none.
        """
        check_word(run.path, PATHS, "path")
        check_text("stage", run.stage, empty=False)
        with self._writing() as connection:
            if run.job is not None:
                find_job(connection, run.job)
                add_event(connection, run.job, "run", f"{run.path}, {run.stage}")
            numbers = [insert_measurement(connection, one) for one in run.recordings]
            return insert_run(connection, run, numbers)

    def load_run(self, number: int) -> Run:
        """
        Run by its number.

        Raises
        ------
        InputError
            There is none of that number.
        """
        with self._reading() as connection:
            rows = select_in(connection, tables.run, tables.run.c.id, [number])
            if not rows:
                raise InputError(f"run {number}: not in the book")
            return load_runs(connection, rows)[0]

    def list_runs(
        self,
        *,
        job: int | None = None,
        path: str | None = None,
        stage: str | None = None,
        type_name: str | None = None,
        recordings: bool = True,
        history: bool = False,
        aside: bool = False,
    ) -> tuple[Run, ...]:
        """
        Runs, the oldest first; the last of a job, path and stage is the current one.

        A run that was analysed again stands at its old place with its newest numbers.

        Parameters
        ----------
        job, path, stage, type_name : optional
            Only those of this job, path, stage, set type.
        recordings : bool
            Whether to load the measurement of each recording too; without them the pooled
            measurement is all, and much faster for hundreds of runs.
        history : bool
            Whether to give the older numbers of runs analysed again too, before the newer.
        aside : bool
            Whether to give runs that were put aside, too.

        Raises
        ------
        InputError
            The job or the set type is not in the book.
        """
        with self._reading() as connection:
            statement = sa.select(tables.run)
            if job is not None:
                find_job(connection, job)
            if type_name is not None:
                row = find_set_type(connection, type_name)
                statement = statement.join(tables.job, tables.run.c.job_id == tables.job.c.id)
                statement = statement.where(
                    tables.job.c.set_type_id == row["id"], tables.job.c.removed_utc.is_(None)
                )
            columns = {"job_id": job, "path": path, "stage": stage}
            for name, value in columns.items():
                if value is not None:
                    statement = statement.where(tables.run.c[name] == value)
            if not aside:
                statement = statement.where(tables.run.c.aside.is_(None))
            if not history:
                statement = statement.where(is_current())
            statement = statement.order_by(ORIGIN, tables.run.c.id)
            rows = select_rows(connection, tables.run, statement)
            return tuple(load_runs(connection, rows, recordings=recordings))

    def count_runs(self) -> int:
        """How many runs the book holds."""
        return self._count(tables.run)

    def count_measurements(self) -> int:
        """How many measurements of single recordings the book holds."""
        return self._count(tables.measurement)

    def save_baseline(self, baseline: Baseline) -> int:
        """
        Keep a baseline; older ones of the same set type and path stay.

        Raises
        ------
        InputError
            The set type is not in the book.
        """
        with self._writing() as connection:
            set_type_id = find_set_type(connection, baseline.type_name)["id"]
            return insert_baseline(connection, baseline, set_type_id)

    def load_baseline(self, type_name: str, path: str) -> Baseline:
        """
        The newest baseline of a set type and path.

        Raises
        ------
        InputError
            The set type is not in the book, or has no baseline for this path.
        """
        with self._reading() as connection:
            return find_baseline(connection, find_set_type(connection, type_name), path)

    def list_baselines(self) -> tuple[Baseline, ...]:
        """Every baseline, the oldest first."""
        statement = sa.select(tables.baseline).order_by(tables.baseline.c.id)
        with self._reading() as connection:
            rows = select_rows(connection, tables.baseline, statement)
        return tuple(
            decode_record(row["document"], Baseline, f"baseline {row['id']}") for row in rows
        )

    def save_comparison(self, comparison: Comparison) -> int:
        """
        Keep what a comparison found.

        Raises
        ------
        InputError
            The job is not in the book.
        """
        with self._writing() as connection:
            if comparison.job is not None:
                find_job(connection, comparison.job)
                told = f"{comparison.stage} against {comparison.against.name}"
                is_change = comparison.against.kind not in HELD_AGAINST
                found = CHANGES.get(comparison.overall) if is_change else None
                text = f"{told}: {found or comparison.overall}"
                add_event(connection, comparison.job, "compared", text)
            return insert_comparison(connection, comparison)

    def list_comparisons(self, job: int) -> tuple[Comparison, ...]:
        """
        Comparisons of a job, the oldest first.

        Raises
        ------
        InputError
            The job is not in the book.
        """
        with self._reading() as connection:
            find_job(connection, job)
            rows = select_in(connection, tables.comparison, tables.comparison.c.job_id, [job])
        return tuple(
            decode_record(row["document"], Comparison, f"comparison {row['id']}") for row in rows
        )

    def save_bench_record(self, kind: str, name: str, document: str) -> int:
        """
        Keep a JSON document about a bench: its set-up, a calibration, a check.

        Older documents of the same kind and name stay.
        """
        check_text("kind", kind, empty=False)
        check_text("name", name, empty=False)
        check_text("document", document, empty=False)
        with self._writing() as connection:
            return insert_row(
                connection,
                tables.bench_record,
                kind=kind,
                name=name,
                saved_utc=utc_now(),
                document=document,
            )

    def list_bench_records(
        self, *, kind: str | None = None, name: str | None = None
    ) -> tuple[BenchRecord, ...]:
        """Documents about benches, the oldest first."""
        table = tables.bench_record
        statement = sa.select(table).order_by(table.c.id)
        for column, value in ((table.c.kind, kind), (table.c.name, name)):
            if value is not None:
                statement = statement.where(column == value)
        with self._reading() as connection:
            rows = select_rows(connection, table, statement)
        return tuple(
            BenchRecord(
                kind=row["kind"],
                name=row["name"],
                document=row["document"],
                saved_utc=row["saved_utc"],
            )
            for row in rows
        )

    def _count(self, table: sa.Table) -> int:
        with self._reading() as connection:
            statement = sa.select(sa.func.count()).select_from(table)
            return int(connection.execute(statement).scalar() or 0)


def find_baseline(connection: sa.Connection, set_type: Mapping[str, Any], path: str) -> Baseline:
    """The newest baseline of a set type's row and a path; `InputError` where there is none."""
    table = tables.baseline
    of_type = sa.select(table).where(table.c.set_type_id == set_type["id"])
    newest = of_type.where(table.c.path == path).order_by(table.c.id.desc()).limit(1)
    rows = select_rows(connection, table, newest)
    if not rows:
        paths = {row["path"] for row in select_rows(connection, table, of_type)}
        raise InputError(
            f"baseline of {set_type['name']!r}, {path}: not in the book (paths with one: "
            f"{', '.join(sorted(paths)) or 'none'}); sweep reference sets with --stage "
            "reference, then `voicecheck baseline build`"
        )
    return decode_record(rows[0]["document"], Baseline, f"baseline {rows[0]['id']}")


def insert_baseline(connection: sa.Connection, baseline: Baseline, set_type_id: int) -> int:
    """Row of a baseline."""
    return insert_row(
        connection,
        tables.baseline,
        set_type_id=set_type_id,
        path=baseline.path,
        n=baseline.n,
        built_utc=baseline.built_utc or utc_now(),
        version=baseline.version or voicecheck.__version__,
        document=encode_record(baseline),
    )


def insert_comparison(connection: sa.Connection, comparison: Comparison) -> int:
    """Row of a comparison."""
    return insert_row(
        connection,
        tables.comparison,
        job_id=comparison.job,
        stage=comparison.stage,
        against_kind=comparison.against.kind,
        against_name=comparison.against.name,
        overall=comparison.overall,
        made_utc=utc_now(),
        document=encode_record(comparison),
    )


def is_current() -> sa.ColumnElement[bool]:
    """Condition on `run`: its newest numbers, no later analysis of the same recordings."""
    later = tables.run.alias("later")
    newer = sa.select(later.c.id).where(later.c.origin_id == ORIGIN, later.c.id > tables.run.c.id)
    return ~newer.exists()


def insert_run(
    connection: sa.Connection,
    run: Run,
    measurements: list[int],
    origin_id: int | None = None,
    aside: str | None = None,
) -> int:
    """Row of a run and its links to measurements that are in the book."""
    number = insert_row(
        connection,
        tables.run,
        job_id=run.job,
        path=run.path,
        stage=run.stage,
        n_seats=len(run.recordings),
        taken_utc=run.taken_utc,
        saved_utc=utc_now(),
        version=run.pooled.version or voicecheck.__version__,
        document=encode_record(dataclasses.replace(run, recordings=())),
        origin_id=origin_id,
        aside=aside,
        simulated=int(run.is_simulated),
        **_figures(run.pooled),
    )
    for position, measurement in enumerate(measurements):
        insert_row(
            connection,
            tables.run_measurement,
            run_id=number,
            position=position,
            measurement_id=measurement,
        )
    return number


def insert_measurement(connection: sa.Connection, measurement: Measurement) -> int:
    """Row of the measurement of one recording."""
    return insert_row(
        connection,
        tables.measurement,
        recording_sha256=measurement.recording.sha256,
        version=measurement.version or voicecheck.__version__,
        psophometric_dbfs=finite_or_none(measurement.noise.psophometric_dbfs),
        n_problems=len(measurement.problems),
        made_utc=utc_now(),
        document=encode_record(measurement),
        **_figures(measurement),
    )


def load_runs(
    connection: sa.Connection, rows: list[Mapping[str, Any]], *, recordings: bool = True
) -> list[Run]:
    """Runs of these rows, in their order."""
    runs = [decode_record(row["document"], Run, f"run {row['id']}") for row in rows]
    if not recordings:
        return runs
    link, table = tables.run_measurement, tables.measurement
    numbers = [row["id"] for row in rows]
    links = select_in(connection, link, link.c.run_id, numbers)
    wanted = sorted({one["measurement_id"] for one in links})
    found = {
        row["id"]: decode_record(row["document"], Measurement, f"measurement {row['id']}")
        for row in select_named(connection, table, wanted)
    }
    seats: dict[int, list[Measurement]] = defaultdict(list)
    for one in sorted(links, key=lambda one: int(one["position"])):
        seats[one["run_id"]].append(found[one["measurement_id"]])
    return [
        dataclasses.replace(run, recordings=tuple(seats[number]))
        for run, number in zip(runs, numbers, strict=True)
    ]


def _figures(measurement: Measurement) -> dict[str, float | None]:
    """The figures that have columns of their own."""
    loudness = measurement.loudness
    return {
        "at_1khz_db": finite_or_none(measurement.bands.at_1khz_db),
        "slr_db": finite_or_none(loudness.slr_db),
        "rlr_db": finite_or_none(loudness.rlr_db),
        "stmr_db": finite_or_none(loudness.stmr_db),
        "sinad_db": finite_or_none(measurement.sinad_db),
    }
