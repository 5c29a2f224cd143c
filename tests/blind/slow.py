"""The sound of a plan in plain Python, sample for sample as `plant.c` makes it, and slowly."""

from __future__ import annotations

import math
import sys
import wave
from array import array
from collections.abc import Sequence
from operator import mul
from pathlib import Path

from blind.plan import Plan, Section

HALF_TAPS = 24
PHASES = 512
BETA = 9.0
MASK = (1 << 64) - 1


class Draws:
    """Even and normal draws of a 64-bit shift register (Marsaglia 2003, with Vigna's product)."""

    def __init__(self, seed: int) -> None:
        self.state = seed & MASK

    def even(self) -> float:
        state = self.state
        state ^= state >> 12
        state = (state ^ (state << 25)) & MASK
        self.state = state = state ^ (state >> 27)
        return (((state * 2685821657736338717) & MASK) >> 11) / 9007199254740992.0 + HALF_STEP

    def normal(self) -> float:
        size = math.sqrt(-2 * math.log(self.even()))
        return size * math.cos(2 * math.pi * self.even())


HALF_STEP = 0.5 / 9007199254740992.0


def read_programme(path: Path) -> list[float]:
    """Samples of a WAV file of one channel of 24 bits."""
    with wave.open(str(path), "rb") as file:
        data = file.readframes(file.getnframes())
    wide = bytearray(len(data) // 3 * 4)
    for byte in range(3):
        wide[byte + 1 :: 4] = data[byte::3]
    whole = array("i", bytes(wide))
    if sys.byteorder == "big":
        whole.byteswap()
    return [value / 2147483648.0 for value in whole]


def pass_through(sections: Sequence[Section], samples: list[float]) -> list[float]:
    for b0, b1, b2, a1, a2 in sections:
        first = second = 0.0
        out = []
        for x in samples:
            y = b0 * x + first
            first = b1 * x - a1 * y + second
            second = b2 * x - a2 * y
            out.append(y)
        samples = out
    return samples


def bend(factors: Sequence[float], samples: list[float]) -> list[float]:
    found = []
    for x in samples:
        total = 0.0
        for factor in reversed(factors):
            total = (total + factor) * x
        found.append(x + total * x)
    return found


def bessel(x: float) -> float:
    term = total = 1.0
    for k in range(1, 60):
        term *= x / (2 * k) * (x / (2 * k))
        total += term
    return total


def tap(distance: float) -> float:
    share = distance / HALF_TAPS
    inside = 1 - share * share
    window = bessel(BETA * math.sqrt(inside)) / bessel(BETA) if inside > 0 else 0.0
    return 1.0 if distance == 0 else math.sin(math.pi * distance) / (math.pi * distance) * window


def resample(plan: Plan, samples: list[float]) -> list[float]:
    """What a recorder hears whose clock is off: sinc under a Kaiser window, by table."""
    offsets = range(-HALF_TAPS + 1, HALF_TAPS + 1)
    table = [[tap(p / PHASES - offset) for offset in offsets] for p in range(PHASES + 1)]
    table.append(table[0])
    fast = 1 + plan.drift_ppm * 1e-6
    late = plan.latency_s * plan.rate_hz
    count = math.floor((len(samples) + (plan.latency_s + plan.tail_s) * plan.rate_hz) * fast)
    before = math.ceil(late) + HALF_TAPS
    padded = [0.0] * before + samples + [0.0] * (count + 2 * HALF_TAPS)
    found = []
    for n in range(count):
        place = n / fast - late
        whole = math.floor(place)
        phase = (place - whole) * PHASES
        lower = math.floor(phase)
        first = before + whole - HALF_TAPS + 1
        stretch = padded[first : first + 2 * HALF_TAPS]
        low = sum(map(mul, table[lower], stretch))
        high = sum(map(mul, table[lower + 1], stretch))
        found.append(plan.gain * (low + (phase - lower) * (high - low)))
    return found


def disturb(plan: Plan, samples: list[float]) -> list[float]:
    draws, fault = Draws(plan.seed), plan.fault
    first = math.floor(fault.at_s * plan.rate_hz)
    after = min(first + math.floor(fault.length_s * plan.rate_hz), len(samples))
    if fault.kind == "dropout":
        samples[first:after] = [0.0] * (after - first)
    noise = [plan.noise_rms * draws.normal() for _ in samples]
    samples = [x + y for x, y in zip(samples, pass_through(plan.noise, noise), strict=True)]
    for hz, size, phase in plan.hum:
        turn = 2 * math.pi * hz / plan.rate_hz
        samples = [x + size * math.sin(turn * n + phase) for n, x in enumerate(samples)]
    if fault.kind == "burst":
        for n in range(first, after):
            samples[n] += fault.size * draws.normal()
    if fault.kind == "lost-samples":
        del samples[first:after]
    if fault.kind == "clipping":
        samples = [max(-fault.size, min(fault.size, x)) for x in samples]
    return samples


def write_recording(plan: Plan, samples: Sequence[float], path: Path) -> None:
    """Rounded with a dither of two even draws, so that the rounding is noise of known size."""
    draws = Draws(plan.seed ^ 0x9E3779B97F4A7C15)
    whole, size = 2.0 ** (plan.bits - 1), plan.bits // 8
    data = bytearray()
    for x in samples:
        dither = draws.even()
        dither -= draws.even()
        value = int(max(-whole, min(whole - 1, math.floor(x * whole + dither + 0.5))))
        data += value.to_bytes(size, "little", signed=True)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(size)
        file.setframerate(plan.rate_hz)
        file.writeframes(bytes(data))


def play(plan: Plan, programme: Path, recording: Path) -> float:
    """Play a programme file through a plan into a recording file; its largest sample."""
    samples = pass_through(plan.before, read_programme(programme))
    samples = pass_through(plan.after, bend(plan.polynomial, samples))
    samples = disturb(plan, resample(plan, samples))
    write_recording(plan, samples, recording)
    return max(map(abs, samples))
