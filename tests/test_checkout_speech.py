# mypy: disable-error-code="arg-type,operator"
"""Active speech level against ITU-T P.56's own program, and speech checks on a made voice."""

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import services
import soundfile

from voicecheck.bench.simulated.voice import make_voice
from voicecheck.checkout.line import LineOptions
from voicecheck.checkout.line.rate import rate_line
from voicecheck.checkout.speak.measure import estimate_active_level, match_levels, measure_speech
from voicecheck.errors import InputError
from voicecheck.records import Recording

CASES = Path(__file__).parents[1] / "fixtures" / "published" / "itu_t_p56_cases.csv"


def load_cases() -> Any:
    with CASES.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def make_case(row: Any, rate_hz: Any = 8000) -> Any:
    """The case's 1 kHz sine, on and off, as 16-bit samples."""
    on_s, off_s, n = float(row["on_s"]), float(row["off_s"]), int(row["repeats"])
    place = np.arange(round((on_s + off_s) * n * rate_hz))
    sine = float(row["rms"]) * np.sqrt(2.0) * np.sin(2.0 * np.pi * 1000.0 * place / rate_hz)
    sine *= place % round((on_s + off_s) * rate_hz) < round(on_s * rate_hz)
    return np.round(32768.0 * sine) / 32768.0


@pytest.mark.parametrize("row", load_cases(), ids=lambda row: row["case"])
def test_p56_cases(row: Any) -> None:
    found = estimate_active_level(make_case(row), 8000)
    value = found.activity_percent if row["unit"] == "percent" else found.active_db
    assert value == pytest.approx(float(row["value"]), abs=float(row["tolerance"]))


def test_digital_silence_has_no_active_level() -> None:
    found = estimate_active_level(np.zeros(80000), 8000)
    assert (found.active_db, found.activity_percent, found.long_term_db) == (None, 0.0, None)


@pytest.mark.parametrize("gain_db", [-20.0, 6.0206])
def test_level_follows_gain_and_activity_does_not(gain_db: float) -> None:
    """Exactly for a factor of two, whose thresholds coincide; 0.05 dB elsewhere."""
    scene = make_voice(seed=3, rate_hz=16000)
    first = estimate_active_level(scene.samples, 16000)
    second = estimate_active_level(scene.samples * 10 ** (gain_db / 20), 16000)
    assert second.active_db - first.active_db == pytest.approx(gain_db, abs=0.05)
    assert second.activity_percent == pytest.approx(first.activity_percent, abs=1.0)


@pytest.mark.parametrize("rate_hz", [8000, 44100])
@pytest.mark.parametrize("text", ["healthy", "quiet", "loud", "hurried"])
def test_made_voice(text: str, rate_hz: int) -> None:
    """P.56 counts 0.2 s after each word as speech: level and activity follow from that."""
    scene = make_voice(text, seed=2, rate_hz=rate_hz)
    truth = scene.truth
    check = measure_speech(Recording(samples=scene.samples, rate_hz=rate_hz))
    starts = [start for start, _ in truth.words_s[1:]] + [1e9]
    held = sum(
        min(end + 0.2, following) - start
        for (start, end), following in zip(truth.words_s, starts, strict=True)
    )
    length_s = len(scene.samples) / rate_hz
    assert check.activity_percent == pytest.approx(100 * held / length_s, abs=6.0)
    expected = truth.long_term_dbfs - 10 * np.log10(held / length_s)
    assert check.active_level_dbfs == pytest.approx(expected, abs=0.5)
    assert check.peak_dbfs == pytest.approx(truth.peak_dbfs, abs=0.1)
    assert check.noise_dbfs == pytest.approx(truth.settings.noise_dbfs, abs=0.3)
    assert check.crest_db == pytest.approx(
        check.peak_dbfs - check.active_level_dbfs + 3.01, abs=0.01
    )
    assert 50.0 < check.full_transmit_percent <= 100.0
    assert check.problems == ()


def test_share_of_full_level_falls_where_half_of_the_words_are_faint() -> None:
    scene = make_voice(seed=2, rate_hz=16000)
    samples = scene.samples.copy()
    whole = measure_speech(Recording(samples=samples, rate_hz=16000)).full_transmit_percent
    for start_s, end_s in scene.truth.words_s[::2]:
        samples[round(start_s * 16000) : round(end_s * 16000)] *= 0.2
    half = measure_speech(Recording(samples=samples, rate_hz=16000)).full_transmit_percent
    assert half < 0.75 * whole


def test_noise_near_the_margin_clipping_and_missing_pauses_are_told() -> None:
    voice = make_voice("noisy", seed=1, rate_hz=16000)
    noise = np.random.default_rng(1).standard_normal(len(voice.samples))
    loud = Recording(samples=np.clip(voice.samples + 0.012 * noise, -1, 1), rate_hz=16000)
    assert "noise" in [problem.kind for problem in measure_speech(loud).problems]
    clipped = Recording(samples=np.clip(20 * voice.samples, -1, 1), rate_hz=16000)
    assert "clipping" in [problem.kind for problem in measure_speech(clipped).problems]
    first, last = voice.truth.words_s[0]
    word = voice.samples[round(first * 16000) : round(last * 16000)]
    unbroken = Recording(samples=np.tile(word, 5), rate_hz=16000)
    check = measure_speech(unbroken)
    assert check.noise_dbfs is None
    assert "no-pause" in [problem.kind for problem in check.problems]


def test_listening_file_has_both_equally_loud() -> None:
    quiet = make_voice("quiet", seed=1, rate_hz=16000)
    loud = make_voice("loud", seed=4, rate_hz=16000)
    recordings = [Recording(samples=s.samples, rate_hz=16000) for s in (quiet, loud)]
    joined = match_levels(*recordings)
    assert np.max(np.abs(joined)) == pytest.approx(10 ** (-3 / 20))
    n = len(quiet.samples)
    levels = [
        estimate_active_level(part, 16000).active_db for part in (joined[:n], joined[n + 16000 :])
    ]
    assert levels[0] == pytest.approx(levels[1], abs=0.1)
    with pytest.raises(InputError, match="one rate"):
        match_levels(recordings[0], recordings[1].replace(rate_hz=8000))


@pytest.mark.parametrize("language", services.VOICES)
def test_real_speech_is_active_for_most_of_a_prompt(language: Any) -> None:
    """One talker at one level: the spread of active level over long prompts is a few decibels."""
    levels = []
    # Folders below hold letters, digits and silence.
    for path in services.need_voices(language, "*.wav"):
        samples, rate_hz = soundfile.read(path)
        if len(samples) > 5 * rate_hz:
            found = estimate_active_level(samples, rate_hz)
            assert 60.0 < found.activity_percent <= 100.5
            levels.append(found.active_db)
    assert len(levels) > 20
    assert np.std(levels) < 3.0


def test_line_readings() -> None:
    """20 to 80 mA off-hook (S31)."""
    check = rate_line(
        LineOptions(loop_ma=12.0, on_hook_v=48.0, off_hook_v=47.0, accepts_pulses=False)
    )
    verdicts = {f.quantity: f.verdict for f in check.findings}
    assert verdicts == {"on_hook_v": "within", "loop_ma": "outside"}
    assert [p.kind for p in check.problems] == ["no-pulse-dialling", "open-loop"]
    assert (
        rate_line(LineOptions(dial_tone_dbm=-13.0, region="North America")).findings[0].verdict
        == "within"
    )
    with pytest.raises(InputError, match="unit"):
        rate_line(LineOptions(loop_ma=0.031e6))
    with pytest.raises(InputError, match="reading"):
        rate_line(LineOptions())
