# mypy: disable-error-code="arg-type"
"""
Keypad and call-progress tones: against their generators, independent decoders, and real speech.

Limits: ITU-T Q.23 and Q.24 as the tables have them (PUB where AS/CA S002:2010 was read, from memory
elsewhere, and the findings say so). Decoders: multimon-ng and libspandsp. Speech: the prompts of
Debian's asterisk-core-sounds, English and French, of which none holds a keypad digit.
"""

import ctypes
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import services
import soundfile
import tone_names

from voicecheck.bench.simulated.tones import (
    KINDS,
    KeypadSettings,
    list_regions,
    make_call,
    make_keypad,
    make_keypad_scene,
)
from voicecheck.bench.wavfile import load_recording
from voicecheck.checkout.tones.keypad import find_digits
from voicecheck.checkout.tones.measure import measure_tones
from voicecheck.checkout.tones.patterns import AUDIBLE_HZ
from voicecheck.checkout.tones.progress import find_progress_tones
from voicecheck.checkout.tones.words import describe_tones, tabulate_tones
from voicecheck.errors import InputError
from voicecheck.records import Recording

ALL_KEYS = "1234567890ABCD*#"


def record(scene: Any) -> Any:
    return Recording(samples=scene.samples, rate_hz=scene.rate_hz)


def spell(events: Any) -> Any:
    return "".join(event.digit for event in events)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000])
def test_every_key_with_its_figures(rate_hz: int) -> None:
    settings = KeypadSettings(low_error_percent=0.8, high_error_percent=-1.1, twist_db=-3.0)
    scene = make_keypad_scene(ALL_KEYS, settings, seed=1, rate_hz=rate_hz)
    events = find_digits(scene.samples, rate_hz)
    assert spell(events) == ALL_KEYS
    for event, true in zip(events, scene.truth, strict=True):
        assert event.low_error_percent == pytest.approx(0.8, abs=0.02)
        assert event.high_error_percent == pytest.approx(-1.1, abs=0.02)
        assert event.twist_db == pytest.approx(-3.0, abs=0.05)
        assert event.level_dbfs == pytest.approx(true.level_dbfs, abs=0.05)
        assert event.start_s == pytest.approx(true.start_s, abs=2e-3)
        assert event.end_s == pytest.approx(true.end_s, abs=2e-3)


@pytest.mark.parametrize(
    ("text", "outside"),
    [
        ("healthy", set()),
        ("off-frequency", {"low_error_percent"}),
        ("twisted", {"twist_db"}),
        ("reverse-twist", {"twist_db"}),
        ("short", {"duration_ms"}),
        ("faint", set()),
        ("noisy", set()),
    ],
)
def test_faults_of_a_keypad_are_what_is_outside(text: str, outside: Any) -> None:
    for seed in (1, 2, 3):
        check = measure_tones(record(make_keypad(text, "1590", seed=seed)))
        assert check.number == "1590"
        assert {f.quantity for f in check.findings if f.verdict == "outside"} == outside


def test_limits_are_those_of_the_region() -> None:
    """AS/CA S002:2010 5.5.1.9 (PUB): twist 0 to 4 dB, so -1 dB is outside there only."""
    scene = make_keypad_scene("5", KeypadSettings(twist_db=-1.0), seed=1)
    here = measure_tones(record(scene), region="Australia")
    anywhere = measure_tones(record(scene))
    (twist,) = [f for f in here.findings if f.quantity == "twist_db"]
    assert (twist.low, twist.high, twist.verdict) == (0.0, 4.0, "outside")
    assert "PUB" in twist.source
    (twist,) = [f for f in anywhere.findings if f.quantity == "twist_db"]
    assert (twist.low, twist.high, twist.verdict) == (-8.0, 4.0, "within")
    assert "from memory" in twist.source


def test_what_a_receiver_must_not_take_is_not_taken() -> None:
    """Q.24 Table A-1: 20 to 25 ms is too short to be a digit; half way to the next key is none."""
    short = make_keypad_scene("58", KeypadSettings(tone_s=0.02), seed=1)
    assert find_digits(short.samples, short.rate_hz) == []
    off = make_keypad_scene("58", KeypadSettings(high_error_percent=5.2), seed=1)
    assert find_digits(off.samples, off.rate_hz) == []
    time_s = np.arange(8000) / 8000
    alone = 0.2 * np.sin(2 * np.pi * 770 * time_s)
    assert find_digits(alone, 8000) == []


def decode_with_multimon(samples: Any, rate_hz: Any, tmp_path: Path) -> Any:
    from voicecheck.bench.soundfiles import save_sound

    del rate_hz
    path = save_sound(tmp_path / "keys.wav", samples, 22050)
    raw = (soundfile.read(path)[0] * 32767).astype("<i2").tobytes()
    done = subprocess.run(
        [services.need_program("multimon-ng", "DECODERS"), "-q", "-t", "raw", "-a", "DTMF", "-"],
        input=raw, capture_output=True, timeout=60, check=True,
    )  # fmt: skip
    lines = done.stdout.decode().split("\n")
    return "".join(line.split()[-1] for line in lines if line.startswith("DTMF:"))


@pytest.mark.parametrize("text", ["healthy", "noisy"])
def test_same_digits_as_an_independent_decoder(text: str, tmp_path: Path) -> None:
    keys = "1590ABCD*#2346788"
    scene = make_keypad(text, keys, seed=3, rate_hz=22050)
    theirs = decode_with_multimon(scene.samples, scene.rate_hz, tmp_path)
    assert spell(find_digits(scene.samples, scene.rate_hz)) == theirs == keys


def decode_with_spandsp(samples: Any) -> Any:
    library = services.need_library("spandsp", "DECODERS")
    library.dtmf_rx_init.restype = ctypes.c_void_p
    library.dtmf_rx_init.argtypes = [ctypes.c_void_p] * 3
    library.dtmf_rx.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int]
    library.dtmf_rx_get.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int]
    state = library.dtmf_rx_init(None, None, None)
    sound = np.ascontiguousarray(samples * 32767, dtype="<i2")
    library.dtmf_rx(state, sound.ctypes.data, len(sound))
    digits = ctypes.create_string_buffer(129)
    library.dtmf_rx_get(state, digits, 128)
    return digits.value.decode()


@pytest.mark.parametrize("twist_db", [-7.0, 0.0, 3.0])
def test_same_digits_as_a_second_decoder_over_its_range_of_twist(twist_db: float) -> None:
    settings = KeypadSettings(twist_db=twist_db, low_error_percent=1.2, high_error_percent=-1.2)
    scene = make_keypad_scene(ALL_KEYS, settings, seed=2, rate_hz=8000)
    ours = spell(find_digits(scene.samples, 8000))
    assert ours == decode_with_spandsp(scene.samples) == ALL_KEYS


@pytest.mark.parametrize("language", services.VOICES)
def test_talk_off_no_digit_in_25_minutes_of_real_speech(language: Any) -> None:
    """And no call-progress tone, except where a prompt is one."""
    found, tones, seconds = {}, {}, 0.0
    for path in services.need_voices(language):
        samples, rate_hz = soundfile.read(path)
        seconds += len(samples) / rate_hz
        if digits := find_digits(samples, rate_hz):
            found[path.name] = spell(digits)
        if events := find_progress_tones(samples, rate_hz):
            tones[path.name] = [event.kind for event in events]
    assert seconds > 20 * 60
    assert found == {}
    assert tones == {}


@pytest.mark.parametrize("region", list_regions())
@pytest.mark.parametrize("is_named", [True, False])
def test_call_progress_tones_of_every_region(region: Any, is_named: bool) -> None:
    """
    Table of national tones: the name, or none where the rows that fit have different names.

    Two lists that differ both stand: Italy's 0.2/0.2 s is busy in one and reorder in the other.
    """
    scene = make_call(region, tuple(_kinds_of(region)), seed=3, rate_hz=16000)
    events: Any = find_progress_tones(scene.samples, scene.rate_hz, region if is_named else "")
    assert len(events) == len(scene.truth)
    where = region.partition(" before ")[0]
    for event, true in zip(events, scene.truth, strict=True):
        assert (true.kind, where) in {(name.name, name.region) for name in event.names}
        asked = {name.name for name in event.names if not is_named or name.region == where}
        assert event.kind == (true.kind if asked == {true.kind} else "tone")
        # Japan's ringing adds 15 Hz in the list: a beat, and no tone.
        audible_hz = [hz for hz in true.frequencies_hz if hz > AUDIBLE_HZ]
        assert event.frequencies_hz == pytest.approx(audible_hz, abs=0.1)
        assert event.cadence_s == pytest.approx(true.cadence_s[: len(event.cadence_s)], abs=0.02)
        assert event.level_dbfs == pytest.approx(true.level_dbfs, abs=0.3)
        assert event.start_s == pytest.approx(true.start_s, abs=0.02)
        assert event.end_s == pytest.approx(true.end_s, abs=0.02)


def _kinds_of(region: Any) -> Iterator[Any]:
    for kind in KINDS:
        try:
            make_call(region, (kind,), length_s=0.1, rate_hz=8000)
        except InputError:
            continue
        yield kind


def test_a_tone_that_is_off_is_found_and_judged() -> None:
    """Precise tone plan: 0.5 % (PUB-2ND)."""
    scene = make_call("North America", ("dial-tone",), error_percent=1.2, seed=1, rate_hz=16000)
    check = measure_tones(record(scene), region="North America")
    (finding,) = check.findings
    assert finding.value == pytest.approx(1.2, abs=0.02)
    assert finding.verdict == "outside"


def test_digits_dialled_after_the_dial_tone() -> None:
    tone = make_call("North America", ("dial-tone",), seed=1, rate_hz=16000)
    keys = make_keypad("healthy", "42#", seed=1, rate_hz=16000)
    samples = np.concatenate([tone.samples, keys.samples])
    check = measure_tones(Recording(samples=samples, rate_hz=16000))
    assert [event.kind for event in check.events] == ["dial-tone", "dtmf", "dtmf", "dtmf"]
    assert check.number == "42#"


def test_noise_holds_no_tone_and_that_is_a_result() -> None:
    noise = 0.1 * np.random.default_rng(3).standard_normal(80000)
    check = measure_tones(Recording(samples=noise, rate_hz=8000))
    assert check.events == ()
    assert [problem.kind for problem in check.problems] == ["no-tone"]


def test_unknown_region_names_the_known() -> None:
    noise = Recording(samples=np.ones(8000) * 0.1, rate_hz=8000)
    with pytest.raises(InputError, match="known: North America"):
        measure_tones(noise, region="Atlantis")


def hear(samples: Any, region: str = "") -> Any:
    """What is heard at 8 kHz."""
    return find_progress_tones(samples, 8000, region)


def make_bursts(
    on_off_s: tuple[float, ...], hz: tuple[float, ...], *, n: int = 8, modulated_by_hz: float = 0.0
) -> Any:
    """Bursts of added components between silences; without a cadence five seconds of them."""
    parts = np.tile(on_off_s, n) if on_off_s else np.array([5.0])
    edges = np.cumsum([0.5, *parts])
    time_s = np.arange(round((edges[-1] + 0.5) * 8000)) / 8000
    is_on = np.searchsorted(edges, time_s, side="right") % 2 == 1
    is_on &= time_s < edges[-1]
    wave = sum(np.sin(2 * np.pi * one * time_s) for one in hz)
    wave = wave * (1.0 + 0.95 * np.sin(2 * np.pi * modulated_by_hz * time_s)) * 0.05
    return wave * is_on + 1e-4 * np.random.default_rng(5).standard_normal(len(time_s))


def test_a_tone_that_no_row_has_is_told_without_a_name() -> None:
    (event,) = hear(make_bursts((0.37, 0.9), (610.0,)))
    assert (event.kind, event.names) == ("tone", ())
    assert event.frequencies_hz == pytest.approx((610.0,), abs=0.1)
    assert event.cadence_s == pytest.approx((0.37, 0.9), abs=0.01)
    assert event.start_s == pytest.approx(0.5, abs=0.01)
    (steady,) = hear(make_bursts((), (1004.0,)))
    assert (steady.kind, steady.cadence_s) == ("tone", ())
    assert steady.level_dbfs == pytest.approx(20 * np.log10(0.05), abs=0.1)


def test_a_burst_that_repeats_is_no_dial_tone() -> None:
    """0.2/0.2 s at 425 Hz: two lists differ for Italy, and both stand with their source."""
    samples = make_bursts((0.2, 0.2), (425.0,), n=12)
    (event,) = hear(samples, "Italy")
    italian = {name.name: name.source for name in event.names if name.region == "Italy"}
    assert event.kind == "tone"
    assert set(italian) == {"busy", "reorder"}
    assert "list A" in italian["busy"]
    assert "list B" in italian["reorder"]
    assert "dial-tone" not in {name.name for name in event.names}
    (dutch,) = hear(make_bursts((0.5, 0.5), (425.0,)), "Netherlands")
    assert dutch.kind == "busy"


@pytest.mark.parametrize(
    ("hz", "by_hz", "on_off_s", "name"),
    [
        (33.3, 0.0, (), "dial-tone"),
        (400.0, 50 / 3, (0.4, 0.2, 0.4, 2.0), "ringing"),
        (400.0, 17.0, (0.4, 0.2, 0.4, 2.0), "ringing"),
        (400.0, 25.0, (0.4, 0.2, 0.4, 2.0), "ringing"),
        (400.0, 50.0, (0.4, 0.2, 0.4, 2.0), "ringing"),
        (400.0, 0.0, (0.75, 0.75), "busy"),
    ],
)
def test_tones_of_the_rotary_era_have_their_names(
    hz: float, by_hz: float, on_off_s: tuple[float, ...], name: str
) -> None:
    """Of the United Kingdom, from a radio reference book (PUB-2ND)."""
    samples = make_bursts(on_off_s, (hz,), n=3, modulated_by_hz=by_hz)
    (event,) = hear(samples, "United Kingdom")
    assert event.kind == name
    assert (name, "United Kingdom", "rotary era") in {
        (one.name, one.region, one.period) for one in event.names
    }
    assert event.frequencies_hz == pytest.approx((hz,), rel=2e-3)


def test_fifty_hertz_may_be_the_mains() -> None:
    """A dial tone of the rotary era, and what a bench hums: not told apart, and both said."""
    (event,) = hear(make_bursts((), (50.0,)), "United Kingdom")
    assert event.kind == "tone"
    assert {"dial-tone", "mains hum"} <= {name.name for name in event.names}
    hum = make_bursts((), (50.0, 100.0, 150.0))
    assert {name.name for e in hear(hum) for name in e.names} == {"mains hum"}


@pytest.mark.parametrize("gap_s", [0.01, 0.02, 0.03, 0.05])
@pytest.mark.parametrize(("hz", "on_s"), [(425.0, 0.2), (400.0, 0.1), (450.0, 0.5), (1400.0, 0.33)])
def test_short_pauses_part_bursts_that_begin_anew(hz: Any, on_s: Any, gap_s: Any) -> None:
    """Each burst with a phase of its own: the frequency is that of one burst, not of their row."""
    rng = np.random.default_rng(round(1000 * gap_s))
    bursts = [np.zeros(4000)]
    time_s = np.arange(round(on_s * 8000)) / 8000
    for _ in range(round(4.0 / (on_s + gap_s))):
        bursts.append(0.1 * np.sin(2 * np.pi * hz * time_s + rng.uniform(0.0, 6.28)))
        bursts.append(np.zeros(round(gap_s * 8000)))
    samples = np.concatenate([*bursts, np.zeros(4000)])
    (event,) = hear(samples + 3e-4 * rng.standard_normal(len(samples)))
    assert event.frequencies_hz == pytest.approx((hz,), abs=0.2)
    assert event.cadence_s == pytest.approx((on_s, gap_s), abs=0.005)
    assert event.level_dbfs == pytest.approx(-20.0, abs=0.3)


def test_beats_and_modulation_are_not_pauses() -> None:
    """No burst is parted by a beat of 25 Hz or by modulation at 16 2/3 Hz, whose dips are 15 ms."""
    time_s = np.arange(32000) / 8000
    pair = 0.05 * (np.sin(2 * np.pi * 425 * time_s) + np.sin(2 * np.pi * 450 * time_s))
    swell = 0.5 * (1 + 0.95 * np.sin(2 * np.pi * 16.667 * time_s))
    for tone in (pair, 0.1 * swell * np.sin(2 * np.pi * 400 * time_s)):
        (event,) = hear(np.concatenate([np.zeros(4000), tone, np.zeros(4000)]))
        assert event.cadence_s == ()


def test_three_tones_in_turn_are_one() -> None:
    samples = np.concatenate(
        [make_bursts((0.33,), (hz,), n=1)[4000:-4000] for hz in (950.0, 1400.0, 1800.0)]
    )
    samples = np.tile(np.concatenate([samples, np.zeros(8000)]), 4)
    samples += 1e-4 * np.random.default_rng(5).standard_normal(len(samples))
    (event,) = hear(samples)
    assert event.kind == "number-unobtainable"
    assert event.frequencies_hz == pytest.approx((950.0, 1400.0, 1800.0), abs=1.0)


def test_no_wrong_name_among_rows_drawn_anew() -> None:
    """Every ninth row once; `tests/bench/tone_names.py` does all of them many times."""
    outcomes = []
    for at, (kind, row) in list(enumerate(tone_names.list_rows()))[::9]:
        events = hear(tone_names.make_sound(row, at), row["region"])
        outcomes.append(tone_names.judge(kind, row, events))
    assert len(outcomes) > 20
    assert set(outcomes) <= {"named", "several names"}


def test_notes_of_a_melody_are_no_tone() -> None:
    """Notes with harmonics, of uneven lengths; 440 Hz among them."""
    draw = np.random.default_rng(8)
    notes = []
    for step in draw.integers(-5, 8, 60):
        time_s = np.arange(round(draw.choice([0.25, 0.375, 0.5, 1.0]) * 8000)) / 8000
        wave = sum(np.sin(2 * np.pi * 440 * 2 ** (step / 12) * k * time_s) / k for k in (1, 2, 3))
        notes.append(0.1 * wave * np.exp(-2.0 * time_s))
    assert hear(np.concatenate(notes)) == []


def test_words_say_all_names_and_an_unnamed_tone_by_its_cadence() -> None:
    samples = make_bursts((0.2, 0.2), (425.0,), n=12)
    check = measure_tones(Recording(samples=samples, rate_hz=8000), region="Italy")
    assert "busy or reorder heard (425 Hz, 0.20/0.20 s)" in describe_tones(check)
    table: Any = tabulate_tones(check)[1]
    assert "reorder: " in table.rows[0][-1]
    assert "Italy" in table.rows[0][-1]


def test_ringback_of_another_maker_in_a_streamed_file() -> None:
    """A burst of 440 Hz that its own end cuts: what it is, and no name that it has not shown."""
    loaded = load_recording(services.need_sound("linphone/ringback.wav", "linphone-common"))
    check = measure_tones(loaded)
    (event,) = check.events
    assert (event.kind, event.names) == ("tone", ())
    assert event.frequencies_hz == pytest.approx((440.0,), abs=0.2)
    assert event.cadence_s == pytest.approx((1.27,), abs=0.02)
    assert [problem.kind for problem in check.problems] == ["unsized"]
