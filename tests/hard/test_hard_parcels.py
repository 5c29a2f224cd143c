"""Parcels that nobody should send: refused whole, the field named, nothing left, memory bounded."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import parcels
import pytest
from audio_files import run_main

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook

IDLE_MORE_MB = 64
RUN, BASELINE, JOB = "jobs/001/runs/001.json", "baselines/001.json", "jobs/001/job.json"
DEEP = parcels.DEEP.encode()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> parcels.Files:
    return parcels.make_good(tmp_path_factory.mktemp("good"))


@pytest.fixture
def book(tmp_path: Path) -> Iterator[JobBook]:
    with JobBook.open(tmp_path / "book") as opened:
        yield opened


def test_the_good_parcel_is_taken_in(files: parcels.Files, book: JobBook, tmp_path: Path) -> None:
    (tmp_path / "good.zip").write_bytes(parcels.pack(files))
    book.import_parcel(tmp_path / "good.zip")
    assert (book.count_jobs(), book.count_runs()) == (1, 2)
    assert len(book.list_baselines()) == 1
    assert book.verify() == ()


def test_300_parcels_are_refused_whole_or_taken_in_whole(tmp_path: Path) -> None:
    figures = parcels.run_many(tmp_path, 300, seed=19)
    assert figures.wrong == []
    assert figures.outcomes["taken in"] > 20, "some changes are harmless, or nothing was tried"
    assert figures.outcomes["refused"] > 150


def put(*path: Any, value: Any) -> Any:
    """An act that puts a value at a place of a document."""

    def act(document: Any) -> None:
        for key in path[:-1]:
            document = document[key]
        document[path[-1]] = value

    return act


def drop_last(*path: Any) -> Any:
    def act(document: Any) -> None:
        for key in path:
            document = document[key]
        document.pop()

    return act


@pytest.mark.parametrize(
    ("name", "act", "field"),
    [
        (BASELINE, put("n", value=0), "n"),
        (BASELINE, put("n", value=1_000_000_000), "n"),
        (BASELINE, put("sd_db", 3, value=-1.0), "sd_db"),
        (BASELINE, put("quantities", 0, "sd", value=-1.0), "quantities[0].sd"),
        (BASELINE, put("low_db", 2, value=500.0), "low_db"),
        (BASELINE, put("quantities", 0, "low", value=500.0), "quantities[0].low"),
        (BASELINE, put("frequency_hz", 0, value=1e5), "frequency_hz"),
        (BASELINE, drop_last("mean_db"), "mean_db"),
        (BASELINE, put("path", value="../.."), "is no path"),
        (RUN, drop_last("pooled", "response", "level_db"), "pooled.response.level_db"),
        (RUN, put("pooled", "response", "level_db", 1, value=1e308), "response.level_db"),
        (RUN, put("pooled", "bands", "at_1khz_db", value=-1e308), "bands.at_1khz_db"),
        (RUN, put("recordings", 0, "recording", "rate_hz", value=-1), "recording.rate_hz"),
        (RUN, put("recordings", 0, "recording", "sha256", value="../../.."), "recording.sha256"),
        (JOB, put("attachments", 0, "sha256", value="../../.."), "attachments[0].sha256"),
    ],
)
def test_what_cannot_be_is_refused_with_its_field(
    files: parcels.Files, tmp_path: Path, name: str, act: Any, field: str
) -> None:
    (tmp_path / "made.zip").write_bytes(parcels.change(files, name, act))
    with JobBook.open(tmp_path / "book") as book:
        before = parcels.list_state(book, tmp_path / "book")
        with pytest.raises(InputError) as caught:
            book.import_parcel(tmp_path / "made.zip")
        assert field in str(caught.value)
        assert "nothing was imported" in str(caught.value)
        assert parcels.list_state(book, tmp_path / "book") == before


@pytest.mark.parametrize("name", [RUN, BASELINE, JOB, "set_types/001.json", "parcel.json"])
def test_lists_in_lists_in_lists(files: parcels.Files, tmp_path: Path, name: str) -> None:
    """200 000 deep, also in a place that is passed over and in one of numbers: exit 3."""
    for text in (DEEP, b'{"mark": ' + DEEP, b'{"more": ' + DEEP, b'{"frequency_hz": ' + DEEP):
        content = parcels.pack({**files, name: text} if name != "parcel.json" else files)
        if name == "parcel.json":
            with zipfile.ZipFile(tmp_path / "made.zip", "w") as archive:
                archive.writestr(name, text)
        else:
            (tmp_path / "made.zip").write_bytes(content)
        code, _, said = run_main(
            "import", str(tmp_path / "made.zip"), "--book", str(tmp_path / "b")
        )
        assert code == 3, said
        assert len(said.splitlines()) == 1
        assert "nothing was imported" in said


def make_bombs(files: parcels.Files, folder: Path) -> Iterator[tuple[str, Path]]:
    """Small files that are large inside."""
    import hashlib

    def write(name: str, content: bytes) -> tuple[str, Path]:
        (folder / f"{name}.zip").write_bytes(content)
        return name, folder / f"{name}.zip"

    nothing = bytes(300 << 20)
    yield write("attachment", parcels.pack(
        {**files, f"attachments/{hashlib.sha256(nothing).hexdigest()}": nothing}
    ))  # fmt: skip
    del nothing
    name = next(one for one in files if one.startswith("recordings/"))
    import io

    import soundfile

    with soundfile.SoundFile(io.BytesIO(files[name])) as flac:
        comment = str(flac.comment)
    silence = parcels.make_silence(3 * 3600.0, 48000, comment)
    assert len(silence) < 20 << 20
    yield write("silence", parcels.pack(
        {**files, f"recordings/{hashlib.sha256(silence).hexdigest()}.flac": silence},
        how=zipfile.ZIP_STORED,
    ))  # fmt: skip
    zeros = b'{"frequency_hz": [' + b"0," * 7_000_000 + b"0]}"
    yield write("numbers", parcels.pack({**files, RUN: zeros}))
    words = b'{"mark": "' + b"x" * (15 << 20) + b'"}'
    yield write("text", parcels.pack({**files, JOB: words}))
    spaces = {f"jobs/{n:03}/job.json": b" " * (15 << 20) for n in range(2, 12)}
    yield write("spaces", parcels.pack({**files, **spaces}))
    from io import BytesIO

    out = BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for number in range(120_000):
            archive.writestr(f"jobs/{number:06}/job.json", b"")
    yield write("names", out.getvalue())


MEASURE = """
import resource, sys
from voicecheck.jobbook import JobBook
from voicecheck.errors import InputError
import soundfile, voicecheck.measure
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
with JobBook.open(sys.argv[1]) as book:
    book.import_parcel(sys.argv[2])
    idle = peak()
    try:
        book.import_parcel(sys.argv[3])
    except InputError as error:
        print(peak() - idle, error)
    else:
        print(peak() - idle, "taken in")
"""


def test_bombs_take_no_memory(files: parcels.Files, tmp_path: Path) -> None:
    """At most 64 MB above the process that has taken in a good parcel; nothing left of them."""
    (tmp_path / "good.zip").write_bytes(parcels.pack(files))
    for name, bomb in make_bombs(files, tmp_path):
        done = subprocess.run(
            [sys.executable, "-c", MEASURE, tmp_path / name, tmp_path / "good.zip", bomb],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        more_mb, said = done.stdout.split(maxsplit=1)
        assert "nothing was imported" in said, (name, said)
        assert int(more_mb) <= IDLE_MORE_MB, (name, said)
        assert len(list((tmp_path / name).rglob("*.flac"))) == 1
        assert not list((tmp_path / name).rglob("*.part"))
        bomb.unlink()


def test_a_recording_that_lies_about_itself(files: parcels.Files, book: JobBook) -> None:
    """Its label says another rate than its sound has, or a scale that is none."""
    import hashlib
    import io

    import numpy as np
    import soundfile

    name = next(one for one in files if one.startswith("recordings/"))
    with soundfile.SoundFile(io.BytesIO(files[name])) as flac:
        label = json.loads(str(flac.comment))
    for lie, field in (({"rate_hz": -1}, "rate_hz"), ({"scale": 0.0}, "scale"),
                       ({"scale": 0.3}, "scale"), ({"channel": 0}, "channel")):  # fmt: skip
        out = io.BytesIO()
        with soundfile.SoundFile(out, "w", 48000, 1, "PCM_24", format="FLAC") as flac:
            flac.comment = json.dumps({**label, "rate_hz": 48000, **lie})
            flac.write(np.zeros(100, dtype=np.int32))
        data = out.getvalue()
        content = parcels.pack(
            {**files, f"recordings/{hashlib.sha256(data).hexdigest()}.flac": data}
        )
        path = Path(str(book.name)).parent / "lie.zip"
        path.write_bytes(content)
        with pytest.raises(InputError, match=field):
            book.import_parcel(path)
    assert book.count_jobs() == 0
