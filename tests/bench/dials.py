"""
Dials of 72 countries, made and read back, and what is read of clicks that are no dial's.

    python tests/bench/dials.py [numbers a country] [prompts: every so many]

A country's dial is made with its nominal make and break, each figure off by as much as its service
limits allow. A number is right, withheld (refused, or a digit told as "?") or wrong. Figures and
the confusion table: `dials.md`.
"""

import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from other_sounds import KNOCK_HZ, MUSIC, SPEECH, make_knocks, read_folder, tell

from voicecheck.bench.simulated.dial import DialSettings, make_dial_scene
from voicecheck.checkout.dial.measure import LIMITS, find_rule, measure_dial
from voicecheck.checkout.limits import list_regions, load_rows
from voicecheck.errors import RecordingError
from voicecheck.records import Recording

RATES_HZ, SNR_DB = (8000, 16000, 48000), (20.0, 30.0, 45.0)


def load_limits(region: str) -> dict[str, tuple[float, float]]:
    """Service limits of speed and break."""
    rows = [row for row in load_rows(LIMITS) if row["region"] == region and row["use"] == "judge"]
    return {row["quantity"]: (float(row["min"] or 0.0), float(row["max"])) for row in rows}


def read(samples: Any, rate_hz: int, region: str = "", *, is_clicks: bool = False) -> str | None:
    """Number as it is told; `None` where it is refused."""
    recording = Recording(samples=np.ascontiguousarray(samples), rate_hz=rate_hz)
    try:
        return measure_dial(recording, is_clicks=is_clicks, region=region).number
    except RecordingError:
        return None


def dial(region: str, seed: int, *, is_clicks: bool) -> tuple[str, str | None, float, float]:
    """A number made and read, the processor time and the length, seconds."""
    draw = np.random.default_rng(seed)
    limits = load_limits(region)
    number = "".join(map(str, draw.integers(0, 10, 7)))
    settings = DialSettings(
        pulses_per_s=draw.uniform(*limits["pulses_per_s"]),
        break_percent=draw.uniform(*limits["break_percent"]),
        drift_pps=draw.uniform(-0.5, 0.5),
        bounce_ms=draw.uniform(0.0, 3.0),
        pause_s=draw.uniform(0.4, 1.0),
        snr_db=float(draw.choice(SNR_DB)),
        has_tone=not is_clicks,
    )
    rate_hz = int(draw.choice(RATES_HZ))
    rule = find_rule(region)
    scene = make_dial_scene(number, settings, seed=seed, rate_hz=rate_hz, convention=rule)
    started = time.process_time()
    told = read(scene.samples, rate_hz, region, is_clicks=is_clicks)
    return number, told, time.process_time() - started, len(scene.samples) / rate_hz


def read_countries(n_numbers: int, *, is_clicks: bool) -> None:
    """Counts, and the confusion table: digit dialled to digit told."""
    counts: Counter[str] = Counter()
    table = np.zeros((10, 11), dtype=int)
    used_s = lasted_s = 0.0
    for index, region in enumerate(list_regions(LIMITS)):
        for k in range(n_numbers):
            seed = 1000 * index + k
            number, told, one_s, length_s = dial(region, seed, is_clicks=is_clicks)
            used_s, lasted_s = used_s + one_s, lasted_s + length_s
            is_withheld = told is None or "?" in told
            state = "right" if told == number else "withheld" if is_withheld else "wrong"
            counts[state] += 1
            if state != "right":
                tell(region, seed, number, told)
            same = told if told is not None and len(told) == len(number) else "?" * len(number)
            for true, found in zip(number, same, strict=True):
                table[int(true), 10 if found == "?" else int(found)] += 1
    tell("clicks:" if is_clicks else "tone:", dict(counts), f"{used_s / lasted_s:.3f} of length")
    tell("| dialled | " + " | ".join([*map(str, range(10)), "withheld"]) + " |")
    for digit, row in enumerate(table):
        tell(f"| {digit} | " + " | ".join(map(str, row)) + " |")


def read_files(folder: Path, every: int) -> None:
    """Numbers told of recordings that hold none."""
    n, told, seconds = 0, [], 0.0
    for name, samples, rate_hz in read_folder(folder, every):
        n += 1
        seconds += len(samples) / rate_hz
        number = read(samples, rate_hz, is_clicks=True)
        told += [(name, number)] if number else []
    tell(f"{folder}: {n} files, {seconds / 60:.1f} min, {len(told)} numbers {told[:5]}")


def read_knocks(n: int) -> None:
    """Numbers told of knocks and typing, 2 to 16 blows a second."""
    pieces = [make_knocks(seed, 40, 160, 1e-4) for seed in range(n)]
    told = sum(read(samples, KNOCK_HZ, is_clicks=True) is not None for samples in pieces)
    minutes = sum(map(len, pieces)) / KNOCK_HZ / 60
    tell(f"knocks: {n} pieces, {minutes:.1f} min, {told} numbers")


if __name__ == "__main__":
    numbers = [*map(int, sys.argv[1:]), *(3, 1)[len(sys.argv) - 1 :]]
    read_countries(numbers[0], is_clicks=False)
    read_countries(numbers[0], is_clicks=True)
    read_knocks(60 * numbers[0])
    read_files(SPEECH, numbers[1])
    if MUSIC.is_dir():
        read_files(MUSIC, 1)
