# mypy: disable-error-code="arg-type,union-attr"
"""
What carbon granules do over time, and diaphragms that strike, measured on the recorded sound.

Each effect is read by means of its own (levels of repeated tones, the area of a loop, noise beside
a tone) and held against its row of `simulated_parameters.csv`; those rows are from memory (MEM) or
proposals (PROP), so they bound a simulation and decide no verdict.
"""

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.simulated import SimulatedBench, contact
from voicecheck.bench.simulated.contact import drag
from voicecheck.bench.simulated.grid import make_grid
from voicecheck.bench.simulated.handset import NOMINAL_TRANSMITTERS, draw_model
from voicecheck.bench.simulated.tables import load_range
from voicecheck.records import Programme, Recipe

RATE_HZ = 48000
TALK = 10.0 ** (-12.0 / 20.0)
LATENCY_S = 0.05
HEALTHY_SEEDS = (1, 2, 3)
FAULT_SEEDS = (1, 2)


def make_tones(*parts: Any) -> Any:
    """Programme of 1 kHz tones: (length in s, amplitude), one after another without a gap."""
    amplitude = np.concatenate([np.full(round(s * RATE_HZ), level) for s, level in parts])
    edge = np.hanning(480)
    amplitude = np.convolve(amplitude, edge / np.sum(edge), mode="same")
    time_s = np.arange(len(amplitude)) / RATE_HZ
    samples = amplitude * np.sin(2.0 * np.pi * 1000.0 * time_s)
    return Programme(samples=samples, recipe=Recipe(), blocks=())


def play(
    handset: Any, programme: Any, *, seed: Any = 1, path: Any = "transmit", **options: Any
) -> Any:
    """Volts or pascals of a take, in the programme's own time."""
    bench = SimulatedBench(handset, seed=seed, rate_ratio_ppm=0.0, latency_s=LATENCY_S, **options)
    recording = bench.play_and_record(programme, path=path)
    late = round(LATENCY_S * RATE_HZ)
    return recording.samples[late:] * recording.calibration.input_per_unit


def cut(samples: Any, start_s: Any, end_s: Any) -> Any:
    return samples[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)]


def level_db(samples: Any, start_s: Any, end_s: Any) -> Any:
    """Level of 1 kHz between two instants, dB."""
    part = cut(samples, start_s, end_s)
    turn = np.exp(-2j * np.pi * 1000.0 * np.arange(len(part)) / RATE_HZ)
    window = np.hanning(len(part))
    return 20.0 * math.log10(abs(np.sum(part * turn * window)) / np.sum(window))


# Memory, settling, packing, re-arrangement --------------------------------------------------------


def hear_after_loud(handset: Any, seed: Any) -> Any:
    """Level of a soft tone 0.1 s and 3.6 s after 2 s of loud sound re 4.3 s after it, dB."""
    programme = make_tones((2.0, 2.0 * TALK), (5.0, 0.3 * TALK))
    samples = play(handset, programme, seed=seed, is_noisy=False)
    late = level_db(samples, 6.0, 6.6)
    return level_db(samples, 2.1, 2.2) - late, level_db(samples, 5.4, 5.9) - late


def test_healthy_granules_remember_a_little() -> None:
    high = load_range("carbon", "memory_after_sound").high
    for seed in HEALTHY_SEEDS:
        soon_db, _ = hear_after_loud("carbon", seed)
        assert 0.003 < abs(soon_db) < high


def test_electret_remembers_nothing() -> None:
    assert abs(hear_after_loud("electret", 1)[0]) < 0.001


def test_remembering_granules_change_with_what_went_before_and_forget_it() -> None:
    """Probed while they forget, so less than the row's whole size is left; little after 4 s."""
    high = load_range("carbon", "memory_fault").high
    left = np.array([hear_after_loud("carbon+remembering", seed) for seed in range(1, 5)])
    assert np.all(np.abs(left[:, 0]) < high)
    assert np.median(np.abs(left[:, 0])) > 0.2
    assert np.all(np.abs(left[:, 1]) < 0.2 * np.abs(left[:, 0]) + 0.05)


def hear_settling(handset: Any, seed: Any) -> Any:
    """Level of a short tone 10 s into the take re the same near its start, dB."""
    programme = make_tones((0.1, 0.0), (0.3, TALK), (9.7, 0.0), (0.3, TALK))
    samples = play(handset, programme, seed=seed, is_noisy=False)
    return level_db(samples, 10.15, 10.35) - level_db(samples, 0.15, 0.35)


def test_level_settles_with_the_current_alone() -> None:
    """Healthy within the row's range; the fault loses 0.5 dB to all of its row in 10 s."""
    healthy = load_range("carbon", "settling_in_a_take").high
    assert all(abs(hear_settling("carbon", seed)) < healthy for seed in HEALTHY_SEEDS)
    faulty = load_range("carbon", "settling_fault")
    for seed in FAULT_SEEDS:
        assert -1.8 * faulty.high < hear_settling("carbon+settling", seed) < -0.4


def hear_packing(handset: Any, seed: Any) -> Any:
    """Level of the last of four sounds of 3 s re the first, dB a sound."""
    programme = make_tones(*[(0.3, 0.0), (3.0, TALK)] * 4)
    samples = play(handset, programme, seed=seed, is_noisy=False)
    first, last = (level_db(samples, start + 1.0, start + 2.9) for start in (0.3, 10.2))
    return (last - first) / 3.0


def test_packing_takes_its_rows_decibels_a_sweep() -> None:
    row = load_range("carbon", "packing_per_sweep")
    for seed in FAULT_SEEDS:
        extra = hear_packing("carbon+packing", seed) - hear_packing("carbon", seed)
        assert -row.high < extra < -0.8 * row.low
    assert all(abs(hear_packing("carbon", seed)) < 0.15 for seed in HEALTHY_SEEDS)


def hear_shifts(handset: Any, seed: Any, path: Any = "transmit") -> Any:
    """Spread of the level of a long tone from half second to half second, dB, less its trend."""
    samples = play(handset, make_tones((0.2, 0.0), (12.0, TALK)), seed=seed, path=path)
    levels = [level_db(samples, start, start + 0.5) for start in np.arange(0.5, 11.5, 0.5)]
    trend = np.polyval(np.polyfit(np.arange(len(levels)), levels, 2), np.arange(len(levels)))
    return np.std(levels - trend)


def test_granules_slip_within_a_take_a_little_when_healthy_and_much_when_restless() -> None:
    healthy = np.array([hear_shifts("carbon", seed) for seed in HEALTHY_SEEDS])
    assert np.all(healthy < load_range("carbon", "rearrangement_step").high)
    assert np.median(healthy) > 0.003
    assert hear_shifts("electret", 1) < 0.003
    restless = [hear_shifts("carbon+restless", seed) for seed in FAULT_SEEDS]
    assert min(restless) > 0.5 * load_range("carbon", "rearrangement_fault").low
    assert max(restless) < 2.0 * load_range("carbon", "rearrangement_fault").high


def test_what_granules_do_by_chance_is_the_seeds() -> None:
    programme = make_tones((0.2, 0.0), (2.0, TALK))
    first, again = (play("carbon+restless", programme, seed=4) for _ in range(2))
    assert np.array_equal(first, again)


def test_moods_leave_the_other_draws_of_a_set_as_they_were() -> None:
    """A set without its moods is the same set: sensitivity and resistance as drawn."""
    model = draw_model("carbon", 5)
    names = ("depth_per_pa", "rest_ohm", "diaphragm", "noise_ratio")
    changed = SimulatedBench("carbon+remembering+gritty", seed=5).model
    for name in names:
        assert getattr(changed.transmitter, name) == getattr(model.transmitter, name)
    assert changed.transmitter.granules != model.transmitter.granules


# Hysteresis ---------------------------------------------------------------------------------------


def test_drag_is_the_play_operator_sample_by_sample() -> None:
    """Against the definition, one sample after another, lengths that fill no whole block too."""
    random = np.random.default_rng(12)
    for length in (1, 7, 100, 1013):
        drive = np.cumsum(random.standard_normal(length)) * 0.2
        expected = np.zeros(length)
        for radius in (0.1, 0.7):
            state = 0.0
            for k in range(length):
                state = min(drive[k] + radius, max(drive[k] - radius, state))
                expected[k] += 0.5 * state
        assert np.max(np.abs(drag(drive, (0.1, 0.7)) - expected)) < 1e-12


def loop_percent(element: Any, amplitude_pa: Any) -> Any:
    """Area of the loop of contact against drive over the box around it, by the shoelace rule."""
    drive = amplitude_pa * np.sin(2.0 * np.pi * np.arange(3 * 4000) / 4000)
    moved = element.move(drive, 4.0 * RATE_HZ)
    x, y = drive[-4000:], moved[-4000:]
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return 100.0 * area / (np.ptp(x) * np.ptp(y))


def test_hysteresis_loop_has_the_rows_area() -> None:
    talk_pa = math.sqrt(2.0) * 10.0 ** (-4.7 / 20.0)
    row = load_range("carbon", "hysteresis_loop_area")
    nominal = NOMINAL_TRANSMITTERS["carbon"]
    assert loop_percent(nominal, talk_pa) == pytest.approx(row.typical, rel=0.1)
    drawn = [loop_percent(draw_model("carbon", k).transmitter, talk_pa) for k in range(1, 21)]
    assert row.low < min(drawn) < max(drawn) < row.high
    free = dataclasses.replace(
        nominal, granules=dataclasses.replace(nominal.granules, drag_share=0.0)
    )
    assert loop_percent(free, talk_pa) < 1e-9
    row = load_range("carbon", "hysteresis_fault")
    for seed in FAULT_SEEDS:
        gritty = SimulatedBench("carbon+gritty", seed=seed).model.transmitter
        assert row.low < loop_percent(gritty, talk_pa) < row.high


# Breathing noise ----------------------------------------------------------------------------------


def hear_breathing(handset: Any, seed: Any) -> Any:
    """Noise between the harmonics of a 1 kHz tone of talking level re the silence before, dB."""
    samples = play(handset, make_tones((2.0, 0.0), (3.0, TALK)), seed=seed)

    def noise(start_s: Any) -> Any:
        part = cut(samples, start_s, start_s + 1.5)
        power = np.abs(np.fft.rfft(part * np.kaiser(len(part), 20.0))) ** 2
        frequency_hz = np.fft.rfftfreq(len(part), 1.0 / RATE_HZ)
        between = np.abs((frequency_hz % 1000.0) - 500.0) < 250.0
        return np.sum(power[between & (frequency_hz > 1000) & (frequency_hz < 4000)])

    return 10.0 * math.log10(noise(3.3) / noise(0.3))


def test_carbon_noise_rises_with_the_sound_and_an_electrets_does_not() -> None:
    row = load_range("carbon", "breathing_noise_rise_at_89dBSPL")
    rises = [hear_breathing("carbon", seed) for seed in HEALTHY_SEEDS]
    assert row.low < min(rises) < max(rises) < row.high
    assert np.median(rises) == pytest.approx(row.typical, abs=1.5)
    assert abs(hear_breathing("electret", 1)) < 0.5


# Blows --------------------------------------------------------------------------------------------


def hear_blows(amplitude: Any, *, is_noisy: Any = True) -> Any:
    """Sound above 3 kHz under a 400 Hz tone at a rattling receiver, Pa, after its start."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    programme = Programme(
        samples=amplitude * np.sin(2.0 * np.pi * 400.0 * time_s), recipe=Recipe(), blocks=()
    )
    samples = play("carbon+rattle", programme, path="receive", is_noisy=is_noisy)
    part = cut(samples, 0.3, 0.9)
    spectrum = np.fft.rfft(part)
    frequency_hz = np.fft.rfftfreq(len(part), 1.0 / RATE_HZ)
    spectrum[(frequency_hz < 3000.0) | (frequency_hz > 7000.0)] = 0.0
    return np.fft.irfft(spectrum, len(part))


def test_a_touching_diaphragm_gives_one_blow_a_cycle_each_of_its_own_size() -> None:
    heard = hear_blows(2.0 * TALK)
    cycles = np.max(np.abs(heard.reshape(-1, RATE_HZ // 400)), axis=1)
    low, _, high = load_range("contact", "blow_spread")
    assert low < np.std(20.0 * np.log10(cycles)) < high
    # A blow dies within the cycle: its peak stands far above the mean square.
    assert np.max(np.abs(heard)) / np.std(heard) > 3.0


def test_blows_are_more_than_a_bent_curve_and_set_in_sharply(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    loud, soft = (np.std(hear_blows(level * TALK, is_noisy=False)) for level in (2.0, 0.5))
    assert 20.0 * math.log10(loud / soft) > 40.0
    monkeypatch.setattr(contact, "BLOW_SHARE", 0.0)
    bent = np.std(hear_blows(2.0 * TALK, is_noisy=False))
    assert 20.0 * math.log10(loud / bent) > 1.5


def test_blow_keeps_its_instant_between_samples() -> None:
    """A blow a third of a sample later rings a third of a sample later, to a thousandth."""
    grid = make_grid(8192, 384000)
    cycles = 20

    def line(shift: Any) -> Any:
        angle = 2.0 * np.pi * cycles * (np.arange(grid.n_samples) - shift) / grid.n_samples
        rung = contact.ring(np.sin(angle), 0.5, 384000.0, None)
        return np.fft.rfft(rung[-grid.n_samples // cycles * 10 :])

    whole, third = line(0.0), line(1.0 / 3.0)
    strong = np.argmax(np.abs(whole))
    turned = np.angle(third[strong] / whole[strong]) * len(whole) * 2 / (2 * np.pi * strong)
    assert turned == pytest.approx(-1.0 / 3.0, abs=0.02)
