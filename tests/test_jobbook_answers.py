"""What turned out to be wrong: kept in the time line, the newest counts, told to the causes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jobbook_samples import make_type

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.workflow.papers.answers import keep_cause


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as book:
        book.add_type(make_type())
        for label in ("one", "two", "three"):
            book.open_job(label, "Lakeside 4")
        yield book


def test_a_code_is_kept_with_its_words_and_stands_in_the_time_line(book: Any) -> None:
    assert "weak magnet" in keep_cause(book, 1, "f13")
    newest = book.list_events(1)[-1]
    assert newest.kind == "cause"
    assert newest.text.startswith("F13: weak magnet")
    assert book.count_causes() == {"F13": 1}


def test_what_is_said_last_counts_and_words_are_something_else(book: Any) -> None:
    keep_cause(book, 1, "F13")
    keep_cause(book, 1, "F01")
    keep_cause(book, 2, "F01")
    assert keep_cause(book, 3, " a moth in the mouthpiece: dead ") == (
        "a moth in the mouthpiece: dead"
    )
    assert book.count_causes() == {"F01": 2, "other": 1}


def test_a_job_in_the_bin_says_nothing_until_it_is_back(book: Any) -> None:
    keep_cause(book, 1, "F13")
    keep_cause(book, 2, "F13")
    book.remove_job(2)
    assert book.count_causes() == {"F13": 1}
    book.restore_job(2)
    assert book.count_causes() == {"F13": 2}


@pytest.mark.parametrize("said", ["F99", "x1", "", "   ", "a\0b"])
def test_a_slip_is_refused_and_nothing_is_kept(book: Any, said: str) -> None:
    with pytest.raises(InputError, match="cause"):
        keep_cause(book, 1, said)
    with pytest.raises(InputError):
        keep_cause(book, 77, "F01")
    assert book.count_causes() == {}


def test_answers_travel_with_a_parcel(book: Any, tmp_path: Path) -> None:
    keep_cause(book, 1, "F13")
    book.export_job(1, tmp_path / "job.zip")
    with JobBook.open(tmp_path / "other") as other:
        other.import_parcel(tmp_path / "job.zip")
        assert other.count_causes() == {"F13": 1}
