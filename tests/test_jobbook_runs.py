"""Runs, baselines, comparisons and bench documents: stored equals loaded, order is the book's."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jobbook_samples import (
    draw_baseline,
    draw_comparison,
    draw_measurement,
    draw_recording,
    draw_run,
    make_type,
)

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook
from voicecheck.records import Recipe


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as book:
        book.add_type(make_type())
        book.open_job("hall set", "Lakeside 4")
        yield book


def test_run_comes_back_whole(book: Any) -> None:
    run = draw_run(1, job=1)
    number = book.save_run(run)
    assert book.load_run(number).same_as(run)
    assert book.list_runs(job=1)[0].same_as(run)
    assert (book.count_runs(), book.count_measurements()) == (1, 3)
    assert [event.kind for event in book.list_events(1)] == ["opened", "run"]


def test_run_without_job_or_with_one_seat_comes_back(book: Any) -> None:
    run = draw_run(2, n_seats=1, seat_sd_db=np.full(53, np.nan), level_sd_db=None)
    book.save_run(run)
    assert book.list_runs()[0].same_as(run)


def test_runs_are_chosen_and_the_newest_is_last(book: Any) -> None:
    book.add_type(make_type("Hillview 2"))
    book.open_job("other", "Hillview 2")
    runs = [
        draw_run(1, job=1, stage="before"),
        draw_run(2, job=1, stage="before", path="receive"),
        draw_run(3, job=2, stage="reference"),
        draw_run(4, job=1, stage="before"),
    ]
    for run in runs:
        book.save_run(run)

    def chosen(**by: Any) -> Any:
        listed = book.list_runs(**by)
        return [next(i for i, run in enumerate(runs, 1) if run.same_as(one)) for one in listed]

    assert chosen() == [1, 2, 3, 4]
    assert chosen(job=1, path="transmit", stage="before") == [1, 4]
    assert chosen(type_name="Hillview 2") == [3]
    assert chosen(stage="reference", type_name="Lakeside 4") == []
    pooled = book.list_runs(job=2, recordings=False)[0]
    assert pooled.same_as(dataclasses.replace(runs[2], recordings=()))


def test_what_cannot_be_filed_is_refused_whole(book: Any) -> None:
    with pytest.raises(InputError, match="job 7"):
        book.save_run(draw_run(1, job=7))
    with pytest.raises(InputError, match="path: need one of"):
        book.save_run(draw_run(1, job=1, path="sideways"))
    with pytest.raises(InputError, match="job 7"):
        book.list_runs(job=7)
    with pytest.raises(InputError, match="set type"):
        book.list_runs(type_name="none")
    assert (book.count_runs(), book.count_measurements()) == (0, 0)
    assert [event.kind for event in book.list_events(1)] == ["opened"]


def test_newest_baseline_of_a_type_and_path_is_the_one(book: Any) -> None:
    for seed, path in [(1, "transmit"), (2, "transmit"), (3, "receive")]:
        book.save_baseline(draw_baseline(seed, path=path))
    assert book.load_baseline("Lakeside 4", "transmit").same_as(draw_baseline(2))
    assert [one.path for one in book.list_baselines()] == ["transmit", "transmit", "receive"]
    with pytest.raises(InputError, match=r"paths with one: receive, transmit.*baseline build"):
        book.load_baseline("Lakeside 4", "sidetone")
    with pytest.raises(InputError, match="near it"):
        book.load_baseline("Lakeside", "transmit")


def test_baseline_that_would_not_read_back_is_refused(book: Any) -> None:
    broken = dataclasses.replace(draw_baseline().quantities[0], mean=float("nan"))
    with pytest.raises(InputError, match=r"Baseline cannot be stored.*mean"):
        book.save_baseline(dataclasses.replace(draw_baseline(), quantities=(broken,)))
    assert book.list_baselines() == ()


def test_comparisons_come_back_in_order(book: Any) -> None:
    made = [draw_comparison(1, stage) for stage in ("before", "after")]
    for one in made:
        book.save_comparison(one)
    assert list(book.list_comparisons(1)) == made
    with pytest.raises(InputError, match="job 3"):
        book.list_comparisons(3)


def test_bench_documents_keep_their_history(book: Any) -> None:
    for kind, name, document in [
        ("calibration", "shop", '{"a":1}'),
        ("calibration", "shop", '{"a":2}'),
        ("bench", "shop", "{}"),
    ]:
        book.save_bench_record(kind, name, document)
    listed = book.list_bench_records(kind="calibration", name="shop")
    assert [one.document for one in listed] == ['{"a":1}', '{"a":2}']
    assert len(book.list_bench_records()) == 3
    with pytest.raises(InputError, match="kind"):
        book.save_bench_record("", "x", "{}")


def test_measurement_of_a_recording_never_saved_is_reported(book: Any) -> None:
    stored = book.save_recording(draw_recording(), Recipe())
    book.save_run(draw_run(1, job=1, recordings=(draw_measurement(5, stored.sha256),)))
    assert book.verify() == ()
    book.save_run(draw_run(1, job=1, recordings=(draw_measurement(5, "ab" * 32),)))
    assert [problem.kind for problem in book.verify()] == ["missing-recording"]


def test_changed_letter_in_a_row_is_noticed(book: Any, tmp_path: Path) -> None:
    """SQLite's own check passes here: only the row's digest tells."""
    import sqlite3

    book.save_run(draw_run(1, job=1))
    book.open_job("second", "Lakeside 4")
    with sqlite3.connect(tmp_path / "book" / "book.db") as raw:
        raw.execute("UPDATE job SET label = 'hell set' WHERE id = 1")
    raw.close()
    with pytest.raises(JobBookError, match="row 1 of table job is damaged"):
        book.load_job(1)
    assert [problem.kind for problem in book.verify()] == ["damaged-row"]
    assert book.load_job(2).label == "second"
