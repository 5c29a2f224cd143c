"""
Active speech level of ITU-T P.56 (1993, 2011), method B, on real speech, by two ways to it.

The other way is the recommendation's own loop over samples, in plain Python, from the parameters
of the ITU-T Software Tool Library's manual (PUB). That library's own values on test signals are in
`test_checkout_speech.py`; on its reference speech, 52736 samples at 8 kHz, it gives -25.022 dB and
90.044 %, where this program gave -25.031 and 90.217 (CALC; the sound is not carried along).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import services
import soundfile

from voicecheck.checkout.speak.measure import estimate_active_level

TIME_CONSTANT_S, HANGOVER_S, MARGIN_DB, N_THRESHOLDS = 0.03, 0.2, 15.9, 15


def measure_sample_by_sample(samples: Sequence[float], rate_hz: int) -> tuple[float, float]:
    """Active level re full scale in dB, and activity in per cent."""
    pole = math.exp(-1.0 / (rate_hz * TIME_CONSTANT_S))
    hangover = math.floor(rate_hz * HANGOVER_S + 0.5)
    thresholds = [2.0**-n for n in range(N_THRESHOLDS, 0, -1)]
    active, since = [0] * N_THRESHOLDS, [hangover] * N_THRESHOLDS
    first = second = energy = 0.0
    for sample in samples:
        energy += sample * sample
        first = pole * first + (1.0 - pole) * abs(sample)
        second = pole * second + (1.0 - pole) * first
        for place, threshold in enumerate(thresholds):
            if second >= threshold:
                active[place] += 1
                since[place] = 0
            elif since[place] < hangover:
                active[place] += 1
                since[place] += 1
            else:
                # What is over a higher threshold is over this one, too.
                break
    long_term_db = 10.0 * math.log10(energy / len(samples))
    level_db = cross_margin(energy, active, thresholds)
    return level_db, 100.0 * 10.0 ** ((long_term_db - level_db) / 10.0)


def cross_margin(energy: float, active: Sequence[int], thresholds: Sequence[float]) -> float:
    """Halves the stretch in which level less threshold falls through the margin, to 0.001 dB."""
    pairs = [
        (10.0 * math.log10(energy / count), 20.0 * math.log10(threshold))
        for count, threshold in zip(active, thresholds, strict=True)
        if count
    ]
    for (level, limit), (next_level, next_limit) in pairwise(pairs):
        if level - limit > MARGIN_DB >= next_level - next_limit:
            low, high = 0.0, 1.0
            while high - low > 1e-6:
                middle = 0.5 * (low + high)
                at = level + middle * (next_level - level)
                over = at - (limit + middle * (next_limit - limit)) - MARGIN_DB
                low, high = (middle, high) if over > 0.0 else (low, middle)
            return level + low * (next_level - level)
    raise AssertionError("the margin is not crossed")


def pick_prompts(language: Any) -> list[Path]:
    """Three long prompts, spread over the alphabet."""
    long = [
        path
        for path in services.need_voices(language, "*.wav")
        if soundfile.info(path).duration > 4
    ]
    return long[:: max(1, len(long) // 3)][:3]


@pytest.mark.parametrize("language", services.VOICES)
def test_real_speech_has_the_same_active_level_either_way(language: Any) -> None:
    """Within 0.01 dB and 0.2 %: the two differ in nothing but rounding."""
    for path in pick_prompts(language):
        samples, rate_hz = soundfile.read(path)
        found = estimate_active_level(samples, rate_hz)
        level_db, activity_percent = measure_sample_by_sample(samples.tolist(), rate_hz)
        assert found.active_db == pytest.approx(level_db, abs=0.01)
        assert found.activity_percent == pytest.approx(activity_percent, abs=0.2)
