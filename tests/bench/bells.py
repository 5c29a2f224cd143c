"""
How often a bell is told from what is none, and how well its figures are read.

    python tests/bench/bells.py [bells] [prompts: every so many]

Bells are made with gongs set by hand, in noise; the rest is prompts (Debian's
asterisk-core-sounds), music where Debian's asterisk-moh-opsound-wav is installed, and made knocks,
typewriters and taps. Figures: `bells.md`.
"""

import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from other_sounds import KNOCK_HZ, MUSIC, SPEECH, make_knocks, read_folder, tell

from voicecheck.bench.simulated.bell import BellSettings, make_bell_scene
from voicecheck.checkout.bell.measure import measure_bell
from voicecheck.checkout.signals import resample
from voicecheck.errors import RecordingError
from voicecheck.records import Recording

CADENCES_S = ((2.0, 4.0), (0.4, 0.2, 0.4, 2.0), (1.0, 2.0))


def hear(samples: Any, rate_hz: int) -> Any:
    return measure_bell(Recording(samples=np.ascontiguousarray(samples), rate_hz=rate_hz))


def draw_bell(seed: int) -> Any:
    """A bell with everything about it drawn."""
    draw = np.random.default_rng(seed)
    low_hz = draw.uniform(700.0, 1800.0)
    settings = BellSettings(
        ringing_hz=float(draw.choice([16.67, 20.0, 25.0, 30.0])),
        cadence_s=CADENCES_S[draw.integers(3)],
        n_cycles=1,
        gongs_hz=(low_hz, low_hz * draw.uniform(1.1, 1.4)),
        gap_share=draw.uniform(0.35, 0.65),
        second_db=draw.uniform(-6.0, 6.0),
        decay_s=draw.uniform(0.5, 2.5),
        noise_dbfs=draw.uniform(-75.0, -55.0),
        is_tapping=seed % 10 == 0,
    )
    return make_bell_scene(settings, seed=seed, rate_hz=22050)


def hear_bells(n_bells: int) -> None:
    """Counts, and errors of the figures: 95 % within, worst, withheld."""
    missed, false = 0, 0
    rows: dict[str, list[float]] = {name: [] for name in ("strikes", "ringing", "gap", "gongs")}
    used_s = lasted_s = 0.0
    withheld = dict.fromkeys(rows, 0)
    for seed in range(1, n_bells + 1):
        scene = draw_bell(seed)
        started = time.process_time()
        check = hear(scene.samples, scene.rate_hz)
        used_s += time.process_time() - started
        lasted_s += len(scene.samples) / scene.rate_hz
        truth = scene.truth
        if truth.strikes_per_s is None:
            false += bool(check.rings)
            continue
        if len(check.rings) != len(truth.rings):
            missed += 1
            continue
        made = truth.settings
        pairs = {
            "strikes": (check.strikes_per_s, truth.strikes_per_s),
            "ringing": (check.ringing_hz, made.ringing_hz),
            "gap": (check.gap_percent, 100.0 * made.gap_share),
            "gongs": (check.gong_difference_db, made.second_db),
        }
        for name, (found, true) in pairs.items():
            if found is None:
                withheld[name] += 1
            else:
                rows[name].append(abs(found - true))
    tell(f"{n_bells} bells: {missed} with other rings than made, {false} taps called ringing")
    for name, errors in rows.items():
        within, worst = np.percentile(errors, [95.0, 100.0])
        tell(f"{name}: 95 % within {within:.3g}, worst {worst:.3g}, withheld {withheld[name]}")
    tell(f"{used_s / lasted_s:.3f} of the recordings' length")


def hear_files(folder: Path, every: int) -> None:
    """Rings heard in recordings that hold none."""
    n, rings, seconds = 0, [], 0.0
    for name, samples, rate_hz in read_folder(folder, every):
        n += 1
        seconds += len(samples) / rate_hz
        try:
            check = hear(resample(samples, rate_hz, 16000), 16000)
        except RecordingError:
            continue
        rings += [name] * len(check.rings)
    tell(f"{folder}: {n} files, {seconds / 60:.1f} min, {len(rings)} rings {rings[:5]}")


def hear_knocks(n: int) -> None:
    """Rings heard in knocks and typing, 2 to 16 blows a second."""
    pieces = [make_knocks(seed, 60, 320, 3e-4) for seed in range(n)]
    rings = sum(len(hear(samples, KNOCK_HZ).rings) for samples in pieces)
    minutes = sum(map(len, pieces)) / KNOCK_HZ / 60
    tell(f"knocks: {minutes:.1f} min, {rings} rings")


if __name__ == "__main__":
    numbers = [*map(int, sys.argv[1:]), *(100, 1)[len(sys.argv) - 1 :]]
    hear_bells(numbers[0])
    hear_knocks(numbers[0])
    hear_files(SPEECH, numbers[1])
    if MUSIC.is_dir():
        hear_files(MUSIC, 1)
