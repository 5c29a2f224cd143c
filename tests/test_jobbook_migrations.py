# mypy: disable-error-code="attr-defined"
"""A book in an older layout is brought up to date whole, or left as it was."""

from __future__ import annotations

import datetime
import sqlite3
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from jobbook_samples import (
    draw_baseline,
    draw_comparison,
    draw_run,
    draw_small_run,
    make_type,
)

import voicecheck
from voicecheck.errors import JobBookError
from voicecheck.jobbook import JobBook, migrations, tables
from voicecheck.records.sets import Work

GOLDEN = Path(__file__).parents[1] / "fixtures" / "golden"
OLD_LAYOUTS = ("0001", "0002", "0003", "0004", "0005", "0006")


@pytest.fixture(params=OLD_LAYOUTS)
def old_layout(request: pytest.FixtureRequest) -> Any:
    return request.param


@pytest.fixture
def old_book(old_layout: Any, tmp_path: Path) -> Any:
    folder = tmp_path / "old"
    folder.mkdir()
    with sqlite3.connect(folder / "book.db") as raw:
        raw.executescript((GOLDEN / f"jobbook_{old_layout}.sql").read_text())
        kept = raw.execute("SELECT sha256 FROM attachment").fetchall()
    raw.close()
    for (sha256,) in kept:
        # The only file that any of them keeps.
        place = folder / "attachments" / sha256[:2] / sha256
        place.parent.mkdir(parents=True)
        place.write_bytes(b"an invented picture")
    return folder


def read_log(folder: Any) -> Any:
    with sqlite3.connect(folder / "book.db") as raw:
        rows = raw.execute("SELECT step, at_utc, version FROM layout_step ORDER BY step").fetchall()
    raw.close()
    return rows


def describe_layout(path: Path) -> dict[str, object]:
    engine = sa.create_engine(f"sqlite:///{path}")
    inspector = sa.inspect(engine)
    layout = {
        name: (
            {
                (one["name"], str(one["type"]), one["nullable"])
                for one in inspector.get_columns(name)
            },
            {(one["name"], tuple(one["column_names"])) for one in inspector.get_indexes(name)},
            {
                (tuple(one["constrained_columns"]), one["referred_table"])
                for one in inspector.get_foreign_keys(name)
            },
            {tuple(one["column_names"]) for one in inspector.get_unique_constraints(name)},
            inspector.get_pk_constraint(name)["constrained_columns"],
        )
        for name in inspector.get_table_names()
    }
    with engine.connect() as connection:
        strict = connection.exec_driver_sql("SELECT name, strict FROM pragma_table_list").all()
    engine.dispose()
    return layout | {"strict": {(name, flag) for name, flag in strict if name in layout}}


def test_first_layout_becomes_the_newest_and_keeps_every_row(
    old_book: Any, old_layout: str
) -> None:
    with JobBook.open(old_book) as book:
        assert book.verify() == ()
        assert [job.label for job in book.list_jobs()] == ["desk set", "hall set"]
        assert book.load_job(1).owner == "Mrs Größe"
        assert book.load_job(2).notes == ("bell low",)
        assert book.load_job(2).closed_utc is not None
        assert book.list_types() == (make_type(),)
        for number in (1, 2):
            assert book.list_runs(job=number)[0].same_as(draw_small_run(number, number))
        assert book.load_baseline("Lakeside 4", "transmit").same_as(draw_baseline())
        assert book.list_comparisons(1) == (draw_comparison(1),)
        assert book.list_bench_records()[0].document == '{"ear":"coupler"}'
        # The fourth layout knows the bin, and has its third job in it.
        number = 4 if old_layout >= "0004" else 3
        assert book.open_job("another", "Lakeside 4").job == number
        book.save_run(draw_run(3, job=number))
        assert book.verify() == ()


def test_jobs_of_an_older_book_are_at_the_stage_that_their_runs_say(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "book.db") as raw:
        raw.executescript((GOLDEN / "jobbook_0003.sql").read_text())
    raw.close()
    with JobBook.open(tmp_path) as book:
        assert [job.stage for job in book.list_jobs()] == ["after", "before"]
        book.set_stage(2, "before")
        assert book.load_job(2).stage == "before"
        assert all(not one.aside for one in book.read_traces([2])[2].runs)
        assert book.verify() == ()


def test_fourth_layout_keeps_what_was_moved_put_aside_filed_and_thrown_away(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "book.db") as raw:
        raw.executescript((GOLDEN / "jobbook_0004.sql").read_text())
    raw.close()
    with JobBook.open(tmp_path) as book:
        assert [job.stage for job in book.list_jobs()] == ["before", "after"]
        assert [one.name for one in book.load_job(1).attachments] == ["photo.jpg"]
        assert [one.aside for one in book.read_traces([2])[2].runs] == ["", "off its coupler"]
        assert book.list_removed() == ((3, "a mistake"),)
        assert {job.set for job in book.list_jobs()} == {None}
        assert book.list_sets() == ()
        one = book.give_set(2)
        assert (one.label, one.type_name, one.jobs) == ("desk set", "Lakeside 4", (2,))
        again = book.open_job("desk set again", "Lakeside 4", of_set=one.set)
        assert book.load_set(one.set).jobs == (2, again.job)
        work = book.add_work(1, Work(kind="ohms", what="receiver", value=63.5))
        assert book.load_job(1).work == (work,)


def test_layout_after_the_steps_is_that_of_a_new_book(old_book: Any, tmp_path: Path) -> None:
    JobBook.open(old_book).close()
    JobBook.open(tmp_path / "new").close()
    old = describe_layout(old_book / "book.db")
    assert old == describe_layout(tmp_path / "new" / "book.db")
    assert all(flag == 1 for _, flag in old["strict"])


def test_failing_step_leaves_the_book_in_its_old_layout(
    old_book: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = describe_layout(old_book / "book.db")
    real = migrations.apply_steps

    def fail_late(connection: sa.Connection, version: str) -> None:
        real(connection, version)
        connection.exec_driver_sql("SELECT * FROM a_table_that_is_not_there")

    monkeypatch.setattr(migrations, "apply_steps", fail_late)
    with pytest.raises(JobBookError, match="no such table"):
        JobBook.open(old_book)
    assert describe_layout(old_book / "book.db") == before
    monkeypatch.undo()
    with JobBook.open(old_book) as book:
        assert book.verify() == ()


def test_what_was_applied_is_logged_with_time_and_version(
    old_book: Any, old_layout: Any, tmp_path: Path
) -> None:
    for _ in range(2):
        JobBook.open(old_book).close()
    # A book of a layout that has the log says in it how the book itself was made.
    rows = [row for row in read_log(old_book) if row[0] > old_layout]
    assert [row[0] for row in rows] == [
        step.number for step in migrations.STEPS if step.number > old_layout
    ]
    assert {row[2] for row in rows} == {voicecheck.__version__}
    now = datetime.datetime.now(datetime.UTC)
    assert all(now - datetime.datetime.fromisoformat(row[1]) < datetime.timedelta(hours=1)
               for row in rows)  # fmt: skip
    JobBook.open(tmp_path / "new").close()
    assert [row[0] for row in read_log(tmp_path / "new")] == [tables.SCHEMA_VERSION]


def test_steps_are_numbered_without_a_gap() -> None:
    numbers = [step.number for step in migrations.STEPS]
    assert numbers == [f"{number:04}" for number in range(1, len(numbers) + 1)]
    assert numbers[-1] == tables.SCHEMA_VERSION
    assert list(OLD_LAYOUTS) == numbers[:-1]
