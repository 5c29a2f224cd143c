"""
Five minutes and more of sound through every command that reads it: memory at most, each alone.

By hand, with the table of `tests/bench/hard.md`:

    python tests/hard/giants.py
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import audio_files
import numpy as np
import reading_words
import soundfile

HERE = Path(__file__).parent
NAMES = (
    "analyze recordings", "frying recording", "sweep recording", "trial recording",
    "dial recording", "tones recording", "flex recording", "bell recording", "speak recording",
    "speak play", "parts recording", "parts feed", "analyze programme",
)  # fmt: skip
FEED = "parts feed --resistor-ohm 600 --recording {file}"
MEASURE = """
import json, resource, sys, time
import audio_files
begun_s = time.perf_counter()
code, _, said = audio_files.run_main(*json.loads(sys.argv[1]))
peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
print(json.dumps([code, said.strip().splitlines()[-1:], peak_mb, time.perf_counter() - begun_s]))
"""


def make_noise(folder: Path) -> Path:
    """Two channels of noise as long as is read, which nothing can pass over."""
    path = folder / "noise.wav"
    rng = np.random.default_rng(19)
    with soundfile.SoundFile(path, "w", 48000, 2, "PCM_16") as file:
        for _ in range(30):
            file.write(0.05 * rng.standard_normal((480_000, 2)))
    return path


def make_files(folder: Path) -> Iterator[tuple[str, Path]]:
    """The giants, and noise."""
    yield "noise, 300 s", make_noise(folder)
    yield from audio_files.make_giants(folder)


def measure(name: str, file: Path, folder: Path) -> tuple[int, str, int, float]:
    """One command in a process of its own: exit status, last line, peak MB, seconds."""
    if name == "parts feed":
        words = [*FEED.format(file=file).split(), "--quiet", "--book", str(folder / "book")]
    else:
        words = reading_words.list_words(name, file, folder)
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, json.dumps(words)],
        capture_output=True, text=True, check=True, cwd=HERE, timeout=300,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )  # fmt: skip
    code, lines, peak_mb, took_s = json.loads(done.stdout)
    return code, " ".join(lines), peak_mb, took_s


def main() -> None:
    """Print the table; exit status 1 where anything ended as it must not."""
    told, wrong, begun_s = [], [], time.perf_counter()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        reading_words.fill_folder(folder)
        for what, file in make_files(folder):
            for name in NAMES:
                code, said, peak_mb, took_s = measure(name, file, folder)
                told.append(f"| {name} | {what} | {code} | {peak_mb} MB | {took_s:.0f} s |")
                # What could be played finds no device of that name.
                allowed = (*audio_files.ALLOWED, 4) if name == "speak play" else audio_files.ALLOWED
                if code not in allowed or "unexpected" in said:
                    wrong.append(f"{name}, {what}: exit {code}: {said[:200]}")
                sys.stdout.write(f"{told[-1]}\n")
                sys.stdout.flush()
    sys.stdout.write("\n".join([f"{time.perf_counter() - begun_s:.0f} s in all", *wrong]) + "\n")
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
