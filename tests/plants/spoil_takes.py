# mypy: disable-error-code="untyped-decorator"
"""Recordings that are not what they seem."""

from __future__ import annotations

from typing import Any

import numpy as np

from plants.fixed import Wire
from plants.spoiler import grade, spoiler
from plants.tools import read_at, resample, rms, sweep_rms, within

RATES_HZ = (44100, 96000, 16000)


@spoiler("other-level", "the file of another level was played", stage="drive")
def other_level(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    change_db = grade(level, -3.0, -6.0, -12.0)
    return samples * 10 ** (change_db / 20), {"change_db": change_db}


@spoiler("other-recipe", "the file of another recipe was played", stage="drive")
def other_recipe(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """A longer pause, a sweep fewer, or sweeps of two thirds the length by a formula of its own."""
    rate_hz, sweeps = played.rate_hz, played.of("sweep")
    if round(level) == 0:
        cut = round(sweeps[0].start_s * rate_hz) - 2
        made = np.concatenate([samples[:cut], np.zeros(rate_hz), samples[cut:]])
        return made, {"what": "longer pause", "at_s": [sweeps[0].start_s]}
    if round(level) == 1 and len(sweeps) > 1:
        first, last = (round(part.start_s * rate_hz) - 2 for part in sweeps[:2])
        made = np.concatenate([samples[:first], samples[last:]])
        return made, {"what": "a sweep fewer", "at_s": [sweeps[0].start_s]}
    made = np.array(samples)
    for part in sweeps:
        here = played.stretch(part)
        length_s = (part.end_s - part.start_s) / 1.5
        t = np.arange(here.stop - here.start) / rate_hz
        pace = np.log(part.to_hz / part.from_hz) / length_s
        angle = 2 * np.pi * part.from_hz / pace * np.expm1(pace * np.minimum(t, length_s))
        fade = np.clip(np.minimum(t, length_s - t) / 0.02, 0, 1)
        made[here] = part.peak * fade * np.sin(angle)
    return made, {"what": "shorter sweeps", "at_s": [part.start_s for part in sweeps]}


@spoiler("two-takes", "the recorder ran on while it was played again")
def two_takes(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """The first take is the weaker one."""
    weaker_db = grade(level, 0.5, 3.0, 20.0)
    pause_s = float(rng.uniform(0.5, 3.0))
    pause = 1e-5 * rng.standard_normal(round(pause_s * played.rate_hz))
    made = np.concatenate([samples * 10 ** (-weaker_db / 20), pause, samples])
    second_s = (len(samples) + len(pause)) / played.rate_hz
    return made, {"at_s": [0.0, second_s], "weaker_db": weaker_db}


@spoiler("echo", "a second arrival through a loudspeaker or a line")
def echo(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    delay_s, down_db = float(rng.uniform(0.2, 0.9)), grade(level, 20.0, 10.0, 3.0)
    lag = round(delay_s * played.rate_hz)
    made = np.array(samples)
    made[lag:] += 10 ** (-down_db / 20) * samples[:-lag]
    return made, {"delay_s": delay_s, "down_db": down_db}


@spoiler("other-channel", "the set is on the second channel", affects=("channel",))
def other_channel(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    dbfs = grade(level, -90, -70, -50)
    idle = rng.standard_normal(len(samples)) * 10 ** (dbfs / 20) / np.sqrt(2)
    return np.stack([idle, samples], axis=1), {"channel": 2}


@spoiler("crosstalk", "channel 1 hears channel 2", affects=("channel",))
def crosstalk(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """A capacitance between the leads: it rises by 6 dB an octave, so the curve is another one."""
    down_db = grade(level, 60.0, 50.0, 30.0)
    slope = np.gradient(samples) * played.rate_hz / (2 * np.pi * 1000.0)
    idle = 10 ** (-100 / 20) * rng.standard_normal(len(samples))
    heard = 10 ** (-down_db / 20) * slope + idle
    return np.stack([heard, samples], axis=1), {"channel": 2, "down_db": down_db}


@spoiler("other-rate", "the recorder has another sample rate", affects=())
def other_rate(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    rate_hz = RATES_HZ[round(level)]
    return resample(samples, rate_hz / played.rate_hz), {"rate_hz": rate_hz}


@spoiler("no-handset", "a wire lies where the handset should", stage="plant")
def no_handset(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    gain_db = grade(level, -20.0, -6.0, 0.0)
    made = Wire().play(samples * 10 ** (gain_db / 20), played.rate_hz, rng)
    return made, {"gain_db": gain_db}


@spoiler("too-quiet", "the gain is turned down", affects=("response", "noise"))
def too_quiet(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    down_db = grade(level, 50.0, 60.0, 70.0)
    floor = 10 ** (-105 / 20) / np.sqrt(2) * rng.standard_normal(len(samples))
    made = samples * 10 ** (-down_db / 20) + floor
    return np.round(made * 2**23) / 2**23, {"gain_db": -down_db}


@spoiler("single-cut", "samples lost by the recorder")
def single_cut(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    lost = round(grade(level, 0.0005, 0.01, 0.1) * played.rate_hz)
    at_s = within(played, "sweep", rng)
    first = round(at_s * played.rate_hz)
    made = np.concatenate([samples[:first], samples[first + lost :]])
    return made, {"at_s": [at_s], "block": "sweep", "lost_samples": lost}


@spoiler("cancelling-cuts", "samples lost, as many repeated later: the marks agree")
def cancelling_cuts(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    lost = round(grade(level, 0.001, 0.01, 0.05) * played.rate_hz)
    early_s, late_s = sorted(within(played, "sweep", rng) for _ in range(2))
    late_s = max(late_s, early_s + 0.5)
    first, second = (round(t * played.rate_hz) for t in (early_s, late_s))
    made = np.concatenate([
        samples[:first], samples[first + lost : second], samples[second - lost : second],
        samples[second:],
    ])  # fmt: skip
    told = {"at_s": [early_s, late_s - lost / played.rate_hz], "block": "sweep"}
    return made, {**told, "lost_samples": lost}


@spoiler("clock-drift", "player and recorder run on two clocks", affects=())
def clock_drift(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    ppm = grade(level, 20.0, 100.0, 300.0) * rng.choice([-1.0, 1.0])
    return read_at(samples, np.arange(len(samples)) / (1 + ppm * 1e-6)), {"ppm": float(ppm)}


@spoiler("clock-wander", "a clock that wanders about its mean", affects=())
def clock_wander(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """Rate error a sine of that peak, period 3 to 9 s."""
    ppm, period_s = grade(level, 2.0, 6.0, 20.0), float(rng.uniform(3, 9))
    t = np.arange(len(samples)) / played.rate_hz
    turn = 2 * np.pi / period_s
    phase = rng.uniform(0, 2 * np.pi)
    shift_s = ppm * 1e-6 / turn * (np.sin(turn * t + phase) - np.sin(phase))
    made = read_at(samples, (t + shift_s) * played.rate_hz)
    return made, {"ppm": ppm, "period_s": period_s}


SAME = "the same recording given again"


@spoiler("same-copied", SAME, affects=("count",))
def same_copied(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    return np.array(samples), {}


@spoiler("same-trimmed", SAME, affects=("count",))
def same_trimmed(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    trimmed_s = grade(level, 0.05, 0.2, 0.45) * rng.uniform(0.5, 1.0)
    return samples[round(trimmed_s * played.rate_hz) :], {"trimmed_s": float(trimmed_s)}


@spoiler("same-gained", SAME, affects=("count",))
def same_gained(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    gain_db = grade(level, -0.2, -3.0, -10.0)
    return samples * 10 ** (gain_db / 20), {"gain_db": gain_db}


@spoiler("same-resampled", SAME, affects=("count",))
def same_resampled(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """To another rate and back, so that no sample stays as it was."""
    between_hz = RATES_HZ[round(level)]
    there = resample(samples, between_hz / played.rate_hz)
    return resample(there, played.rate_hz / between_hz), {"between_hz": between_hz}


@spoiler("same-reencoded", SAME, affects=("count",))
def same_reencoded(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """Fewer bits with dither, of the peak."""
    bits = round(grade(level, 16, 12, 9))
    step = np.max(np.abs(samples)) / 2 ** (bits - 1)
    dither = rng.uniform(-0.5, 0.5, len(samples)) + rng.uniform(-0.5, 0.5, len(samples))
    return np.round(samples / step + dither) * step, {"bits": bits}


@spoiler("low-bit", "16 bit, and the take only a few steps high", affects=("distortion", "noise"))
def low_bit(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    steps = grade(level, 40, 12, 4)
    gain = steps / 32768 / (np.sqrt(2) * sweep_rms(samples, played))
    made = np.round(samples * gain * 32768) / 32768
    rounding = rms(made - samples * gain)
    return made, {"steps": steps, "gain_db": 20 * np.log10(gain), "rounding": rounding}
