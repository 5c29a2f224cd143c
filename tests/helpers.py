"""Small helpers shared by the tests."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np

from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Recipe, Recording

AMPLITUDE = 10 ** (-12 / 20)
"""Amplitude of the sweeps of the default programme."""


@lru_cache
def default_programme(rate_hz=48000):
    return make_programme(Recipe(rate_hz=rate_hz))


def record(plant, programme=None):
    """Recording of a programme through a plant."""
    programme = programme or default_programme()
    return Recording(samples=plant(programme.samples, programme.rate_hz), rate_hz=programme.rate_hz)


@lru_cache(maxsize=128)
def measure(plant, programme=None):
    """Measurement of a programme through a plant, kept for the next test that asks."""
    programme = programme or default_programme()
    return measure_recording(programme, record(plant, programme))


def response_error_db(measurement, plant):
    response = measurement.response
    return response.level_db - plant.true_response_db(response.frequency_hz, AMPLITUDE)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def kinds(measurement):
    return [problem.kind for problem in measurement.problems]


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
