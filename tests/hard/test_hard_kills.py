"""Killed, or on a disk that fails, a book is whole and holds all that was reported as saved."""

from __future__ import annotations

import os
import select
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import book_kills
import numpy as np
import pytest
from audio_files import run_main
from command_kills import (
    KILLED,
    SLOW,
    Figures,
    Trial,
    find_wrong_files,
    kill_often,
    list_files,
    read_state,
    verify,
)
from disks import break_often, mount_disk
from services import need
from writers import (
    READERS,
    SAVES_AS_OTHERS,
    WRITERS,
    get_words,
    list_commands,
    make_place,
    typed_in,
)

N_KILLS = 2


@pytest.fixture(scope="module")
def disk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, bool]]:
    """A folder with a place that commands are typed in; whether it is a small disk of its own."""
    need("PLATFORM", None if hasattr(os, "fork") else "this system has no fork")
    folder = tmp_path_factory.mktemp("hard") / "disk"
    with mount_disk(folder) as is_disk:
        make_place(folder / "origin")
        yield folder, is_disk


@pytest.fixture
def origin(disk: tuple[Path, bool]) -> Path:
    return disk[0] / "origin"


def test_every_command_is_known_as_a_writer_or_a_reader() -> None:
    """A new command is asked for words that make it write, or such as only read."""
    known = [*WRITERS, *READERS, *SAVES_AS_OTHERS]
    assert sorted(known) == sorted({*list_commands()})


@pytest.mark.parametrize("name", KILLED)
def test_a_command_that_is_killed_or_whose_disk_fails(name: str, disk: tuple[Path, bool]) -> None:
    """Old rows are kept, new ones are whole, what was said is there; one line, exit 2 or 5."""
    folder, is_disk = disk
    trial, figures = Trial(name, folder / "origin", folder / "place"), Figures()
    rng = np.random.default_rng([19, *name.encode()])
    kill_often(trial, 1 if name in SLOW else N_KILLS, rng, figures)
    if name not in SLOW:
        break_often(trial, rng, figures, n=1, is_disk=is_disk)
    assert figures.wrong == []
    changed = trial.before != trial.after
    assert changed or trial.files, "this command writes nothing"
    assert trial.n_moments > 2


def test_a_demo_that_is_killed_takes_its_workers_along(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    words = [sys.executable, "-m", "voicecheck", "demo", "--out", str(tmp_path / "out"), "--quiet"]
    rng = np.random.default_rng(19)
    with subprocess.Popen(words, stderr=subprocess.PIPE, start_new_session=True) as demo:
        wait_until((tmp_path / "out/book/book.db-wal").is_file)
        select.select([], [], [], float(rng.uniform(0.0, 3.0)))
        demo.kill()
        # Its workers hold this pipe open for as long as they live.
        assert demo.stderr is not None
        demo.stderr.read()
    assert verify(tmp_path / "out/book") == []
    assert find_wrong_files(tmp_path) == []


def wait_until(is_so: Callable[[], bool]) -> None:
    while not is_so():
        select.select([], [], [], 0.05)


def test_what_only_reads_writes_nothing(origin: Path) -> None:
    before = read_state(origin), list_files(origin)
    with typed_in(origin):
        for name in READERS:
            code, _, said = run_main(*get_words(name))
            assert code == 0, (name, said)
            assert (read_state(origin), list_files(origin)) == before, name


def test_a_working_book_killed_15_times(tmp_path: Path) -> None:
    need("PLATFORM", None if hasattr(os, "fork") else "this system has no fork")
    said: Counter[str] = sum(book_kills.run_rounds(tmp_path, 15, seed=4), Counter())
    assert said["opened"] > 3
    assert said.total() > 20
