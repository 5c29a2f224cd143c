"""The bin: jobs taken out of sight, brought back, or taken away for good; set types taken away."""

from __future__ import annotations

import sqlalchemy as sa

from voicecheck.errors import InputError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job, find_set_type
from voicecheck.jobbook.removals import delete_rows
from voicecheck.jobbook.rows import BATCH, update_row, utc_now


class BinShelf(BookCore):
    """What is removed goes to the bin first; only emptying the bin deletes."""

    def remove_job(self, number: int) -> None:
        """
        Put a job into the bin: no list, search or baseline has it any more.

        Raises
        ------
        InputError
            The job is not in the book, or in the bin already.
        """
        with self._writing() as connection:
            row = find_job(connection, number, lock=True)
            update_row(connection, tables.job, number, removed_utc=utc_now())
            add_event(connection, number, "removed", row["label"])

    def restore_job(self, number: int) -> None:
        """
        Take a job out of the bin; one that is not in it stays as it is.

        Raises
        ------
        InputError
            The job is not in the book.
        """
        with self._writing() as connection:
            row = find_job(connection, number, lock=True, removed=True)
            if row["removed_utc"] is not None:
                update_row(connection, tables.job, number, removed_utc=None)
                add_event(connection, number, "restored", row["label"])

    def list_removed(self) -> tuple[tuple[int, str], ...]:
        """Number and label of the jobs in the bin, oldest first."""
        job = tables.job
        statement = sa.select(job.c.id, job.c.label).where(job.c.removed_utc.is_not(None))
        with self._reading() as connection:
            rows = connection.execute(statement.order_by(job.c.id))
            return tuple((int(row[0]), str(row[1])) for row in rows)

    def empty_bin(self) -> tuple[int, ...]:
        """
        Delete the jobs in the bin with their runs, checks, notes and files, for good.

        Recordings and files that another job has, too, stay.

        Returns
        -------
        tuple of int
            Their numbers; they are not given again.
        """
        job = tables.job
        with self._writing() as connection:
            statement = sa.select(job.c.id).where(job.c.removed_utc.is_not(None))
            numbers = tuple(connection.execute(statement.order_by(job.c.id)).scalars())
            recordings, attachments = _delete_jobs(connection, numbers)
        for sha256 in recordings:
            self._vault.locate_recording(sha256).unlink(missing_ok=True)
        for sha256 in attachments:
            self._vault.locate_attachment(sha256).unlink(missing_ok=True)
        return numbers

    def remove_type(self, name: str, *, baselines: bool = False) -> None:
        """
        Take a set type away that no job has.

        Parameters
        ----------
        name : str
        baselines : bool
            Its baselines, too.

        Raises
        ------
        InputError
            No such type, or a job (in the bin or not) or a baseline has it.
        """
        job, baseline = tables.job, tables.baseline
        with self._writing() as connection:
            row = find_set_type(connection, name)
            of_type = sa.select(job.c.id).where(job.c.set_type_id == row["id"]).order_by(job.c.id)
            numbers = list(connection.execute(of_type).scalars())
            if numbers:
                told = ", ".join(map(str, numbers[:5])) + (", ..." if len(numbers) > 5 else "")
                raise InputError(
                    f"set type {name!r}: jobs have it ({told}); remove them and empty the bin "
                    "(`voicecheck book empty-bin`) or give them another type; nothing was changed"
                )
            built = sa.select(baseline.c.id).where(baseline.c.set_type_id == row["id"]).limit(1)
            if not baselines and connection.execute(built).first():
                raise InputError(
                    f"set type {name!r}: has baselines; export them, then remove it with "
                    "--baselines; nothing was changed"
                )
            telephone = tables.telephone
            has_jobs = sa.exists().where(job.c.telephone_id == telephone.c.id)
            kept = sa.select(telephone.c.id).where(telephone.c.set_type_id == row["id"], has_jobs)
            if (number := connection.execute(kept).scalar()) is not None:
                raise InputError(
                    f"set type {name!r}: set {number} is of it; give that another "
                    f"(`voicecheck set edit {number} --type NAME`); nothing was changed"
                )
            delete_rows(connection, baseline, baseline.c.set_type_id == row["id"])
            of_row = telephone.c.set_type_id == row["id"]
            delete_rows(connection, telephone, sa.and_(of_row, ~has_jobs))
            delete_rows(connection, tables.set_type, tables.set_type.c.id == row["id"])


def _delete_jobs(
    connection: sa.Connection, numbers: tuple[int, ...]
) -> tuple[list[str], list[str]]:
    """Delete the rows of jobs; the recordings and files that nothing else has are given back."""
    link, measurement, recording = tables.run_measurement, tables.measurement, tables.recording
    run, attachment = tables.run, tables.attachment
    of_jobs = sa.select(run.c.id).where(run.c.job_id.in_(numbers))
    links = sa.select(link.c.measurement_id).where(link.c.run_id.in_(of_jobs))
    measured = list(connection.execute(links).scalars())
    files_of = sa.select(attachment.c.sha256).where(attachment.c.job_id.in_(numbers))
    files = set(connection.execute(files_of).scalars())
    delete_rows(connection, link, link.c.run_id.in_(of_jobs))
    sounds: set[str] = set()
    for first in range(0, len(measured), BATCH):
        some = measured[first : first + BATCH]
        heard = sa.select(measurement.c.recording_sha256).where(measurement.c.id.in_(some))
        sounds |= {one for one in connection.execute(heard).scalars() if one}
        shared = sa.select(link.c.measurement_id).where(link.c.measurement_id.in_(some))
        delete_rows(
            connection,
            measurement,
            sa.and_(measurement.c.id.in_(some), measurement.c.id.not_in(shared)),
        )
    later = run.c.origin_id.is_not(None)
    delete_rows(connection, run, sa.and_(run.c.job_id.in_(numbers), later))
    for table in (run, tables.comparison, tables.note, tables.event, tables.work, attachment):
        delete_rows(connection, table, table.c.job_id.in_(numbers))
    job, telephone = tables.job, tables.telephone
    of_sets = sa.select(job.c.telephone_id).where(job.c.id.in_(numbers))
    sets = [one for one in connection.execute(of_sets).scalars() if one is not None]
    delete_rows(connection, job, job.c.id.in_(numbers))
    still = sa.select(job.c.telephone_id).where(job.c.telephone_id.is_not(None))
    gone = telephone.c.id.in_(sets) & telephone.c.id.not_in(still)
    delete_rows(connection, telephone, gone)
    heard_in = measurement.c.recording_sha256
    sounds = {one for one in sounds if not _is_left(connection, heard_in, one)}
    files = {one for one in files if not _is_left(connection, attachment.c.sha256, one)}
    for sha256 in sounds:
        delete_rows(connection, recording, recording.c.sha256 == sha256)
    return sorted(sounds), sorted(files)


def _is_left(connection: sa.Connection, column: sa.Column[str], value: str) -> bool:
    statement = sa.select(column).where(column == value).limit(1)
    return connection.execute(statement).first() is not None
