"""
The response beside general libraries, same plants, same 52 points: accuracy, interval, time.

    python tests/bench/libraries.py [SEEDS]

Each has a stimulus of 3 s of the sweep's amplitude, or of its rms, but where the table says
otherwise; the marks, silences and steps of a whole programme are not counted as sound:

- `voicecheck`: its sweep, and the interval that it states; the time is that of all its figures;
- `pyfar`: the same sweep over regularised spectrum inversion, one window -30/+60 ms, no interval;
- `scipy csd`: white noise, `signal.csd` over `signal.welch`, 8192 samples, half overlapping;
  interval from the coherence c and n windows side by side, sd of |H| = |H| sqrt((1 - c) / (2 n c))
  (Bendat and Piersol, Random Data; MEM, decides nothing here);
- `librosa stft`: the same sweep, magnitudes of `librosa.stft` of what was heard over what was
  played, each point at the frame in which the sweep passes it, no interval;
- `tones`: one at each point in turn, 57 ms each, least squares on its last 40 ms; interval from the
  scatter of four stretches of these (Student's t);
- `tones, long`: 300 ms each, 15.6 s of sound, the last 200 ms in eight stretches.

Error in dB rms over points and seeds; share of points inside the stated interval, and its median
half-width; processor time a take, libraries loaded and compiled before.
"""

from __future__ import annotations

import dataclasses
import os
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import platformdirs
from numpy.typing import NDArray
from scipy import signal
from two_ways import fit_stretches

sys.path.insert(0, str(Path(__file__).parents[1]))
from accuracy import PLANTS
from helpers import AMPLITUDE, record
from known_plant import KnownPlant

from voicecheck.measure import measure_recording
from voicecheck.programme import compute_sweep_constant_s, make_programme
from voicecheck.records import Recipe
from voicecheck.weighting import make_band_frequencies

RATE_HZ = 48000
POINTS_HZ = make_band_frequencies(12)
ONE_SWEEP = make_programme(Recipe(n_sweeps=1))
Array = NDArray[np.float64]
Told = tuple[Array, Array | None]
"""Levels in dB, and half-widths of 95 % intervals where the method has any."""


class Kept:
    """A plant that answers a stimulus it has heard before at once: its time is not the method's."""

    def __init__(self, plant: KnownPlant) -> None:
        self.plant, self.seed = plant, plant.seed
        self._answers: dict[bytes, Array] = {}

    def __call__(self, samples: Array, rate_hz: int) -> Array:
        key = samples.tobytes()
        if key not in self._answers:
            self._answers[key] = self.plant(samples, rate_hz)
        return self._answers[key]


def cut_sweep(heard: Array) -> tuple[Array, Array]:
    """Sweep as played and as heard, with a third of a second after it."""
    block = ONE_SWEEP.blocks_of("sweep")[0]
    first, count = round(block.start_s * RATE_HZ), 160000
    return ONE_SWEEP.samples[first : first + count], heard[first : first + count]


def ours(plant: Kept) -> Told:
    found = measure_recording(ONE_SWEEP, record(plant, ONE_SWEEP)).response
    assert found is not None
    return found.level_db, found.uncertainty_db


def by_pyfar(plant: Kept) -> Told:
    """Sweep over spectrum inversion, one window -30/+60 ms."""
    import pyfar

    played, heard = cut_sweep(record(plant, ONE_SWEEP).samples)
    padding = (0, 2**18 - len(played))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        inverse = pyfar.dsp.regularized_spectrum_inversion(
            pyfar.Signal(np.pad(played, padding), RATE_HZ), (110, 7900)
        )
    kernel = (pyfar.Signal(np.pad(heard, padding), RATE_HZ) * inverse).time.ravel()
    kernel = np.roll(kernel, 1440)[:4320]
    window = np.ones(4320)
    window[:480], window[-960:] = np.linspace(0, 1, 480), np.linspace(1, 0, 960)
    turn = np.exp(-2j * np.pi * POINTS_HZ[:, None] / RATE_HZ * (np.arange(4320) - 1440))
    return 20 * np.log10(np.abs(turn @ (kernel * window))), None


def by_scipy(plant: Kept) -> Told:
    """White noise, csd over welch, 8192 samples; interval from the coherence."""
    rng = np.random.default_rng(plant.seed)
    played = np.zeros(4 * RATE_HZ)
    played[: 3 * RATE_HZ] = AMPLITUDE / np.sqrt(2) * rng.standard_normal(3 * RATE_HZ)
    heard = plant(played, RATE_HZ)[: len(played)]
    frequency_hz, cross = signal.csd(played, heard, RATE_HZ, nperseg=8192)
    power, other = (signal.welch(one, RATE_HZ, nperseg=8192)[1] for one in (played, heard))
    coherence = np.abs(cross) ** 2 / power / other
    count = 3 * RATE_HZ / 8192
    spread = np.sqrt((1 - coherence) / (2 * count * coherence))
    level_db, half_db = 20 * np.log10(np.abs(cross / power)), 20 / np.log(10) * 1.96 * spread
    at = np.log(POINTS_HZ)
    level, half = (np.interp(at, np.log(frequency_hz[1:]), y[1:]) for y in (level_db, half_db))
    return level, half


def by_librosa(plant: Kept) -> Told:
    """Magnitudes of a short-time spectrum, read where the sweep passes each point."""
    # Compiling takes 20 s: kept between runs, where it can be written.
    os.environ.setdefault("NUMBA_CACHE_DIR", platformdirs.user_cache_dir("voicecheck-tests"))
    import librosa

    played, heard = cut_sweep(record(plant, ONE_SWEEP).samples)
    size, hop = 4096, 64
    before, after = (
        np.abs(librosa.stft(one, n_fft=size, hop_length=hop)) for one in (played, heard)
    )
    passed_s = compute_sweep_constant_s(Recipe()) * np.log(POINTS_HZ / Recipe().sweep_from_hz)
    frame = np.rint(passed_s * RATE_HZ / hop).astype(int)
    bins = POINTS_HZ * size / RATE_HZ
    lower, share = bins.astype(int), bins % 1
    levels = [20 * np.log10(after[k, frame] / before[k, frame]) for k in (lower, lower + 1)]
    return (1 - share) * levels[0] + share * levels[1], None


def by_tones(plant: Kept, tone_s: float = 0.0573, late_s: float = 0.04, n: int = 4) -> Told:
    """A tone at each point in turn, least squares on its last part."""
    count, late = round(tone_s * RATE_HZ), round(late_s * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    tones = [AMPLITUDE * np.sin(2 * np.pi * f * time_s) for f in POINTS_HZ]
    heard = plant(np.concatenate([*tones, np.zeros(4800)]), RATE_HZ)
    levels, halves = np.empty(len(POINTS_HZ)), np.empty(len(POINTS_HZ))
    for index, frequency_hz in enumerate(POINTS_HZ):
        last = heard[(index + 1) * count - late : (index + 1) * count]
        lines, half = fit_stretches(last, frequency_hz * np.arange(1, 4), n)
        levels[index] = 20 * np.log10(np.abs(lines[0]) / AMPLITUDE)
        halves[index] = 20 / np.log(10) * half[0] / np.abs(lines[0])
    return levels, halves


def by_long_tones(plant: Kept) -> Told:
    return by_tones(plant, 0.3, 0.2, 8)


METHODS: dict[str, tuple[Callable[[Kept], Told], float]] = {
    "voicecheck": (ours, 3.0),
    "pyfar": (by_pyfar, 3.0),
    "scipy csd": (by_scipy, 3.0),
    "librosa stft": (by_librosa, 3.0),
    "tones": (by_tones, 3.0),
    "tones, long": (by_long_tones, 15.6),
}
"""How, and seconds of sound."""


def compare(plant: KnownPlant, method: Callable[[Kept], Told], n_seeds: int) -> list[str]:
    """Error, share inside, half-width and processor time of one method on one plant."""
    errors, halves, seconds = [], [], 0.0
    truth_db = plant.true_response_db(POINTS_HZ, AMPLITUDE)
    for seed in range(n_seeds + 1):
        seeded = Kept(dataclasses.replace(plant, seed=seed))
        method(seeded)
        started = time.process_time()
        level_db, half_db = method(seeded)
        seconds += time.process_time() - started
        errors.append(level_db - truth_db)
        halves.append(np.full(len(truth_db), np.nan) if half_db is None else half_db)
    error, half = np.array(errors), np.array(halves)
    inside = np.abs(error) <= half
    has_interval = bool(np.any(np.isfinite(half)))
    return [
        f"{np.sqrt(np.nanmean(error**2)):.4f}",
        f"{100 * np.mean(inside[np.isfinite(half)]):.0f}" if has_interval else "none",
        f"{np.nanmedian(half):.4f}" if has_interval else "-",
        f"{1000 * seconds / (n_seeds + 1):.0f}",
    ]


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    columns = ("plant", "method", "error dB rms", "inside %", "half-width dB", "sound s", "cpu ms")
    sys.stdout.write(f"| {' | '.join(columns)} |\n{'|---' * len(columns)}|\n")
    for name, plant in PLANTS.items():
        # Sweeps and tones of a clock that is off need the marks, which only one of them has.
        if plant.drift_ppm:
            continue
        for method, (measure, sound_s) in METHODS.items():
            error, inside, half, cpu = compare(plant, measure, n_seeds)
            row = (name, method, error, inside, half, f"{sound_s:g}", cpu)
            sys.stdout.write(f"| {' | '.join(row)} |\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
