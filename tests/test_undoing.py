"""The last thing done to a job is taken back, and nothing is deleted by that."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import pytest
from jobbook_samples import draw_small_run
from pagetest import open_client

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import SetType
from voicecheck.workflow.checks.run import list_checks, run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.undoing import find_undo, undo


@pytest.fixture
def book(tmp_path: Path) -> Iterator[JobBook]:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4"))
        opened.open_job("hall set", "Lakeside 4")
        yield opened


def sweep(book: JobBook, stage: str) -> None:
    book.save_run(dataclasses.replace(draw_small_run(1, 1), stage=stage, path="transmit"))


def test_a_run_is_put_aside_and_brought_back(book: JobBook) -> None:
    sweep(book, "before")
    sweep(book, "after")
    assert undo(book, 1) == "swept talks, after the work"
    assert [run.stage for run in book.list_runs(job=1)] == ["before"]
    assert len(book.list_runs(job=1, aside=True)) == 2
    undo(book, 1)
    assert [run.stage for run in book.list_runs(job=1)] == ["before", "after"]


def test_a_move_a_stage_and_a_closing_are_taken_back(book: JobBook) -> None:
    sweep(book, "before")
    (trace,) = book.read_traces([1])[1].runs
    book.move(1, trace.key, "after", "wrong stage")
    undo(book, 1)
    assert [run.stage for run in book.list_runs(job=1)] == ["before"]
    book.set_stage(1, "after")
    undo(book, 1)
    assert book.load_job(1).stage == "before"
    book.close_job(1)
    undo(book, 1)
    assert book.load_job(1).closed_utc is None


def test_a_check_is_put_aside(book: JobBook) -> None:
    run_check("dial", Source(simulated="healthy"), book=book, job=1, stage="before")
    assert len(list_checks(book, 1)) == 1
    undo(book, 1)
    assert list_checks(book, 1) == []
    assert len(list_checks(book, 1, aside=True)) == 1


def test_a_note_stays(book: JobBook, tmp_path: Path) -> None:
    book.add_note(1, "contacts cleaned")
    assert find_undo(book, 1) is None
    with pytest.raises(InputError, match="cannot be taken back"):
        undo(book, 1)
    sweep(book, "before")
    with open_client(tmp_path / "book") as client:
        assert "takes back: <bdi>swept talks, as found" in client.get("/jobs/1").text
        client.post("/jobs/1/undo", data={"undo": "1"})
    assert book.list_runs(job=1) == ()
