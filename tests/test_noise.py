# mypy: disable-error-code="arg-type,operator"
"""Idle noise of known power, mains of known lines, bursts of known number."""

import dataclasses
from typing import Any

import numpy as np
import pytest
from helpers import default_programme, kinds, measure, record
from known_plant import KnownPlant, flat

from voicecheck.idle import compute_idle_spectrum
from voicecheck.inspection import find_timeline
from voicecheck.noise import find_mains, measure_noise
from voicecheck.records import Recording
from voicecheck.weighting import weigh_c_message_db, weigh_psophometric_db

QUIET = KnownPlant(noise_dbfs=-60.0)


def weighted_white_db(weigh: Any, rate_hz: Any = 48000) -> Any:
    """Weight of white noise over the whole band, dB (sum over a grid of 1 Hz)."""
    frequency_hz = np.arange(1.0, rate_hz / 2)
    return 10 * np.log10(np.mean(10 ** (weigh(frequency_hz) / 10)))


def test_white_noise_of_known_power() -> None:
    """Flat, psophometric and C-message levels of white noise, mean of 20 seeds within 0.1 dB."""
    plants = [dataclasses.replace(QUIET, seed=seed) for seed in range(20)]
    found = [measure(plant).noise for plant in plants]

    def level(name: Any) -> Any:
        return 10 * np.log10(np.mean([10 ** (getattr(noise, name) / 10) for noise in found]))

    assert level("flat_dbfs") == pytest.approx(-60 + 10 * np.log10(3800 / 24000), abs=0.1)
    expected = -60 + weighted_white_db(weigh_psophometric_db)
    assert level("psophometric_dbfs") == pytest.approx(expected, abs=0.1)
    expected = -60 + weighted_white_db(weigh_c_message_db)
    assert level("c_message_dbfs") == pytest.approx(expected, abs=0.1)
    assert np.mean([noise.kurtosis for noise in found]) == pytest.approx(3.0, abs=0.05)
    assert np.mean([noise.slope_db_per_decade for noise in found]) == pytest.approx(0, abs=0.5)
    assert np.mean([noise.bursts_per_s for noise in found]) < 0.1


@pytest.mark.parametrize("mains_hz", [49.93, 50.0, 59.98, 60.02])
def test_mains_frequency_and_lines_are_found(mains_hz: float) -> None:
    """The frequency within 0.02 Hz, the lines' power within 0.3 dB, the rest left as noise."""
    plant = KnownPlant(noise_dbfs=-60.0, mains_dbfs=-50.0, mains_hz=mains_hz, latency_s=0.01)
    measurement = measure(plant)
    assert measurement.noise.mains_hz == pytest.approx(mains_hz, abs=0.02)
    assert measurement.noise.mains_dbfs == pytest.approx(-50.0, abs=0.3)
    assert "mains" in kinds(measurement)
    weights = np.array([1.0, 0.5, 0.7, 0.2, 0.4])
    lines_db = -50 + 20 * np.log10(weights / np.sqrt(np.sum(weights**2)))
    found = measurement.noise.mains_line_dbfs
    assert np.allclose(found[:5], lines_db, atol=0.8)
    assert np.isnan(found[5:]).sum() >= 9
    assert measurement.noise.kurtosis == pytest.approx(3.0, abs=0.4)


def test_noise_alone_is_no_mains() -> None:
    """No comb is seen in 200 seconds of white noise."""
    rng = np.random.default_rng(11)
    programme = default_programme()
    wire = record(KnownPlant(response=flat))
    timeline = find_timeline(programme, wire)
    hits = 0
    for _ in range(200):
        noisy = wire.replace(samples=0.01 * rng.standard_normal(len(wire.samples)))
        idle = compute_idle_spectrum(programme, noisy, timeline)
        hits += find_mains(idle) is not None
    assert hits == 0


@pytest.mark.parametrize("slope", [-10.0, -20.0])
def test_slope_of_shaped_noise(slope: float) -> None:
    """Noise filtered to a known slope in dB per decade, mean of ten seeds within 1 dB."""
    programme = default_programme()
    wire = record(KnownPlant(response=flat))
    timeline = find_timeline(programme, wire)
    rng = np.random.default_rng(3)
    frequency_hz = np.fft.rfftfreq(len(wire.samples), 1 / 48000)
    shape = (np.maximum(frequency_hz, 20) / 1000) ** (slope / 20)
    found = []
    for _ in range(10):
        spectrum = np.fft.rfft(rng.standard_normal(len(wire.samples))) * shape
        noisy = Recording(samples=0.01 * np.fft.irfft(spectrum), rate_hz=48000)
        found.append(measure_noise(compute_idle_spectrum(programme, noisy, timeline)))
    slopes = [noise.slope_db_per_decade for noise in found]
    assert np.mean(slopes) == pytest.approx(slope, abs=1.0)


def test_bursts_are_counted() -> None:
    """Six 1 ms clicks in the second of silence, far above the noise."""
    plant = dataclasses.replace(QUIET, noise_dbfs=-80.0)
    recording = record(plant)
    samples = recording.samples.copy()
    rng = np.random.default_rng(4)
    for at_s in (1.0, 1.13, 1.3, 1.45, 1.6, 1.8):
        first = round(at_s * 48000)
        samples[first : first + 48] += 0.02 * rng.standard_normal(48)
    from voicecheck.measure import measure_recording

    noise = measure_recording(default_programme(), recording.replace(samples=samples)).noise
    assert noise.bursts_per_s == pytest.approx(6 / 0.94, abs=0.7)
    assert noise.kurtosis > 10
