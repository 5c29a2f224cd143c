"""
What is true of a plan, in closed form.

A polynomial sum a_k x^k driven by a sine of amplitude A gives the line of order m

    | sum_k a_k A^k C(k, (k - m) / 2) / 2^(k - 1) |,   k = m, m + 2, ...

(powers of a sine written as multiple angles); the sections before it say what A is, those after it
pass each line at its own frequency. Noise is white of known size behind sections whose magnitude
is known: its level is an integral, not an analysis.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

from blind.plan import Block, Plan, band_power, strength

STEP_LEVELS_DB = (-18.0, 0.0, 6.0)
"""Of the programme's own steps, re the amplitude of the sweep."""
HUM_TOLERANCE_DB = 0.5
HUM_TOLERANCE_HZ = 0.05
"""The program states no interval for the mains; this much is granted, as common practice."""
LOWEST_HUM_DB = 12.0
"""A line below this over the noise of its own 1 Hz is not asked for."""


@dataclass(frozen=True)
class Figure:
    """One true value; `tolerance` is granted where the program states no interval of its own."""

    name: str
    unit: str
    value: float
    at: float | None = None
    tolerance: float | None = None


def line_amplitude(plan: Plan, order: int, amplitude: float) -> float:
    """Amplitude of a line of the polynomial behind a sine of an amplitude."""
    factors: dict[int, float] = dict(enumerate((1.0, *plan.polynomial), 1))
    return abs(
        sum(
            factor * amplitude**k * math.comb(k, (k - order) // 2) / 2.0 ** (k - 1)
            for k, factor in factors.items()
            if k >= order and (k - order) % 2 == 0
        )
    )


def output_lines(plan: Plan, frequency_hz: float, amplitude: float) -> list[float]:
    """Amplitudes at the output of orders 1 to 5."""
    driven = amplitude * strength(plan.before, frequency_hz, plan.rate_hz)
    return [
        plan.gain
        * line_amplitude(plan, order, driven)
        * strength(plan.after, order * frequency_hz, plan.rate_hz)
        for order in range(1, 6)
    ]


def response_db(plan: Plan, frequency_hz: float, amplitude: float) -> float:
    return 20 * math.log10(output_lines(plan, frequency_hz, amplitude)[0] / amplitude)


def thd_percent(plan: Plan, frequency_hz: float, amplitude: float) -> float:
    first, *others = output_lines(plan, frequency_hz, amplitude)
    return 100 * math.hypot(*others) / first


def noise_power(plan: Plan) -> float:
    """Mean square from 200 to 4000 Hz: noise, rounding with its dither, lines of the mains."""
    step = 2.0 ** (1 - plan.bits)
    rounding = 3 / 12 * step**2 * 2 * 3800 / plan.rate_hz
    lines = sum(size**2 / 2 for hz, size, _ in plan.hum if 200 <= hz <= 4000)
    return plan.noise_rms**2 * band_power(plan.noise, plan.rate_hz) + rounding + lines


def is_hum_clear(plan: Plan) -> bool:
    """Whether the strongest line stands out of the noise of its own 1 Hz."""
    if not plan.hum:
        return False
    over = [
        size**2 / 2 / (plan.noise_rms * strength(plan.noise, hz, plan.rate_hz)) ** 2
        * plan.rate_hz / 2
        for hz, size, _ in plan.hum
    ]  # fmt: skip
    return 10 * math.log10(max(over)) > LOWEST_HUM_DB


def list_points_hz() -> list[float]:
    """Midbands of twelfths of an octave, base ten, 205 to 3899 Hz: source IEC 61260-1, 5.4."""
    return [1000.0 * 10.0 ** (0.025 * (k + 0.5)) for k in range(-28, 24)]


def list_figures(plan: Plan, blocks: Sequence[Block]) -> list[Figure]:
    """All true values of a plan; the points are drawn from its own seed."""
    draw = random.Random(plan.seed)
    amplitude = next(block.peak for block in blocks if block.kind == "sweep")
    found = [Figure("level", "dB", response_db(plan, 1000.0, amplitude), 1000.0)]
    for hz in draw.sample(list_points_hz(), 8):
        found.append(Figure("response", "dB", response_db(plan, hz, amplitude), hz))
    for hz in draw.sample(list_points_hz(), 4):
        found.append(Figure("thd", "%", thd_percent(plan, hz, amplitude), hz))
    for level_db in draw.sample(STEP_LEVELS_DB, 3):
        driven = amplitude * 10 ** (level_db / 20)
        out = output_lines(plan, 1000.0, driven)[0]
        found.append(Figure("step", "dBFS", 20 * math.log10(out), level_db))
        found.append(Figure("step-thd", "%", thd_percent(plan, 1000.0, driven), level_db))
    found.append(Figure("noise", "dBFS", 10 * math.log10(2 * noise_power(plan))))
    found.append(Figure("drift", "ppm", plan.drift_ppm))
    if is_hum_clear(plan):
        whole = 10 * math.log10(sum(size**2 for _, size, _ in plan.hum))
        found.append(Figure("hum", "Hz", plan.hum[0][0], tolerance=HUM_TOLERANCE_HZ))
        found.append(Figure("hum-level", "dBFS", whole, tolerance=HUM_TOLERANCE_DB))
    return found


def list_untouched(plan: Plan) -> list[str]:
    """
    Figures that stay true under the fault.

    What lasts a moment in one of several sweeps leaves every figure what it was, and what is lost
    takes time with it, so that the clocks cannot be told; clipping bends what was closed form.
    """
    names = ["level", "response", "thd", "step", "step-thd", "noise", "drift", "hum", "hum-level"]
    if plan.fault.kind == "clipping":
        return ["noise", "drift", "hum", "hum-level"]
    if plan.fault.kind == "lost-samples":
        names.remove("drift")
    return names
