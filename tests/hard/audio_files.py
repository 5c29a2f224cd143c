"""
Sound files as nobody should send them, made from a seed, and what each command says to them.

By hand, with the figures of `tests/bench/hard.md`:

    python tests/hard/audio_files.py --files 10000 --seed 1
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import resource
import struct
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

RATES_HZ = (1, 100, 8000, 8000, 11025, 44100, 48000, 48000, 96000, 10_000_000)
FORMATS = (
    ("wav", "WAV", "PCM_16"), ("wav", "WAV", "PCM_24"), ("wav", "WAV", "FLOAT"),
    ("wav", "WAV", "DOUBLE"), ("wav", "WAVEX", "PCM_16"), ("rf64", "RF64", "PCM_16"),
    ("w64", "W64", "PCM_24"), ("flac", "FLAC", "PCM_16"), ("flac", "FLAC", "PCM_24"),
    ("aiff", "AIFF", "PCM_16"), ("au", "AU", "PCM_16"), ("caf", "CAF", "PCM_24"),
    ("wav", "WAV", "ULAW"), ("ogg", "OGG", "VORBIS"),
)  # fmt: skip
EXTREMES = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
COMMANDS = ("dial", "tones", "flex", "bell", "speak", "frying", "analyze")
ALLOWED = (0, 2, 3)


@dataclass
class Figures:
    """What came of many files."""

    codes: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    slowest: str = ""
    grown_mb: float = 0.0


def draw_samples(rng: np.random.Generator) -> np.ndarray:
    """Half a second to three of a tone, clicks, noise, nothing, or what is no number."""
    n_channels = int(rng.choice([1, 1, 1, 2, 3, 64]))
    n = int(rng.integers(1, 30000))
    kind = rng.choice(["tone", "noise", "clicks", "nothing", "nan", "infinite", "huge", "offset"])
    samples = 0.2 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(n))
    if kind == "noise":
        samples = 0.1 * rng.standard_normal(n)
    elif kind == "clicks":
        samples = np.where(rng.random(n) < 0.001, 0.9, 0.0)
    elif kind == "nothing":
        samples = np.zeros(n)
    elif kind == "offset":
        samples = np.full(n, 0.7)
    elif kind != "tone":
        spoilt = {"nan": np.nan, "infinite": np.inf, "huge": 1e300}[str(kind)]
        samples[rng.integers(0, n, 3)] = spoilt * rng.choice([-1, 1])
    return np.repeat(samples[:, None], n_channels, axis=1)


def write_valid(path: Path, rng: np.random.Generator) -> Path:
    """A file as a library writes it; of the rate that was drawn, whatever that is."""
    while True:
        ending, container, subtype = FORMATS[rng.integers(len(FORMATS))]
        samples, rate_hz = draw_samples(rng), int(rng.choice(RATES_HZ))
        if subtype == "VORBIS" and not (samples.shape[1] <= 2 and 8000 <= rate_hz <= 96000):
            # The library's own writer crashes there; what is meant here is its reader.
            continue
        target = path.with_suffix(f".{ending}")
        finite = samples
        if subtype not in {"FLOAT", "DOUBLE"}:
            finite = np.clip(np.nan_to_num(samples, posinf=1.0, neginf=-1.0), -1.0, 1.0)
        elif subtype == "FLOAT":
            finite = np.clip(samples, -3e38, 3e38)
        # What a container cannot hold (64 channels of FLAC, 1 Hz of Vorbis) is drawn anew.
        with contextlib.suppress(soundfile.LibsndfileError):
            soundfile.write(target, finite, rate_hz, subtype=subtype, format=container)
            return target


def spoil(path: Path, rng: np.random.Generator) -> None:
    """Cut a file short, change bytes of it, or let its header lie."""
    content = bytearray(path.read_bytes())
    head = min(len(content), 120)
    for _ in range(int(rng.integers(1, 4))):
        how = rng.choice(["cut", "bytes", "lie", "middle", "tail", "chunk"])
        place = int(rng.integers(0, max(1, head - 4)))
        if how == "cut":
            del content[int(rng.integers(0, len(content) + 1)) :]
        elif how == "bytes":
            content[place : place + 1] = bytes([int(rng.integers(256))])
        elif how == "lie":
            width, value = rng.choice(["<H", "<I", ">I"]), int(rng.choice(EXTREMES))
            mask = 0xFFFF if width == "<H" else 0xFFFFFFFF
            lie = struct.pack(str(width), value & mask)
            content[place : place + len(lie)] = lie
        elif how == "middle" and content:
            at = int(rng.integers(len(content)))
            content[at : at + 8] = rng.bytes(8)
        elif how == "tail":
            content += rng.bytes(int(rng.integers(1, 300)))
        elif how == "chunk":
            content[12:12] = b"junk" + struct.pack("<I", int(rng.choice(EXTREMES))) + b"\0" * 4
    path.write_bytes(content)


def make_giants(folder: Path) -> Iterator[tuple[str, Path]]:
    """Files that hold far more than they take: each once, for every command."""
    sparse = folder / "sparse.wav"
    soundfile.write(sparse, 0.2 * np.sin(0.13 * np.arange(48000)), 48000, subtype="PCM_16")
    content = bytearray(sparse.read_bytes())
    content[4:8] = content[40:44] = struct.pack("<I", 0x7FFFF000)
    sparse.write_bytes(content)
    os.truncate(sparse, 2 << 30)
    yield "sparse 2 GiB", sparse
    killed = folder / "killed.wav"
    content[4:8] = content[40:44] = bytes(4)
    killed.write_bytes(content)
    os.truncate(killed, 2 << 30)
    yield "sparse, size 0", killed
    many = folder / "many.wav"
    soundfile.write(many, np.zeros((1000, 64)), 48000, subtype="PCM_16")
    os.truncate(many, 64 << 20)
    yield "64 channels", many
    silent = folder / "silent.flac"
    with soundfile.SoundFile(silent, "w", 8000, 1, "PCM_16") as flac:
        for _ in range(180):
            flac.write(np.zeros(20 * 8000))
    yield "an hour of silence", silent


def make_lookalikes(folder: Path) -> Iterator[tuple[str, Path]]:
    """What is no file at all, or one that cannot be opened."""
    (folder / "folder.wav").mkdir()
    os.mkfifo(folder / "pipe.wav")
    (folder / "link.wav").symlink_to(folder / "link.wav")
    (folder / "empty.wav").touch()
    yield from ((path.stem, path) for path in sorted(folder.iterdir()))
    yield "absent", folder / "absent.wav"
    yield "long name", folder / f"{'n' * 300}.wav"
    yield "device", Path("/dev/zero")


def list_words(command: str, file: Path, programme: Path) -> list[str]:
    """How a command is called with a recording."""
    if command == "frying":
        return [command, str(file), "--quiet"]
    if command == "analyze":
        return [command, str(file), "--signal", str(programme), "--quiet"]
    return [command, "--recording", str(file), "--quiet"]


def run_main(*words: str) -> tuple[int, str, str]:
    """The command line in this process, as the shell starts it."""
    from voicecheck.cli.main import main

    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["voicecheck", *words]
    code: object = 0
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as stop:
        code = stop.code
    finally:
        sys.argv = before
    return int(str(code or 0)), out.getvalue(), err.getvalue()


def judge(figures: Figures, what: str, words: list[str]) -> None:
    """Run one command on one file; note how it ended, and whether that is allowed."""
    begun = time.perf_counter()
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    try:
        code, _, said = run_main(*words)
    except Exception as error:
        figures.wrong.append(f"{what}: {words[0]}: {type(error).__name__} escaped: {error}")
        return
    took_s = time.perf_counter() - begun
    if took_s > figures.slowest_s:
        figures.slowest_s, figures.slowest = took_s, f"{words[0]}, {what}"
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    figures.grown_mb = max(figures.grown_mb, grown_kb / 1024)
    figures.codes[str(code)] += 1
    lines = said.strip().splitlines()
    if code not in ALLOWED or (code and len(lines) != 1) or "unexpected" in said:
        figures.wrong.append(f"{what}: {words[0]}: exit {code}: {said[:300]!r}")


def run_many(folder: Path, n_files: int, seed: int) -> Figures:
    """Every second file as a library wrote it, the rest spoiled; one command for each."""
    rng, figures = np.random.default_rng(seed), Figures()
    programme = make_programme_file(folder)
    for number in range(n_files):
        path = write_valid(folder / f"f{number}", rng)
        if number % 4:
            spoil(path, rng)
        command = COMMANDS[int(rng.integers(len(COMMANDS)))]
        judge(figures, f"seed {seed} file {number}", list_words(command, path, programme))
        path.unlink()
    return figures


def make_programme_file(folder: Path) -> Path:
    """A short programme, to be looked for in the recordings."""
    from voicecheck.bench.wavfile import save_programme
    from voicecheck.programme import make_programme
    from voicecheck.records import Recipe

    save_programme(make_programme(Recipe(n_sweeps=1)), folder / "programme.wav")
    return folder / "programme.wav"


def try_giants(figures: Figures, folder: Path) -> Iterator[str]:
    """Each giant and each command; the most memory so far after each."""
    for what, path in make_giants(folder):
        for command in COMMANDS:
            judge(figures, what, list_words(command, path, folder / "programme.wav"))
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            yield f"{what}, {command}: {peak_mb:.0f} MB at most so far"


def tell(figures: Figures) -> list[str]:
    """The figures in lines."""
    codes = ", ".join(f"{code}: {n}" for code, n in sorted(figures.codes.items()))
    return [
        f"exit codes {codes}; {len(figures.wrong)} wrong",
        f"slowest {figures.slowest_s:.2f} s ({figures.slowest})",
        f"largest growth by one file {figures.grown_mb:.0f} MB",
        *figures.wrong,
    ]


def main() -> None:
    """Print the figures; exit status 1 where anything ended as it must not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--giants", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        figures = run_many(Path(place), asked.files, asked.seed)
        told = [f"{asked.files} files, seed {asked.seed}"]
        if asked.giants:
            told += try_giants(figures, Path(place))
    told += tell(figures)
    sys.stdout.write("\n".join(told) + "\n")
    sys.exit(bool(figures.wrong))


if __name__ == "__main__":
    main()
