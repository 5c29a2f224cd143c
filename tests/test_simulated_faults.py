# mypy: disable-error-code="assignment,call-overload,union-attr"
"""
Each simulated fault shows the signature of its row in the trade's fault table.

Signatures are measured with plain FFT lines on the known places of the programme. The rows are
F01 to F40 of the fault table; their numbers are proposals, so most limits here are one-sided.
"""

import math
from functools import cache
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.simulated import SimulatedBench, list_fault_cases, list_fault_causes
from voicecheck.bench.simulated.faults import CHANGES
from voicecheck.programme import make_programme
from voicecheck.records import Recipe

RECIPE = Recipe(n_sweeps=1, sweep_s=1.0, silence_s=2.0, tones_s=0.2)
SEED = 3
CASES = {case.handset.partition("+")[2]: case for case in list_fault_cases()}


@cache
def play() -> Any:
    return make_programme(RECIPE)


@cache
def measure(handset: Any, path: Any, seat: Any = 1, **options: Any) -> Any:
    return _measure(handset, path, seat, **options)


def _measure(handset: Any, path: Any, seat: Any, **options: Any) -> Any:
    """Levels in dB, harmonics in dB re the fundamental, of one take at fixed clocks."""
    programme = play()
    bench = SimulatedBench(handset, seed=SEED, rate_ratio_ppm=0.0, latency_s=0.05, **options)
    recording = bench.play_and_record(programme, path=path, seat=seat)
    calibration, rate_hz = recording.calibration, recording.rate_hz

    def cut(start_s: Any, end_s: Any) -> Any:
        first, last = (round((0.05 + instant_s) * rate_hz) for instant_s in (start_s, end_s))
        return recording.samples[first:last] * calibration.input_per_unit

    sweep = programme.blocks_of("sweep")[0]
    heard = cut(sweep.start_s - 0.02, sweep.end_s + 0.1)
    first = round((sweep.start_s - 0.02) * rate_hz)
    played = programme.samples[first : first + len(heard)] * calibration.output_per_unit
    frequency_hz = np.fft.rfftfreq(len(heard), 1.0 / rate_hz)
    power = np.abs(np.fft.rfft(heard)) ** 2
    asked = np.abs(np.fft.rfft(played)) ** 2

    def band_db(low_hz: Any, high_hz: Any) -> Any:
        inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        return 10.0 * math.log10(np.mean(power[inside] / asked[inside]))

    steps = programme.blocks_of("steps")[0]
    angle = 2j * np.pi * 1000.0 * np.arange(round(0.18 * rate_hz)) / rate_hz
    window = np.hanning(len(angle))
    lines = []
    for index in range(len(RECIPE.step_levels_db)):
        start_s = steps.start_s + index * RECIPE.step_s + 0.05
        samples = cut(start_s, start_s + 0.2)[: len(angle)] * window * 2.0 / window.sum()
        lines.append([abs(np.sum(samples * np.exp(-k * angle))) for k in range(1, 8)])
    lines = np.array(lines)
    level_db = 20.0 * np.log10(lines[:, 0])
    silence_block = programme.blocks_of("silence")[0]
    silence = cut(silence_block.start_s, silence_block.end_s)
    spectrum = np.fft.rfft(silence)
    hz = np.fft.rfftfreq(len(silence), 1.0 / rate_hz)
    in_band = np.fft.irfft(np.where((hz > 300) & (hz < 3400), spectrum, 0.0), len(silence))
    return {
        "low": band_db(200, 500),
        "mid": band_db(500, 2000),
        "high": band_db(2000, 3400),
        "peak_hz": _find_peak_hz(frequency_hz, power / np.maximum(asked, 1e-9)),
        "harmonics": 20.0 * np.log10(lines[5, 1:] / lines[5, 0]),
        "louder": 20.0 * np.log10(lines[6, 1:] / lines[6, 0]),
        "softer": 20.0 * np.log10(lines[4, 1:] / lines[4, 0]),
        "thd": 100.0 * math.sqrt(np.sum(lines[5, 1:5] ** 2)) / lines[5, 0],
        "compression": level_db[5] + 6.0 - level_db[6],
        "noise": 20.0 * math.log10(np.std(in_band)),
        "kurtosis": float(np.mean(in_band**4) / np.mean(in_band**2) ** 2),
        "silence": silence,
        "peak": float(np.max(np.abs(recording.samples))),
        "top_pa": float(np.max(np.abs(cut(steps.start_s, steps.end_s)))),
        "loop_ma": recording.conditions.loop_ma,
        "ohm": recording.conditions.transmitter_ohm,
    }


def _find_peak_hz(frequency_hz: Any, ratio: Any) -> Any:
    inside = (frequency_hz > 300) & (frequency_hz < 6000)
    smooth = np.convolve(ratio[inside], np.ones(61) / 61, mode="same")
    return float(frequency_hz[inside][np.argmax(smooth)])


def compare(fault: Any, path: Any, seat: Any = 1) -> Any:
    """Measured with the fault, and without it on the same telephone."""
    case = CASES[fault]
    sound = case.handset.partition("+")[0]
    return (
        measure(case.handset, path, seat, **case.options),
        measure(sound, path, seat, **case.options),
    )


def change(fault: Any, path: Any, key: Any) -> Any:
    faulty, sound = compare(fault, path)
    return faulty[key] - sound[key]


def test_every_cause_has_a_case_and_every_case_a_fault() -> None:
    assert set(CASES) | {"hum-50", "hum-60"} >= set(list_fault_causes())
    assert set(CASES) <= set(CHANGES)
    assert len({case.row for case in CASES.values()}) >= 30


@pytest.mark.parametrize("fault", ["packed", "low-feed"])
def test_f01_send_low_with_its_shape_kept(fault: str) -> None:
    """Level down by 5 dB or more, bands alike within 2 dB, distortion no higher."""
    falls = [change(fault, "transmit", band) for band in ("low", "mid", "high")]
    assert max(falls) < -5.0
    assert np.ptp(falls) < 2.0
    faulty, sound = compare(fault, "transmit")
    assert faulty["thd"] < 1.2 * sound["thd"]


def test_f01_low_feed_shows_in_the_loop_current_and_packing_does_not() -> None:
    low, sound = compare("low-feed", "transmit")
    packed, _ = compare("packed", "transmit")
    assert low["loop_ma"] < 0.4 * sound["loop_ma"]
    assert 0.9 < packed["loop_ma"] / sound["loop_ma"] < 1.2


def test_f02_blocked_mouthpiece_loses_highs_more_than_lows() -> None:
    falls = [change("blocked-mouthpiece", "transmit", band) for band in ("low", "high")]
    assert falls[1] - falls[0] < -6.0


def test_f03_frying_is_noise_in_bursts() -> None:
    faulty, _ = compare("frying", "transmit")
    assert change("frying", "transmit", "noise") > 8.0
    assert faulty["kurtosis"] > 6.0


def test_f04_aged_carbon_hisses_smoothly_and_falls_10_db_a_decade() -> None:
    faulty, _ = compare("aged", "transmit")
    assert change("aged", "transmit", "noise") > 6.0
    assert faulty["kurtosis"] < 4.0
    power = np.abs(np.fft.rfft(faulty["silence"])) ** 2
    hz = np.fft.rfftfreq(len(faulty["silence"]), 1.0 / 48000)
    low, high = (np.mean(power[(hz > f / 1.2) & (hz < f * 1.2)]) for f in (300.0, 3000.0))
    assert 10.0 * math.log10(high / low) == pytest.approx(-10.0, abs=1.5)


def test_f05_worn_carbon_jumps_from_seat_to_seat() -> None:
    levels = [_measure("carbon+worn", "transmit", seat)["mid"] for seat in range(1, 7)]
    sound = [_measure("carbon", "transmit", seat)["mid"] for seat in range(1, 7)]
    assert np.std(levels, ddof=1) > 1.5
    assert np.std(sound, ddof=1) < 1.2


def test_f06_over_sensitive_element_is_loud_and_bent_by_its_own_law() -> None:
    """THD twice the sound one's, H2 leading by 6 dB, and halved by 6 dB less sound."""
    faulty, sound = compare("over-sensitive", "transmit")
    assert change("over-sensitive", "transmit", "mid") > 3.0
    assert faulty["thd"] > 1.7 * sound["thd"]
    assert faulty["harmonics"][0] - faulty["harmonics"][1] > 6.0
    assert faulty["softer"][0] - faulty["harmonics"][0] == pytest.approx(-6.0, abs=2.0)


def test_f07_stuck_diaphragm_is_weak_with_odd_harmonics() -> None:
    faulty, _ = compare("stuck-diaphragm", "transmit")
    assert change("stuck-diaphragm", "transmit", "mid") < -3.0
    assert faulty["harmonics"][1] >= faulty["harmonics"][0]


def test_f08_and_f09_dead_transmitters_differ_in_loop_current() -> None:
    for fault in ("shorted-transmitter", "open-transmitter"):
        assert change(fault, "transmit", "mid") < -30.0
    assert 35.0 < compare("shorted-transmitter", "transmit")[0]["loop_ma"] < 50.0
    assert compare("open-transmitter", "transmit")[0]["loop_ma"] < 5.0


def test_f10_high_gain_is_loud_and_clean() -> None:
    carbon = measure("carbon", "transmit")
    faulty, _ = compare("high-gain", "transmit")
    assert faulty["mid"] - carbon["mid"] > 3.0
    assert faulty["thd"] < 2.0
    assert change("high-gain", "transmit", "noise") > 3.0


def test_f11_radio_stands_in_narrow_lines_that_are_no_mains() -> None:
    faulty, _ = compare("radio-buzz", "transmit")
    level = np.abs(np.fft.rfft(faulty["silence"] * np.hanning(len(faulty["silence"]))))
    hz = np.fft.rfftfreq(len(faulty["silence"]), 1.0 / 48000)
    floor = np.median(level[(hz > 400) & (hz < 3000)])
    line = np.max(level[np.abs(hz - 3 * 216.68) < 1.5])
    mains = np.max(level[np.abs(hz - 250.0) < 1.5])
    assert 20.0 * math.log10(line / floor) > 20.0
    assert 20.0 * math.log10(mains / floor) < 12.0


def test_f12_carbonised_element_has_under_0_4_of_its_resistance() -> None:
    faulty, sound = compare("carbonised", "transmit")
    assert faulty["ohm"] < 0.4 * sound["ohm"]
    aged, _ = compare("aged", "transmit")
    assert aged["ohm"] > 1.7 * sound["ohm"]


def test_f13_weak_magnet_trades_level_for_h2() -> None:
    level_db = change("weak-magnet", "receive", "mid")
    faulty, sound = compare("weak-magnet", "receive")
    assert level_db < -4.0
    assert faulty["harmonics"][0] - sound["harmonics"][0] == pytest.approx(-level_db, abs=0.7)


def test_f14_bent_diaphragm_is_weak_tinny_and_resonates_higher() -> None:
    faulty, sound = compare("bent-diaphragm", "receive")
    assert change("bent-diaphragm", "receive", "low") < -6.0
    assert change("bent-diaphragm", "receive", "low") < change("bent-diaphragm", "receive", "mid")
    assert faulty["peak_hz"] > 1.2 * sound["peak_hz"]


def test_f15_rattle_sets_in_sharply_with_high_harmonics() -> None:
    faulty, sound = compare("rattle", "receive")
    assert faulty["louder"][3] > sound["louder"][3] + 20.0, "fifth harmonic"
    assert faulty["harmonics"][0] > -32.0
    assert faulty["softer"][0] < -40.0


def test_f16_leaky_limiter_crushes_with_odd_harmonics() -> None:
    faulty, _ = compare("leaky-limiter", "receive")
    assert faulty["harmonics"][1] > faulty["harmonics"][0] + 6.0
    assert faulty["compression"] > 2.0


def test_f17_missing_limiter_lets_more_than_118_db_through() -> None:
    """118 dB SPL is a published headset figure (S37)."""
    faulty, sound = compare("missing-limiter", "receive")
    for measured, is_above in ((faulty, True), (sound, False)):
        peak_dbspl = 20.0 * math.log10(measured["top_pa"] / math.sqrt(2.0) / 20e-6)
        assert (peak_dbspl > 118.0) is is_above


def test_f18_open_receiver_is_silent_while_transmit_is_as_usual() -> None:
    assert change("open-receiver", "receive", "mid") < -30.0
    assert abs(change("open-receiver", "transmit", "mid")) < 0.1


def test_f19_broken_cord_drops_out() -> None:
    """Against the same take without the fault: the difference is nearly the whole signal."""
    programme = make_programme(Recipe(n_sweeps=2, sweep_s=3.0))
    sound, broken = (
        SimulatedBench(handset, seed=SEED).play_and_record(programme).samples
        for handset in ("carbon", "carbon+cord-break")
    )
    frames = (len(sound) // 240) * 240
    level, left = (np.std(s[:frames].reshape(-1, 240), axis=1) for s in (sound, broken))
    lost = (level > 0.1 * np.max(level)) & (left < 0.1 * level)
    assert 3 <= np.sum(np.diff(lost.astype(int)) == 1) <= 40
    assert np.mean(lost) < 0.2


def test_f20_dirty_contact_crackles() -> None:
    faulty, _ = compare("dirty-contact", "transmit")
    assert change("dirty-contact", "transmit", "noise") > 8.0
    assert faulty["kurtosis"] > 20.0


def test_f21_dirty_dial_makes_the_level_jump_and_stay() -> None:
    programme = make_programme(Recipe(n_sweeps=3, sweep_s=3.0))
    bench = [SimulatedBench(h, seed=SEED) for h in ("carbon", "carbon+dirty-dial")]
    sound, faulty = (b.play_and_record(programme).samples for b in bench)
    used = np.abs(sound) > 0.03
    ratio_db = 20.0 * np.log10(np.abs(faulty[used] / sound[used]))
    stays = np.mean(np.abs(ratio_db - np.min(ratio_db)) < 0.1)
    assert -5.5 < np.min(ratio_db) < -2.0
    assert 0.1 < stays < 0.9
    assert np.mean(np.abs(ratio_db) < 0.1) > 0.1


def test_f22_fading_falls_by_decibels_a_minute() -> None:
    programme = make_programme(Recipe())
    sound, faulty = (
        SimulatedBench(h, seed=SEED).play_and_record(programme).samples
        for h in ("carbon", "carbon+fading")
    )
    late = slice(-3 * 48000, None)
    fall_db = 20.0 * math.log10(np.std(faulty[late]) / np.std(sound[late]))
    assert -2.5 < fall_db < -0.8


def test_f23_open_balance_is_loud_in_the_own_ear_only() -> None:
    assert change("open-balance", "sidetone", "mid") > 5.0
    assert abs(change("open-balance", "transmit", "mid")) < 0.1
    assert abs(change("open-balance", "receive", "mid")) < 0.1
    assert compare("open-balance", "sidetone")[0]["peak"] < 0.98


def test_f24_open_winding_takes_the_own_voice_away() -> None:
    assert change("open-winding", "sidetone", "mid") < -8.0
    assert change("open-winding", "receive", "mid") < -4.0
    assert change("open-winding", "transmit", "mid") < -4.0


def test_f25_long_line_is_weak_both_ways() -> None:
    sent, heard = (change("long-line", path, "mid") for path in ("transmit", "receive"))
    assert sent < -4.0
    assert heard < -4.0
    assert abs(sent - heard) < 2.0


def test_f27_stray_field_hums_in_the_coil_and_not_in_the_microphone() -> None:
    coil = measure("carbon+stray-field", "receive", ear="coil")
    microphone = measure("carbon+stray-field", "receive")

    def hum_db(measured: Any) -> Any:
        samples = measured["silence"] * np.hanning(len(measured["silence"]))
        hz = np.fft.rfftfreq(len(samples), 1.0 / 48000)
        return 20.0 * math.log10(np.max(np.abs(np.fft.rfft(samples))[np.abs(hz - 150) < 3]))

    assert hum_db(coil) - hum_db(microphone) > 15.0


def test_f28_seal_leak_takes_the_lows_only() -> None:
    assert change("seal-leak", "receive", "low") < -6.0
    assert abs(change("seal-leak", "receive", "high")) < 0.5


def test_f29_wrong_distance_shifts_all_frequencies_and_changes_with_the_seat() -> None:
    falls = [change("wrong-distance", "transmit", band) for band in ("low", "mid", "high")]
    assert np.ptp(falls) < 1.0
    seats = SimulatedBench("carbon+wrong-distance", seed=SEED)
    distance_mm = [seats.seat(k).jig.mouth_mm for k in range(1, 21)]
    assert np.std(20.0 * np.log10(distance_mm)) > 0.5
    assert np.mean(distance_mm) > 28.0


def test_f30_moved_gain_shifts_every_path_alike() -> None:
    falls = [change("moved-gain", path, "mid") for path in ("transmit", "receive", "loop")]
    assert max(falls) < -1.5
    assert np.ptp(falls) < 0.02


def test_f39_electronic_element_falls_off_a_cliff_between_25_and_15_ma() -> None:
    """10 dB or more with the fault; a sound one and carbon fall gently."""

    def fall_db(handset: Any) -> Any:
        low, high = (measure(handset, "transmit", feed_ma=feed_ma) for feed_ma in (15.0, 25.0))
        return low["mid"] - high["mid"]

    assert fall_db("electret+high-threshold") < -10.0
    assert fall_db("electret") > -3.0
    assert fall_db("carbon") > -5.0


def test_f40_swapped_elements_speak_faintly_and_cleanly() -> None:
    faulty, sound = compare("swapped-elements", "transmit")
    assert -40.0 < change("swapped-elements", "transmit", "mid") < -20.0
    assert faulty["thd"] < 0.1 * sound["thd"]
    assert change("swapped-elements", "receive", "mid") < -30.0


def test_howl_builds_up_without_a_signal() -> None:
    programme = make_programme(Recipe(silence_s=8.0, n_sweeps=1, sweep_s=0.5))
    bench = SimulatedBench("carbon+howl", seed=SEED, rate_ratio_ppm=0.0, latency_s=0.05)
    block = programme.blocks_of("silence")[0]
    samples = bench.play_and_record(programme).samples
    silence = samples[round(48000 * (block.start_s + 0.05)) : round(48000 * block.end_s)]
    level = np.std(silence[: len(silence) // 2400 * 2400].reshape(-1, 2400), axis=1)
    assert np.max(level) / np.min(level) > 30.0
    hz = np.fft.rfftfreq(len(silence), 1.0 / 48000)
    peak_hz = hz[np.argmax(np.abs(np.fft.rfft(silence)))]
    assert peak_hz == pytest.approx(bench.model.disturbances.howl_hz, abs=5.0)
