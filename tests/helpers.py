# mypy: disable-error-code="attr-defined"
"""Small helpers shared by the tests."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest

from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Recipe, Recording

AMPLITUDE = 10 ** (-12 / 20)
"""Amplitude of the sweeps of the default programme."""


@lru_cache
def default_programme(rate_hz: Any = 48000) -> Any:
    return make_programme(Recipe(rate_hz=rate_hz))


def record(plant: Any, programme: Any = None) -> Any:
    """Recording of a programme through a plant."""
    programme = programme or default_programme()
    return Recording(samples=plant(programme.samples, programme.rate_hz), rate_hz=programme.rate_hz)


@lru_cache(maxsize=128)
def measure(plant: Any, programme: Any = None) -> Any:
    """Measurement of a programme through a plant, kept for the next test that asks."""
    programme = programme or default_programme()
    return measure_recording(programme, record(plant, programme))


def response_error_db(measurement: Any, plant: Any) -> Any:
    response = measurement.response
    return response.level_db - plant.true_response_db(response.frequency_hz, AMPLITUDE)


def rms(values: Any) -> Any:
    return float(np.sqrt(np.mean(np.square(values))))


def kinds(measurement: Any) -> Any:
    return [problem.kind for problem in measurement.problems]


@dataclass(frozen=True)
class Done:
    """What a run of the program left: its exit code and all that it said."""

    returncode: int
    stdout: str
    stderr: str


@contextlib.contextmanager
def redirect(name: str) -> Iterator[io.BytesIO]:
    """Standard output or the error output as bytes, for those who write bytes, too."""
    said = io.BytesIO()
    text = io.TextIOWrapper(said, "utf-8", write_through=True)
    with mock.patch.object(sys, name, text):
        yield said
    # Left alone it would close what is to be read.
    text.detach()


def run_program(
    *arguments: object, folder: Path, environment: Mapping[str, str] | None = None
) -> Done:
    """
    Run the program as a shell would, but in this process, which saves the second of its start.

    `environment` is what it sees; this process's own where it is not given.
    """
    from voicecheck.__main__ import main

    command = ["voicecheck", *map(str, arguments)]
    seen = dict(os.environ if environment is None else environment)
    with (
        contextlib.chdir(folder),
        mock.patch.dict(os.environ, seen, clear=True),
        mock.patch.object(sys, "argv", command),
        redirect("stdout") as out,
        redirect("stderr") as err,
        pytest.raises(SystemExit) as ended,
    ):
        main()
    assert isinstance(ended.value.code, int)
    return Done(ended.value.code, out.getvalue().decode(), err.getvalue().decode())


def find_sound_processes(parent: int) -> list[int]:
    """Sound processes that a process has started and that still run."""
    found = []
    for folder in Path("/proc").iterdir():
        try:
            words = (folder / "cmdline").read_bytes().split(b"\0")
            after_name = (folder / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if b"voicecheck.bench.soundcard.child" in words and int(after_name[1]) == parent:
            found.append(int(folder.name))
    return found
