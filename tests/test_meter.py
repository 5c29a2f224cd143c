# mypy: disable-error-code="arg-type"
"""The live meter against closed forms and the tables of the standards."""

from __future__ import annotations

import math
import tracemalloc
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.meter import Meter
from voicecheck.weighting import make_band_frequencies, weigh_psophometric_db

RATE_HZ = 48000
BANDS_HZ = make_band_frequencies(3, 100.0, 8000.0)


def make_tone(frequency_hz: float, level_dbfs: float, length_s: float = 1.0) -> np.ndarray:
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * time_s + 0.3)


def feed(meter: Meter, samples: np.ndarray, block: int = 2400) -> Any:
    """Feed in blocks and return the last reading."""
    for first in range(0, len(samples), block):
        reading = meter.update(samples[first : first + block])
    return reading


@pytest.mark.parametrize("block", [7, 2400, 48000])
@pytest.mark.parametrize("frequency_hz", [315.0, 1000.0, 3000.0])
def test_a_tone_reads_its_level_in_time_and_in_its_band(frequency_hz: float, block: int) -> None:
    length_s = 0.4 if block == 7 else 1.0
    reading = feed(Meter(RATE_HZ, BANDS_HZ), make_tone(frequency_hz, -23.0, length_s), block)
    assert reading.rms_dbfs == pytest.approx(-23.0, abs=0.05)
    own = int(np.argmin(np.abs(BANDS_HZ - frequency_hz)))
    # 0.4 s fill the window but for its very edge.
    assert reading.band_dbfs[own] == pytest.approx(-23.0, abs=0.05)
    # Two bands away the window leaves less than -80 dB of it.
    others = np.delete(reading.band_dbfs, [own - 1, own, own + 1])
    assert np.max(others) < -103.0
    assert not reading.is_clipped


@pytest.mark.parametrize("frequency_hz", [200.0, 500.0, 800.0, 1000.0, 2000.0, 3000.0])
def test_a_weighted_tone_is_down_by_its_weight(frequency_hz: float) -> None:
    """ITU-T O.41 table values, as carried with their source in the program's data."""
    meter = Meter(RATE_HZ, BANDS_HZ, weigh_db=weigh_psophometric_db)
    reading = feed(meter, make_tone(frequency_hz, -30.0))
    expected = -30.0 + float(weigh_psophometric_db([frequency_hz])[0])
    assert reading.weighted_dbfs == pytest.approx(expected, abs=0.1)


def test_white_noise_rises_by_one_decibel_a_band() -> None:
    """A third of an octave holds 10^0.1 times the bandwidth of the one below: +1 dB."""
    noise = 0.1 * np.random.default_rng(8).standard_normal(30 * RATE_HZ)
    meter = Meter(RATE_HZ, BANDS_HZ)
    readings = [meter.update(part) for part in np.array_split(noise, 90)][1:]
    power = np.mean([10 ** (reading.band_dbfs / 10) for reading in readings], axis=0)
    levels_db = 10 * np.log10(power)
    slope, _ = np.polyfit(np.arange(len(levels_db)), levels_db, 1)
    assert slope == pytest.approx(1.0, abs=0.05)
    # The band at 1 kHz is 230.8 Hz wide: 10^0.05 - 10^-0.05 of 1000 Hz.
    expected = 20 * math.log10(0.1) + 10 * math.log10(2 * 230.8 / 24000)
    assert levels_db[BANDS_HZ.tolist().index(1000.0)] == pytest.approx(expected, abs=0.3)


def test_peak_and_clipping_belong_to_the_newest_block() -> None:
    meter = Meter(RATE_HZ, BANDS_HZ)
    block = np.zeros(2400)
    block[5] = -1.0
    loud = meter.update(block)
    assert loud.peak_dbfs == 0.0
    assert loud.is_clipped
    quiet = meter.update(np.zeros(2400))
    assert quiet.peak_dbfs < -190
    assert not quiet.is_clipped


def test_the_talk_mark_lights_at_full_transmit() -> None:
    meter = Meter(RATE_HZ, BANDS_HZ, full_talk_dbfs=-20.0)
    assert not feed(meter, make_tone(500.0, -20.5)).is_talking
    assert feed(meter, make_tone(500.0, -19.5)).is_talking
    assert not feed(Meter(RATE_HZ, BANDS_HZ), make_tone(500.0, 0.0)).is_talking


@pytest.mark.parametrize("mains_hz", [49.9, 50.0, 60.0, 60.05])
def test_the_mains_is_found_and_told_apart(mains_hz: float) -> None:
    hum = sum(make_tone(order * mains_hz, -50.0 - 3 * order) for order in (1, 2, 3, 5))
    noise = 10 ** (-80 / 20) * np.random.default_rng(4).standard_normal(len(hum))
    reading = feed(Meter(RATE_HZ, BANDS_HZ), hum + noise)
    assert reading.mains_hz == pytest.approx(mains_hz, abs=0.15)


@pytest.mark.parametrize("seed", range(8))
def test_noise_is_neither_mains_nor_tone(seed: int) -> None:
    noise = 0.01 * np.random.default_rng(seed).standard_normal(RATE_HZ)
    reading = feed(Meter(RATE_HZ, BANDS_HZ), noise)
    assert reading.mains_hz is None
    assert reading.tones_hz == ()


@pytest.mark.parametrize("tones_hz", [(425.0,), (350.0, 440.0), (480.0, 620.0), (1000.0,)])
def test_steady_tones_are_named(tones_hz: tuple[float, ...]) -> None:
    """Call-progress tones stand over line noise 30 dB below them."""
    sound = sum(make_tone(hz, -20.0) for hz in tones_hz)
    noise = 10 ** (-53 / 20) * np.random.default_rng(6).standard_normal(len(sound))
    found = feed(Meter(RATE_HZ, BANDS_HZ), sound + noise).tones_hz
    assert found == pytest.approx(tones_hz, abs=0.3)


def test_silence_and_broken_samples_do_not_stop_the_meter() -> None:
    meter = Meter(RATE_HZ, BANDS_HZ, weigh_db=weigh_psophometric_db)
    silent = meter.update(np.zeros(2400))
    assert silent.rms_dbfs == silent.weighted_dbfs == -200.0
    assert silent.mains_hz is None
    assert silent.tones_hz == ()
    assert meter.update(np.zeros(0)).rms_dbfs == -200.0
    broken = meter.update(np.array([np.nan, np.inf, 0.5]))
    assert broken.peak_dbfs == pytest.approx(-6.02, abs=0.01)
    assert np.all(np.isfinite(broken.band_dbfs))


def test_memory_stays_constant() -> None:
    """Ten minutes of sound leave no more behind than the first second did."""
    meter = Meter(8000, make_band_frequencies(3, 100.0, 3000.0))
    block = np.random.default_rng(1).standard_normal(8000)
    tracemalloc.start()
    feed(meter, block, 400)
    before = tracemalloc.get_traced_memory()[0]
    for _ in range(600):
        meter.update(block)
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert after - before < 20_000
