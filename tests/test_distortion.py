"""Harmonics, THD, level steps, four tones and SINAD against closed forms."""

import dataclasses
from typing import Any

import numpy as np
import pytest
from helpers import AMPLITUDE, measure, record
from known_plant import KnownPlant, flat, resonant_receiver

from voicecheck.distortion import measure_intermodulation
from voicecheck.idle import make_idle_spectrum
from voicecheck.measure import measure_recording
from voicecheck.programme import RECIPES, make_programme
from voicecheck.records import Recording, Timeline

CARBON = KnownPlant(square=0.8, cube=0.3, noise_dbfs=-73.0)
RECEIVER = KnownPlant(response=resonant_receiver, square=0.1, noise_dbfs=-90.0)
WEAK = KnownPlant(square=0.8, cube=0.3, noise_dbfs=-38.0, mains_dbfs=-29.0)
FRYING = KnownPlant(square=0.8, cube=0.3, noise_dbfs=-70.0, frying_per_s=20.0)


def thd_at(measurement: Any, frequency_hz: Any) -> Any:
    distortion = measurement.distortion
    at = int(np.flatnonzero(distortion.frequency_hz == frequency_hz)[0])
    return float(distortion.thd_percent[at])


@pytest.mark.parametrize("frequency_hz", [315.0, 500.0, 1000.0])
@pytest.mark.parametrize(
    ("plant", "relative"),
    [(CARBON, 0.01), (RECEIVER, 0.01), (WEAK, 0.04), (FRYING, 0.04)],
    ids=["carbon", "receiver", "weak", "frying"],
)
def test_thd_is_the_true_thd(plant: Any, relative: float, frequency_hz: float) -> None:
    expected = float(plant.true_thd_percent(frequency_hz, AMPLITUDE))
    assert thd_at(measure(plant), frequency_hz) == pytest.approx(expected, rel=relative)


def test_harmonics_stand_where_the_plant_puts_them() -> None:
    plant = dataclasses.replace(CARBON, drift_ppm=-60.0, latency_s=0.03, noise_dbfs=-110.0)
    measurement = measure(plant)
    distortion = measurement.distortion
    assert tuple(distortion.harmonic_order) == (2, 3, 4, 5)
    for row, order in enumerate((2, 3)):
        ratio = CARBON.true_harmonic_ratio(order, distortion.frequency_hz, AMPLITUDE)
        error_db = distortion.harmonic_db[row] - 20 * np.log10(ratio)
        assert np.nanmax(np.abs(error_db)) < 0.02
    # The plant makes no fourth or fifth harmonic.
    assert np.nanmax(distortion.harmonic_below_db[2:]) < -60.0
    assert np.mean(np.isnan(distortion.harmonic_db[2:])) > 0.9


def test_a_linear_plant_has_no_thd_above_noise() -> None:
    distortion = measure(KnownPlant(noise_dbfs=-60.0)).distortion
    assert np.mean(np.isnan(distortion.thd_percent)) > 0.9
    below = distortion.thd_below_percent[np.isnan(distortion.thd_percent)]
    assert np.all((below > 0) & (below < 1.0))


def test_thd_interval_covers() -> None:
    """Of the points of ten seeds of the weak plant 90 to 99 of 100 lie inside."""
    inside = []
    for seed in range(1, 11):
        distortion = measure(dataclasses.replace(WEAK, seed=seed)).distortion
        expected = WEAK.true_thd_percent(distortion.frequency_hz, AMPLITUDE)
        error = np.abs(distortion.thd_percent - expected)
        inside.append((error <= distortion.thd_uncertainty_percent)[np.isfinite(error)])
    assert 0.90 <= np.mean(np.concatenate(inside)) <= 0.99


def test_level_steps_follow_the_polynomial() -> None:
    """Fundamental A (1 + 3/4 a3 A^2), harmonics a2 A^2/2 and a3 A^3/4 (closed form)."""
    plant = KnownPlant(response=flat, square=0.4, cube=-0.5, noise_dbfs=-100.0)
    steps = measure(plant).linearity
    amplitude = AMPLITUDE * 10 ** (steps.input_db / 20)
    gain = 1 - 0.75 * 0.5 * amplitude**2
    assert np.allclose(steps.output_db, 20 * np.log10(amplitude * gain), atol=0.002)
    expected = 100 * np.hypot(0.4 * amplitude / 2, 0.5 * amplitude**2 / 4) / gain
    loud = steps.input_db >= -18
    assert np.allclose(steps.thd_percent[loud], expected[loud], rtol=0.01)
    nominal = 1 - 0.375 * AMPLITUDE**2
    top = 1 - 0.375 * (AMPLITUDE * 10**0.3) ** 2
    assert steps.compression_db == pytest.approx(20 * np.log10(nominal / top), abs=0.003)


@pytest.mark.parametrize("square", [0.05, 0.4])
def test_four_tone_second_order(square: float) -> None:
    """-20 log10(a2 A), A the peak of each tone (`imd.csv`, O.42 self-check, CALC)."""
    plant = KnownPlant(response=flat, square=square, noise_dbfs=-100.0)
    each = AMPLITUDE / 2
    found = measure(plant).intermodulation.order2_db
    assert found == pytest.approx(20 * np.log10(square * each), abs=0.01)


def test_four_tone_third_order() -> None:
    """-20 log10(a3 A^2) - 2.27 less the tones' own gain change (`imd.csv`, CALC)."""
    cube, each = 0.2, AMPLITUDE / 2
    plant = KnownPlant(response=flat, cube=cube, noise_dbfs=-100.0)
    gain_db = 20 * np.log10(1 + 5.25 * cube * each**2)
    expected = 20 * np.log10(cube * each**2) + 2.27 - gain_db
    assert measure(plant).intermodulation.order3_db == pytest.approx(expected, abs=0.02)


def test_products_in_the_noise_are_less_than() -> None:
    """
    A fitted line lets in 1.5 bins of 1.06 Hz (the Hann window's) of -50 dBFS over 24 kHz.

    Four of them: -85.8 dBFS, -73.8 dB re tones; 95 of 100 are less than 1.64 times that
    (chi-squared of 16 degrees of freedom): -71.6 dB.
    """
    found = measure(KnownPlant(response=flat, noise_dbfs=-50.0)).intermodulation
    assert found.order2_db is None
    assert found.order2_below_db == pytest.approx(-71.6, abs=3.0)


def test_noise_alone_is_no_product() -> None:
    """No more than 1 of 100 draws of noise, by the gamma law 0.6 of 100; twice its mean was 5."""
    programme, draws = make_programme(), 150
    block = programme.blocks_of("four-tone")[0]
    first, last = (round(edge * programme.rate_hz) for edge in (block.start_s, block.end_s))
    timeline = Timeline(latency_s=0.0, stretch=1.0, stretch_uncertainty=0.0)
    rng = np.random.default_rng(17)
    samples, stated = programme.samples.copy(), 0
    for _ in range(draws):
        noise = 0.001 * rng.standard_normal((2, last - first))
        samples[first:last] = programme.samples[first:last] + noise[0]
        idle = make_idle_spectrum([noise[1]], programme.rate_hz)
        recording = Recording(samples=samples, rate_hz=programme.rate_hz)
        found = measure_intermodulation(programme, recording, timeline, idle)
        stated += (found.order2_db is not None) + (found.order3_db is not None)
    assert stated <= 0.02 * draws


def test_sinad_is_signal_over_everything_else() -> None:
    """H2 -26 dB, H3 none, noise 200-4000 Hz of known power: the closed-form sum."""
    plant = KnownPlant(response=flat, square=2 * 10 ** (-26 / 20) / AMPLITUDE, noise_dbfs=-40.0)
    noise = 10 ** (-40 / 10) * 3800 / 24000
    signal = AMPLITUDE**2
    rest = signal * 10 ** (-26 / 10) + noise
    expected = 10 * np.log10((signal + rest) / rest)
    assert measure(plant).sinad_db == pytest.approx(expected, abs=0.15)


def test_sinad_of_harmonics_alone_holds_no_noise() -> None:
    """H2 and H3 in next to no noise: what stands under the tone is a thousandth of them."""
    plant = KnownPlant(square=0.8, cube=0.3, noise_dbfs=-115.0)
    at_1khz = np.array([1000.0])
    ratios = [float(plant.true_harmonic_ratio(n, at_1khz, AMPLITUDE)[0]) for n in (2, 3)]
    expected = 10 * np.log10(1 + 1 / np.sum(np.square(ratios)))
    assert measure(plant).sinad_db == pytest.approx(expected, abs=0.003)


NOISY = KnownPlant(response=flat, square=0.3, cube=0.2, noise_dbfs=-55.0)
SEEDS = range(20, 36)


@pytest.mark.parametrize("kind", ["default", "quick"])
def test_intervals_of_the_four_tones_hold(kind: str) -> None:
    """
    Products of second and third order inside their intervals in at least 88 of 100 (32 figures).

    In the quick programme the lines are two bins apart: summing bins counts each of them twice.
    """
    programme = make_programme(RECIPES[kind])
    each = AMPLITUDE / 2
    gain_db = 20 * np.log10(1 + 5.25 * NOISY.cube * each**2)
    second_db = 20 * np.log10(NOISY.square * each) - gain_db
    third_db = 20 * np.log10(NOISY.cube * each**2) + 2.27 - gain_db
    inside, widths = [], []
    for seed in SEEDS:
        found = measure(dataclasses.replace(NOISY, seed=seed), programme).intermodulation
        inside.append(abs(found.order2_db - second_db) <= found.order2_uncertainty_db + 0.01)
        inside.append(abs(found.order3_db - third_db) <= found.order3_uncertainty_db + 0.02)
        widths += [found.order2_uncertainty_db, found.order3_uncertainty_db]
    assert np.mean(inside) >= 0.88
    assert max(widths) < 1.5


def test_intervals_of_the_level_steps_hold() -> None:
    """Output, THD and both losses of gain of a polynomial, 16 seeds: 90 to 99.5 of 100 inside."""
    inside: dict[str, list[bool]] = {"output": [], "thd": [], "gain": []}
    for seed in SEEDS:
        found = measure(dataclasses.replace(NOISY, seed=seed)).linearity
        amplitude = AMPLITUDE * 10 ** (found.input_db / 20)
        gain = 1 + 0.75 * NOISY.cube * amplitude**2
        error = np.abs(found.output_db - 20 * np.log10(amplitude * gain))
        inside["output"] += list(error <= found.output_uncertainty_db)
        thd = 100 * np.hypot(NOISY.square * amplitude / 2, NOISY.cube * amplitude**2 / 4) / gain
        stated = np.isfinite(found.thd_percent)
        inside["thd"] += list(
            (np.abs(found.thd_percent - thd) <= found.thd_uncertainty_percent)[stated]
        )
        gain_db = 20 * np.log10(gain)
        lost_db = gain_db[found.input_db == 0.0][0] - gain_db[-1]
        inside["gain"].append(
            abs(found.compression_db - lost_db) <= found.compression_uncertainty_db
        )
        lost_db = gain_db[found.input_db == 0.0][0] - np.interp(-20.0, found.input_db, gain_db)
        inside["gain"].append(abs(found.threshold_db - lost_db) <= found.threshold_uncertainty_db)
    for name, hits in inside.items():
        assert np.mean(hits) >= 0.88, name
    assert np.mean(inside["output"]) <= 0.995


def test_a_muted_silence_does_not_make_sinad_certain() -> None:
    """With the silences zeroed the half-width stays what it was, within a factor of two."""
    programme = make_programme()
    recording = record(dataclasses.replace(NOISY, noise_dbfs=-45.0), programme)
    samples = np.array(recording.samples)
    for block in programme.blocks_of("silence"):
        samples[round(block.start_s * 48000) : round(block.end_s * 48000)] = 0.0
    heard = measure_recording(programme, recording).sinad_uncertainty_db
    muted = measure_recording(programme, recording.replace(samples=samples)).sinad_uncertainty_db
    assert heard is not None
    assert muted is not None
    assert 0.5 * heard < muted < 2.0 * heard


def test_one_burst_in_the_step_widens_the_interval_of_sinad_to_hold_it() -> None:
    """3 ms as strong as half the noise of the whole step; in the long run it may never return."""
    programme = make_programme()
    recording = record(dataclasses.replace(NOISY, noise_dbfs=-45.0), programme)
    steady: Any = measure_recording(programme, recording)
    samples = np.array(recording.samples)
    (steps,) = programme.blocks_of("steps")
    index = sorted(programme.recipe.step_levels_db).index(0.0)
    at = round((steps.start_s + (index + 0.5) * programme.recipe.step_s) * 48000)
    at += round(steady.timing.latency_s * 48000)
    samples[at : at + 144] += 0.04 * np.random.default_rng(3).standard_normal(144)
    burst: Any = measure_recording(programme, recording.replace(samples=samples))
    assert steady.sinad_db - burst.sinad_db > 2.0 * steady.sinad_uncertainty_db
    assert abs(burst.sinad_db - steady.sinad_db) <= burst.sinad_uncertainty_db


def test_the_interval_of_sinad_holds() -> None:
    """Noise of known power and two harmonics: at least 14 of 16 inside, and it is no wide one."""
    plant = dataclasses.replace(NOISY, noise_dbfs=-35.0)
    gain = 1 + 0.75 * plant.cube * AMPLITUDE**2
    second, third = plant.square * AMPLITUDE**2 / 2, plant.cube * AMPLITUDE**3 / 4
    rest = second**2 + third**2 + 10 ** (-35 / 10) * 3800 / 24000
    expected = 10 * np.log10(((AMPLITUDE * gain) ** 2 + rest) / rest)
    found = [measure(dataclasses.replace(plant, seed=seed)) for seed in SEEDS]
    inside = [abs(one.sinad_db - expected) <= one.sinad_uncertainty_db for one in found]
    assert np.mean(inside) >= 0.87
    assert max(one.sinad_uncertainty_db for one in found) < 1.0
