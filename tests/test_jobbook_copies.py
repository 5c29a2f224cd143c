"""Whole books: backups made while others write, moves between databases, salvage of the damaged."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import postgres_server
import pytest
from jobbook_samples import draw_baseline, draw_comparison, draw_recording, draw_run, make_type
from services import need

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook, salvage_book
from voicecheck.records import Recipe


def fill(book: JobBook, folder: Path, n_jobs: int = 3) -> None:
    book.add_type(make_type())
    for number in range(1, n_jobs + 1):
        book.open_job(f"set {number}", "Lakeside 4", owner=f"owner {number}")
        book.save_recording(draw_recording(number, 500), Recipe())
        book.save_run(draw_run(number, job=number, n_seats=1))
        book.save_comparison(draw_comparison(number))
        book.add_note(number, f"note {number}")
    book.save_baseline(draw_baseline())
    book.save_bench_record("bench", "shop", "{}")
    (folder / "photo.jpg").write_bytes(b"picture" * 300)
    book.attach_file(1, folder / "photo.jpg")


def describe(book: JobBook) -> list[object]:
    """Everything in a book, as text where records have no equality."""
    jobs = book.list_jobs(limit=1000)
    return [
        *jobs,
        *(book.list_events(job.job) for job in jobs),
        *(book.list_comparisons(job.job) for job in jobs),
        *book.list_types(),
        *(repr(run) for run in book.list_runs()),
        *(repr(one) for one in book.list_baselines()),
        *book.list_bench_records(),
        *book.list_recordings(),
    ]


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as book:
        fill(book, tmp_path)
        yield book


def test_backup_is_a_book_with_everything(book: Any, tmp_path: Path) -> None:
    assert book.backup(tmp_path / "backup") == ()
    with JobBook.open(tmp_path / "backup", create=False) as copy:
        assert describe(copy) == describe(book)
        assert copy.verify() == ()
        copy.locate_attachment(copy.load_job(1).attachments[0].sha256)


def test_second_backup_brings_what_is_new(book: Any, tmp_path: Path) -> None:
    book.backup(tmp_path / "backup")
    with JobBook.open(tmp_path / "backup") as copy:
        assert copy.count_jobs() == 3
    old = next((tmp_path / "backup").glob("recordings/*/*.flac")).stat().st_mtime_ns
    book.open_job("late", "Lakeside 4")
    book.save_recording(draw_recording(9, 500), Recipe())
    book.backup(tmp_path / "backup")
    with JobBook.open(tmp_path / "backup", create=False) as copy:
        assert describe(copy) == describe(book)
        assert copy.verify() == ()
    assert old in {
        path.stat().st_mtime_ns for path in (tmp_path / "backup").glob("recordings/*/*.flac")
    }


def test_backup_while_another_writes_is_one_moment_of_the_book(book: Any, tmp_path: Path) -> None:
    stop = threading.Event()

    def write() -> None:
        with JobBook.open(tmp_path / "book") as other:
            number = 100
            while not stop.is_set():
                number += 1
                job = other.open_job(f"set {number}", "Lakeside 4")
                other.add_note(job.job, f"note {number}")

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for round_ in range(4):
            book.backup(tmp_path / f"backup {round_}")
    finally:
        stop.set()
        writer.join()
    for round_ in range(4):
        with JobBook.open(tmp_path / f"backup {round_}", create=False) as copy:
            assert copy.verify() == ()
            jobs = copy.list_jobs(limit=10000)
            assert [job.job for job in jobs] == list(range(len(jobs), 0, -1))
            assert all(len(job.notes) == 1 for job in jobs[1:])


def test_backup_never_writes_over_something_else(book: Any, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="outside of the book's own"):
        book.backup(tmp_path / "book")
    with pytest.raises(InputError, match="outside of the book's own"):
        book.backup(tmp_path / "book" / "inside")
    JobBook.open(tmp_path / "other").close()
    with pytest.raises(InputError, match="not empty and no backup"):
        book.backup(tmp_path / "other")
    with JobBook.open(tmp_path / "third") as third:
        third.backup(tmp_path / "backup")
    with pytest.raises(InputError, match="holds the backup of"):
        book.backup(tmp_path / "backup")


def test_first_backup_killed_in_its_first_moment_can_be_made_again(
    book: Any, tmp_path: Path
) -> None:
    (tmp_path / "backup").mkdir()
    (tmp_path / "backup" / "backup.json.part").write_bytes(b'{"sch')
    assert book.backup(tmp_path / "backup") == ()
    assert not list((tmp_path / "backup").glob("*.part"))


def test_backup_tells_of_files_that_it_could_not_take(book: Any, tmp_path: Path) -> None:
    missing, damaged = sorted((tmp_path / "book").glob("recordings/*/*.flac"))[:2]
    missing.unlink()
    damaged.write_bytes(b"x")
    found = book.backup(tmp_path / "backup")
    assert sorted(problem.kind for problem in found) == ["damaged-recording", "missing-recording"]
    with JobBook.open(tmp_path / "backup", create=False) as copy:
        assert describe(copy) == describe(book)
        assert [problem.kind for problem in copy.verify()] == ["missing-recording"] * 2


def test_copy_into_a_book_that_is_not_empty_is_refused(book: Any, tmp_path: Path) -> None:
    with JobBook.open(tmp_path / "other") as other:
        assert book.copy_into(other) == ()
        assert describe(other) == describe(book)
        with pytest.raises(InputError, match="need an empty one"):
            book.copy_into(other)


def test_book_moves_to_a_server_and_its_backup_comes_back(book: Any, tmp_path: Path) -> None:
    need("POSTGRES", postgres_server.find_missing())
    with postgres_server.run_server() as server:
        where = f"{server.make_database(uuid.uuid4().hex)}&recordings={tmp_path / 'files'}"
        with JobBook.open(where) as shared:
            assert book.copy_into(shared) == ()
            assert describe(shared) == describe(book)
            assert shared.open_job("next", "Lakeside 4").job == 4
            assert shared.verify() == ()
            assert shared.backup(tmp_path / "backup") == ()
            with JobBook.open(tmp_path / "backup", create=False) as copy:
                assert describe(copy) == describe(shared)
                assert copy.verify() == ()
                assert copy.open_job("more", "Lakeside 4").job == 5


def test_salvage_of_a_sound_book_is_the_book(book: Any, tmp_path: Path) -> None:
    assert salvage_book(tmp_path / "book", tmp_path / "new") == ()
    with JobBook.open(tmp_path / "new", create=False) as copy:
        assert describe(copy) == describe(book)
        assert copy.verify() == ()
    with pytest.raises(InputError, match="need a new folder"):
        salvage_book(tmp_path / "book", tmp_path / "new")
    with pytest.raises(JobBookError, match="there is none"):
        salvage_book(tmp_path / "none", tmp_path / "newer")


def change(folder: Path, statement: str) -> None:
    with contextlib.closing(sqlite3.connect(folder / "book.db")) as raw:
        raw.execute(statement)
        raw.commit()


def test_changed_row_is_kept_and_told_and_the_lost_type_gets_a_stand_in(
    book: Any, tmp_path: Path
) -> None:
    change(tmp_path / "book", "UPDATE job SET label = 'sat 2' WHERE id = 2")
    change(tmp_path / "book", "UPDATE set_type SET document = '{' WHERE id = 1")
    change(tmp_path / "book", "UPDATE run SET document = '{}' WHERE id = 3")
    found = salvage_book(tmp_path / "book", tmp_path / "new")
    told = [(problem.message, problem.effect) for problem in found]
    assert ("row 2 of table job has changed on the disk", "kept as it reads now; check it") in told
    assert ("row 1 of table set_type has changed and cannot be read", "lost") in told
    assert ("row 3 of table run has changed and cannot be read", "lost") in told
    with JobBook.open(tmp_path / "new", create=False) as copy:
        labels = {job.label: job.type_name for job in copy.list_jobs()}
        assert labels == dict.fromkeys(("set 1", "sat 2", "set 3"), "lost set type 1")
        assert [run.job for run in copy.list_runs()] == [1, 2]
        assert copy.load_job(2).notes == ("note 2",)
        assert copy.verify() == ()


def test_salvage_loses_little_to_any_damaged_page(book: Any, tmp_path: Path) -> None:
    """Each of 16 places overwritten with 64 bytes: every recording and most jobs are kept."""
    place = tmp_path / "book" / "book.db"
    book.close()
    sound = place.read_bytes()
    n_kept = []
    for round_, at in enumerate(np.random.default_rng(8).integers(0, len(sound) - 64, 16)):
        damaged = bytearray(sound)
        damaged[at : at + 64] = np.random.default_rng(round_).bytes(64)
        place.write_bytes(damaged)
        into = tmp_path / f"new {round_}"
        salvage_book(tmp_path / "book", into)
        with JobBook.open(into, create=False) as copy:
            assert copy.verify() == ()
            assert len(copy.list_recordings()) == 3
            n_kept.append(copy.count_jobs())
    assert sorted(n_kept)[2] == 3, n_kept


def test_salvage_without_any_readable_page_still_has_the_recordings(
    book: Any, tmp_path: Path
) -> None:
    kept = set(book.list_recordings())
    book.close()
    (tmp_path / "book" / "book.db").write_bytes(b"\0" * 5000)
    found = salvage_book(tmp_path / "book", tmp_path / "new")
    assert found == ()
    with JobBook.open(tmp_path / "new", create=False) as copy:
        assert set(copy.list_recordings()) == kept
        assert copy.verify() == ()
