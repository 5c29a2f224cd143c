# mypy: disable-error-code="union-attr,arg-type,operator"
"""Residual distortion: laws in closed form, blows, what noise hides, seats together."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from helpers import AMPLITUDE, default_programme, kinds, measure, record
from known_plant import KnownPlant
from plants.receiver import TOUCHING, MagneticReceiver

from voicecheck.cli.show import render_measurement
from voicecheck.measure import measure_recording
from voicecheck.records import Measurement, from_json, to_document, to_json
from voicecheck.records.residuals import describe_residual
from voicecheck.verdicts.poolparts import pool_residual
from voicecheck.verdicts.readings import READERS
from voicecheck.words import load_words

OUTPUT_HZ = (200.0, 6400.0)
WORDS = load_words("en")


class Touching:
    """A receiver of the plants, as the helpers call theirs."""

    def __init__(self, plant: MagneticReceiver) -> None:
        self.plant = plant

    def __call__(self, samples: Any, rate_hz: Any) -> Any:
        return self.plant.play(samples, rate_hz, np.random.default_rng(5))


def average(percent: Any, centre_hz: float, fundamental: Any) -> float:
    """Root of the power in a third octave over that of the fundamental, even in log frequency."""
    low_hz = max(centre_hz * 2 ** (-1 / 6), 195.0)
    f = np.geomspace(low_hz, min(centre_hz * 2 ** (1 / 6), 3200.0), 200)
    weight = fundamental(f) ** 2
    return float(np.sqrt(np.sum(np.square(percent(f)) * weight) / np.sum(weight)))


def test_a_polynomial_has_the_residual_of_its_closed_form() -> None:
    """Second and third harmonic of x + a2 x^2 + a3 x^3, those that the output band holds."""
    plant = KnownPlant(square=0.1, cube=0.05, noise_dbfs=-85.0)
    found = measure(plant).residual

    def truth(f: Any) -> Any:
        powers = [
            plant.true_harmonic_ratio(m, f, AMPLITUDE) ** 2 * (m * f < OUTPUT_HZ[1]) for m in (2, 3)
        ]
        return 100 * np.sqrt(sum(powers))

    expected = [
        average(truth, hz, lambda f: np.abs(plant.response(f))) for hz in found.frequency_hz
    ]
    np.testing.assert_allclose(found.percent, expected, rtol=0.02)
    assert found.voice_db == pytest.approx(20 * np.log10(found.voice_percent / 100))


@pytest.mark.parametrize("gap", [0.35, 0.6])
def test_the_blows_of_a_receiver_are_in_it(gap: float) -> None:
    """Lines of all orders up to the edge of the output band, where THD has those up to five."""
    plant = dataclasses.replace(TOUCHING, gap=gap)
    measured = measure(Touching(plant))
    found = measured.residual

    def truth(f: Any) -> Any:
        return plant.residual_percent(f, AMPLITUDE, OUTPUT_HZ)

    def heard(f: Any) -> Any:
        return 10 ** (plant.response_db(f, AMPLITUDE) / 20)

    for at in range(4, 10):
        expected = average(truth, found.frequency_hz[at], heard)
        assert found.percent[at] == pytest.approx(expected, rel=0.06), found.frequency_hz[at]


def test_what_lies_above_the_fifth_harmonic_is_said() -> None:
    told = describe_residual(measure(Touching(dataclasses.replace(TOUCHING, gap=0.55))), WORDS)
    assert any("most of it lies above the fifth harmonic at 794 Hz" in line for line in told)
    assert describe_residual(measure(Touching(MagneticReceiver())), WORDS) == ()


def test_peaks_that_are_cut_off_are_told_from_a_soft_curvature() -> None:
    """A corner in the curve makes spikes; squares and cubes stay below the 9.03 dB of 4 orders."""

    @dataclasses.dataclass(frozen=True)
    class Struck(KnownPlant):
        """Stopped at one side, where a loose part is held."""

        def __call__(self, samples: Any, rate_hz: Any) -> Any:
            return super().__call__(np.minimum(samples, 0.24), rate_hz)

    cut = measure(Struck(noise_dbfs=-85.0))
    assert READERS["residual_crest_db"](cut) > 10.0
    assert any("it comes in spikes" in line for line in describe_residual(cut, WORDS))
    soft = measure(KnownPlant(square=0.1, cube=0.05, noise_dbfs=-85.0))
    assert READERS["residual_crest_db"](soft) < 8.0
    assert describe_residual(soft, WORDS) == ()


@pytest.mark.parametrize(
    "disturbed", [{}, {"frying_per_s": 20.0}, {"mains_dbfs": -45.0, "mains_hz": 60.0}]
)
def test_a_linear_plant_has_none_above_the_noise(disturbed: Any) -> None:
    """Hiss, crackle, hum that stands alike in all sweeps: stated in at most one of 10 takes."""
    found = [
        measure(KnownPlant(noise_dbfs=-60.0, seed=seed, **disturbed)).residual for seed in range(10)
    ]
    assert sum(one.voice_percent is not None for one in found) <= 1
    assert np.mean([np.isfinite(one.percent) for one in found]) < 0.05
    assert all(one.voice_below_percent > 0.0 for one in found if one.voice_percent is None)


def test_the_interval_holds() -> None:
    """A distortion 6 dB over the noise of the sweeps' mean, ten seeds: 90 of 100 bands inside."""
    quiet = measure(KnownPlant(square=0.02, noise_dbfs=-100.0)).residual
    inside = []
    for seed in range(10):
        found = measure(KnownPlant(square=0.02, noise_dbfs=-60.0, seed=seed)).residual
        stated = np.isfinite(found.percent)
        inside += list((np.abs(found.percent - quiet.percent) <= found.uncertainty_percent)[stated])
    assert len(inside) > 60
    assert np.mean(inside) >= 0.9


def test_seats_together_carry_their_scatter() -> None:
    parts = [measure(KnownPlant(square=k, noise_dbfs=-85.0)).residual for k in (0.02, 0.025, 0.03)]
    pooled = pool_residual(parts)
    mean = np.exp(np.mean([np.log(one.voice_percent) for one in parts]))
    assert pooled.voice_percent == pytest.approx(mean)
    assert [row.name for row in pooled.budget["voice_percent"]] == ["noise", "seats"]
    assert pooled.voice_uncertainty_percent > 0.2 * pooled.voice_percent


def test_it_goes_into_the_document_and_is_shown() -> None:
    measured = measure(KnownPlant(square=0.1, noise_dbfs=-85.0))
    assert from_json(to_json(measured), Measurement).same_as(measured)
    assert "residual distortion, 200–3200 Hz" in render_measurement(measured, with_numbers=True)
    document = to_document(measured)
    del document["residual"]
    assert from_json(to_json(document), Measurement).residual is None


def test_what_is_left_of_losses_in_every_sweep_is_no_distortion() -> None:
    """Four losses of 20 to 50 ms in each sweep of a linear plant: mended, and "less than"."""
    programme = default_programme()
    recording = record(KnownPlant(noise_dbfs=-85.0), programme)
    samples = np.array(recording.samples)
    random = np.random.default_rng(8)
    for block in programme.blocks_of("sweep"):
        for start_s in random.uniform(block.start_s + 0.5, block.start_s + 2.4, 4):
            first = round(start_s * 48000)
            samples[first : first + round(random.uniform(0.02, 0.05) * 48000)] = 0.0
    measured = measure_recording(programme, recording.replace(samples=samples))
    assert "dropout" in kinds(measured)
    assert measured.residual.voice_percent is None
    assert np.mean(np.isfinite(measured.residual.percent)) < 0.1
