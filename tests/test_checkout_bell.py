"""
A bell whose gongs are set by hand, and what is none: voices, knocks, a typewriter, taps.

Outside material is openly licensed: Debian's linphone-common, sound-theme-freedesktop and
asterisk-core-sounds and asterisk-moh-opsound-wav. Rates are in `tests/bench/bells.md`.
"""

from typing import Any

import numpy as np
import pytest
import soundfile
from services import need_music, need_sound, need_voices

from voicecheck.bench.simulated.bell import BellSettings, make_bell, make_bell_scene
from voicecheck.checkout.bell.measure import measure_bell
from voicecheck.checkout.bell.words import describe_bell
from voicecheck.checkout.signals import resample
from voicecheck.records import Recording


def hear(samples: Any, rate_hz: int) -> Any:
    return measure_bell(Recording(samples=np.ascontiguousarray(samples), rate_hz=rate_hz))


def load(path: Any, least_hz: int = 16000) -> Any:
    samples, rate_hz = soundfile.read(path, always_2d=True)
    if rate_hz < least_hz:
        return resample(samples[:, 0], rate_hz, least_hz), least_hz
    return samples[:, 0], rate_hz


def test_a_recorded_bell_rings() -> None:
    """
    An old bell that rings for 1.5 s, cut off while it sounds on.

    Its blows come 26, 37, 13 and 16 ms apart, and again every 92.8 ms: two periods of 21.5 Hz.
    """
    samples, rate_hz = load(need_sound("linphone/rings/oldphone-mono.wav", "linphone-common"))
    check = hear(samples, rate_hz)
    assert len(check.rings) == 1
    assert check.rings[0].end_s - check.rings[0].start_s > 1.4
    assert check.pattern_hz == pytest.approx(10.77, abs=0.03)
    assert check.strikes_per_s == pytest.approx(4 * check.pattern_hz)
    assert check.ringing_hz == pytest.approx(21.53, abs=0.05)
    assert "taps" not in describe_bell(check)
    assert check.taps == 0


def test_a_ring_signal_that_ends_while_it_sounds() -> None:
    """Even blows on notes of 884 and 1077 Hz, 26.2 a second: there and back is not told."""
    name = "freedesktop/stereo/phone-incoming-call.oga"
    check = hear(*load(need_sound(name, "sound-theme-freedesktop")))
    assert check.strikes_per_s == pytest.approx(26.2, abs=0.1)
    assert check.ringing_hz is None
    assert [problem.kind for problem in check.problems] == ["pattern"]


@pytest.mark.parametrize("gap_share", [0.32, 0.4, 0.5, 0.66])
@pytest.mark.parametrize("second_db", [-6.0, 0.0, 6.0])
def test_gongs_set_by_hand(gap_share: float, second_db: float) -> None:
    settings = BellSettings(gap_share=gap_share, second_db=second_db, n_cycles=1)
    scene = make_bell_scene(settings, seed=4, rate_hz=22050)
    check = hear(scene.samples, scene.rate_hz)
    assert len(check.rings) == 1
    assert check.strikes_per_s == pytest.approx(40.0, rel=0.005)
    assert check.ringing_hz == pytest.approx(20.0, rel=0.005)
    assert check.gap_percent == pytest.approx(100.0 * gap_share, abs=2.0)
    assert check.gong_difference_db == pytest.approx(second_db, abs=2.0)


@pytest.mark.parametrize("language", ["en", "fr"])
def test_prompts_are_no_bell(language: str) -> None:
    """The longest ones; the bench hears all 51 minutes."""
    files = sorted(need_voices(language), key=lambda path: path.stat().st_size)[-12:]
    assert len(files) == 12
    for path in files:
        assert hear(*load(path)).rings == (), path.name


def make_knocks(seed: int, *, rate_hz: int = 16000, seconds: float = 8.0, per_s: float) -> Any:
    """Knocks of a hand or types of a machine: as quick as said, uneven, each a short noise."""
    draw = np.random.default_rng(seed)
    samples = 3e-4 * draw.standard_normal(round(seconds * rate_hz))
    at_s = 0.5
    while at_s < seconds - 0.5:
        first, n = round(at_s * rate_hz), rate_hz // 50
        fading = np.exp(-np.arange(n) / (0.004 * rate_hz)) * 10.0 ** (draw.normal(0, 3) / 20)
        samples[first : first + n] += 0.1 * fading * draw.standard_normal(n)
        at_s += draw.gamma(6.0, 1.0 / (6.0 * per_s))
    return samples, rate_hz


@pytest.mark.parametrize("per_s", [3.0, 8.0, 14.0])
@pytest.mark.parametrize("seed", range(4))
def test_knocks_and_a_typewriter_are_no_bell(seed: int, per_s: float) -> None:
    check = hear(*make_knocks(seed, per_s=per_s))
    assert check.rings == ()
    assert check.taps > 5


def test_one_tap_a_pulse_is_no_ringing() -> None:
    """Ten even blows, where the clapper answers only the opening of each pulse."""
    scene = make_bell("taps", seed=1)
    silent = make_bell("silent", seed=1).samples
    taps_s = scene.truth.strikes_s[::2]
    blow = scene.samples[round(taps_s[-1] * 48000) :][: 3 * 48000]
    samples = np.resize(silent, len(scene.samples) + 48000)
    for at_s in taps_s:
        first = round(at_s * 48000)
        samples[first : first + 2400] += blow[:2400] * np.linspace(1.0, 0.0, 2400)
    check = hear(samples, 48000)
    assert check.rings == ()
    assert check.taps >= 8


def test_music_is_no_bell() -> None:
    """Every fifth half minute of five pieces of music: blows here and there, and no ringing."""
    heard = 0
    for path in need_music():
        samples, rate_hz = load(path)
        step = 30 * rate_hz
        for first in range(0, len(samples) - step, 5 * step):
            assert hear(samples[first : first + step], rate_hz).rings == ()
            heard += 1
    assert heard >= 7
