# mypy: disable-error-code="arg-type"
"""Recordings in the book: on disk when reported, the same when read, damage named."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from jobbook_samples import draw_recording

from voicecheck.errors import InputError, JobBookError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.jobbook.sound import decode_recording, encode_recording
from voicecheck.records import Recipe, Recording
from voicecheck.records.arrays import is_same

RECIPE = Recipe(n_sweeps=2, level_dbfs=-15.5)
STEP = 2.0**-23


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as book:
        yield book


def list_files(folder: Any) -> Any:
    return sorted(
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith("book.db")
    )


def test_recording_comes_back_as_it_was_stored(book: Any, tmp_path: Path) -> None:
    taken = draw_recording()
    stored = book.save_recording(taken, RECIPE)
    loaded = book.load_recording(stored.sha256)
    assert is_same(loaded, stored)
    assert np.max(np.abs(loaded.samples - taken.samples)) <= STEP / 2
    assert (loaded.conditions, loaded.calibration, loaded.problems) == (
        taken.conditions,
        taken.calibration,
        taken.problems,
    )
    assert book.load_recipe(stored.sha256) == RECIPE
    name = f"recordings/{stored.sha256[:2]}/{stored.sha256}.flac"
    assert list_files(tmp_path / "book") == [name]
    data = (tmp_path / "book" / name).read_bytes()
    assert hashlib.sha256(data).hexdigest() == stored.sha256


def test_file_alone_is_enough_for_any_flac_reader(book: Any, tmp_path: Path) -> None:
    """Libsndfile reads the samples, and the comment says how they were taken."""
    stored = book.save_recording(draw_recording(), RECIPE)
    path = next((tmp_path / "book" / "recordings").glob("*/*.flac"))
    samples, rate_hz = soundfile.read(path)
    assert rate_hz == 48000
    np.testing.assert_array_equal(samples, stored.samples)
    with soundfile.SoundFile(path) as file:
        assert (file.format, file.subtype, file.channels) == ("FLAC", "PCM_24", 1)
        label = json.loads(file.comment)
    assert label["schema"] == "voicecheck.recording/1"
    assert label["recipe"]["level_dbfs"] == -15.5
    assert label["conditions"]["feed_ma"] == 40.0
    assert label["calibration"]["name"] == "bench of May"


def test_same_recording_saved_twice_is_one(book: Any, tmp_path: Path) -> None:
    first, second = (book.save_recording(draw_recording(), RECIPE) for _ in range(2))
    assert first.sha256 == second.sha256
    assert len(book.list_recordings()) == len(list_files(tmp_path / "book")) == 1


@pytest.mark.parametrize("peak", [1.0000001, 1.7, 3.0, 1000.0])
def test_above_full_scale_is_scaled_not_clipped(book: Any, peak: float) -> None:
    taken = draw_recording(peak=peak)
    stored = book.save_recording(taken, RECIPE)
    error = np.max(np.abs(book.load_recording(stored.sha256).samples - taken.samples))
    assert error <= STEP * peak


def test_integers_of_24_bit_come_back_exactly(book: Any) -> None:
    rng = np.random.default_rng(5)
    samples = rng.integers(-(1 << 23), 1 << 23, 5000) * STEP
    stored = book.save_recording(Recording(samples=samples, rate_hz=44100), RECIPE)
    np.testing.assert_array_equal(book.load_recording(stored.sha256).samples, samples)


@settings(max_examples=40, deadline=None)
@given(
    samples=hnp.arrays(
        np.float64, st.integers(1, 300), elements=st.floats(-1e3, 1e3, allow_subnormal=False)
    )
)
def test_any_finite_recording_is_kept_to_its_own_24_bit(samples: Any) -> None:
    taken = Recording(samples=samples, rate_hz=48000)
    data, stored, _ = encode_recording(taken, RECIPE)
    loaded, label = decode_recording(data, "of the file")
    assert is_same(loaded.replace(sha256=""), stored)
    assert label.recipe == RECIPE
    # Full scale itself is one step above the largest 24 bit integer.
    assert np.max(np.abs(loaded.samples - samples)) <= 2 * STEP * max(1.0, np.abs(samples).max())


@pytest.mark.parametrize(
    ("samples", "told"),
    [
        ([], "need one channel with samples"),
        (np.zeros((2, 5)), "need one channel with samples"),
        ([0.0, np.nan, 0.1], r"1 samples are not numbers, the first at 0\.000 s"),
        ([0.0, np.inf], "not numbers"),
    ],
)
def test_unusable_samples_are_refused_and_nothing_is_left(
    book: Any, tmp_path: Path, samples: Any, told: str
) -> None:
    with pytest.raises(RecordingError, match=told):
        book.save_recording(Recording(samples=samples, rate_hz=48000), RECIPE)
    assert list_files(tmp_path / "book") == []
    assert book.list_recordings() == ()


def test_impossible_rate_is_refused(book: Any) -> None:
    with pytest.raises(RecordingError, match="cannot be kept as FLAC"):
        book.save_recording(Recording(samples=[0.1], rate_hz=9_000_000), RECIPE)


def test_unknown_recording_is_told(book: Any) -> None:
    with pytest.raises(InputError, match="recording abcdef: not in the book"):
        book.load_recording("abcdef")


@pytest.mark.parametrize("place", [0.02, 0.3, 0.7, 0.99])
def test_one_flipped_bit_is_named_and_loses_nothing_else(
    book: Any, tmp_path: Path, place: float
) -> None:
    first = book.save_recording(draw_recording(1), RECIPE)
    second = book.save_recording(draw_recording(2), RECIPE)
    path = tmp_path / "book" / "recordings" / first.sha256[:2] / f"{first.sha256}.flac"
    data = bytearray(path.read_bytes())
    data[int(place * len(data))] ^= 0x10
    path.write_bytes(data)
    with pytest.raises(JobBookError, match=f"{first.sha256}.*damaged"):
        book.load_recording(first.sha256)
    assert is_same(book.load_recording(second.sha256), second)
    found = book.verify()
    assert [problem.kind for problem in found] == ["damaged-recording"]
    assert first.sha256 in found[0].message
    book.save_recording(draw_recording(1), RECIPE)
    assert book.verify() == ()


def test_missing_recording_is_named(book: Any, tmp_path: Path) -> None:
    stored = book.save_recording(draw_recording(), RECIPE)
    next((tmp_path / "book" / "recordings").glob("*/*.flac")).unlink()
    with pytest.raises(JobBookError, match=stored.sha256):
        book.load_recording(stored.sha256)
    assert [problem.kind for problem in book.verify()] == ["missing-recording"]


def test_recording_left_unfiled_is_found_and_adopted(tmp_path: Path) -> None:
    """A process killed between file and database leaves a whole file: nothing of it is lost."""
    with JobBook.open(tmp_path / "one") as one:
        stored = one.save_recording(draw_recording(), RECIPE)
    (tmp_path / "two").mkdir()
    with JobBook.open(tmp_path / "two") as two:
        (tmp_path / "one" / "recordings").rename(tmp_path / "two" / "recordings")
        assert [problem.kind for problem in two.verify()] == ["unfiled-recording"]
        with pytest.raises(InputError, match="not in the book"):
            two.load_recording(stored.sha256)
        assert two.adopt_strays() == (stored.sha256,)
        assert is_same(two.load_recording(stored.sha256), stored)
        assert two.verify() == ()
        assert two.adopt_strays() == ()


def test_temporary_files_of_the_dead_are_swept_and_of_the_living_kept(tmp_path: Path) -> None:
    import os
    import socket
    import subprocess
    import sys

    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    incoming = tmp_path / "incoming"
    incoming.mkdir()
    names = {
        f"{socket.gethostname()}.{child.pid}.aa.part": False,
        f"{socket.gethostname()}.{os.getpid()}.bb.part": True,
        "other-bench.77.cc.part": True,
        "other-bench.77.dd.part": False,
    }
    for name in names:
        (incoming / name).write_bytes(b"half")
    os.utime(incoming / "other-bench.77.dd.part", (0, 0))
    JobBook.open(tmp_path).close()
    left = {path.name for path in incoming.iterdir()}
    assert left == {name for name, kept in names.items() if kept}
