# mypy: disable-error-code="untyped-decorator"
"""Sounds that are not the set's, rooms, and bench parts that are not flat."""

from __future__ import annotations

from typing import Any

import numpy as np

from plants.filters import apply_response, make_noise
from plants.plant import Sloping
from plants.spoiler import grade, spoiler
from plants.tools import make_babble, make_voice, rms, sweep_rms, within

ROOT2 = np.sqrt(2)


def _over(samples: Any, played: Any, kind: Any, level_re: Any, sound: Any) -> Any:
    """Lay sound over the blocks of one kind, so many dB below them (`level_re` None: dBFS)."""
    made, at_s = np.array(samples), []
    for part in played.of(kind):
        here = played.stretch(part)
        made[here] += level_re * sound(here.stop - here.start)
        at_s.append(part.start_s)
    return made, at_s


@spoiler("babble-in-silence", "people talk while the silence is recorded", affects=("noise",))
def babble_in_silence(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    dbfs = grade(level, -65.0, -50.0, -35.0)
    made, at_s = _over(samples, played, "silence", 10 ** (dbfs / 20) / ROOT2,
                       lambda n: make_babble(n, played.rate_hz, rng))  # fmt: skip
    return made, {"at_s": at_s, "block": "silence", "dbfs": dbfs}


def _speech_over(kind: Any) -> None:
    @spoiler(f"speech-over-{kind}", f"somebody speaks during the {kind}", affects=(kind,))
    def speech(samples: Any, played: Any, level: Any, rng: Any) -> Any:
        below_db = grade(level, 30.0, 20.0, 10.0)
        here = played.stretch(played.of(kind)[0])
        scale = 10 ** (-below_db / 20) * rms(samples[here])
        made, at_s = _over(samples, played, kind, scale,
                           lambda n: make_voice(n, played.rate_hz, rng))  # fmt: skip
        return made, {"at_s": at_s, "block": kind, "below_db": below_db}


_speech_over("steps")
_speech_over("four-tone")


@spoiler("room-noise", "steady noise of a room", affects=("noise",))
def room_noise(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    dbfs = grade(level, -75.0, -62.0, -50.0)
    noise = make_noise(len(samples), played.rate_hz, Sloping(dbfs, -12.0), rng)
    return samples + noise, {"dbfs": dbfs}


def _mains(n_samples: Any, rate_hz: Any, frequency_hz: Any, weights: Any, rng: Any) -> Any:
    time_s = np.arange(n_samples) / rate_hz
    total = np.zeros(n_samples)
    for order, weight in weights.items():
        turn = rng.uniform(0, 2 * np.pi)
        total += weight * np.sin(2 * np.pi * order * frequency_hz * time_s + turn)
    return total / rms(total) / ROOT2


@spoiler("mains", "hum and its orders up to the fifteenth", affects=("noise",))
def mains(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    dbfs = grade(level, -70.0, -50.0, -35.0)
    frequency_hz = float(rng.choice([50.0, 60.0]) + rng.uniform(-0.05, 0.05))
    weights = {k: 1 / k**0.7 for k in range(1, 16)}
    hum = _mains(len(samples), played.rate_hz, frequency_hz, weights, rng)
    return samples + 10 ** (dbfs / 20) * hum, {"dbfs": dbfs, "mains_hz": frequency_hz}


@spoiler("vibration", "a machine shakes the bench at 50 Hz, stronger and weaker",
         affects=("noise",))  # fmt: skip
def vibration(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    dbfs = grade(level, -50.0, -35.0, -22.0)
    shake = _mains(len(samples), played.rate_hz, 49.7, {1: 1.0, 2: 0.3, 3: 0.05}, rng)
    time_s = np.arange(len(samples)) / played.rate_hz
    swell = 1 + 0.5 * np.sin(2 * np.pi * 0.4 * time_s + rng.uniform(0, 6))
    return samples + 10 ** (dbfs / 20) * shake * swell, {"dbfs": dbfs, "hz": 49.7}


@spoiler("frying", "bursts of an arcing contact", affects=("noise",))
def frying(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    per_s, made = grade(level, 2.0, 10.0, 40.0), np.array(samples)
    duration_s = len(samples) / played.rate_hz
    at_s = np.sort(rng.uniform(0, duration_s, rng.poisson(per_s * duration_s)))
    scale = 0.1 * ROOT2 * sweep_rms(samples, played)
    for start_s in at_s:
        first = int(start_s * played.rate_hz)
        n = min(int(rng.uniform(0.0005, 0.004) * played.rate_hz), len(made) - first)
        size = scale * rng.lognormal(0, 0.5)
        made[first : first + n] += size * rng.standard_normal(n) * np.hanning(n + 2)[1:-1]
    return made, {"at_s": at_s, "per_s": per_s}


@spoiler("burst", "one burst of noise in a sweep")
def burst(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    below_db, at_s = grade(level, 30.0, 20.0, 6.0), within(played, "sweep", rng)
    n = int(rng.uniform(0.005, 0.03) * played.rate_hz)
    first = round(at_s * played.rate_hz)
    made = np.array(samples)
    size = 10 ** (-below_db / 20) * ROOT2 * sweep_rms(samples, played)
    made[first : first + n] += size * rng.standard_normal(n)
    told = {"at_s": [at_s], "block": "sweep", "below_db": below_db}
    return made, {**told, "length_s": n / played.rate_hz}


@spoiler("door-slam", "a door: a thump and the rattle after it")
def door_slam(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    peak, at_s = grade(level, 0.03, 0.12, 0.5), within(played, "sweep", rng)
    first = round(at_s * played.rate_hz)
    t = np.arange(min(int(0.6 * played.rate_hz), len(samples) - first)) / played.rate_hz
    thump = np.exp(-t / 0.12) * np.sin(2 * np.pi * rng.uniform(35, 90) * t)
    rattle = 0.4 * np.exp(-t / 0.04) * rng.standard_normal(len(t))
    made = np.array(samples)
    made[first : first + len(t)] += peak * (thump + rattle)
    return made, {"at_s": [at_s], "block": "sweep", "peak": peak}


@spoiler("howl", "feedback that builds up", affects=("response", "noise", "distortion"))
def howl(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """Grows e-fold in 0.5 to 1.2 s from a trace to where the amplifier holds it."""
    most = grade(level, 0.01, 0.05, 0.3) * ROOT2 * sweep_rms(samples, played) / 0.18
    hz, grow_s = float(rng.uniform(500, 3200)), float(rng.uniform(0.5, 1.2))
    start_s = within(played, "sweep", rng)
    t = np.arange(len(samples)) / played.rate_hz - start_s
    size = most / (1 + np.exp(-(t - 3 * grow_s) / grow_s))
    made = samples + np.where(t > 0, size, 0) * np.sin(2 * np.pi * hz * t)
    return made, {"at_s": [start_s], "hz": hz, "most": float(most)}


@spoiler("reflection", "a table or wall near the mouth")
def reflection(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    delay_s, down_db = float(rng.uniform(0.002, 0.02)), grade(level, 26.0, 15.0, 8.0)
    gain = 10 ** (-down_db / 20)

    def path(f: Any) -> Any:
        soft = 1 / (1 + 1j * f / 9000.0)
        return 1 + gain * soft * np.exp(-2j * np.pi * f * delay_s)

    made = apply_response(samples, played.rate_hz, path)
    return made, {"delay_s": delay_s, "down_db": down_db}


@spoiler("microphone-tilt", "the microphone rises towards 4 kHz")
def microphone_tilt(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    rise_db = grade(level, 1.0, 3.0, 6.0)

    def lift(f: Any) -> Any:
        # A shelf in dB, zero at 1 kHz and the whole rise at 4 kHz.
        def part(x: Any) -> Any:
            return x**2 / (x**2 + 2500.0**2)

        share = (part(f) - part(1000.0)) / (part(4000.0) - part(1000.0))
        return 10 ** (rise_db * share / 20)

    return apply_response(samples, played.rate_hz, lift), {"rise_db": rise_db}


@spoiler("mouth-distortion", "the small loudspeaker bends what it plays", stage="drive",
         affects=("distortion",))  # fmt: skip
def mouth_distortion(samples: Any, played: Any, level: Any, rng: Any) -> Any:
    """H2 of that share at the sweep's amplitude: k A / 2."""
    share = grade(level, 0.005, 0.03, 0.06)
    return samples + 2 * share / played.amplitude * samples**2, {"h2_percent": 100 * share}
