"""Pipes, and files whose drive or network falls silent half way: a line and an end, no hang."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import reading_words
import soundfile
import typer
from audio_files import run_main

from voicecheck import incoming
from voicecheck.bench.audiofile import load_recording, read_in_blocks
from voicecheck.cli.main import make_app
from voicecheck.errors import RecordingError
from voicecheck.incoming import open_ordinary, wait_for

READERS = sorted(reading_words.SOUND | reading_words.OTHER)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("stalled")
    reading_words.fill_folder(place)
    return place


@pytest.fixture
def silence() -> Iterator[threading.Event]:
    """What a read waits for that gets no answer; given at the end, so that no thread is left."""
    event = threading.Event()
    yield event
    event.set()


def list_paths(command: Any, words: tuple[str, ...] = ()) -> Iterator[str]:
    for name, one in getattr(command, "commands", {}).items():
        yield from list_paths(one, (*words, name))
    for param in command.params:
        if "Path" in str(getattr(param.type_descriptor, "annotation", "")):
            yield " ".join((*words, str(param.name)))


def test_every_parameter_that_names_a_file_is_known() -> None:
    """A new one has to say here whether it reads."""
    found = set(list_paths(typer.main.get_command(make_app())))
    known = set(READERS) | reading_words.WRITES | reading_words.FOLDERS | reading_words.LATER
    assert found - known == set()
    assert known - found == {"bench edit microphone_curve"}, "a name or nothing, so no path"


def check_told(words: list[str], need: str = "") -> None:
    """Exit 2 or 3, one line beside the cautions, no waiting for what does not come."""
    code, out, said = run_main(*words)
    assert code in {2, 3}, (words, said)
    *cautions, line = said.strip().splitlines()
    assert out == "", words
    assert all(one.startswith("Caution: ") for one in cautions), said
    assert need in line, (words, line)
    assert len(line) < 500, line


@pytest.mark.parametrize("name", READERS)
def test_a_pipe_whose_writer_stops_half_way(name: str, folder: Path, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.wav"
    os.mkfifo(pipe)
    content = (folder / "programme.wav").read_bytes()[:2000]
    descriptor = os.open(pipe, os.O_RDWR)
    try:
        os.write(descriptor, content)
        check_told(reading_words.list_words(name, pipe, folder))
    finally:
        os.close(descriptor)


class SilentDisk:
    """Reads give a few kilobytes, then nothing any more; all else is the system's."""

    def __init__(self, given: threading.Event, n_bytes: int) -> None:
        self._given, self._left = given, n_bytes

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def read(self, descriptor: int, n_bytes: int) -> bytes:
        content = os.read(descriptor, min(n_bytes, self._left))
        self._left -= len(content)
        if not content:
            self._given.wait()
        return content


@pytest.mark.parametrize("name", READERS)
def test_a_file_that_falls_silent_half_way(
    name: str,
    folder: Path,
    tmp_path: Path,
    silence: threading.Event,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    file = tmp_path / "share.wav"
    file.write_bytes(reading_words.choose_content(name, folder))
    words = reading_words.list_words(name, file, folder)
    disk = SilentDisk(silence, 4000)

    def wait_shortly(path: object) -> int:
        # Only the file that is handed in lies on the silent disk.
        if str(path) == str(file):
            monkeypatch.setattr(incoming, "os", disk)
            monkeypatch.setattr(incoming, "STALL_S", 0.3)
            # What reads by itself, block by block, comes no farther either.
            monkeypatch.setattr(soundfile.SoundFile, "read", lambda *_, **__: silence.wait())
        return real(path)  # type: ignore[arg-type]

    real = incoming._open_at_once
    monkeypatch.setattr(incoming, "_open_at_once", wait_shortly)
    begun_s = time.monotonic()
    check_told(words, "it gave nothing for 0.3 s")
    assert time.monotonic() - begun_s < 60.0


def test_a_decoder_that_waits_is_given_up(
    folder: Path, silence: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The audio library reads by itself, a second time, what has been looked through."""
    monkeypatch.setattr(incoming, "STALL_S", 0.3)
    monkeypatch.setattr(soundfile.SoundFile, "read", lambda *_, **__: silence.wait())
    for read in (load_recording, lambda file: list(read_in_blocks(file))):
        with pytest.raises(RecordingError, match="it gave nothing for") as told:
            read(folder / "pair.wav")
        assert told.value.kind == "unreadable"


def test_a_slow_file_that_moves_on_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(incoming, "STALL_S", 1.0)

    def work(moved: Any) -> str:
        for _ in range(6):
            time.sleep(0.25)
            moved()
        return "all of it"

    assert wait_for(work) == "all of it"
    with pytest.raises(ZeroDivisionError):
        wait_for(lambda _: 1 / 0)


def test_an_ordinary_file_is_read_as_it_is(tmp_path: Path) -> None:
    content = os.urandom(3_000_000)
    (tmp_path / "file").write_bytes(content)
    with open_ordinary(tmp_path / "file") as file:
        assert file.read(10) == content[:10]
        assert file.seek(-5, os.SEEK_END) == len(content) - 5
        assert file.read() == content[-5:]
        file.seek(0)
        assert file.read() == content
    for strange in (tmp_path, Path("/dev/zero")):
        with pytest.raises(OSError, match="no ordinary file"), open_ordinary(strange):
            pass
