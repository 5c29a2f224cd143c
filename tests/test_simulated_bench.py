# mypy: disable-error-code="union-attr"
"""
The simulated bench as a whole, with plain FFT lines and closed forms, not with the analysis.

Levels are held against `simulated_parameters.csv`; most of its rows are MEM, so the checks say
that the simulation lies where the trade's notes put it, not that a real set does.
"""

import math
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.simulated import (
    SimulatedBench,
    check_handset,
    list_fault_causes,
    list_faults,
    list_handsets,
)
from voicecheck.bench.simulated.faults import CHANGES
from voicecheck.bench.simulated.tables import load_range
from voicecheck.errors import InputError
from voicecheck.programme import make_programme
from voicecheck.records import Programme, Recipe

SHORT = Recipe(n_sweeps=1, sweep_s=0.5, silence_s=1.0, tones_s=0.3)
NOMINAL_STEP = 5


@pytest.fixture(scope="module")
def short() -> Any:
    return make_programme(SHORT)


def make_tone(frequency_hz: Any, amplitude: Any, rate_hz: Any = 48000, length_s: Any = 1.4) -> Any:
    """Programme of one faded tone; its samples are all that the bench looks at."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    edge = np.clip(np.minimum(time_s, length_s - time_s) / 0.1, 0.0, 1.0)
    samples = (
        amplitude * np.sin(0.5 * np.pi * edge) ** 2 * np.sin(2 * np.pi * frequency_hz * time_s)
    )
    return Programme(recipe=Recipe(rate_hz=rate_hz), blocks=(), samples=samples)


def cut_block(bench: Any, recording: Any, start_s: Any, end_s: Any) -> Any:
    """Recorded samples of a stretch of the programme, in volts or pascals."""
    stretch = 1.0 + 1e-6 * bench.rate_ratio_ppm
    first, last = (
        round((bench.latency_s + instant_s * stretch) * recording.rate_hz)
        for instant_s in (start_s, end_s)
    )
    return recording.samples[first:last] * recording.calibration.input_per_unit


def measure_lines(bench: Any, recording: Any, samples: Any, frequencies_hz: Any) -> Any:
    """Amplitudes at given programme frequencies, Hann window."""
    window = np.hanning(len(samples))
    stretch = 1.0 + 1e-6 * bench.rate_ratio_ppm
    angle = 2.0 * np.pi * np.arange(len(samples)) / (recording.rate_hz * stretch)
    weighted = samples * window * 2.0 / window.sum()
    return np.array([abs(np.sum(weighted * np.exp(-1j * f * angle))) for f in frequencies_hz])


def measure_step(
    bench: Any, programme: Any, path: Any = "transmit", seat: Any = 1, step: Any = NOMINAL_STEP
) -> Any:
    """Sensitivity in dB and harmonics 2 to 5 in dB at one level step."""
    recording = bench.play_and_record(programme, path=path, seat=seat)
    block = programme.blocks_of("steps")[0]
    start_s = block.start_s + step * programme.recipe.step_s
    samples = cut_block(bench, recording, start_s + 0.06, start_s + 0.24)
    lines = measure_lines(bench, recording, samples, 1000.0 * np.arange(1, 6))
    level_db = programme.recipe.level_dbfs + programme.recipe.step_levels_db[step]
    drive = recording.calibration.output_per_unit * 10.0 ** (level_db / 20.0)
    return 20 * np.log10(lines[0] / drive), 20 * np.log10(lines[1:] / lines[0])


def cut_silence(bench: Any, programme: Any, recording: Any) -> Any:
    block = programme.blocks_of("silence")[0]
    return cut_block(bench, recording, block.start_s, block.end_s)


def weigh_psophometric_dbm(samples_v: Any, rate_hz: Any) -> Any:
    """Psophometric level over 600 ohm: ITU-T O.41 (1994) Table 1, PUB rows, log interpolation."""
    table_hz = [16.66, 50, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 1200, 1400]
    table_hz += [1600, 1800, 2000, 2500, 3000, 3500]
    table_db = [-85, -63, -41, -21, -10.6, -6.3, -3.6, -2.0, -0.9, 0, 0.6, 1.0, 0, -0.9]
    table_db += [-1.7, -2.4, -3.0, -4.2, -5.6, -8.5]
    window = np.hanning(len(samples_v))
    power = np.abs(np.fft.rfft(samples_v * window)) ** 2
    frequency_hz = np.fft.rfftfreq(len(samples_v), 1.0 / rate_hz)
    used = (frequency_hz > 20.0) & (frequency_hz < 3500.0)
    weight_db = np.interp(np.log(frequency_hz[used]), np.log(table_hz), table_db)
    mean_square = 2.0 * np.sum(power[used] * 10.0 ** (weight_db / 10.0))
    mean_square /= len(samples_v) * np.sum(window**2)
    return 10.0 * math.log10(mean_square / 600.0 / 1e-3)


# The recording ----------------------------------------------------------------------------------


def test_same_request_gives_identical_samples(short: Any) -> None:
    first, again, other = (
        SimulatedBench("carbon+frying+hum", seed=3).play_and_record(short, seat=seat)
        for seat in (2, 2, 3)
    )
    assert np.array_equal(first.samples, again.samples)
    assert not np.array_equal(first.samples, other.samples)


def test_recording_says_how_it_was_taken(short: Any) -> None:
    recording = SimulatedBench("carbon+packed", seed=4, feed_ma=30.0).play_and_record(
        short, path="sidetone", seat=2
    )
    conditions = recording.conditions
    assert (conditions.bench, conditions.handset, conditions.path) == (
        "simulated",
        "carbon+packed",
        "sidetone",
    )
    assert (conditions.feed_ma, conditions.load_ohm, conditions.seat) == (30.0, 600.0, 2)
    assert conditions.conditioned is True
    assert conditions.time_utc is None
    assert recording.calibration.unit == "dB Pa/Pa"
    assert conditions.loop_ma == pytest.approx(30.0, rel=0.15)


@pytest.mark.parametrize(
    ("path", "unit"),
    [("transmit", "dB V/Pa"), ("receive", "dB Pa/V"), ("sidetone", "dB Pa/Pa"), ("loop", "dB V/V")],
)
def test_calibration_units(path: str, unit: str) -> None:
    assert SimulatedBench("carbon").calibrate(path).unit == unit


def test_mouth_is_calibrated_to_the_talk_level() -> None:
    """-12 dBFS sine = -4.7 dBPa RMS at the mouth reference point (S53, PUB)."""
    calibration = SimulatedBench("carbon").calibrate("transmit")
    rms_pa = 10.0 ** (-12.0 / 20.0) * calibration.output_per_unit / math.sqrt(2.0)
    assert 20.0 * math.log10(rms_pa) == pytest.approx(-4.7, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_loop_gives_the_programme_back_late_and_drifting(rate_hz: int) -> None:
    """Unit gain, the given latency and clock ratio, against the delayed sine in closed form."""
    tone = make_tone(1000.0, 0.25, rate_hz)
    bench = SimulatedBench("carbon", rate_ratio_ppm=83.0, latency_s=0.0414159, is_noisy=False)
    recording = bench.play_and_record(tone, path="loop")
    assert recording.rate_hz == rate_hz
    first = round(0.5 * rate_hz)
    n = np.arange(first, first + round(0.5 * rate_hz))
    programme_s = (n / rate_hz - 0.0414159) / (1.0 + 83e-6)
    expected = np.sin(2.0 * np.pi * 1000.0 * programme_s)
    calibration = recording.calibration
    got = recording.samples[n] * calibration.input_per_unit / calibration.output_per_unit / 0.25
    # The line tap's 3 Hz coupling turns 1 kHz by 3 mrad and leaves its size alone.
    turned = np.cos(2.0 * np.pi * 1000.0 * programme_s) * 3e-3
    assert np.max(np.abs(got - expected - turned)) < 2e-5


def test_recording_starts_with_noise_and_runs_on(short: Any) -> None:
    bench = SimulatedBench("carbon", seed=9)
    recording = bench.play_and_record(short)
    assert 0.020 <= bench.latency_s <= 0.150
    assert abs(bench.rate_ratio_ppm) <= 60.0
    before = recording.samples[: round(bench.latency_s * recording.rate_hz)]
    assert 1e-6 < np.std(before) < 1e-2
    assert recording.duration_s - bench.latency_s - short.duration_s >= 0.3
    assert np.std(recording.samples[-4800:]) > 1e-6


def test_recorder_noise_floor() -> None:
    """-95 dBFS re a full-scale sine on a silent loop."""
    quiet = Programme(recipe=Recipe(), blocks=(), samples=np.zeros(48000))
    samples = SimulatedBench("carbon").play_and_record(quiet, path="loop").samples
    assert 20.0 * math.log10(np.std(samples) * math.sqrt(2.0)) == pytest.approx(-95.0, abs=0.1)


# Aliasing ---------------------------------------------------------------------------------------


def find_strangers_db(bench: Any, path: Any, amplitude: Any) -> Any:
    """Largest line of a 3.4 kHz tone that is no harmonic, dB re the fundamental."""
    recording = bench.play_and_record(make_tone(3400.0, amplitude), path=path)
    samples = recording.samples[19200 : 19200 + 48000]
    window = np.kaiser(48000, 24.0)
    level = np.abs(np.fft.rfft(samples * window))
    frequency_hz = np.arange(len(level))
    distance_hz = np.abs((frequency_hz + 1700) % 3400 - 1700)
    assert np.max(level[distance_hz == 0][2:]) > 1e-6 * level[3400], "nothing was bent"
    return 20.0 * math.log10(np.max(level[distance_hz > 30]) / level[3400])


@pytest.mark.parametrize("kind", ["carbon", "electret", "moving-coil"])
@pytest.mark.parametrize("path", ["transmit", "receive", "sidetone"])
def test_own_aliasing_stays_below_90_db(kind: str, path: str) -> None:
    """Full-scale 3.4 kHz: aliases of an oversampled curve fall between the harmonics."""
    bench = SimulatedBench(kind, rate_ratio_ppm=0.0, latency_s=0.05, is_noisy=False)
    assert find_strangers_db(bench, path, 0.98) < -90.0


@pytest.mark.parametrize(
    ("handset", "path"),
    [
        ("carbon+over-sensitive", "transmit"),
        ("carbon+stuck-diaphragm", "transmit"),
        ("electret+low-feed", "transmit"),
        ("carbon+rattle", "receive"),
        ("carbon+leaky-limiter", "receive"),
    ],
)
def test_own_aliasing_of_hard_limiting_faults_stays_below_90_db(handset: str, path: str) -> None:
    bench = SimulatedBench(handset, rate_ratio_ppm=0.0, latency_s=0.05, is_noisy=False)
    assert find_strangers_db(bench, path, 0.98) < -90.0


def test_without_oversampling_the_aliases_would_show() -> None:
    """The check above can fail: the same fault computed at the plain rate does not pass it."""
    bench = SimulatedBench(
        "carbon", rate_ratio_ppm=0.0, latency_s=0.05, is_noisy=False, oversampling=1
    )
    assert find_strangers_db(bench, "transmit", 0.98) > -60.0


# Levels -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_healthy_carbon_set_lies_where_the_trade_puts_it(short: Any, seed: int) -> None:
    """Send -13 to -8 dB V/Pa; H2 from -28 to -16 dB leading H3; THD 3 to 8 % nominally."""
    level_db, harmonics_db = measure_step(SimulatedBench("carbon", seed=seed), short)
    assert -14.0 < level_db < -7.0
    low, _, high = load_range("carbon", "H2_at_89dBSPL")
    assert low < harmonics_db[0] < high
    assert harmonics_db[1] < harmonics_db[0] - 6.0
    thd_percent = 100.0 * math.sqrt(np.sum(10.0 ** (harmonics_db / 10.0)))
    assert 2.5 < thd_percent < 10.0


@pytest.mark.parametrize("kind", ["electret", "moving-coil"])
def test_replacement_element_is_near_carbon_and_cleaner(short: Any, kind: str) -> None:
    """Rows electret,send_gain_vs_good_carbon -3..4 dB and thd_at_89dBSPL 0.3..3 % (MEM)."""
    carbon_db, _ = measure_step(SimulatedBench("carbon", seed=2), short)
    level_db, harmonics_db = measure_step(SimulatedBench(kind, seed=2), short)
    assert abs(level_db - carbon_db) < 4.0
    thd_percent = 100.0 * math.sqrt(np.sum(10.0 ** (harmonics_db / 10.0)))
    assert 0.2 < thd_percent < 3.0


@pytest.mark.parametrize(
    ("kind", "low_dbm", "high_dbm"), [("carbon", -75, -60), ("electret", -85, -70)]
)
def test_idle_noise_lies_in_the_trades_range(
    short: Any, kind: str, low_dbm: int, high_dbm: int
) -> None:
    """Rows carbon,idle_noise_on_line and electret,idle_noise_on_line (MEM)."""
    levels = []
    for seed in (1, 2, 3):
        bench = SimulatedBench(kind, seed=seed)
        recording = bench.play_and_record(short)
        levels.append(weigh_psophometric_dbm(cut_silence(bench, short, recording), 48000))
    assert np.all((np.array(levels) > low_dbm) & (np.array(levels) < high_dbm))
    typical = load_range("carbon" if kind == "carbon" else "electret", "idle_noise_on_line").typical
    assert np.mean(levels) == pytest.approx(typical, abs=3.0)


@pytest.mark.parametrize("kind", ["carbon", "electret", "moving-coil"])
@pytest.mark.parametrize("path", ["transmit", "receive", "sidetone"])
def test_healthy_recording_leaves_headroom_and_is_not_lost(kind: str, path: str) -> None:
    """6 dB below full scale at the +6 dB step and in the sweep, and above 0.05."""
    programme = make_programme(Recipe(n_sweeps=1, sweep_s=1.0))
    for seed in (1, 2):
        peak = np.max(
            np.abs(SimulatedBench(kind, seed=seed).play_and_record(programme, path=path).samples)
        )
        assert 0.05 < peak < 0.5


def test_receive_level_in_the_coupler(short: Any) -> None:
    """-12 dBFS is -26 dBm at the line and 80 to 95 dB SPL in the coupler."""
    bench = SimulatedBench("carbon", seed=1)
    level_db, _ = measure_step(bench, short, "receive")
    drive_v = 10.0 ** (-12.0 / 20.0) * bench.calibrate("receive").output_per_unit / math.sqrt(2.0)
    assert 10.0 * math.log10(drive_v**2 / 600.0 / 1e-3) == pytest.approx(-26.0, abs=1e-6)
    assert 80.0 < level_db + 20.0 * math.log10(drive_v / 20e-6) < 95.0


# Spread -----------------------------------------------------------------------------------------


def test_seats_and_sets_differ_as_much_as_the_trade_says() -> None:
    """
    Rows carbon,repeat_sd_after_conditioning 0.3..1.5 dB, element_to_element_sd 1..3 dB (MEM).

    Taken from the drawn models, which costs no sound: depth in decibels. The spread of 60 sets
    lies within its own sampling interval (99 %, chi-square) about the row's typical 2 dB.
    """
    from scipy import stats

    bench = SimulatedBench("carbon", seed=1)
    seats_db = [20 * math.log10(bench.seat(k).transmitter.depth_per_pa) for k in range(1, 41)]
    low, _, high = load_range("carbon", "repeat_sd_after_conditioning")
    assert low < np.std(seats_db, ddof=1) < high
    sets_db = [
        20 * math.log10(SimulatedBench("carbon", seed=k).model.transmitter.depth_per_pa)
        for k in range(1, 61)
    ]
    typical = load_range("carbon", "element_to_element_sd_good_stock").typical
    within = typical * np.sqrt(stats.chi2.ppf([0.005, 0.995], 59) / 59)
    assert within[0] < np.std(sets_db, ddof=1) < within[1]
    worn = SimulatedBench("carbon+worn", seed=1)
    worn_db = [20 * math.log10(worn.seat(k).transmitter.depth_per_pa) for k in range(1, 41)]
    assert np.std(worn_db, ddof=1) > 2.0


# Faults -----------------------------------------------------------------------------------------


def test_packed_carbon_is_weak_and_low_in_resistance(short: Any) -> None:
    """Rows carbon,packed_level_loss -25..-6 dB and packed_resistance_factor 0.2..0.8 (MEM)."""
    for seed in (1, 2, 3):
        sound, packed = (SimulatedBench(h, seed=seed) for h in ("carbon", "carbon+packed"))
        loss_db = measure_step(packed, short)[0] - measure_step(sound, short)[0]
        assert -25.0 < loss_db < -6.0
        factor = packed.model.transmitter.rest_ohm / sound.model.transmitter.rest_ohm
        assert 0.2 <= factor <= 0.8


def test_aged_carbon_hisses_and_is_high_in_resistance(short: Any) -> None:
    """Row carbon,aged_resistance_factor 1.3..5 (MEM); fault row F04: noise up by 6 dB, smooth."""
    sound, aged = (SimulatedBench(h, seed=2) for h in ("carbon", "carbon+aged"))
    silences = [cut_silence(b, short, b.play_and_record(short)) for b in (sound, aged)]
    noise_dbm = [weigh_psophometric_dbm(samples, 48000) for samples in silences]
    assert noise_dbm[1] - noise_dbm[0] > 6.0
    assert 1.3 <= aged.model.transmitter.rest_ohm / sound.model.transmitter.rest_ohm <= 5.0
    kurtosis = np.mean(silences[1] ** 4) / np.mean(silences[1] ** 2) ** 2
    assert kurtosis < 4.0


def test_frying_is_bursty_and_grows_with_the_current(short: Any) -> None:
    """Fault row F03: noise up by 8 dB or more, with bursts (PUB), worse with more current."""
    silences = {
        feed_ma: cut_silence(bench, short, bench.play_and_record(short))
        for feed_ma in (20.0, 40.0)
        for bench in [SimulatedBench("carbon+frying", seed=5, feed_ma=feed_ma)]
    }
    sound = SimulatedBench("carbon", seed=5)
    quiet = weigh_psophometric_dbm(cut_silence(sound, short, sound.play_and_record(short)), 48000)
    noisy = {feed: weigh_psophometric_dbm(s, 48000) for feed, s in silences.items()}
    assert noisy[40.0] - quiet > 8.0
    assert noisy[40.0] - noisy[20.0] > 6.0
    kurtosis = np.mean(silences[40.0] ** 4) / np.mean(silences[40.0] ** 2) ** 2
    assert kurtosis > 6.0


def test_weak_magnet_is_6_db_quiet_with_6_db_more_h2(short: Any) -> None:
    """Fault row F13 (CALC): level and H2 ratio move by 20 log of the magnet's loss."""
    sound, weak = (SimulatedBench(h, seed=3) for h in ("carbon", "carbon+weak-magnet"))
    magnet_db = 20 * math.log10(weak.model.receiver.magnet / sound.model.receiver.magnet)
    assert -8.0 < magnet_db < -4.5
    level, harmonics = zip(*(measure_step(b, short, "receive") for b in (sound, weak)), strict=True)
    assert level[1] - level[0] == pytest.approx(magnet_db, abs=0.05)
    assert harmonics[1][0] - harmonics[0][0] == pytest.approx(-magnet_db, abs=0.5)


@pytest.mark.parametrize(("fault", "mains_hz"), [("hum-50", 50.0), ("hum-60", 60.0)])
def test_hum_stands_at_the_mains_and_its_harmonics(short: Any, fault: str, mains_hz: float) -> None:
    bench = SimulatedBench(f"carbon+{fault}", seed=1)
    samples = cut_silence(bench, short, bench.play_and_record(short))
    frequency_hz = np.fft.rfftfreq(16 * len(samples), 1.0 / 48000)
    level = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 16 * len(samples)))
    near = np.abs(frequency_hz - mains_hz) < 1.0
    peak_hz = frequency_hz[near][np.argmax(level[near])]
    assert peak_hz == pytest.approx(mains_hz, abs=0.15)
    floor = np.median(level[(frequency_hz > 100) & (frequency_hz < 1000)])
    for order in (1, 3, 5, 7):
        line = np.max(level[np.abs(frequency_hz - order * mains_hz) < 2.0])
        assert 20 * math.log10(line / floor) > 10.0


def test_hum_without_a_number_is_that_of_the_place() -> None:
    assert SimulatedBench("carbon+hum", mains_hz=60.0).model.disturbances.mains_hz == 60.0
    assert SimulatedBench("carbon+hum-50", mains_hz=60.0).model.disturbances.mains_hz == 50.0


# Names ------------------------------------------------------------------------------------------


def test_every_fault_is_listed_with_its_text_and_cause() -> None:
    assert set(list_faults()) == set(CHANGES)
    assert all(list_faults().values())
    assert set(list_handsets()) == {"carbon", "electret", "moving-coil"}
    causes = list_fault_causes()
    assert causes["packed"] == "F01"
    assert causes["weak-magnet"] == "F13"
    assert all(row[0] == "F" and row[1:].isdigit() for row in causes.values())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("crystal", "need one of carbon, electret, moving-coil first"),
        ("", "need one of carbon, electret, moving-coil first"),
        ("carbon+rusty", "'rusty' is not known; known: healthy, packed"),
        ("electret+packed", "needs a transmitter of kind carbon, got electret"),
        ("carbon+radio-buzz", "needs a transmitter of kind electret or moving-coil"),
    ],
)
def test_unknown_handset_is_refused_with_what_is_known(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        check_handset(text)


def test_numbers_out_of_range_are_refused(short: Any) -> None:
    with pytest.raises(InputError, match=r"feed_ma: need 1 to 120 mA, got 0\.04 mA"):
        SimulatedBench("carbon", feed_ma=0.04)
    with pytest.raises(InputError, match="path: need one of transmit"):
        SimulatedBench("carbon").play_and_record(short, path="sending")
    with pytest.raises(InputError, match="seat: need 1 or more"):
        SimulatedBench("carbon").play_and_record(short, seat=0)
    with pytest.raises(InputError, match="ear: need one of coupler, coil"):
        SimulatedBench("carbon", ear="hand")
