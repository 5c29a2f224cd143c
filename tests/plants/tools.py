"""Small tools of the spoilers: other clocks, envelopes, made voices."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import fft
from scipy.signal import lfilter

from plants.filters import apply_response

CONTROL_HZ = 1000


def resample(samples: Any, ratio: Any) -> Any:
    """As many samples times `ratio`, by the spectrum of the padded take."""
    n = len(samples)
    wanted = round(n * ratio)
    # Equal paddings keep the ratio exact: both lengths are whole multiples.
    block = 441 * 160
    blocks = -(-n // block) + 1
    length, longer = blocks * block, round(blocks * block * ratio)
    spectrum = fft.rfft(samples, length)
    made = np.zeros(longer // 2 + 1, complex)
    m = min(len(spectrum), len(made))
    made[:m] = spectrum[:m]
    return fft.irfft(made, longer)[:wanted] * (longer / length)


def read_at(samples: Any, position: Any) -> Any:
    """Samples at fractional places: four times oversampled, then third-order Lagrange."""
    length = fft.next_fast_len(len(samples) + 4096, real=True)
    fine = fft.irfft(fft.rfft(samples, length), 4 * length) * 4
    at = np.clip(np.asarray(position) * 4, 1, len(fine) - 3)
    i = np.floor(at).astype(int)
    d = at - i
    return (
        -d * (d - 1) * (d - 2) / 6 * fine[i - 1]
        + (d + 1) * (d - 1) * (d - 2) / 2 * fine[i]
        - (d + 1) * d * (d - 2) / 2 * fine[i + 1]
        + (d + 1) * d * (d - 1) / 6 * fine[i + 2]
    )


def rms(samples: Any) -> Any:
    return float(np.sqrt(np.mean(np.square(samples))))


def sweep_rms(samples: Any, played: Any) -> Any:
    return rms(samples[played.stretch(played.of("sweep")[0])])


def within(played: Any, kind: Any, rng: Any, margin_s: Any = 0.3) -> Any:
    """An instant inside a block of that kind, not at its edges."""
    parts = played.of(kind)
    part = parts[rng.integers(len(parts))]
    margin_s = min(margin_s, 0.25 * (part.end_s - part.start_s))
    return float(rng.uniform(part.start_s + margin_s, part.end_s - margin_s))


def envelope_db(
    samples: Any, rate_hz: Any, attack_s: Any, release_s: Any, step_hz: Any = CONTROL_HZ
) -> Any:
    """Level in dB re full scale of a detector with two time constants, at `step_hz`."""
    hop = rate_hz // step_hz
    n = len(samples) // hop
    peaks = np.abs(samples[: n * hop]).reshape(n, hop).max(axis=1)
    up, down = np.exp(-1 / (step_hz * attack_s)), np.exp(-1 / (step_hz * release_s))
    level, followed = 0.0, np.empty(n)
    for i, peak in enumerate(peaks.tolist()):
        pole = up if peak > level else down
        level = pole * level + (1 - pole) * peak
        followed[i] = level
    return 20 * np.log10(np.maximum(followed, 1e-9))


def with_gain(samples: Any, gain_db: Any, step_hz: Any, rate_hz: Any) -> Any:
    """Apply a course of gain given at `step_hz`."""
    hop = rate_hz // step_hz
    at = (np.arange(len(gain_db)) + 0.5) * hop
    return samples * 10 ** (np.interp(np.arange(len(samples)), at, gain_db) / 20)


def colour(samples: Any, rate_hz: Any, low_hz: Any = 0.0, high_hz: Any = 0.0) -> Any:
    """First-order corners: a coupling capacitor, a line."""

    def passed(f: Any) -> Any:
        f = 1j * np.maximum(f, 1e-6)
        low = f / (f + low_hz) if low_hz else 1.0
        return low / (1 + f / high_hz) if high_hz else low + 0 * f

    # A fresh function each time, so nothing is kept by the filter's memory for long.
    return apply_response(samples, rate_hz, passed)


def make_voice(n_samples: Any, rate_hz: Any, rng: Any) -> Any:
    """Syllables of one made talker: pulses of a wandering pitch through three formants; rms 1."""
    voice = np.zeros(n_samples)
    pitch_hz, start = rng.uniform(90, 230), 0
    while start < n_samples:
        n = int(rng.uniform(0.12, 0.3) * rate_hz)
        phase = np.cumsum(pitch_hz * (1 + 0.1 * np.sin(np.linspace(0, 3, n))) / rate_hz)
        source = np.diff(np.floor(phase), prepend=0.0) + 0.02 * rng.standard_normal(n)
        formants_hz = rng.uniform([300, 900, 2200], [800, 2000, 3000])
        for centre_hz, width_hz in zip(formants_hz, (80, 110, 160), strict=True):
            r = np.exp(-np.pi * width_hz / rate_hz)
            turn = 2 * r * np.cos(2 * np.pi * centre_hz / rate_hz)
            source = lfilter([1 - r], [1, -turn, r * r], source)
        source *= np.hanning(n)
        end = min(start + n, n_samples)
        voice[start:end] += source[: end - start] / max(rms(source), 1e-12)
        start += int(n * rng.uniform(0.9, 1.6))
    return voice / max(rms(voice), 1e-12)


def make_babble(n_samples: Any, rate_hz: Any, rng: Any, talkers: Any = 4) -> Any:
    total = sum(make_voice(n_samples, rate_hz, rng) for _ in range(talkers))
    return total / max(rms(total), 1e-12)
