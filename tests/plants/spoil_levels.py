# mypy: disable-error-code="untyped-decorator"
"""Chains that change the level while they listen."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.ndimage import minimum_filter1d

from plants.spoiler import grade, spoiler
from plants.tools import (
    CONTROL_HZ,
    colour,
    envelope_db,
    sweep_rms,
    with_gain,
    within,
)

FAST_S, SLOW_S = (0.005, 0.06), (0.25, 1.5)


def _sweep_peak_db(samples: Any, played: Any) -> Any:
    return 20 * np.log10(np.sqrt(2) * sweep_rms(samples, played))


def _control(samples: Any, played: Any, times_s: Any, ratio: Any, threshold_db: Any) -> Any:
    level_db = envelope_db(samples, played.rate_hz, *times_s)
    over_db = np.maximum(level_db - threshold_db, 0)
    gain_db = -(1 - 1 / ratio) * over_db
    made = with_gain(samples, gain_db, CONTROL_HZ, played.rate_hz)
    told = {"ratio": ratio, "threshold_db": threshold_db, "most_db": float(-gain_db.min())}
    return made, told


def _register_gain_control(name: Any, times_s: Any, ratio: Any) -> None:
    @spoiler(f"agc-{name}-{ratio}", f"automatic gain control {ratio}:1, {name}")
    def control(samples: Any, played: Any, level: Any, rng: Any) -> Any:
        below_db = grade(level, 1.0, 6.0, 20.0)
        threshold_db = _sweep_peak_db(samples, played) - below_db
        return _control(samples, played, times_s, ratio, threshold_db)


for _name, _times_s in (("fast", FAST_S), ("slow", SLOW_S)):
    for _ratio in (2, 4):
        _register_gain_control(_name, _times_s, _ratio)


@spoiler("limiter", "a limiter in the recorder")
def limiter(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    threshold_db = _sweep_peak_db(samples, played) - grade(level, 0.5, 3.0, 8.0)
    return _control(samples, played, (0.001, 0.08), 50, threshold_db)


@spoiler("clip-then-filter", "overload, then a coupling capacitor and a line",
         affects=("response", "distortion"))  # fmt: skip
def clip_then_filter(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    at_db = _sweep_peak_db(samples, played) - grade(level, 0.5, 3.0, 8.0)
    most = 10 ** (at_db / 20)
    made = colour(np.clip(samples, -most, most), played.rate_hz, 60.0, 9000.0)
    return made, {"clip_dbfs": float(at_db), "share": float(np.mean(np.abs(samples) > most))}


@spoiler("sweep-gain", "the gain differs from sweep to sweep")
def sweep_gain(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    sd_db = grade(level, 0.2, 0.6, 1.5)
    gains_db = sd_db * rng.standard_normal(len(played.of("sweep")))
    # At least the spread itself between two of them, so that there is something to see.
    gains_db[-1] = gains_db[0] + np.copysign(max(abs(gains_db[-1] - gains_db[0]), sd_db), 1.0)
    made = np.array(samples)
    for gain_db, part in zip(gains_db, played.of("sweep"), strict=True):
        made[played.stretch(part, 0.1)] *= 10 ** (gain_db / 20)
    return made, {"block": "sweep", "gains_db": tuple(map(float, gains_db))}


@spoiler("fading", "the level fades over the take")
def fading(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    loss_db = grade(level, 0.3, 1.0, 3.0)
    course_db = -loss_db * np.linspace(0, 1, len(samples))
    told = {"loss_db": loss_db, "duration_s": len(samples) / played.rate_hz}
    return samples * 10 ** (course_db / 20), told


@spoiler("dropouts", "a failing cord: the sound goes for moments", affects=("response", "losses"))
def dropouts(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    made, at_s, lengths_s = np.array(samples), [], []
    for _ in range(round(grade(level, 2, 8, 20))):
        start_s, length_s = within(played, "sweep", rng), float(rng.uniform(0.005, 0.06))
        first = round(start_s * played.rate_hz)
        made[first : first + round(length_s * played.rate_hz)] = 0.0
        at_s.append(start_s)
        lengths_s.append(length_s)
    return made, {"at_s": sorted(at_s), "block": "sweep", "lost_s": sum(lengths_s)}


def _is_playing(played: Any, n_samples: Any, reach_s: Any) -> Any:
    """Whether something is played, with `reach_s` of grace on both sides."""
    playing = np.zeros(n_samples, bool)
    for part in played.parts:
        if part.peak > 0:
            first = max(0, round((part.start_s - reach_s) * played.rate_hz))
            playing[first : round((part.end_s + reach_s) * played.rate_hz)] = True
    return playing


@spoiler("muted-pauses", "the pauses are exact zeros", affects=("noise",))
def muted_pauses(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """Only the silence; every pause; or the first 20 ms of each block as well."""
    made = np.array(samples)
    if round(level) == 0:
        for part in played.of("silence"):
            made[played.stretch(part)] = 0.0
        return made, {"block": "silence", "at_s": [p.start_s for p in played.of("silence")]}
    reach_s = grade(level, 0.0, 0.05, -0.02)
    made[~_is_playing(played, len(made), reach_s)] = 0.0
    return made, {"block": "silence", "reach_s": reach_s}


@spoiler("noise-gate", "a gate that closes below a level", affects=("noise", "steps"))
def noise_gate(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    threshold_db = _sweep_peak_db(samples, played) - grade(level, 45.0, 30.0, 20.0)
    depth_db = grade(level, 20.0, 40.0, 80.0)
    level_db = envelope_db(samples, played.rate_hz, 0.002, 0.08)
    open_ = 1 / (1 + np.exp(-np.clip(level_db - threshold_db, -40, 40) * 2))
    made = with_gain(samples, -depth_db * (1 - open_), CONTROL_HZ, played.rate_hz)
    return made, {"threshold_dbfs": float(threshold_db), "depth_db": depth_db}


def _frames(samples: Any, size: Any) -> Any:
    """Half-overlapping frames under a sine window, and how to lay them down again."""
    hop = size // 2
    padded = np.concatenate([np.zeros(hop), samples, np.zeros(size)])
    n = (len(padded) - size) // hop + 1
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    picked = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop][:n] * window

    def lay(frames: Any) -> Any:
        total = np.zeros(n * hop + size)
        frames = frames * window
        total[: n * hop] += frames[:, :hop].ravel()
        total[hop : hop + n * hop] += frames[:, hop:].ravel()
        return total[hop : hop + len(samples)]

    return picked, lay


@spoiler("noise-suppressor", "steady sound is taken for noise and turned down",
         affects=("response", "noise", "steps"))  # fmt: skip
def noise_suppressor(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """Gain from 20 times the least of 0.8 s in each line (a minimum reads low), to a floor."""
    size = 1024
    frames, lay = _frames(samples, size)
    spectrum = np.fft.rfft(frames)
    power = np.abs(spectrum) ** 2
    back = int(0.8 * played.rate_hz / (size // 2))
    smooth = (power + np.roll(power, 1, axis=0) + np.roll(power, 2, axis=0)) / 3
    noise = minimum_filter1d(smooth, back, axis=0, origin=back // 2 - 1)
    floor_db = grade(level, -6.0, -12.0, -24.0)
    gain = np.clip(1 - 20 * noise / np.maximum(smooth, 1e-20), 10 ** (floor_db / 10), 1)
    return lay(np.fft.irfft(spectrum * np.sqrt(gain), size)), {"floor_db": floor_db}


@spoiler("echo-canceller", "what is played is taken off what is heard",
         affects=("response", "steps"))  # fmt: skip
def echo_canceller(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """Each line of a half-overlapping transform learns its path by normalised least squares."""
    size, share = 1024, grade(level, 0.1, 0.4, 0.8)
    heard, lay = _frames(samples, size)
    far = np.zeros(len(samples))
    n = min(len(samples), len(played.samples))
    far[:n] = played.samples[:n]
    known = np.fft.rfft(_frames(far, size)[0])
    spectrum = np.fft.rfft(heard)
    path, left = np.zeros(spectrum.shape[1], complex), np.empty_like(spectrum)
    small = 1e-4 * np.max(np.abs(known) ** 2)
    for i, (x, y) in enumerate(zip(known, spectrum, strict=True)):
        error = y - path * x
        left[i] = y - share * path * x
        path += 0.3 * x.conj() * error / (np.abs(x) ** 2 + small)
    return lay(np.fft.irfft(left, size)), {"share": share}


@spoiler("lossy-coding", "a coder that rounds each band to what it thinks can be heard",
         affects=("response", "noise", "distortion"))  # fmt: skip
def lossy_coding(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """Lapped cosine transform of 512 lines; each band is rounded to steps of its own strength."""
    below_db = grade(level, 26.0, 18.0, 10.0)
    size, half = 1024, 512
    frames, lay = _frames(samples, size)
    n, k = np.arange(size) + 0.5 + half / 2, np.arange(half) + 0.5
    basis = np.cos(np.pi / half * np.outer(n, k)) * np.sqrt(2 / half)
    lines = frames @ basis
    edges = np.unique(np.round(np.geomspace(2, half, 22)).astype(int))
    made = np.zeros_like(lines)
    for low, high in zip([0, *edges[:-1]], edges, strict=True):
        band = lines[:, low:high]
        strength = np.sqrt(np.mean(band**2, axis=1, keepdims=True))
        step = np.maximum(strength * np.sqrt(12) * 10 ** (-below_db / 20), 2e-5)
        made[:, low:high] = np.round(band / step) * step
    return lay(made @ basis.T), {"below_db": below_db}
