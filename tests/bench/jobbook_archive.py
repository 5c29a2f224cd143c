"""
How the time of analysing an archive again grows: 1 000, 3 000 and 10 000 recordings.

Run: python tests/bench/jobbook_archive.py [backend] [n_recordings ...]

The recordings are short and the analysis a stand-in, so that what is timed is the book's own
work: reading, checking, handing out, filing. The true analysis of one default programme is timed
beside it, and both together say what 100 000 recordings would take.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from jobbook_samples import draw_recording, measure_level

from voicecheck.jobbook import JobBook
from voicecheck.jobbook.recordings import file_recording
from voicecheck.jobbook.sound import encode_recording
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Recipe, Recording


def fill(book: JobBook, n_recordings: int) -> None:
    """Short recordings in bulk: files as they are saved, rows in one transaction."""
    recipe = Recipe()
    with book._writing() as connection:
        for seed in range(n_recordings):
            data, stored, label = encode_recording(draw_recording(seed, 480), recipe)
            sha256 = book._vault.store_recording(data)
            file_recording(connection, sha256, label, len(stored.samples), len(data))


def time_true_analysis() -> float:
    """Seconds for one default programme played straight back, warm."""
    programme = make_programme()
    recording = Recording(samples=0.5 * programme.samples, rate_hz=programme.rate_hz)
    measure_recording(programme, recording)
    start = time.perf_counter()
    measure_recording(programme, recording)
    return time.perf_counter() - start


def main() -> None:
    """Print a line for each size."""
    backend = sys.argv[1] if len(sys.argv) > 1 else "loky"
    sizes = [int(word) for word in sys.argv[2:]] or [1000, 3000, 10_000]
    per_recording_s = 0.0
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder, JobBook.open(folder) as book:
            fill(book, size)
            start = time.perf_counter()
            done = book.analyse_again(measure_level, version="9.0", backend=backend)
            taken_s = time.perf_counter() - start
        per_recording_s = taken_s / size
        sys.stdout.write(
            f"{backend}: {done.n_recordings} recordings in {taken_s:.1f} s, "
            f"{per_recording_s * 1e3:.2f} ms each\n"
        )
        sys.stdout.flush()
    analysis_s, n_cores = time_true_analysis(), os.cpu_count() or 1
    hours = 100_000 * (per_recording_s + analysis_s / n_cores) / 3600.0
    sys.stdout.write(
        f"true analysis {analysis_s * 1e3:.0f} ms on one core; 100000 recordings on "
        f"{n_cores} cores: {hours:.1f} h\n"
    )


if __name__ == "__main__":
    main()
