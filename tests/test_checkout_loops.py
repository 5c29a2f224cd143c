"""
Dial pulses through a loop made here alone, with what real loops add turned up.

Shares nothing with the simulated bench: edges at exact instants, transformer ringing of any
frequency and length, sparks, hum, slow edges, tone that leaks or wanders. Speed within 0.02
pulses/s, break within 0.5 %, bounce within 0.3 ms throughout.
"""

from typing import Any

import numpy as np
import pytest
from scipy.signal import resample_poly

from voicecheck.checkout.dial.measure import measure_dial
from voicecheck.records import Recording

NUMBER = "3190"
LOOP = {
    "rate_hz": 48000, "pulses_per_s": 10.0, "break_percent": 63.0, "bounces_s": (), "hum": 0.0,
    "spark": 1.0, "ring_hz": 900.0, "ring_s": 0.008, "ring": 0.8, "leak": 0.02, "slow_s": 0.0,
    "tone_hz": 1000.0, "wander": 0.0, "lead_s": 1.0, "noise": 1e-4,
}  # fmt: skip


def list_breaks(loop: Any) -> Any:
    """Opening and closing of every break, and where a bounce opens again."""
    breaks, start_s = [], loop["lead_s"]
    for digit in NUMBER:
        n_pulses = int(digit) or 10
        opened = start_s + np.arange(n_pulses) / loop["pulses_per_s"]
        breaks += [(at, at + 0.01 * loop["break_percent"] / loop["pulses_per_s"]) for at in opened]
        start_s = breaks[-1][1] + 0.7
    hops = [(end + a, end + b) for _, end in breaks for a, b in loop["bounces_s"]]
    return [*breaks, *hops], start_s - 0.4


def record_loop(**changes: Any) -> Any:
    loop = {**LOOP, **changes}
    draw = np.random.default_rng(7)
    rate_hz = loop["rate_hz"]
    breaks, length_s = list_breaks(loop)
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    closed = np.ones_like(time_s)
    for opened, ended in breaks:
        closed[(time_s >= opened) & (time_s < ended)] = loop["leak"]
    if loop["slow_s"]:
        length = round(loop["slow_s"] * rate_hz)
        closed = np.convolve(closed, np.ones(length) / length, "same")
    wander = 1.0 + loop["wander"] * np.sin(2 * np.pi * 0.3 * time_s)
    sound = closed * wander * np.sin(2 * np.pi * loop["tone_hz"] * time_s + 0.3)
    for opened, ended in breaks:
        for at, size in ((opened, loop["ring"]), (ended, -0.4 * loop["ring"])):
            after_s = time_s - at
            rings = (after_s >= 0) & (after_s < 0.1)
            swing = np.sin(2 * np.pi * loop["ring_hz"] * after_s[rings])
            sound[rings] += size * np.exp(-after_s[rings] / loop["ring_s"]) * swing
        sparks = (time_s >= opened) & (time_s < opened + 0.8e-3)
        fading = np.linspace(1.0, 0.0, np.sum(sparks))
        sound[sparks] += loop["spark"] * fading * draw.standard_normal(np.sum(sparks))
    hum = np.sin(2 * np.pi * 50 * time_s) + 0.5 * np.sin(2 * np.pi * 150 * time_s)
    sound = 0.1 * (sound + loop["hum"] * hum) + loop["noise"] * draw.standard_normal(len(time_s))
    return Recording(samples=np.clip(sound, -1, 1), rate_hz=rate_hz)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"hum": 0.3},
        {"ring_s": 0.02, "ring": 1.5},
        {"ring_hz": 1100.0, "ring": 1.5},
        {"ring_hz": 300.0, "ring": 4.0},
        {"spark": 6.0},
        {"slow_s": 0.2e-3},
        {"leak": 0.1},
        {"wander": 0.2},
        {"bounces_s": ((0.5e-3, 1e-3), (1.5e-3, 2.8e-3))},
        {"pulses_per_s": 20.0},
        {"pulses_per_s": 6.8, "break_percent": 70.0},
        {"tone_hz": 600.0},
        {"tone_hz": 2000.0},
        {"lead_s": 0.03},
        {"rate_hz": 16000},
    ],
    ids=lambda changes: "-".join(changes) or "plain",
)
def test_what_real_loops_add_changes_no_figure(changes: Any) -> None:
    loop = {**LOOP, **changes}
    check = measure_dial(record_loop(**changes), tone_hz=loop["tone_hz"])
    bounce_ms = 1e3 * max([end for _, end in loop["bounces_s"]], default=0.0)
    assert check.number == NUMBER
    assert check.pulses_per_s == pytest.approx(loop["pulses_per_s"], abs=0.02)
    for digit in check.digits:
        if digit.pulses > 1:
            assert digit.pulses_per_s == pytest.approx(loop["pulses_per_s"], abs=0.02)
            assert digit.break_percent == pytest.approx(loop["break_percent"], abs=0.5)
        assert digit.bounce_ms == pytest.approx(bounce_ms, abs=0.3)
    assert check.problems == ()


@pytest.mark.parametrize("rate_hz", [16000, 48000])
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"hum": 0.3},
        {"ring_s": 0.02, "ring": 1.5},
        {"ring_hz": 300.0, "ring": 4.0},
        {"spark": 6.0},
        {"spark": 0.0, "ring": 0.0},
        {"leak": 0.1},
        {"pulses_per_s": 20.0},
    ],
    ids=lambda changes: "-".join(changes) or "plain",
)
def test_the_same_in_20_db_of_noise(changes: Any, rate_hz: int) -> None:
    loop = {**LOOP, **changes}
    check = measure_dial(record_loop(**changes, rate_hz=rate_hz, noise=0.1 * 0.5**0.5 * 0.1))
    assert check.number == NUMBER
    for digit in check.digits:
        if digit.pulses > 1:
            assert digit.pulses_per_s == pytest.approx(loop["pulses_per_s"], abs=0.02)
            assert digit.break_percent == pytest.approx(loop["break_percent"], abs=0.5)
        assert digit.bounce_ms is None or digit.bounce_ms == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("rate_hz", [16000, 24000, 48000])
@pytest.mark.parametrize("changes", [{}, {"bounces_s": ((0.5e-3, 1e-3), (1.5e-3, 2.8e-3))}])
def test_a_converter_whose_filter_rings_before_an_edge(changes: Any, rate_hz: int) -> None:
    """Made at 96 kHz, lowered by SciPy's linear-phase filter, which reaches ahead of an edge."""
    made = record_loop(**changes, rate_hz=96000)
    lowered = resample_poly(made.samples, rate_hz // 8000, 12)
    check = measure_dial(Recording(samples=lowered, rate_hz=rate_hz))
    assert check.number == NUMBER
    bounce_ms = 2.8 if changes else 0.0
    for digit in check.digits:
        if digit.pulses > 1:
            assert digit.pulses_per_s == pytest.approx(LOOP["pulses_per_s"], abs=0.02)
            assert digit.break_percent == pytest.approx(LOOP["break_percent"], abs=0.5)
        assert digit.bounce_ms == pytest.approx(bounce_ms, abs=0.3)


def test_at_a_telephone_rate_bounce_is_withheld() -> None:
    check = measure_dial(record_loop(rate_hz=8000, noise=1e-3))
    assert check.number == NUMBER
    assert check.break_percent == pytest.approx(63.0, abs=0.5)
    assert [digit.bounce_ms for digit in check.digits] == [None] * 4
