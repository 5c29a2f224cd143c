# mypy: disable-error-code="operator"
"""
The generators of dial, bell, cord, voice and tones: what they state is what the samples hold.

Measured with demodulation, counting and FFT lines, on clean scenes, not with the analysis.
"""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.simulated.bell import BELLS, BellSettings, make_bell, make_bell_scene
from voicecheck.bench.simulated.dial import (
    DIALS,
    DialSettings,
    count_pulses,
    make_dial,
    make_dial_scene,
)
from voicecheck.bench.simulated.flex import FLEXES, FlexSettings, make_flex, make_flex_scene
from voicecheck.bench.simulated.tones import (
    HIGH_HZ,
    KEYPADS,
    LOW_HZ,
    KeypadSettings,
    list_regions,
    make_call,
    make_keypad,
    make_keypad_scene,
    read_cadence,
)
from voicecheck.bench.simulated.voice import VOICES, make_voice
from voicecheck.errors import InputError

CLEAN = DialSettings(ringing=0.0, bounce_ms=0.0, leak_db=-80.0, snr_db=90.0)


def follow_tone(scene: Any, tone_hz: Any, span_s: Any = 2e-3) -> Any:
    """Envelope of a tone: demodulated and averaged over whole periods, RMS of a sine 1.0."""
    rate_hz = scene.rate_hz
    turned = scene.samples * np.exp(-2j * np.pi * tone_hz * np.arange(len(scene.samples)) / rate_hz)
    count = round(span_s * rate_hz)
    summed = np.cumsum(np.concatenate([[0.0], turned]))
    envelope = 2.0 * np.abs(summed[count:] - summed[:-count]) / count
    return envelope, 0.5 * (count - 1) / rate_hz


def find_line_hz(samples: Any, rate_hz: Any, near_hz: Any, width_hz: Any) -> Any:
    """Frequency of the strongest line near a frequency, parabola through the log spectrum."""
    n_fft = 8 * len(samples)
    level = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), n_fft))
    hz = np.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    inside = np.flatnonzero(np.abs(hz - near_hz) < width_hz)
    k = inside[np.argmax(level[inside])]
    a, b, c = np.log(level[k - 1 : k + 2])
    return hz[1] * (k + 0.5 * (a - c) / (a - 2 * b + c))


# Dial -------------------------------------------------------------------------------------------


def test_breaks_lie_where_the_truth_says() -> None:
    """Half-level crossings of the 1 kHz envelope, averaged over one period of the tone."""
    scene = make_dial_scene("290", CLEAN, seed=4)
    envelope, delay_s = follow_tone(scene, 1000.0, span_s=1e-3)
    closed = envelope > 0.5 * np.median(envelope[:4000])
    edges_s = np.flatnonzero(np.diff(closed.astype(int))) / scene.rate_hz + delay_s
    digits = scene.truth.digits
    expected = np.sort(
        np.concatenate([[*digit.break_start_s, *digit.break_end_s] for digit in digits])
    )
    assert len(edges_s) == 2 * (2 + 9 + 10)
    assert np.max(np.abs(edges_s - expected)) < 0.25e-3


def test_stated_speed_and_break_follow_from_the_pulses() -> None:
    settings = replace(CLEAN, jitter_percent=0.0, pulses_per_s=9.6, break_percent=64.0)
    digit = make_dial_scene("8", settings).truth.digits[0]
    assert digit.pulses_per_s == pytest.approx(9.6)
    assert digit.break_percent == pytest.approx(64.0)
    assert digit.break_ms == pytest.approx(np.full(8, 640.0 / 9.6))
    assert digit.make_ms == pytest.approx(np.full(7, 360.0 / 9.6))
    single = make_dial_scene("1", settings).truth.digits[0]
    assert single.pulses_per_s is None
    assert single.break_percent is None


def test_drift_is_that_from_the_first_to_the_last_of_ten() -> None:
    settings = replace(CLEAN, jitter_percent=0.0, drift_pps=-1.5)
    digit = make_dial_scene("0", settings).truth.digits[0]
    speed = 1.0 / np.diff(digit.break_start_s)
    assert speed[0] == pytest.approx(10.75)
    # The last period is that of the ninth pulse.
    assert speed[-1] == pytest.approx(10.75 - 1.5 * 8 / 9)


def test_pauses_and_odd_pulses() -> None:
    settings = replace(CLEAN, jitter_percent=0.0, last_break_ratio=0.5, is_missing=True)
    first, second = make_dial_scene("72", settings, seed=2).truth.digits
    assert first.pause_before_s is None
    assert second.pause_before_s == pytest.approx(second.break_start_s[0] - first.break_end_s[-1])
    assert first.break_ms[-1] == pytest.approx(0.5 * first.break_ms[0])
    assert first.n_pulses == 6, "one of seven is missing"
    assert second.n_pulses == 2


def test_bounce_closes_again_and_again_for_as_long_as_stated() -> None:
    settings = replace(CLEAN, bounce_ms=7.0)
    clean = make_dial_scene("3", replace(settings, bounce_ms=0.0), seed=1)
    scene = make_dial_scene("3", settings, seed=1)
    changed = np.abs(scene.samples - clean.samples) > 0.01
    for end_s in scene.truth.digits[0].break_end_s:
        at_s = np.flatnonzero(changed[: int((end_s + 0.02) * 48000)])[-1] / 48000
        assert at_s - end_s == pytest.approx(7.0e-3, abs=0.5e-3)


def test_spark_rings_at_every_opening_and_clicks_are_all_there_is_without_a_tone() -> None:
    scene = make_dial("clicks", "4", seed=1)
    quiet = np.std(scene.samples[: scene.rate_hz // 2])
    for start_s in scene.truth.digits[0].break_start_s:
        first = int(start_s * scene.rate_hz)
        assert np.max(np.abs(scene.samples[first : first + 200])) > 20.0 * quiet
    line = np.abs(np.sum(scene.samples[:24000] * np.exp(-2j * np.pi * np.arange(24000) / 48)))
    assert line / 12000 < 1e-3


@pytest.mark.parametrize("word", DIALS)
def test_every_dial_word_can_be_had(word: Any) -> None:
    scene = make_dial(word, "07", seed=5)
    settings = scene.truth.settings
    assert np.max(np.abs(scene.samples)) < 1.0
    if word == "slow":
        assert settings.pulses_per_s < 8.5
    if word == "fast":
        assert settings.pulses_per_s > 11.5
    if word == "long-break":
        assert settings.break_percent > 70.0


def test_dial_counts_by_convention_and_refuses_what_is_no_digit() -> None:
    """Digits of Sweden and New Zealand: the dial table (PUB-2ND)."""
    assert [count_pulses(d, "n plus 1") for d in "09"] == [1, 10]
    assert [count_pulses(d, "10 minus n") for d in "09"] == [10, 1]
    with pytest.raises(InputError, match="number: need digits"):
        make_dial(number="12a")
    with pytest.raises(InputError, match="number: need digits"):
        make_dial(number="")
    with pytest.raises(InputError, match="dial: 'rusty' is not known; known: healthy"):
        make_dial("rusty")


def test_dial_repeats_for_a_seed_and_differs_for_another() -> None:
    first, again, other = (make_dial("noisy", "61", seed=s) for s in (3, 3, 4))
    assert np.array_equal(first.samples, again.samples)
    assert len(first.samples) != len(other.samples) or not np.array_equal(
        first.samples, other.samples
    )


def test_noise_ratio_is_the_stated_one() -> None:
    settings = replace(CLEAN, snr_db=20.0)
    noisy, clean = (make_dial_scene("1", s, seed=2) for s in (settings, CLEAN))
    noise = noisy.samples - clean.samples
    tone_rms = 10.0 ** (-20.0 / 20.0) / math.sqrt(2.0)
    assert 20.0 * math.log10(tone_rms / np.std(noise)) == pytest.approx(20.0, abs=0.1)


# Bell -------------------------------------------------------------------------------------------


def test_bell_strikes_and_gongs_are_the_stated_ones() -> None:
    scene = make_bell(seed=3)
    truth = scene.truth
    start_s, end_s = truth.rings[0]
    struck = [s for s in truth.strikes_s if start_s <= s <= end_s]
    assert (len(struck) - 1) / (end_s - start_s) == pytest.approx(truth.strikes_per_s, rel=0.01)
    assert truth.strikes_per_s == pytest.approx(2.0 * truth.settings.ringing_hz)
    ringing_out = scene.samples[int((end_s + 0.1) * 48000) : int((end_s + 1.1) * 48000)]
    for gong_hz in truth.gongs_hz:
        assert find_line_hz(ringing_out, 48000, gong_hz, 60.0) == pytest.approx(gong_hz, abs=0.5)


def test_gong_decays_as_stated() -> None:
    """60 dB in `decay_s`: the slope of one partial after a single strike."""
    settings = BellSettings(
        n_cycles=1,
        cadence_s=(0.06, 3.0),
        gongs_hz=(1300.0, 1600.0),
        decay_s=1.2,
        noise_dbfs=-120.0,
        ringing_hz=20.0,
    )
    scene = make_bell_scene(settings, seed=1)
    envelope, delay_s = follow_tone(scene, 1300.0, span_s=0.02)
    after_s = scene.truth.rings[0][1] + 0.2
    first, second = (envelope[int((t - delay_s) * 48000)] for t in (after_s, after_s + 0.5))
    assert 20.0 * math.log10(first / second) == pytest.approx(60.0 * 0.5 / 1.2, abs=0.3)


def test_bell_level_is_that_of_the_bursts() -> None:
    scene = make_bell("healthy", seed=2)
    parts = [scene.samples[int(a * 48000) : int(b * 48000)] for a, b in scene.truth.rings]
    level_dbfs = 10.0 * math.log10(2.0 * np.mean(np.concatenate(parts) ** 2))
    assert level_dbfs == pytest.approx(scene.truth.level_dbfs, abs=0.05)
    weak = make_bell("weak", seed=2).truth
    assert weak.level_dbfs < scene.truth.level_dbfs - 6.0


def test_other_bells() -> None:
    one = make_bell("one-gong", seed=1).truth
    assert len(one.gongs_hz) == 1
    assert one.strikes_per_s == pytest.approx(20.0)
    silent = make_bell("silent").truth
    assert silent.strikes_per_s is None
    assert silent.rings == ()
    taps = make_bell("taps").truth
    assert len(taps.strikes_s) == 20
    assert taps.strikes_per_s is None
    british = make_bell("british").truth
    assert len(british.rings) == 4
    assert british.strikes_per_s == pytest.approx(50.0)
    dull, healthy = (make_bell(w, seed=4).truth.settings.decay_s for w in ("dull", "healthy"))
    assert dull == pytest.approx(0.1 * healthy)


@pytest.mark.parametrize("word", BELLS)
def test_no_bell_clips(word: Any) -> None:
    assert np.max(np.abs(make_bell(word, seed=6).samples)) < 0.98


# Cord -------------------------------------------------------------------------------------------


def test_flex_dropouts_are_where_and_as_deep_as_stated() -> None:
    scene = make_flex_scene(FlexSettings(dropout_share=0.7, noise_dbfs=-110.0), seed=2)
    envelope, delay_s = follow_tone(scene, 1000.0)
    whole = np.median(envelope)
    assert len(scene.truth.events) > 10
    for event in scene.truth.events:
        middle = int((event.at_s + 0.5e-3 * event.duration_ms - delay_s) * 48000)
        assert 20.0 * math.log10(whole / envelope[middle]) == pytest.approx(event.depth_db, abs=0.3)
        # Half of the fall is passed at the stated start.
        start = int((event.at_s - delay_s) * 48000)
        assert 0.3 < envelope[start] / whole < 0.75


def test_flex_steps_stay_and_bursts_pass() -> None:
    scene = make_flex_scene(FlexSettings(step_share=0.6, noise_dbfs=-110.0, wander_db=0.0), seed=3)
    envelope, delay_s = follow_tone(scene, 1000.0)
    assert len(scene.truth.events) > 8
    for event in scene.truth.events:
        before, after = (
            envelope[int((event.at_s + shift_s - delay_s) * 48000)] for shift_s in (-0.01, 0.01)
        )
        assert 20.0 * math.log10(after / before) == pytest.approx(event.depth_db, abs=0.05)
        assert abs(event.depth_db) >= 0.5
    crackle, quiet = make_flex("crackle", seed=3), make_flex("healthy", seed=3)
    burst_only = crackle.samples - quiet.samples
    tone_rms = 0.1 / math.sqrt(2.0)
    assert len(crackle.truth.events) > 8
    for event in crackle.truth.events:
        first, last = (
            int((event.at_s + 1e-3 * part * event.duration_ms) * 48000) for part in (0, 1)
        )
        assert event.kind == "burst"
        rms = np.sqrt(np.mean(burst_only[first:last] ** 2))
        assert 20.0 * math.log10(rms / tone_rms) == pytest.approx(event.depth_db, abs=2.0)


def test_flex_events_follow_the_beat() -> None:
    truth = make_flex("cord-break+dirty-hook", seed=4).truth
    assert truth.events_per_min == pytest.approx(60.0 * len(truth.events) / 30.0)
    for event in truth.events:
        late_s = event.at_s - truth.beats_s[event.movement - 1]
        assert 0.0 < late_s < 0.5


@pytest.mark.parametrize("word", FLEXES)
def test_only_bad_cords_have_events(word: Any) -> None:
    events = make_flex(word, seed=1, rate_hz=8000).truth.events
    assert bool(events) is (word in ("cord-break", "dirty-hook", "crackle"))


# Voice ------------------------------------------------------------------------------------------


def test_voice_has_the_stated_words_and_level() -> None:
    """RMS within the words and over everything; silence outside the words but for the noise."""
    scene = make_voice(seed=2)
    truth = scene.truth
    within = np.zeros(len(scene.samples), dtype=bool)
    for start_s, end_s in truth.words_s:
        within[round(start_s * 48000) : round(end_s * 48000)] = True
    level_dbfs = 10.0 * math.log10(2.0 * np.mean(scene.samples[within] ** 2))
    assert level_dbfs == pytest.approx(truth.word_dbfs, abs=0.01)
    pauses_dbfs = 10.0 * math.log10(2.0 * np.mean(scene.samples[~within] ** 2))
    assert pauses_dbfs == pytest.approx(truth.settings.noise_dbfs, abs=0.1)
    assert 100.0 * np.mean(within) == pytest.approx(truth.spoken_percent)
    share_db = 10.0 * math.log10(truth.spoken_percent / 100.0)
    assert truth.long_term_dbfs == pytest.approx(truth.word_dbfs + share_db, abs=1e-6)


def test_voice_stays_in_the_voice_band_and_has_its_pitch() -> None:
    scene = make_voice(seed=5)
    start_s, end_s = scene.truth.words_s[0]
    word = scene.samples[round(start_s * 48000) : round(end_s * 48000)]
    power = np.abs(np.fft.rfft(word)) ** 2
    hz = np.fft.rfftfreq(len(word), 1.0 / 48000)
    assert np.sum(power[hz < 4300.0]) / np.sum(power) > 0.99
    correlation = np.fft.irfft(power)
    lags = np.arange(round(48000 / 260), round(48000 / 80))
    pitch_hz = 48000 / lags[np.argmax(correlation[lags])]
    assert pitch_hz == pytest.approx(scene.truth.settings.pitch_hz, rel=0.12)


@pytest.mark.parametrize("word", VOICES)
def test_no_voice_clips(word: Any) -> None:
    for seed in (1, 2, 3):
        scene = make_voice(word, seed=seed, rate_hz=16000)
        assert np.max(np.abs(scene.samples)) < 0.98
        assert scene.truth.peak_dbfs < -0.2


# Tones ------------------------------------------------------------------------------------------


def test_keypad_sends_the_stated_pairs() -> None:
    """Frequencies of AS/CA S002:2010 Table 5 (ITU-T Q.23), typed out again here."""
    pairs = {
        "1": (697, 1209),
        "5": (770, 1336),
        "9": (852, 1477),
        "#": (941, 1477),
        "D": (941, 1633),
    }
    assert LOW_HZ == (697.0, 770.0, 852.0, 941.0)
    assert HIGH_HZ == (1209.0, 1336.0, 1477.0, 1633.0)
    settings = KeypadSettings(
        low_error_percent=1.0, high_error_percent=-0.7, twist_db=3.0, snr_db=90.0
    )
    scene = make_keypad_scene("159#D", settings)
    for event in scene.truth:
        samples = scene.samples[int(event.start_s * 48000) : int(event.end_s * 48000)]
        low_hz, high_hz = pairs[event.digit]
        assert event.frequencies_hz == pytest.approx((low_hz * 1.01, high_hz * 0.993))
        for sent_hz in event.frequencies_hz:
            assert find_line_hz(samples, 48000, sent_hz, 30.0) == pytest.approx(sent_hz, abs=0.3)
        window = np.hanning(len(samples)) * 2.0
        turn = 2j * np.pi * np.arange(len(samples)) / 48000
        low, high = (
            abs(np.mean(samples * window * np.exp(-turn * hz))) for hz in event.frequencies_hz
        )
        assert 20.0 * math.log10(high / low) == pytest.approx(3.0, abs=0.02)
        level_dbfs = 10.0 * math.log10(2.0 * np.mean(samples**2))
        assert level_dbfs == pytest.approx(event.level_dbfs, abs=0.15)


@pytest.mark.parametrize("word", KEYPADS)
def test_every_keypad_word_is_wrong_in_its_way(word: Any) -> None:
    event = make_keypad(word, "5", seed=2).truth[0]
    assert (abs(event.low_error_percent) > 1.5) is (word == "off-frequency")
    assert (event.twist_db > 4.0) is (word == "twisted")
    assert (event.twist_db < -8.0) is (word == "reverse-twist")
    assert (event.end_s - event.start_s < 0.04) is (word == "short")
    assert (event.level_dbfs < -30.0) is (word == "faint")


def test_call_tones_are_those_of_the_region() -> None:
    """Precise tone plan: dial 350+440, busy 480+620 at 0.5 s on and off (PUB-2ND, S35)."""
    scene = make_call("North America", ("dial-tone", "busy"), snr_db=80.0)
    dial, busy = scene.truth
    assert dial.frequencies_hz == (350.0, 440.0)
    assert dial.cadence_s == ()
    assert busy.frequencies_hz == (480.0, 620.0)
    assert busy.cadence_s == (0.5, 0.5)
    samples = scene.samples[int(dial.start_s * 48000) : int(dial.end_s * 48000)]
    for hz in dial.frequencies_hz:
        assert find_line_hz(samples, 48000, hz, 10.0) == pytest.approx(hz, abs=0.05)
    assert 10.0 * math.log10(2.0 * np.mean(samples**2)) == pytest.approx(dial.level_dbfs, abs=0.02)
    on, off = (
        scene.samples[int((busy.start_s + a) * 48000) : int((busy.start_s + a + 0.4) * 48000)]
        for a in (0.05, 0.55)
    )
    assert np.std(on) > 1000.0 * np.std(off)


def test_modulated_ringback_has_its_side_lines() -> None:
    """Australia: 425 Hz modulated by 25 Hz (AS/CA S002:2010 clause 5.3.4, PUB)."""
    scene = make_call("Australia", ("ringing",), snr_db=80.0, length_s=3.0)
    event = scene.truth[0]
    assert event.cadence_s == (0.4, 0.2, 0.4, 2.0)
    samples = scene.samples[int(event.start_s * 48000) : int((event.start_s + 0.4) * 48000)]
    for hz in (400.0, 425.0, 450.0):
        assert find_line_hz(samples, 48000, hz, 8.0) == pytest.approx(hz, abs=1.0)
    assert 10 * math.log10(2.0 * np.mean(samples**2)) == pytest.approx(event.level_dbfs, abs=0.1)


def test_tables_cadences_and_regions_are_read() -> None:
    assert read_cadence("continuous") == ()
    assert read_cadence("0.375 on 0.375 off") == (0.375, 0.375)
    assert {"North America", "United Kingdom", "Germany", "Japan"} <= set(list_regions())


@pytest.mark.parametrize("region", list_regions())
def test_every_region_has_a_tone_and_a_clear_word_for_those_it_lacks(region: Any) -> None:
    said = []
    for kind in ("dial-tone", "busy", "ringing", "reorder"):
        try:
            scene = make_call(region, (kind,), rate_hz=8000, length_s=1.0)
        except InputError as error:
            said.append(str(error))
        else:
            # Below 60 Hz a frequency is what the tone beats with (400 Hz with 15 Hz in Japan).
            assert all(hz < 60.0 or 300.0 <= hz <= 650.0 for hz in scene.truth[0].frequencies_hz)
    assert len(said) < 4
    assert all("regions: North America" in message for message in said)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: make_keypad(digits="5X"), "digits: need 0 to 9"),
        (lambda: make_call("Atlantis"), "no dial-tone known for 'Atlantis'"),
        (lambda: make_call("Germany", ("howler",)), "tones: need one of dial-tone"),
        (lambda: make_bell("cracked"), "bell: 'cracked' is not known"),
        (lambda: make_flex("wet"), "flex: 'wet' is not known"),
    ],
)
def test_unknown_words_are_refused(make: Any, said: str) -> None:
    with pytest.raises(InputError, match=said):
        make()


def test_a_scene_becomes_a_recording() -> None:
    recording = make_dial(number="2").to_recording("healthy", 1)
    assert recording.rate_hz == 48000
    assert (recording.conditions.bench, recording.conditions.path) == ("simulated", "loop")
    assert recording.calibration is None
