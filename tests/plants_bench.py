"""What the tests of the plants share: programmes as others see them, and tones by projection."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
from plants.carbon import Carbon
from plants.plant import White
from plants.played import Played

from voicecheck.programme import make_programme
from voicecheck.records import Recipe

SILENT = White(-300.0)


@cache
def make_played(n_sweeps: Any = 3, sweep_s: Any = 1.0) -> Any:
    """A programme as its file and its JSON document show it."""
    programme = make_programme(Recipe(n_sweeps=n_sweeps, sweep_s=sweep_s))
    names = ("kind", "start_s", "end_s", "peak", "from_hz", "to_hz")
    blocks = [{name: getattr(block, name) for name in names} for block in programme.blocks]
    return Played.from_document(programme.samples, {"rate_hz": 48000, "blocks": blocks})


def without_noise(plant: Any) -> Any:
    """The plant alone: no noise, and no memory where it has one."""
    if isinstance(plant, Carbon):
        return replace(
            plant, noise=SILENT, memory_db=(0.0, 0.0, 0.0), settling_db=0.0, jumps_per_s=0.0,
            packing_db_per_sweep=0.0, breathing_db=-400.0, frying_per_s=0.0,
        )  # fmt: skip
    if plant.name == "hum-coil":
        return replace(plant, noise=SILENT, line_dbfs={})
    return replace(plant, noise=SILENT)


def find_tones(samples: Any, rate_hz: Any, frequencies_hz: Any) -> Any:
    """Amplitudes of sines of known frequencies, least squares; and what is left."""
    angle = 2 * np.pi * np.outer(np.arange(len(samples)) / rate_hz, frequencies_hz)
    columns = np.hstack([np.sin(angle), np.cos(angle), np.ones((len(samples), 1))])
    # Normal equations: the columns are nearly orthogonal, and this is far quicker.
    found = np.linalg.solve(columns.T @ columns, columns.T @ samples)
    n = len(frequencies_hz)
    return np.hypot(found[:n], found[n : 2 * n]), samples - columns @ found


def play_tone(
    plant: Any, frequency_hz: Any, amplitude: Any, seconds: Any = 0.5, rate_hz: Any = 48000
) -> Any:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    tone = amplitude * np.sin(2 * np.pi * frequency_hz * t)
    return plant.play(tone, rate_hz, np.random.default_rng(1))


def level_dbfs(samples: Any) -> Any:
    return 10 * np.log10(2 * np.mean(np.square(samples)))


def band_power_dbfs(samples: Any, rate_hz: Any, from_hz: Any, to_hz: Any) -> Any:
    """Averaged periodograms of half-overlapping Hann frames (Welch)."""
    size = 8192
    window = np.hanning(size)
    frames = np.lib.stride_tricks.sliding_window_view(samples, size)[:: size // 2] * window
    power = np.mean(np.abs(np.fft.rfft(frames)) ** 2, axis=0) * 2 / np.sum(window**2) / size
    at_hz = np.arange(len(power)) * rate_hz / size
    return 10 * np.log10(2 * np.sum(power[(at_hz >= from_hz) & (at_hz < to_hz)]))
