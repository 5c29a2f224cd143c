# mypy: disable-error-code="arg-type,operator"
"""Idle noise of known power, mains of known lines, bursts of known number."""

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from helpers import default_programme, kinds, measure, record
from known_plant import KnownPlant, flat

from voicecheck.idle import compute_idle_spectrum, make_idle_spectrum
from voicecheck.inspection import find_timeline
from voicecheck.measure import measure_recording
from voicecheck.noise import find_mains, measure_noise
from voicecheck.records import Recording
from voicecheck.records.arrays import Array
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


Make = Callable[[np.random.Generator, int], Array]
N_VOICES = 16
# Mean square of a voice between knots x of a clipped normal: 2/3 E(x^2) + 1/3 E(x)^2.
BABBLE_POWER = 1e-8 + N_VOICES * 1e-6 * (2 / 3 * 0.5 + 1 / 3 / (2 * np.pi))
# Twenty bursts a second of 83.5 samples in the mean; exp(2 s^2) is the log-normal's mean square.
CRACKLE_POWER = 4e-8 + 20 * 83.5 / 48000 * 6e-3**2 * np.exp(2 * 0.4**2)


def babble(rng: np.random.Generator, n_samples: int) -> Array:
    """Voices at random strength, each swelling and fading some four times a second."""
    total = 1e-4 * rng.standard_normal(n_samples)
    knots = np.arange(n_samples // 12000 + 3)
    for _ in range(N_VOICES):
        swell = np.clip(rng.standard_normal(len(knots)), 0, None)
        at = (np.arange(n_samples) + rng.integers(0, 12000)) / 12000
        total += 1e-3 * np.interp(at, knots, swell) * rng.standard_normal(n_samples)
    return total


def crackle(rng: np.random.Generator, n_samples: int) -> Array:
    """Hiss, and twenty bursts a second of half to three milliseconds."""
    total = 2e-4 * rng.standard_normal(n_samples)
    for _ in range(rng.poisson(20 * n_samples / 48000)):
        first, length = rng.integers(0, n_samples), int(rng.uniform(24, 144))
        burst = 6e-3 * rng.lognormal(0, 0.4) * rng.standard_normal(length)[: n_samples - first]
        total[first : first + len(burst)] += burst
    return total


@pytest.mark.parametrize(
    ("make", "power"), [(babble, BABBLE_POWER), (crackle, CRACKLE_POWER)], ids=["babble", "crackle"]
)
def test_the_interval_of_unsteady_noise_holds_its_level(make: Make, power: float) -> None:
    """
    At least 90 of 100 in three silences of a second (40 seeds), and there is one in most.

    The law of steady noise alone holds it in about 20 and 40.
    """
    rng = np.random.default_rng(11)
    truth_dbfs = 10 * np.log10(2 * power * 3800 / 24000)
    inside, known = [], []
    for _ in range(40):
        silences = [make(rng, 46000) for _ in range(3)]
        noise = measure_noise(make_idle_spectrum(silences, 48000))
        known.append(noise.flat_uncertainty_db is not None)
        if known[-1]:
            inside.append(abs(noise.flat_dbfs - truth_dbfs) <= noise.flat_uncertainty_db)
    assert np.mean(inside) >= 0.9
    assert np.mean(known) >= 0.8


def test_the_interval_holds_what_a_gate_at_its_edge_takes_of_the_noise() -> None:
    """
    White noise that dips by 6 dB for 30 ms, seven times a second: 0.8 dB lower in the mean.

    The dips are no part of the noise; the scatter between frames alone holds its level in 1 of 20.
    """
    rng = np.random.default_rng(12)
    truth_dbfs = 10 * np.log10(2 * 1e-6 * 3800 / 24000)
    inside = []
    for _ in range(20):
        silences = 1e-3 * rng.standard_normal((3, 46000))
        for first in rng.integers(0, 44500, (3, 7)).T:
            for silence, at in zip(silences, first, strict=True):
                silence[at : at + 1440] *= 0.5
        noise = measure_noise(make_idle_spectrum(list(silences), 48000))
        assert noise.flat_uncertainty_db < 2.0
        inside.append(abs(noise.flat_dbfs - truth_dbfs) <= noise.flat_uncertainty_db)
    assert np.mean(inside) >= 0.9


def test_all_silences_count() -> None:
    """Three silences instead of one: the interval of steady noise is root three smaller."""
    rng = np.random.default_rng(2)
    silences = [1e-3 * rng.standard_normal(46000) for _ in range(3)]
    one, three = (
        np.mean(
            [measure_noise(make_idle_spectrum(some, 48000)).flat_uncertainty_db for some in choices]
        )
        for choices in ([[one] for one in silences], [silences])
    )
    assert one / three == pytest.approx(np.sqrt(3.0), rel=0.15)


def test_a_silence_too_short_for_crackle_says_so() -> None:
    recording = record(dataclasses.replace(QUIET, noise_dbfs=-80.0))
    crackling = recording.samples.copy()
    silence = default_programme().blocks_of("silence")[0]
    for at_s in (0.3, 0.7):
        first = round((silence.start_s + at_s) * 48000)
        crackling[first : first + 96] += 0.02 * (-1.0) ** np.arange(96).repeat(8)[:96]
    measurement = measure_recording(
        default_programme(), Recording(samples=crackling, rate_hz=48000)
    )
    assert "short-silence" in kinds(measurement)
    assert "short-silence" not in kinds(measure(QUIET))


def test_a_comb_below_the_floor_of_16_bits_is_no_hum() -> None:
    at = np.arange(46000) / 48000
    lines = sum(np.sin(2 * np.pi * 50.0 * k * at) for k in (1, 2, 3))
    hiss = 1e-7 * np.random.default_rng(3).standard_normal(46000)
    quiet, loud = (
        find_mains(make_idle_spectrum([amplitude * lines + hiss], 48000))
        for amplitude in (2e-6, 2e-5)
    )
    assert quiet is None
    assert loud is not None
