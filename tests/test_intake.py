"""Recordings that are not what they seem: programmes, takes, echoes, channels, rates, wires."""

import dataclasses
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from known_plant import KnownPlant, carbon_like
from plants.catalogue import PLANTS
from plants.played import Played
from plants.spoiling import record_spoiled
from plants.tools import resample

from voicecheck.errors import InputError, RecordingError
from voicecheck.measure import measure_recording
from voicecheck.programme import DEFAULT_RECIPE, make_programme
from voicecheck.records import Conditions, Measurement, Programme, Recipe, Recording
from voicecheck.records.arrays import Array
from voicecheck.workflow.analysis import analyze, analyze_files, describe_programme, write_signal

PLAIN = ("electret", "carbon", "receiver")
ODD = dataclasses.replace(DEFAULT_RECIPE, silence_s=1.3, step_s=0.2)
"""No option of `signal` makes it: only its file tells what it is."""


@lru_cache(maxsize=4)
def programme_of(recipe: Recipe = DEFAULT_RECIPE) -> Programme:
    return make_programme(recipe)


@lru_cache(maxsize=8)
def take(plant: str, seed: int = 1, recipe: Recipe = DEFAULT_RECIPE) -> Any:
    programme = programme_of(recipe)
    played = Played.from_document(programme.samples, describe_programme(programme, ""))
    return PLANTS[plant].take(played, np.random.default_rng([seed, 131]))


def measure(samples: Array, rate_hz: int = 48000, **options: Any) -> Measurement:
    recording = Recording(samples=np.ascontiguousarray(samples), rate_hz=rate_hz)
    return measure_recording(programme_of(), recording, **options)


def told(measurement: Measurement) -> dict[str, Any]:
    return {one.kind: one for one in measurement.problems}


def error_db(measurement: Measurement, of: Any) -> float:
    """Root mean square against the mean of the plant's truth."""
    assert measurement.response is not None
    true_db = of.response_range_db(measurement.response.frequency_hz)[1]
    return float(np.sqrt(np.nanmean((measurement.response.level_db - true_db) ** 2)))


@pytest.mark.parametrize("plant", ["electret", "carbon", "receiver-early", "network", "hum-coil"])
def test_a_take_of_the_programme_given_is_told_nothing(plant: str) -> None:
    found = told(measure(take(plant).samples))
    assert not set(found) & {
        "other-programme", "not-identified", "several-takes", "echo", "no-handset", "too-quiet",
    }  # fmt: skip


@pytest.mark.parametrize("changes", [
    {"level_dbfs": -18.0}, {"level_dbfs": -10.5}, {"n_sweeps": 2}, {"sweep_s": 2.0},
])  # fmt: skip
def test_another_programme_on_offer_is_named_and_used(changes: dict[str, Any]) -> None:
    """The file of another level or length was given: the numbers are those of what was played."""
    other = dataclasses.replace(DEFAULT_RECIPE, cap_dbfs=-0.5, **changes)
    recorded = take("electret", 3, other)
    found = measure(recorded.samples)
    assert "other-programme" in told(found)
    assert f"{other.level_dbfs:g} dBFS" in told(found)["other-programme"].message
    assert error_db(found, recorded) < 0.005


def test_a_level_that_only_its_identity_tells_is_in_the_interval() -> None:
    """-20.3712 dBFS reads as -20.25 or -20.5: every level is off by what lies between."""
    other = dataclasses.replace(DEFAULT_RECIPE, level_dbfs=-20.3712)
    recorded = take("electret", 6, other)
    found = measure(recorded.samples)
    assert "its level is known to 0.12 dB" in told(found)["other-programme"].effect
    assert found.response is not None
    true_db = recorded.response_range_db(found.response.frequency_hz)[1]
    assert 0.0 < error_db(found, recorded) <= 0.125
    assert np.all(np.abs(found.response.level_db - true_db) <= found.response.uncertainty_db)
    assert np.all(found.response.uncertainty_db >= 0.125)


def test_a_special_programme_is_found_among_the_files_beside_it(tmp_path: Path) -> None:
    """Not to be rebuilt: refused with its name, analysed once its file lies in the folder."""
    write_signal(tmp_path / "given.wav", DEFAULT_RECIPE)
    recorded = take("electret", 4, ODD)
    soundfile.write(tmp_path / "back.wav", recorded.samples, 48000, "PCM_24")
    with pytest.raises(RecordingError, match="special programme") as caught:
        analyze(tmp_path / "back.wav", tmp_path / "given.wav")
    assert caught.value.kind == "wrong-programme"
    write_signal(tmp_path / "played.wav", ODD)
    found = analyze(tmp_path / "back.wav", tmp_path / "given.wav")
    assert "other-programme" in told(found)
    assert error_db(found, recorded) < 0.005


def test_marks_without_an_identity_are_told_once() -> None:
    """The first programmes had none: their recordings are read as ever, and it is said so."""
    first = Recipe()
    samples = take("electret", 5, first).samples
    found = measure_recording(programme_of(first), Recording(samples=samples, rate_hz=48000))
    assert found.problems == ()
    assert [one for one in found.steps if "not identified" in one] == [
        "programme not identified: its marks say nothing of which one it is"
    ]


def test_a_burst_that_cannot_be_read_is_told() -> None:
    samples = take("electret").samples.copy()
    for block in programme_of().blocks_of("identity"):
        samples[round(block.start_s * 48000) : round(block.end_s * 48000)] = 1e-6
    assert "not-identified" in told(measure(samples))


@pytest.mark.parametrize("plant", PLAIN)
@pytest.mark.parametrize(("first_db", "used"), [(-0.4, 1), (-2.0, 2), (-15.0, 2), (6.0, 1)])
def test_of_two_takes_the_strongest_then_the_earliest_is_used(
    plant: str, first_db: float, used: int
) -> None:
    samples = take(plant).samples
    pause = 1e-6 * np.random.default_rng(2).standard_normal(60_000)
    both = np.concatenate([samples * 10 ** (first_db / 20), pause, samples])
    found = measure(both)
    assert f"take {used}, the strongest" in told(found)["several-takes"].effect
    opening_s = programme_of().blocks_of("mark")[0].start_s
    second_s = (len(samples) + len(pause)) / 48000
    expected_s = opening_s + (second_s if used == 1 else 0.0)
    assert told(found)["several-takes"].at_s == pytest.approx(expected_s, abs=0.01)
    asked = measure(both, take=2)
    assert asked.timing is not None
    assert asked.timing.latency_s == pytest.approx(second_s, abs=0.01)
    with pytest.raises(InputError, match="take: the recording holds 2, got 3"):
        measure(both, take=3)


@pytest.mark.parametrize("plant", PLAIN)
@pytest.mark.parametrize(
    ("delay_s", "down_db"), [(0.22, -19.0), (0.35, -12.0), (0.5, -4.0), (0.71, -19.5), (0.88, -8.0)]
)
def test_a_second_arrival_is_told_with_its_delay_and_level(
    plant: str, delay_s: float, down_db: float
) -> None:
    samples = take(plant).samples
    late = round(delay_s * 48000)
    heard = samples.copy()
    heard[late:] += 10 ** (down_db / 20) * samples[:-late]
    found = told(measure(heard))
    assert f"{1000 * delay_s:.0f} ms later" in found["echo"].message
    assert f"{down_db:+.0f}" in found["echo"].message.replace(f"{down_db:+.1f}", f"{down_db:+.0f}")


@pytest.mark.parametrize("rate_hz", [44100, 96000, 16000, 22050])
def test_a_recorder_of_another_rate_is_taken(rate_hz: int) -> None:
    """The curve is as good; harmonics beyond the recorder's band are withheld."""
    recorded = take("receiver")
    found = measure(resample(recorded.samples, rate_hz / 48000), rate_hz)
    assert error_db(found, recorded) < 0.005
    assert found.distortion is not None
    beyond = np.outer(found.distortion.harmonic_order, found.distortion.frequency_hz) > rate_hz / 2
    assert np.all(np.isnan(found.distortion.harmonic_db[beyond]))


def test_a_rate_without_the_voice_band_is_refused() -> None:
    with pytest.raises(RecordingError, match="record at 48000 Hz") as caught:
        measure(resample(take("electret").samples, 1 / 6), 8000)
    assert caught.value.kind == "wrong-rate"


def save(path: Path, *channels: Array) -> Path:
    soundfile.write(path, np.stack(channels, axis=1), 48000, "PCM_24")
    return path


def test_the_channel_that_holds_the_programme_is_taken_and_said(tmp_path: Path) -> None:
    signal = tmp_path / "signal.wav"
    write_signal(signal, DEFAULT_RECIPE)
    recorded = take("electret")
    samples = recorded.samples
    idle = 1e-4 * np.random.default_rng(3).standard_normal(len(samples))
    leaked = idle + 10 ** (-50 / 20) * np.gradient(samples)
    for first in (idle, leaked):
        found = analyze(save(tmp_path / "two.wav", first, samples), signal)
        assert found.recording.channel == 2
        assert "on channel 2 of 2" in told(found)["other-channel"].message
        assert "holds it, too" not in told(found)["other-channel"].message
        assert error_db(found, recorded) < 0.005
    both = save(tmp_path / "both.wav", 0.5 * samples, samples)
    assert "channel 1 holds it, too" in told(analyze(both, signal))["other-channel"].message
    assert analyze(both, signal, channel=1).recording.channel == 1
    assert "other-channel" not in told(analyze(both, signal, channel=1))
    alike = save(tmp_path / "alike.wav", samples, samples, leaked)
    assert "other-channel" not in told(analyze(alike, signal))
    (result,) = analyze_files([both], signal)
    assert isinstance(result, Measurement)
    assert result.recording.channel == 2


def test_a_wire_is_no_handset() -> None:
    """Through sound interfaces with corners at 5 Hz, at any gain; on path loop it is right."""
    rng = np.random.default_rng(4)
    for gain_db in (0.0, -9.0, -25.0):
        wired = couple(programme_of().samples, 5.0, n=2) * 10 ** (gain_db / 20)
        wired = wired + 1e-5 * rng.standard_normal(len(wired))
        assert "no-handset" in told(measure(wired))
        loop = Recording(samples=wired, rate_hz=48000, conditions=Conditions(path="loop"))
        assert "no-handset" not in told(measure_recording(programme_of(), loop))


def couple(samples: Array, corner_hz: float, n: int = 1) -> Array:
    """Through coupling capacitors, in closed form."""
    spectrum = np.fft.rfft(samples, 2**20)
    s = 1j * np.fft.rfftfreq(2**20, 1 / 48000) / corner_hz
    return np.asarray(np.fft.irfft(spectrum * (s / (1 + s)) ** n)[: len(samples)])


def test_a_flat_electronic_element_in_a_real_circuit_is_no_wire() -> None:
    """Flat and without distortion, but behind the coupling capacitor of its circuit."""
    for corner_hz in (20.0, 60.0):
        assert "no-handset" not in told(measure(couple(programme_of().samples, corner_hz)))


@pytest.mark.parametrize(("down_db", "wanted_db"), [(-52.0, 52), (-66.0, 66)])
def test_far_too_quiet_says_how_far_to_turn_the_gain_up(down_db: float, wanted_db: int) -> None:
    """The peak of the sweeps is to come to -12 dBFS; few steps are not called clipping."""
    samples = take("electret").samples
    first, last = (programme_of().blocks_of("sweep")[one] for one in (0, -1))
    loudest = np.max(np.abs(samples[round(first.start_s * 48000) : round(last.end_s * 48000)]))
    scaled = samples / loudest * 10 ** ((-12.0 + down_db) / 20)
    found = told(measure(np.round(scaled * 2**23) / 2**23))
    assert f"turn the gain up by about {wanted_db} dB" in found["too-quiet"].message
    assert "clipping" not in found
    louder = told(measure(samples / loudest * 10 ** (-32 / 20)))
    assert "too-quiet" not in louder


def test_sweeps_of_another_programme_between_the_right_marks_are_refused() -> None:
    samples = programme_of().samples.copy()
    for block in programme_of().blocks_of("sweep"):
        first, last = (round(edge * 48000) for edge in (block.start_s, block.end_s))
        samples[first:last] = samples[first:last][::-1]
    with pytest.raises(RecordingError, match="its sweeps are not") as caught:
        measure(samples)
    assert caught.value.kind == "wrong-programme"


def test_too_many_samples_lost_between_the_marks_are_named() -> None:
    samples = take("electret").samples
    cut = np.concatenate([samples[:300_000], samples[303_000:]])
    with pytest.raises(RecordingError, match="about 62 ms were lost") as caught:
        measure(cut)
    assert caught.value.kind == "lost-samples"


@pytest.mark.parametrize("plant", PLAIN)
@pytest.mark.parametrize(
    ("n_lost", "early_s", "late_s", "blocks"),
    [(70, 4.2, 6.9, ("sweep 1", "sweep 2")), (600, 4.0, 10.6, ("sweep 1", "sweep 3"))],
)
def test_two_cuts_that_cancel_set_the_sweeps_between_aside(
    plant: str, n_lost: int, early_s: float, late_s: float, blocks: tuple[str, str]
) -> None:
    """The marks agree; both cuts are named with their block, and the rest gives the curve."""
    recorded = take(plant)
    samples = recorded.samples
    first, second = round(early_s * 48000), round(late_s * 48000)
    parts = (samples[:first], samples[first + n_lost : second], samples[second - n_lost :])
    found = measure(np.concatenate(parts))
    lost, again = told(found)["lost-samples"], told(found)["repeated-samples"]
    assert (lost.block, again.block) == blocks
    assert lost.at_s == pytest.approx(early_s, abs=0.06)
    assert again.at_s == pytest.approx(late_s, abs=0.06)
    assert error_db(found, recorded) < (0.05 if plant == "carbon" else 0.005)


@pytest.mark.parametrize("kind", ["sweep-gain", "babble-in-silence", "frying", "clock-wander"])
def test_what_else_makes_sweeps_unlike_is_no_pair_of_cuts(kind: str) -> None:
    for plant in PLAIN:
        for severity in ("light", "heavy"):
            spoiled, _ = record_spoiled(take(plant), kind, severity, np.random.default_rng(8))
            assert not set(told(measure(spoiled))) & {"lost-samples", "repeated-samples"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_samples_lost_in_a_weak_sweep_under_hum_are_placed_in_it(seed: int) -> None:
    """Above the lines of the mains the sweep tells where; placed beside it all would be an echo."""
    plant = KnownPlant(
        response=lambda f: 0.03 * carbon_like(f) / (1 + 1j * np.asarray(f) / 1500),
        noise_dbfs=-66.0, mains_dbfs=-49.0, mains_hz=49.97, seed=seed,
    )  # fmt: skip
    samples = plant(programme_of().samples, 48000)
    first = round(4.03 * 48000)
    found = measure(np.concatenate([samples[:first], samples[first + 436 :]]))
    lost = told(found)["lost-samples"]
    assert lost.block == "sweep 1"
    assert lost.at_s == pytest.approx(4.03, abs=0.1)
    assert "reflection" not in told(found)
