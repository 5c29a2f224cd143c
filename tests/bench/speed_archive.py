"""
An archive of recordings analysed anew: one process over the bare work, more processes over one.

A part of `all_ratios.py`. The recordings are short and the analysis a stand-in, so that what is
timed is the book's own work: reading, checking, handing out, filing. By the clock, since processes
work side by side.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from jobbook_samples import draw_recording, measure_level
from timing import Ratio, clock_ms

from voicecheck.jobbook import JobBook
from voicecheck.jobbook.recordings import file_recording
from voicecheck.jobbook.sound import encode_recording
from voicecheck.records import Recipe

N_RECORDINGS, N_SHORT = 10_000, 2000


def fill(book: JobBook, n_recordings: int) -> None:
    """Short recordings in bulk: files as they are saved, rows in one transaction."""
    recipe = Recipe()
    with book._writing() as connection:
        for seed in range(n_recordings):
            data, stored, label = encode_recording(draw_recording(seed, 480), recipe)
            sha256 = book._vault.store_recording(data)
            file_recording(connection, sha256, label, len(stored.samples), len(data))


def list_archive(*, short: bool) -> Iterator[Ratio]:
    """One process, two, and two workers of a cluster here."""
    n = N_SHORT if short else N_RECORDINGS
    with tempfile.TemporaryDirectory() as folder, JobBook.open(folder) as book:
        fill(book, n)

        def analyse(version: str, n_workers: int, backend: str) -> float:
            return clock_ms(
                lambda: book.analyse_again(
                    measure_level, version=version, n_workers=n_workers, backend=backend
                ),
                by_clock=True,
            )

        bare_ms = clock_ms(lambda: read_all(Path(folder)), by_clock=True)
        one_ms = analyse("9.1", 1, "loky")
        yield _put(
            f"archive: {n} recordings, one process",
            one_ms,
            bare_ms,
            "decoding and the same sum",
        )
        two_ms = analyse("9.2", 2, "loky")
        yield _put(f"archive: {n} recordings, two processes", two_ms, one_ms, "one process")
        with open_cluster():
            dask_ms = analyse("9.3", 2, "dask")
        yield _put(f"archive: {n} recordings, two dask workers", dask_ms, one_ms, "one process")


def _put(name: str, value_ms: float, floor_ms: float, against: str) -> Ratio:
    return Ratio(
        name=name, value=value_ms / 1000.0, floor=floor_ms / 1000.0, against=against, unit="s"
    )


def read_all(folder: Path) -> None:
    """Every file of the archive decoded once and its power taken, which is what is asked of it."""
    for file in (folder / "recordings").rglob("*"):
        if file.is_file():
            np.mean(np.square(soundfile.read(file)[0]))


@contextmanager
def open_cluster() -> Iterator[None]:
    """Two dask workers on this machine."""
    import distributed

    with (
        distributed.LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=2, threads_per_worker=1, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,  # type: ignore[no-untyped-call]
    ):
        client.wait_for_workers(2)
        yield
