"""What one made telephone is, drawn from a seed, and the plain text that its sound is made from."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

FAULTS = ("none", "dropout", "burst", "lost-samples", "clipping")
"""By number, as the sound's makers know them."""
HIGHEST_ORDER = {44100: 2, 48000: 3, 96000: 5}
"""Of a sweep to 8 kHz the harmonics up to this order lie within half the rate: none folds back."""

PLAIN_DROPOUT, PLAIN_BURST, PLAIN_SHARE = 5.0, 10.0, 0.1
"""
What must be named (common practice, no source): a dropout in a sweep so many times over what is
heard in the pauses, a burst so many times over that and of such a share of the sweep around it.
"""

Section = tuple[float, float, float, float, float]
"""b0, b1, b2, a1, a2 of (b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2)."""


@dataclass(frozen=True)
class Block:
    """One part of the programme, as its published description has it."""

    kind: str
    start_s: float
    end_s: float
    peak: float
    from_hz: float | None
    to_hz: float | None


@dataclass(frozen=True)
class Fault:
    """
    What was done to the recording; `size` is the rms of a burst or the level of clipping.

    One that is not `is_plain` lies near hum and noise: it may stay unnamed, and only what it does
    to the figures counts.
    """

    kind: str = "none"
    at_s: float = 0.0
    length_s: float = 0.0
    size: float = 0.0
    is_plain: bool = True


@dataclass(frozen=True)
class Plan:
    """
    A telephone, its line and the recorder.

    `polynomial` has the factors of x^2, x^3 and so on beside x; `hum` has frequency in Hz,
    amplitude and phase of each line; `noise_rms` is that of white noise before `noise`.
    """

    rate_hz: int
    seed: int
    before: tuple[Section, ...]
    polynomial: tuple[float, ...]
    after: tuple[Section, ...]
    gain: float
    latency_s: float
    drift_ppm: float
    noise_rms: float
    noise: tuple[Section, ...]
    hum: tuple[tuple[float, float, float], ...]
    bits: int
    fault: Fault
    tail_s: float = 0.5


def write_plan(plan: Plan) -> str:
    """Lines of a name and a list: its length, then its values, exact to the last bit."""
    lines = [f"seed {plan.seed}"]
    for field in fields(plan):
        if field.name in {"seed", "rate_hz", "fault"}:
            continue
        values = flatten(getattr(plan, field.name))
        lines.append(" ".join([field.name, str(len(values)), *map(repr, values)]))
    fault = plan.fault
    lines.append(f"fault 1 {FAULTS.index(fault.kind)}")
    for name in ("at_s", "length_s", "size"):
        lines.append(f"fault_{name} 1 {getattr(fault, name)!r}")
    return "\n".join(lines) + "\n"


def flatten(value: object) -> list[float]:
    if isinstance(value, tuple):
        return [one for part in value for one in flatten(part)]
    assert isinstance(value, int | float)
    return [float(value)]


def strength(sections: Sequence[Section], frequency_hz: float, rate_hz: int) -> float:
    """Magnitude of sections one after the other: their polynomials on the unit circle."""
    turn = 2 * math.pi * frequency_hz / rate_hz
    back = complex(math.cos(turn), -math.sin(turn))
    total = 1.0
    for b0, b1, b2, a1, a2 in sections:
        total *= abs((b0 + (b1 + b2 * back) * back) / (1 + (a1 + a2 * back) * back))
    return total


def low_cut(corner_hz: float, rate_hz: int) -> Section:
    pole = math.exp(-2 * math.pi * corner_hz / rate_hz)
    return (1.0, -1.0, 0.0, -pole, 0.0)


def high_cut(corner_hz: float, rate_hz: int) -> Section:
    pole = math.exp(-2 * math.pi * corner_hz / rate_hz)
    return (1 - pole, 0.0, 0.0, -pole, 0.0)


def peak(centre_hz: float, q: float, height: float, rate_hz: int) -> Section:
    """Poles and zeros under one angle: lifts its centre by about `height`, or lowers it."""
    angle = 2 * math.pi * centre_hz / rate_hz
    away = 1 - math.exp(-math.pi * centre_hz / q / rate_hz)
    # The one that lies nearer to the circle makes the width; the other makes the height.
    pole, zero = (1 - away, 1 - away * height) if height > 1 else (1 - away / height, 1 - away)
    turn = 2 * math.cos(angle)
    return (1.0, -turn * zero, zero * zero, -turn * pole, pole * pole)


def scaled(sections: Sequence[Section], factor: float) -> tuple[Section, ...]:
    b0, b1, b2, a1, a2 = sections[0]
    return ((b0 * factor, b1 * factor, b2 * factor, a1, a2), *sections[1:])


def draw_plan(seed: int, rate_hz: int, blocks: Sequence[Block]) -> Plan:
    """Draw a telephone; the blocks say where a fault can be put."""
    draw = random.Random(seed)
    sweep = next(block for block in blocks if block.kind == "sweep")
    order = HIGHEST_ORDER[rate_hz]
    before = [low_cut(draw.uniform(20, 350), rate_hz)]
    after = [low_cut(draw.uniform(20, 250), rate_hz)]
    for place in (before, after):
        for _ in range(draw.randint(0, 2)):
            place.append(
                peak(
                    math.exp(draw.uniform(math.log(400), math.log(5000))),
                    draw.uniform(0.7, 9),
                    10 ** (draw.uniform(-10, 14) / 20),
                    rate_hz,
                )
            )
    after.append(high_cut(draw.uniform(2500, 12000), rate_hz))
    # The polynomial is driven by no more than was played, at whatever frequency.
    loudest = max(strength(before, 20.0 * k, rate_hz) for k in range(1, 500))
    unit = strength(after, 1000.0, rate_hz)
    before_scaled, after_scaled = scaled(before, 1 / loudest), scaled(after, 1 / unit)
    louder = max(strength(after_scaled, 20.0 * k, rate_hz) for k in range(1, 500))
    gain = 10 ** (draw.uniform(-16, -4) / 20) / louder / (4 * sweep.peak)
    plan = Plan(
        rate_hz=rate_hz, seed=draw.getrandbits(63) | 1,
        before=before_scaled, polynomial=draw_polynomial(draw, order, sweep.peak),
        after=after_scaled, gain=gain,
        latency_s=draw.uniform(0.003, 0.45), drift_ppm=draw.choice((0.0, draw.uniform(-150, 150))),
        **draw_disturbance(draw, rate_hz),
        bits=draw.choice((16, 24, 24)), fault=Fault(),
    )  # fmt: skip
    plan = quiet_enough(plan, sweep.peak)
    return replace(plan, fault=draw_fault(draw, blocks, plan))


def quiet_enough(plan: Plan, amplitude: float) -> Plan:
    """Noise and hum no more than a third of what comes out at 1 kHz, or nothing could be heard."""
    through = strength((*plan.before, *plan.after), 1000.0, plan.rate_hz)
    heard = amplitude * plan.gain * through / math.sqrt(2)
    factor = min(1.0, heard / 3 / idle_rms(plan))
    hum = tuple((hz, factor * size, phase) for hz, size, phase in plan.hum)
    return replace(plan, noise_rms=factor * plan.noise_rms, hum=hum)


def loudest_output(plan: Plan, amplitude: float) -> float:
    """Largest amplitude that a sweep comes out with, its harmonics left out."""
    through = (*plan.before, *plan.after)
    strengths = (strength(through, 20.0 * k, plan.rate_hz) for k in range(5, 400))
    return amplitude * plan.gain * max(strengths)


def draw_polynomial(draw: random.Random, order: int, amplitude: float) -> tuple[float, ...]:
    """Harmonics of the second order 0.2 to 12 %, of the third up to 2 %, of others up to 0.3 %."""
    second = 2 * 10 ** (draw.uniform(-54, -18) / 20) / amplitude
    found = [second * draw.choice((-1, 1))]
    found += [draw.uniform(-0.7, 1.3)] * (order > 2)
    found += [draw.uniform(-1.0, 1.0)] * (order > 3)
    found += [draw.uniform(-1.0, 2.0)] * (order > 4)
    return tuple(found)


def draw_disturbance(draw: random.Random, rate_hz: int) -> dict[str, Any]:
    noise = [(1.0, 0.0, 0.0, 0.0, 0.0)]
    if draw.random() < 0.5:
        noise.append(high_cut(draw.uniform(300, 4000), rate_hz))
    if draw.random() < 0.3:
        noise.append(peak(draw.uniform(500, 3000), draw.uniform(0.7, 3), 3.0, rate_hz))
    # Given by its level from 200 to 4000 Hz.
    level_dbfs = draw.uniform(-82, -58)
    unit = band_power(noise, rate_hz)
    rms = math.sqrt(10 ** (level_dbfs / 10) / 2 / unit)
    hum = []
    if draw.random() < 0.6:
        mains_hz = draw.choice((50.0, 60.0)) + draw.uniform(-0.05, 0.05)
        whole = 10 ** (draw.uniform(level_dbfs + 3, -38) / 20)
        shares = [draw.uniform(0.2, 1.0) / k for k in range(1, 8)]
        # A line on the edge of the flat band is neither in it nor outside.
        shares = [
            0.0 if abs(k * mains_hz - 200) < 5 else share for k, share in enumerate(shares, 1)
        ]
        size = whole / math.sqrt(sum(share**2 for share in shares))
        hum = [
            (k * mains_hz, size * share, draw.uniform(0, 2 * math.pi))
            for k, share in enumerate(shares, 1)
        ]
    return {"noise_rms": rms, "noise": tuple(noise), "hum": tuple(hum)}


def band_power(sections: Sequence[Section], rate_hz: int) -> float:
    """Mean square from 200 to 4000 Hz of white noise of mean square 1 behind sections."""
    total = sum(strength(sections, 200.5 + k, rate_hz) ** 2 for k in range(3800))
    return 2 * total / rate_hz


def idle_rms(plan: Plan) -> float:
    """Of noise from 200 to 4000 Hz and all lines of the mains."""
    lines = sum(size**2 / 2 for _, size, _ in plan.hum)
    return math.sqrt(plan.noise_rms**2 * band_power(plan.noise, plan.rate_hz) + lines)


def sweep_rms(plan: Plan, sweep: Block, share: float) -> float:
    """Of what comes out when so much of an exponential sweep is over, harmonics left out."""
    assert sweep.from_hz is not None
    assert sweep.to_hz is not None
    frequency_hz = sweep.from_hz * (sweep.to_hz / sweep.from_hz) ** share
    through = strength((*plan.before, *plan.after), frequency_hz, plan.rate_hz)
    return sweep.peak * plan.gain * through / math.sqrt(2)


def draw_fault(draw: random.Random, blocks: Sequence[Block], plan: Plan) -> Fault:
    """In half of the recordings one; all but clipping lie within one sweep."""
    kind = draw.choice(FAULTS[1:])
    sweep = draw.choice([block for block in blocks if block.kind == "sweep"])
    share, size = draw.uniform(0.25, 0.75), draw.uniform(0.0, 1.0)
    if draw.random() < 0.5:
        return Fault()
    at_s = plan.latency_s + sweep.start_s + share * (sweep.end_s - sweep.start_s)
    idle = idle_rms(plan)
    if kind == "dropout":
        over = sweep_rms(plan, sweep, share) / idle
        return Fault(kind, at_s, 0.01 + 0.05 * size, is_plain=over > PLAIN_DROPOUT)
    if kind == "burst":
        rms = 3 * 10**size * idle
        is_plain = rms > max(PLAIN_BURST * idle, PLAIN_SHARE * sweep_rms(plan, sweep, share))
        return Fault(kind, at_s, 0.005 + 0.02 * draw.random(), rms, is_plain)
    if kind == "lost-samples":
        return Fault(kind, at_s, 0.002 + 0.02 * size)
    return Fault(kind, size=(0.4 + 0.4 * size) * loudest_output(plan, sweep.peak))
