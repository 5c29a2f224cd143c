"""The same book on a real PostgreSQL server, which these tests start and stop themselves."""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import postgres_server
import pytest
import sqlalchemy as sa
from jobbook_changes import check_changes
from jobbook_samples import (
    draw_baseline,
    draw_comparison,
    draw_measurement,
    draw_recording,
    draw_run,
    draw_small_run,
    make_type,
)
from jobbook_sets import check_sets
from pagetest import open_client
from services import need
from test_jobbook_failures import WORKER

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook, tables
from voicecheck.jobbook.migrations import STEPS
from voicecheck.jobbook.rows import compute_digest, insert_row
from voicecheck.records import Recipe, SetType
from voicecheck.records.arrays import is_same


@pytest.fixture(scope="module")
def server() -> Iterator[Any]:
    need("POSTGRES", postgres_server.find_missing())
    with postgres_server.run_server() as server:
        yield server


@pytest.fixture
def where(server: Any, tmp_path: Path) -> Any:
    return f"{server.make_database(uuid.uuid4().hex)}&recordings={tmp_path / 'files'}"


def execute(where: str, *statements: str) -> None:
    url = sa.make_url(where).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(url.difference_update_query(["recordings"]))
    with engine.begin() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)
    engine.dispose()


def test_everything_comes_back_whole(where: Any, tmp_path: Path) -> None:
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(b"picture" * 999)
    with JobBook.open(where) as book:
        book.add_type(make_type())
        book.open_job("Übergang 100%", "Lakeside 4", owner="Mrs Größe")
        stored = book.save_recording(draw_recording(), Recipe())
        run = draw_run(1, job=1, recordings=(draw_measurement(7, stored.sha256),))
        book.save_run(run)
        book.save_baseline(draw_baseline())
        book.save_comparison(draw_comparison(1))
        book.save_bench_record("bench", "shop", "{}")
        kept = book.attach_file(1, photo)
        book.add_note(1, "clapper bent")
        book.close_job(1)
    with JobBook.open(where, create=False) as book:
        assert is_same(book.load_recording(stored.sha256), stored)
        assert book.list_runs(job=1)[0].same_as(run)
        assert book.load_baseline("Lakeside 4", "transmit").same_as(draw_baseline())
        assert book.list_comparisons(1) == (draw_comparison(1),)
        assert book.load_job(1).attachments == (kept,)
        assert book.count_jobs(search="größe 100% clapper", state="closed") == 1
        assert [event.kind for event in book.list_events(1)] == [
            *("opened", "run", "compared", "file", "note", "closed")
        ]
        assert book.verify() == ()
        with pytest.raises(InputError, match="near it"):
            book.load_type("lakeside")


def test_sets_work_and_owners(where: Any, tmp_path: Path) -> None:
    check_sets(where, tmp_path)


def test_two_processes_write_at_once(where: Any) -> None:
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    workers = [
        subprocess.Popen([sys.executable, "-c", WORKER, where, name], env=environment)
        for name in ("left", "right")
    ]
    assert [worker.wait(timeout=60) for worker in workers] == [0, 0]
    with JobBook.open(where, create=False) as book:
        assert book.count_jobs(search="noted") == 40
        assert len(book.list_recordings()) == 20
        assert book.verify() == ()


@pytest.mark.parametrize("layout", ["0001", "0002", "0003", "0004", "0005", "0006"])
def test_older_layout_is_brought_up_to_date(where: Any, layout: str) -> None:
    """What the steps have added is taken away, as far as the layout is older."""
    run = draw_small_run(1, 1)
    with JobBook.open(where) as book:
        book.add_type(make_type())
        book.open_job("hall set", "Lakeside 4")
        book.save_run(run)
        with book._reading() as connection:
            filled = {
                name: connection.execute(sa.text(f"SELECT * FROM {name}")).one()._mapping
                for name in ("job", "run")
            }
    since_0004 = ["telephone_id", "contact", "promised", "used_on", "keep_parts", "language"]
    added = {"job": list[str](), "run": list[str]()}
    tables_added = ["last_row", *(["removed_row"] if layout < "0006" else [])]
    if layout < "0005":
        added["job"] += [*since_0004, "forgotten_utc"]
        tables_added += ["telephone", "work", "shop"]
    if layout < "0004":
        added["job"] += ["stage", "removed_utc"]
        added |= {"run": ["aside", "simulated"], "attachment": ["stage", "aside"]}
    if layout == "0001":
        added["job"], added["run"] = [*added["job"], "mark"], [*added["run"], "origin_id"]
    digests = {
        name: compute_digest({key: value for key, value in row.items() if key not in added[name]})
        for name, row in filled.items()
    }
    gone = [(table, column) for table, columns in added.items() for column in columns]
    execute(
        where,
        *(("DROP TABLE layout_step",) if layout < "0003" else ()),
        *(f"ALTER TABLE {table} DROP COLUMN {column}" for table, column in gone),
        *(f"DROP TABLE {name}" for name in tables_added),
        *(f"UPDATE {table} SET digest = '{digest}'" for table, digest in digests.items()),
        *(("DELETE FROM layout_step",) if layout >= "0003" else ()),
        f"UPDATE alembic_version SET version_num = '{layout}'",
        # What a server of an older layout did with the numbers of a job that failed to be opened.
        "SELECT setval(pg_get_serial_sequence('event', 'id'), 40)",
    )
    with JobBook.open(where) as book:
        assert book.list_runs()[0].same_as(run)
        assert book.open_job("next", "Lakeside 4").job == 2
        assert book.verify() == ()
        with book._reading() as connection:
            rows = connection.execute(sa.text("SELECT step FROM layout_step ORDER BY step"))
            steps = [row.step for row in rows]
    assert steps == [step.number for step in STEPS if step.number > layout]


def test_newer_layout_is_left_alone(where: Any) -> None:
    JobBook.open(where).close()
    execute(where, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(JobBookError, match="newer version"):
        JobBook.open(where)


def test_no_book_in_the_database(where: Any) -> None:
    with pytest.raises(JobBookError, match="there is none"):
        JobBook.open(where, create=False)


def test_changed_letter_in_a_row_is_noticed(where: Any) -> None:
    with JobBook.open(where) as book:
        book.add_type(make_type())
        book.open_job("hall set", "Lakeside 4")
        execute(where, "UPDATE job SET label = 'hell set'")
        with pytest.raises(JobBookError, match="row 1 of table job is damaged"):
            book.load_job(1)
        assert [problem.kind for problem in book.verify()] == ["damaged-row"]


def fail_half_way(book: JobBook) -> None:
    """A note that the disk has no room for, after it was written."""
    with book._writing() as connection:
        insert_row(connection, tables.note, job_id=1, added_utc="", text="")
        raise OSError(28, "No space left on device")


def find_missing(book: JobBook) -> list[str]:
    return [one.message for one in book.verify() if one.kind == "missing-row"]


def test_rows_that_are_gone_are_named(where: Any, tmp_path: Path) -> None:
    """First, last and all of a table; a save that failed and a removal are no loss."""
    with JobBook.open(where) as book:
        book.add_type(make_type())
        book.add_type(SetType(name="a mistake"))
        for number in (1, 2, 3):
            book.open_job(f"set {number}", "Lakeside 4")
            book.add_note(1, f"note {number}")
            with pytest.raises(JobBookError):
                fail_half_way(book)
        book.remove_type("a mistake")
        book.remove_job(3)
        book.empty_bin()
        book.open_job("set 4", "Lakeside 4")
        assert book.verify() == ()
        execute(where, "DELETE FROM note WHERE id IN (1, 3)", "DELETE FROM event WHERE id > 2")
        told = ["row 1 of table note is missing", "row 3 of table note is missing"]
        lost = find_missing(book)
        assert lost[:2] == told
        assert lost[2].startswith("rows 3 to ")
        book.backup(tmp_path / "copy")
        with JobBook.open(tmp_path / "copy", create=False) as copy:
            assert find_missing(copy) == lost
        book.add_note(1, "goes on")
        assert find_missing(book) == lost
        execute(where, "DELETE FROM last_row", "DELETE FROM note WHERE id = 2")
        book.add_note(1, "and on")
        assert find_missing(book)[0] == "rows 1 to 3 of table note are missing"


def test_locked_for_too_long(where: Any) -> None:
    with JobBook.open(where) as book:
        book.add_type(make_type())
    url = sa.make_url(where).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(url.difference_update_query(["recordings"]))
    with engine.begin() as other, JobBook.open(where, wait_s=0.2) as book:
        other.exec_driver_sql("LOCK TABLE job IN EXCLUSIVE MODE")
        with pytest.raises(JobBookError, match="locked by another program"):
            book.open_job("late", "Lakeside 4")
    engine.dispose()


def test_refused_run_leaves_nothing(where: Any) -> None:
    with JobBook.open(where) as book:
        with pytest.raises(InputError, match="job 5"):
            book.save_run(draw_run(1, job=5))
        broken = dataclasses.replace(draw_run(1), stage="a\0b")
        with pytest.raises(InputError, match="zero character"):
            book.save_run(broken)
        assert (book.count_runs(), book.count_measurements()) == (0, 0)


def test_server_that_stops_is_told_and_loses_nothing(server: Any, where: Any) -> None:
    with JobBook.open(where, wait_s=2) as book:
        book.add_type(make_type())
        book.open_job("hall set", "Lakeside 4")
        server.control("stop")
        with pytest.raises(JobBookError) as caught:
            book.add_note(1, "too late")
        assert "\n" not in str(caught.value)
        server.control("start")
    with JobBook.open(where) as book:
        assert [job.label for job in book.list_jobs()] == ["hall set"]
        assert book.load_job(1).notes == ()


def test_changes_are_seen_whoever_makes_them(where: Any) -> None:
    check_changes(where)


def test_the_page_serves_a_book_on_a_server(where: Any) -> None:
    with JobBook.open(where) as book:
        book.add_type(make_type())
        book.open_job("hall set, green", "Lakeside 4")
    with open_client(where) as client:
        assert "hall set, green" in client.get("/").text
        client.post("/jobs/1/note", data={"text": "contacts cleaned"})
        assert "contacts cleaned" in client.get("/jobs/1").text
