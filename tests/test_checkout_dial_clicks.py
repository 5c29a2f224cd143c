"""Clicks that are no dial's: a number is withheld, with what speaks against it."""

from typing import Any

import numpy as np
import pytest
import soundfile
from services import need_voices

from voicecheck.bench.simulated.dial import make_dial
from voicecheck.checkout.dial.measure import measure_dial
from voicecheck.errors import RecordingError
from voicecheck.records import Recording

RATE_HZ = 16000


def read(samples: Any, rate_hz: int = RATE_HZ) -> str:
    recording = Recording(samples=np.ascontiguousarray(samples), rate_hz=rate_hz)
    return measure_dial(recording, is_clicks=True).number


def knock(at_s: Any, seed: int, *, spread_db: float = 3.0) -> Any:
    """Short noises at given times over a quiet room."""
    draw = np.random.default_rng(seed)
    samples = 1e-4 * draw.standard_normal(round((at_s[-1] + 1.0) * RATE_HZ))
    for one_s in at_s:
        first, n = round(one_s * RATE_HZ), RATE_HZ // 100
        fading = np.exp(-np.arange(n) / (0.002 * RATE_HZ))
        size = 0.1 * 10.0 ** (draw.normal(0.0, spread_db) / 20.0)
        samples[first : first + n] += size * fading * draw.standard_normal(n)
    return samples


@pytest.mark.parametrize("language", ["en", "fr"])
def test_prompts_are_no_number(language: str) -> None:
    files = need_voices(language)[::24]
    assert len(files) > 20
    for path in files:
        with pytest.raises(RecordingError):
            read(*soundfile.read(path))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("per_s", [4.0, 9.0, 13.0])
def test_knocks_and_a_typewriter_are_no_number(per_s: float, seed: int) -> None:
    draw = np.random.default_rng(100 + seed)
    at_s = 0.5 + np.cumsum(draw.gamma(8.0, 1.0 / (8.0 * per_s), 40))
    with pytest.raises(RecordingError, match="may not be a dial's"):
        read(knock(at_s, seed))


def test_even_clicks_of_any_level_are_no_number() -> None:
    """In time like a dial, which breaks one current: a level that varies by 10 dB is none."""
    at_s = [0.5 + 0.1 * k for k in range(8)] + [2.0 + 0.1 * k for k in range(5)]
    assert read(knock(at_s, 1, spread_db=0.0)) == "85"
    with pytest.raises(RecordingError, match="level varies by"):
        read(knock(at_s, 2, spread_db=10.0))


def test_a_short_number_is_too_little_to_tell() -> None:
    """Two pulses are four clicks, and many things click four times."""
    with pytest.raises(RecordingError, match="a digit of four or more"):
        read(make_dial("clicks", "2", rate_hz=RATE_HZ).samples)
    assert read(make_dial("clicks", "24", rate_hz=RATE_HZ).samples) == "24"
