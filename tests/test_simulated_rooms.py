# mypy: disable-error-code="union-attr"
"""The bench from day to day, and the room about it: measured on the recorded sound."""

import math
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.simulated import SimulatedBench
from voicecheck.bench.simulated.tables import load_range
from voicecheck.records import Programme, Recipe

RATE_HZ = 48000
LATENCY_S = 0.05


def make_sound(length_s: Any = 1.0, level: Any = 0.1) -> Any:
    """Band noise, faded at both ends; a broad band shows a reflection's comb."""
    random = np.random.default_rng(20)
    count = round(length_s * RATE_HZ)
    spectrum = np.fft.rfft(random.standard_normal(count))
    frequency_hz = np.fft.rfftfreq(count, 1.0 / RATE_HZ)
    spectrum[(frequency_hz < 200.0) | (frequency_hz > 6000.0)] = 0.0
    samples = np.fft.irfft(spectrum, count)
    samples *= np.clip(np.minimum(np.arange(count), np.arange(count)[::-1]) / 2400.0, 0.0, 1.0)
    return Programme(samples=level * samples / np.std(samples), recipe=Recipe(), blocks=())


def play(
    handset: Any, programme: Any, *, seed: Any = 1, path: Any = "transmit", **options: Any
) -> Any:
    """Volts or pascals of a take."""
    bench = SimulatedBench(handset, seed=seed, rate_ratio_ppm=0.0, latency_s=LATENCY_S, **options)
    recording = bench.play_and_record(programme, path=path)
    return recording.samples * recording.calibration.input_per_unit


def level_db(samples: Any) -> Any:
    return 20.0 * math.log10(np.std(samples))


# Days ---------------------------------------------------------------------------------------------


def test_no_day_is_the_calibrated_bench() -> None:
    sound = make_sound(0.3)
    assert np.array_equal(play("carbon", sound), play("carbon", sound, day=0))


@pytest.mark.parametrize("path", ["transmit", "receive"])
def test_day_moves_every_set_alike(path: str) -> None:
    """Two electronic sets, without noise: the same day moves both by the same decibels."""
    sound = make_sound(0.3, 0.05)

    def moved_db(seed: Any, day: Any) -> Any:
        was, now = (
            play("electret", sound, seed=seed, path=path, is_noisy=False, day=d) for d in (0, day)
        )
        return level_db(now) - level_db(was)

    days = [(moved_db(1, day), moved_db(2, day)) for day in (1, 2)]
    for first, second in days:
        assert first == pytest.approx(second, abs=0.02)
        assert abs(first) < 2.5 * load_range("bench", "day_level_sd").high
    assert abs(days[0][0] - days[1][0]) > 0.01


def test_days_spread_as_their_row_says() -> None:
    """From the models of 60 days: level of mouth and ear, and the seal's corner."""
    jigs = [SimulatedBench("electret", day=day).seat(1).jig for day in range(1, 61)]
    row = load_range("bench", "day_level_sd")
    for ratios in ([jig.mouth_ratio for jig in jigs], [jig.coupler_cm3 for jig in jigs]):
        assert row.low < np.std(20.0 * np.log10(ratios), ddof=1) < row.high
    row = load_range("bench", "day_seal_spread")
    assert row.low < np.std(np.log([jig.leak_hz for jig in jigs]), ddof=1) < row.high


# Rooms --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_reflection_arrives_late_at_its_level(seed: int) -> None:
    """The ratio of two takes is 1 + g exp(-j w t): its transform has one late peak."""
    sound = make_sound()
    dry, wet = (
        play(handset, sound, seed=seed, is_noisy=False)
        for handset in ("electret", "electret+reflection")
    )
    ratio = np.fft.rfft(wet) / np.fft.rfft(dry)
    frequency_hz = np.fft.rfftfreq(len(dry), 1.0 / RATE_HZ)
    inside = (frequency_hz > 400.0) & (frequency_hz < 5000.0)
    delay_s = np.arange(1.0e-3, 25.0e-3, 2e-5)
    turn = np.exp(2j * np.pi * np.outer(delay_s, frequency_hz[inside][::4]))
    heard = np.abs(turn @ (ratio[inside][::4] - 1.0)) / turn.shape[1]
    low, _, high = load_range("room", "reflection_delay")
    peak = int(np.argmax(heard))
    assert low < 1e3 * delay_s[peak] < high
    low, _, high = load_range("room", "reflection_level")
    assert low - 1.5 < 20.0 * math.log10(heard[peak]) < high + 1.5
    away = np.abs(delay_s - delay_s[peak]) > 2e-3
    assert np.max(heard[away]) < 0.4 * heard[peak]


def hear_silence(handset: Any, path: Any = "transmit") -> Any:
    """Idle sound of 4 s: level in dB, and the spread of its 0.1 s frames in dB."""
    silence = Programme(samples=np.zeros(4 * RATE_HZ), recipe=Recipe(), blocks=())
    samples = play(handset, silence, path=path)
    spectrum = np.fft.rfft(samples)
    frequency_hz = np.fft.rfftfreq(len(samples), 1.0 / RATE_HZ)
    spectrum[(frequency_hz < 300.0) | (frequency_hz > 3400.0)] = 0.0
    band = np.fft.irfft(spectrum, len(samples))[4800:]
    frames = np.std(band[: len(band) // 4800 * 4800].reshape(-1, 4800), axis=1)
    return level_db(band), float(np.std(20.0 * np.log10(frames)))


@pytest.mark.parametrize("path", ["transmit", "receive", "sidetone"])
def test_room_is_heard_steady_or_babbling(path: str) -> None:
    quiet_db, _ = hear_silence("electret", path)
    steady_db, steady_spread_db = hear_silence("electret+noisy-room", path)
    babble_db, babble_spread_db = hear_silence("electret+babble", path)
    assert steady_db > quiet_db + 2.0
    assert babble_db > quiet_db + 2.0
    assert steady_spread_db < 0.6
    assert babble_spread_db > 1.2
