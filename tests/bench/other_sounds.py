"""Sounds that are neither a bell nor a dial, for the benches that ask what is heard in them."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

SPEECH = Path("/usr/share/asterisk/sounds")
MUSIC = Path("/usr/share/asterisk/moh")
KNOCK_HZ = 16000


def tell(*words: Any) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")


def read_folder(folder: Path, every: int) -> Iterator[tuple[str, Any, int]]:
    """Name, samples and rate of every so many recordings of a folder."""
    for path in sorted(folder.glob("**/*.wav"))[::every]:
        yield path.name, *soundfile.read(path)


def make_knocks(seed: int, n_blows: int, n_samples: int, noise: float) -> Any:
    """Knocks and typing, 2 to 16 blows a second; a blow lasts `n_samples` of `KNOCK_HZ`."""
    draw = np.random.default_rng(seed)
    at_s = 0.5 + np.cumsum(draw.gamma(8.0, 1.0, n_blows)) / 8.0 / draw.uniform(2.0, 16.0)
    samples = noise * draw.standard_normal(round((at_s[-1] + 1.0) * KNOCK_HZ))
    for first in (at_s * KNOCK_HZ).astype(int):
        fading = np.exp(-np.arange(n_samples) / (n_samples / 5.0))
        size = 10.0 ** (draw.normal(0.0, 3.0) / 20.0)
        samples[first : first + n_samples] += 0.1 * fading * size * draw.standard_normal(n_samples)
    return samples
