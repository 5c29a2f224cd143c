"""Timing, and faults put into recordings one by one."""

import dataclasses
from typing import Any

import numpy as np
import pytest
from helpers import default_programme, kinds, measure, record, response_error_db, rms
from known_plant import KnownPlant, carbon_like, flat

from voicecheck.errors import RecordingError
from voicecheck.inspection import find_timeline
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Recipe, Recording

CLEAN = KnownPlant(square=0.3, noise_dbfs=-70.0, latency_s=0.05)


@pytest.mark.parametrize("drift_ppm", [-300.0, -20.0, 0.0, 100.0])
@pytest.mark.parametrize("noise_dbfs", [-90.0, -37.0])
def test_drift_within_a_fifth_of_a_ppm_and_latency_within_a_twentieth_sample(
    drift_ppm: float, noise_dbfs: float
) -> None:
    plant = KnownPlant(
        response=flat, latency_s=0.1373, drift_ppm=drift_ppm, noise_dbfs=noise_dbfs, mains_dbfs=-40
    )
    timeline = find_timeline(default_programme(), record(plant))
    assert timeline.drift_ppm == pytest.approx(drift_ppm, abs=0.2)
    stretch = 1 + drift_ppm * 1e-6
    assert timeline.latency_s == pytest.approx(0.1373 * stretch, abs=0.05 / 48000)
    assert abs(timeline.drift_ppm - drift_ppm) < 3 * timeline.stretch_uncertainty * 1e6 + 1e-4


def test_the_clocks_interval_is_as_wide_as_chance_makes_it() -> None:
    """Over 80 takes the spread is half the stated half-width, within three deviations of it."""
    drawn = [
        dataclasses.replace(CLEAN, noise_dbfs=-60.0, drift_ppm=7.0, seed=seed) for seed in range(80)
    ]
    found = [find_timeline(default_programme(), record(plant)) for plant in drawn]
    spread_ppm = np.std([one.drift_ppm for one in found], ddof=1)
    stated_ppm = np.mean([one.stretch_uncertainty for one in found]) * 1e6
    assert 2 * spread_ppm / stated_ppm == pytest.approx(1.0, abs=3 / np.sqrt(2 * 79))


def test_latency_through_a_handset_is_that_of_its_band() -> None:
    """
    A filter's own delay is part of the arrival: the peak of the band's correlation.

    The expected value is the maximum of the closed form sum |M|^2 H exp(j w t), M the mark.
    """
    programme = default_programme()
    timeline = find_timeline(programme, record(KnownPlant(latency_s=0.02, noise_dbfs=-90.0)))
    block = programme.blocks_of("mark")[0]
    first, last = (round(t * 48000) for t in (block.start_s - 0.02, block.end_s + 0.02))
    mark = np.fft.rfft(programme.samples[first:last], 2**16)
    frequency_hz = np.fft.rfftfreq(2**16, 1 / 48000)
    inside = (frequency_hz > 480) & (frequency_hz < 3300)
    weight = (np.abs(mark) ** 2 * carbon_like(np.maximum(frequency_hz, 1)))[inside]
    delays = np.linspace(0, 2e-4, 4001)
    turned = np.exp(2j * np.pi * frequency_hz[inside] * delays[:, None]) @ weight
    expected = 0.02 + delays[np.argmax(turned.real)]
    assert timeline.latency_s == pytest.approx(expected, abs=0.05 / 48000)


def spoil(change: Any, plant: Any = CLEAN) -> Any:
    """Measurement of a recording after `change(samples)`."""
    recording = record(plant)
    samples = recording.samples.copy()
    change(samples)
    return measure_recording(default_programme(), recording.replace(samples=samples))


def at(programme_s: Any) -> Any:
    return round((programme_s + CLEAN.latency_s) * 48000)


def located(measurement: Any, kind: Any) -> Any:
    return [problem.at_s for problem in measurement.problems if problem.kind == kind]


def test_a_clean_recording_has_no_problem() -> None:
    for seed in range(10):
        assert kinds(measure(dataclasses.replace(CLEAN, seed=seed))) == []


@pytest.mark.parametrize("level_db", [0, -10])
def test_a_burst_is_found_and_its_sweep_set_aside(level_db: int) -> None:
    """A 5 ms burst in the second sweep; the others give the curve."""
    rng = np.random.default_rng(2)

    def burst(samples: Any) -> None:
        size = 0.2 * 10 ** (level_db / 20)
        samples[at(7.0) : at(7.005)] += size * rng.standard_normal(at(7.005) - at(7.0))

    measurement = spoil(burst)
    assert located(measurement, "burst") == [pytest.approx(7.05, abs=0.02)]
    assert "2 of 3 sweeps used" in measurement.steps
    assert rms(response_error_db(measurement, CLEAN)) < 0.003


def test_a_dropout_is_found() -> None:
    def drop(samples: Any) -> None:
        samples[at(4.0) : at(4.01)] = 0.0

    measurement = spoil(drop)
    assert located(measurement, "dropout") == [pytest.approx(4.05, abs=0.02)]
    assert rms(response_error_db(measurement, CLEAN)) < 0.003


@pytest.mark.parametrize("noise_dbfs", [-90.0, -70.0])
def test_clipping_is_found(noise_dbfs: float) -> None:
    """Five of 100 samples of the sweeps cut off."""
    plant = dataclasses.replace(CLEAN, noise_dbfs=noise_dbfs)
    limit = float(np.quantile(np.abs(record(plant).samples[at(2.0) : at(11.6)]), 0.95))

    def clip(samples: Any) -> None:
        np.clip(samples, -limit, limit, out=samples)

    assert "clipping" in kinds(spoil(clip, plant))


def test_steps_cut_off_flat_are_clipped() -> None:
    """The loudest level step cut off at 0.9 of its peak: runs of samples at one largest value."""
    assert "clipping" in kinds(spoil(lambda samples: cut_steps(samples, 0.9)))


def test_one_value_that_comes_back_alone_is_no_clipping_of_steps() -> None:
    """
    Samples at the largest value whose neighbours are others.

    A tone with a whole number of samples to its period comes back to its own largest value, once
    a period and not twice in a row: here every tenth sample of the loudest step.
    """
    loudest = find_steps()
    top = 1.01 * float(np.max(np.abs(record(CLEAN).samples[loudest])))

    def repeat(samples: Any) -> None:
        samples[loudest][::10] = top

    assert "clipping" not in kinds(spoil(repeat))


def test_quiet_steps_in_few_levels_are_no_clipping() -> None:
    """Runs of one value below the largest, as a coarse converter leaves in a quiet tone."""

    def round_off(samples: Any) -> None:
        steps = samples[find_steps()]
        quiet = steps[: len(steps) // 3]
        quiet[:] = 0.2 * np.max(quiet) * np.round(quiet / (0.2 * np.max(quiet)))

    assert "clipping" not in kinds(spoil(round_off))


def test_clicks_alone_are_no_clipping_of_sweeps() -> None:
    """Samples that lie alone at the largest value of a sweep, as clicks would: no run of them."""

    def click(samples: Any) -> None:
        sweep = samples[at(2.0) : at(11.6)]
        top = 1.2 * np.max(np.abs(sweep))
        sweep[:: len(sweep) // 40] = top

    assert "clipping" not in kinds(spoil(click))


def find_steps() -> Any:
    block = default_programme().blocks_of("steps")[0]
    return slice(at(block.start_s), at(block.end_s))


def cut_steps(samples: Any, share: Any) -> None:
    steps = samples[find_steps()]
    limit = share * float(np.max(np.abs(steps)))
    np.clip(steps, -limit, limit, out=steps)


def test_silence_is_no_signal() -> None:
    silent = Recording(samples=np.zeros(16 * 48000), rate_hz=48000)
    with pytest.raises(RecordingError, match="silent") as caught:
        measure_recording(default_programme(), silent)
    assert caught.value.kind == "no-signal"


@pytest.mark.parametrize(
    ("other", "kind"),
    [
        (Recipe(sweep_s=2.0), "wrong-programme"),
        (Recipe(n_sweeps=2), "wrong-programme"),
        (Recipe(mark_from_hz=3000.0, mark_to_hz=600.0), "wrong-programme"),
    ],
)
def test_another_programme_is_told(other: Any, kind: str) -> None:
    plant = KnownPlant(noise_dbfs=-70.0)
    recording = record(plant, make_programme(other))
    with pytest.raises(RecordingError, match="programme") as caught:
        measure_recording(default_programme(), recording)
    assert caught.value.kind == kind


def test_noise_is_no_programme() -> None:
    rng = np.random.default_rng(1)
    noise = Recording(samples=0.1 * rng.standard_normal(17 * 48000), rate_hz=48000)
    with pytest.raises(RecordingError, match="marks") as caught:
        measure_recording(default_programme(), noise)
    assert caught.value.kind == "wrong-programme"


@pytest.mark.parametrize(
    ("first_s", "last_s", "kind"),
    [(0.0, 10.0, "stops-early"), (1.0, 30.0, "starts-late"), (0.0, 0.1, "stops-early")],
)
def test_a_piece_of_a_recording_is_told(first_s: float, last_s: float, kind: str) -> None:
    recording = record(CLEAN)
    cut = recording.samples[round(first_s * 48000) : round(last_s * 48000)]
    with pytest.raises(RecordingError) as caught:
        measure_recording(default_programme(), recording.replace(samples=cut))
    assert caught.value.kind == kind


@pytest.mark.parametrize("spare_ms", [0.0, 1.0, 9.0, 20.0])
@pytest.mark.parametrize("lead_ms", [0.0, 1.0, 15.0])
def test_a_recording_cut_close_around_its_marks_is_whole(lead_ms: float, spare_ms: float) -> None:
    """Nothing before the opening mark or after the closing one is needed to find them."""
    programme = default_programme()
    opening, closing = programme.blocks_of("mark")
    first = round((opening.start_s - lead_ms / 1000.0) * 48000)
    last = round((closing.end_s + spare_ms / 1000.0) * 48000)
    cut = Recording(samples=0.5 * programme.samples[first:last], rate_hz=48000)
    assert find_timeline(programme, cut).latency_s == pytest.approx(-first / 48000, abs=1e-6)


def test_another_rate_is_told() -> None:
    recording = Recording(samples=record(CLEAN).samples, rate_hz=44100)
    with pytest.raises(RecordingError, match="--rate 44100") as caught:
        measure_recording(default_programme(), recording)
    assert caught.value.kind == "wrong-rate"
