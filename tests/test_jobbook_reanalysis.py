"""Old recordings analysed again: new numbers stand in the old place, old numbers stay."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jobbook_samples import draw_measurement, draw_recording, draw_run, make_type
from services import need_module

from voicecheck.errors import InputError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import Bands, Measurement, Recipe, Recording, RecordingInfo, Run


def analyse_mean_square(recording: Recording, recipe: Recipe) -> Measurement:
    """Stand-in for an analysis: the level of the samples, so that each recording has its own."""
    if recording.conditions.seat == 13:
        raise RecordingError("silent")
    level_db = 10.0 * np.log10(np.mean(recording.samples**2))
    return Measurement(
        recording=RecordingInfo(rate_hz=recipe.rate_hz), bands=Bands(at_1khz_db=float(level_db))
    )


def pool_mean(old: Run, measurements: tuple[Measurement, ...]) -> Run:
    mean_db = float(np.mean([one.bands.at_1khz_db for one in measurements]))
    pooled = old.pooled.replace(bands=Bands(at_1khz_db=mean_db))
    return dataclasses.replace(old, recordings=measurements, pooled=pooled)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as book:
        book.add_type(make_type())
        book.open_job("hall set", "Lakeside 4")
        yield book


def save_run(book: Any, seeds: Any, *, job: int = 1, **fields: Any) -> None:
    seats = []
    for seed in seeds:
        stored = book.save_recording(draw_recording(seed, 400), Recipe())
        seats.append(draw_measurement(seed, stored.sha256))
    book.save_run(draw_run(seeds[0], job=job, recordings=tuple(seats), **fields))


def find_level(book: Any, seeds: Any) -> Any:
    levels = []
    for seed in seeds:
        stored = book.save_recording(draw_recording(seed, 400), Recipe())
        levels.append(10.0 * np.log10(np.mean(stored.samples**2)))
    return pytest.approx(float(np.mean(levels)), abs=1e-9)


@pytest.mark.parametrize("backend", ["loky", "threading"])
def test_new_numbers_take_the_place_and_old_ones_stay(book: Any, backend: str) -> None:
    save_run(book, (1, 2), stage="before")
    save_run(book, (3,), stage="after")
    old = book.list_runs()
    assert len(book.list_outdated("9.0")) == 3
    done = book.analyse_again(
        analyse_mean_square, pool_mean, version="9.0", n_workers=2, backend=backend
    )
    assert (done.n_recordings, done.n_runs, done.problems) == (3, 2, ())
    assert book.list_outdated("9.0") == ()
    new = book.list_runs()
    assert [run.stage for run in new] == ["before", "after"]
    assert new[0].pooled.bands.at_1khz_db == find_level(book, (1, 2))
    assert {run.pooled.version for run in new} == {"9.0"}
    assert all(one.version == "9.0" for run in new for one in run.recordings)
    everything = book.list_runs(history=True)
    assert [run.pooled.version for run in everything] == ["0.1.0", "9.0"] * 2
    assert everything[0].same_as(old[0])
    assert everything[2].same_as(old[1])
    assert book.verify() == ()


def test_later_run_stays_the_current_one(book: Any) -> None:
    """Renewing an older run must not make it the newest of its stage."""
    save_run(book, (1,))
    save_run(book, (2,))
    book.analyse_again(analyse_mean_square, pool_mean, version="9.0", n_workers=1)
    runs = book.list_runs(job=1, path="transmit", stage="before")
    assert runs[-1].pooled.bands.at_1khz_db == find_level(book, (2,))
    save_run(book, (3,))
    book.analyse_again(analyse_mean_square, pool_mean, version="9.1", n_workers=1)
    levels = [run.pooled.bands.at_1khz_db for run in book.list_runs()]
    assert levels == [find_level(book, (seed,)) for seed in (1, 2, 3)]
    assert len(book.list_runs(history=True)) == 8


def test_bad_recording_keeps_its_old_numbers_and_is_told(book: Any, tmp_path: Path) -> None:
    save_run(book, (1, 13))
    save_run(book, (2,))
    save_run(book, (3,))
    stored = book.save_recording(draw_recording(3, 400), Recipe())
    (tmp_path / "book" / "recordings" / stored.sha256[:2] / f"{stored.sha256}.flac").unlink()
    told = []
    done = book.analyse_again(
        analyse_mean_square,
        pool_mean,
        version="9.0",
        n_workers=1,
        on_progress=lambda n_done, n_all: told.append((n_done, n_all)),
    )
    assert (done.n_recordings, done.n_runs) == (2, 1)
    assert sorted("silent" in problem.message for problem in done.problems) == [False, True]
    assert [run.pooled.version for run in book.list_runs()] == ["0.1.0", "9.0", "0.1.0"]
    assert told[-1] == (4, 4)


def test_stopped_work_goes_on_where_it_was(book: Any) -> None:
    save_run(book, (1, 2, 3, 4, 5))

    def stop(n_done: int, _: int) -> None:
        if n_done >= 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        book.analyse_again(analyse_mean_square, version="9.0", n_workers=1, on_progress=stop)
    left = len(book.list_outdated("9.0"))
    assert 0 < left < 5
    assert [run.pooled.version for run in book.list_runs()] == ["0.1.0"]
    done = book.analyse_again(analyse_mean_square, pool_mean, version="9.0", n_workers=1)
    assert (done.n_recordings, done.n_runs) == (left, 1)


def test_jobs_in_the_bin_are_left_alone_until_they_are_back(book: Any) -> None:
    """What another job has, too, is analysed; what no run has as well."""
    book.open_job("removed", "Lakeside 4")
    save_run(book, (1, 2))
    save_run(book, (2, 3), job=2)
    stray = book.save_recording(draw_recording(4, 400), Recipe()).sha256
    book.remove_job(2)
    outdated = book.list_outdated("9.0")
    assert len(outdated) == 3
    assert stray in outdated
    done = book.analyse_again(analyse_mean_square, pool_mean, version="9.0", n_workers=1)
    assert (done.n_recordings, done.n_runs) == (3, 1)
    book.restore_job(2)
    done = book.analyse_again(analyse_mean_square, pool_mean, version="9.0", n_workers=1)
    assert (done.n_recordings, done.n_runs) == (1, 1)
    assert {run.pooled.version for run in book.list_runs()} == {"9.0"}


def test_nothing_to_do_is_nothing_done(book: Any) -> None:
    done = book.analyse_again(analyse_mean_square, pool_mean, version="9.0", n_workers=1)
    assert (done.n_recordings, done.n_runs, done.problems) == (0, 0, ())


def test_unknown_backend_is_wrong_use(book: Any) -> None:
    save_run(book, (1,))
    with pytest.raises(InputError, match="backend 'abacus'"):
        book.analyse_again(analyse_mean_square, version="9.0", backend="abacus")


@pytest.mark.filterwarnings("ignore::Warning")  # the cluster library's own, at its start and end
def test_the_same_call_runs_on_a_cluster(book: Any) -> None:
    distributed = need_module("distributed")
    save_run(book, (1, 2))
    save_run(book, (3,))
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        client.wait_for_workers(2)
        done = book.analyse_again(analyse_mean_square, pool_mean, version="9.0", backend="dask")
    assert (done.n_recordings, done.n_runs, done.problems) == (3, 2, ())
    assert book.list_runs()[0].pooled.bands.at_1khz_db == find_level(book, (1, 2))
