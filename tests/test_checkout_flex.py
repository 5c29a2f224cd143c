"""
Cord, hook and bell against generators whose truth is known.

Asked for: dropouts of 20 ms and steps of 0.5 dB found, at most one false event in ten minutes of
a quiet healthy cord (`tests/bench/flex_false.py` for many more minutes).
"""

from typing import Any

import numpy as np
import pytest

from voicecheck.bench.simulated.bell import make_bell
from voicecheck.bench.simulated.flex import make_flex
from voicecheck.checkout.bell.measure import measure_bell
from voicecheck.checkout.flex.measure import measure_flex
from voicecheck.errors import InputError, RecordingError
from voicecheck.records import Recording


def record(scene: Any) -> Any:
    return Recording(samples=scene.samples, rate_hz=scene.rate_hz)


def pair(events: Any, truth: Any) -> Any:
    """Each true event with what was found of its kind within 20 ms, and what was found besides."""
    left = list(events)
    pairs = []
    for true in truth:
        near = [e for e in left if e.kind == true.kind and abs(e.at_s - true.at_s) < 0.02]
        pairs.append((true, near[0] if near else None))
        if near:
            left.remove(near[0])
    return pairs, left


@pytest.mark.parametrize(
    "text",
    ["cord-break", "dirty-hook+carbon", "crackle+hum", "cord-break+dirty-hook+crackle+carbon"],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_event_is_found_measured_and_tied_to_its_movement(text: str, seed: int) -> None:
    scene = make_flex(text, seed=seed, rate_hz=16000)
    check = measure_flex(record(scene))
    pairs, extra = pair(check.events, scene.truth.events)
    assert extra == []
    for true, event in pairs:
        assert event is not None, true
        assert event.movement == true.movement
        if true.kind == "step":
            assert event.depth_db == pytest.approx(true.depth_db, abs=0.05)
        if true.kind == "dropout":
            assert event.duration_ms == pytest.approx(true.duration_ms, abs=3.0)
    assert check.events_per_min == pytest.approx(scene.truth.events_per_min)
    assert check.tied_percent == 100.0
    assert check.verdict.startswith("not quiet")


@pytest.mark.parametrize("text", ["healthy", "carbon+hum"])
def test_at_most_one_false_event_in_ten_minutes_of_a_quiet_cord(text: str) -> None:
    """Ten minutes of the noisier cord, four of the other; `tests/bench/flex_false.py` for hours."""
    n_false = sum(
        len(measure_flex(record(make_flex(text, seed=seed, rate_hz=8000, length_s=120.0))).events)
        for seed in range(5 if text == "carbon+hum" else 2)
    )
    assert n_false <= 1


def make_tone(seconds: Any = 10.0, rate_hz: Any = 16000) -> Any:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    noise = 1e-4 * np.random.default_rng(1).standard_normal(len(time_s))
    return 0.1 * np.sin(2 * np.pi * 1000 * time_s) + noise


@pytest.mark.parametrize("step_db", [0.5, -0.5, 1.0])
def test_a_step_of_half_a_decibel(step_db: float) -> None:
    samples = make_tone()
    samples[80000:] *= 10 ** (step_db / 20)
    (event,) = measure_flex(Recording(samples=samples, rate_hz=16000)).events
    assert event.kind == "step"
    assert event.at_s == pytest.approx(5.0, abs=0.01)
    assert event.depth_db == pytest.approx(step_db, abs=0.03)


def test_a_dropout_of_20_ms_that_falls_by_12_db() -> None:
    samples = make_tone()
    samples[80000:80320] *= 0.25
    (event,) = measure_flex(Recording(samples=samples, rate_hz=16000)).events
    assert event.kind == "dropout"
    assert event.duration_ms == pytest.approx(20.0, abs=2.0)
    assert event.depth_db == pytest.approx(12.0, abs=0.5)


def test_where_along_the_cord() -> None:
    samples = make_tone(12.0)
    samples[16000 * 9 : 16000 * 9 + 800] = 0.0
    check = measure_flex(
        Recording(samples=samples, rate_hz=16000), places=("plug", "middle", "handset end")
    )
    assert [event.place for event in check.events] == ["handset end"]
    assert "most at handset end" in check.verdict


def test_a_quiet_cord_bounds_the_rate_and_claims_no_more() -> None:
    """No event in n minutes: below 3.0 / n a minute at 95 % (Poisson)."""
    check = measure_flex(Recording(samples=make_tone(30.0), rate_hz=16000))
    assert check.events == ()
    assert check.most_per_min == pytest.approx(6.0, abs=0.02)
    assert "bounds the rate" in check.verdict


def test_no_tone_is_refused() -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(32000)
    with pytest.raises(RecordingError, match="--tone-hz"):
        measure_flex(Recording(samples=noise, rate_hz=16000))
    with pytest.raises(InputError, match="beat_s"):
        measure_flex(Recording(samples=noise, rate_hz=16000), beat_s=0.0)


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("text", ["healthy", "british+weak", "one-gong", "dull"])
def test_bell(text: str, rate_hz: int) -> None:
    scene = make_bell(text, seed=2, rate_hz=rate_hz)
    truth, check = scene.truth, measure_bell(record(scene))
    assert check.strikes_per_s == pytest.approx(truth.strikes_per_s, rel=0.005)
    assert check.gongs_hz == pytest.approx(sorted(truth.gongs_hz), abs=1.0)
    assert check.ringing_hz == pytest.approx(truth.settings.ringing_hz, rel=0.005)
    if text == "one-gong":
        assert check.gap_percent is check.gong_difference_db is None
    else:
        assert check.gap_percent == pytest.approx(100.0 * truth.settings.gap_share, abs=2.0)
        assert check.gong_difference_db == pytest.approx(truth.settings.second_db, abs=2.0)
    assert check.level_dbfs == pytest.approx(truth.level_dbfs, abs=0.1)
    assert check.decay_s == pytest.approx(truth.settings.decay_s, rel=0.05)
    found = np.array([(ring.start_s, ring.end_s) for ring in check.rings])
    assert np.allclose(found, truth.rings, atol=0.002)
    assert check.taps == 0
    kinds = [problem.kind for problem in check.problems]
    assert kinds == (["one-gong"] if text == "one-gong" else [])


def test_cadence_of_the_bell() -> None:
    check = measure_bell(record(make_bell("british", seed=1)))
    assert check.cadence_s[:3] == pytest.approx((0.4, 0.2, 0.4), abs=0.03)
    check = measure_bell(record(make_bell("healthy", seed=1)))
    assert check.cadence_s == pytest.approx((2.0, 4.0, 2.0), abs=0.06)


def test_taps_while_dialling_are_no_ringing() -> None:
    """Ten pulses open and close: twenty blows."""
    for seed in (1, 2, 3):
        check = measure_bell(record(make_bell("taps", seed=seed)))
        assert check.rings == ()
        assert check.strikes_per_s is None
        assert check.taps == 20
        assert [problem.kind for problem in check.problems] == ["tap"]


def test_a_silent_bell_is_a_result() -> None:
    check = measure_bell(record(make_bell("silent", seed=1)))
    assert (check.rings, check.gongs_hz, check.level_dbfs) == ((), (), None)
    assert [problem.kind for problem in check.problems] == ["no-ring"]
    noise = 0.02 * np.random.default_rng(1).standard_normal(48000 * 3)
    loud = measure_bell(Recording(samples=noise, rate_hz=48000))
    assert [problem.kind for problem in loud.problems] == ["noise"]


def make_own_bell(
    rate_hz: Any = 48000,
    *,
    noise: Any = 3e-4,
    room: Any = 0.0,
    second: Any = 1.0,
    strikes_per_s: Any = 40.0,
) -> Any:
    """Two gongs of other partials than the simulated ones, struck 40 times in each of two rings."""
    draw = np.random.default_rng(1)
    sound = np.zeros(8 * rate_hz)
    for number in range(80):
        at = round((1.0 + (number % 40) / strikes_per_s + 3.0 * (number // 40)) * rate_hz)
        time_s = np.arange(len(sound) - at) / rate_hz
        size, gong_hz = ((0.05, 1100.0), (0.05 * second, 1400.0))[number % 2]
        for ratio, share, lasting in ((1.0, 1.0, 1.0), (1.83, 0.4, 0.6), (2.9, 0.3, 0.4)):
            fading = np.exp(-6.908 * time_s / (2.0 * lasting))
            sound[at:] += size * share * fading * np.sin(2 * np.pi * gong_hz * ratio * time_s + 1)
        knock = np.exp(-time_s[:150] / 7e-4) * draw.standard_normal(150)
        sound[at : at + 150] += 0.01 * knock
    if room:
        tail = np.exp(-np.arange(rate_hz // 4) / (0.06 * rate_hz))
        tail *= room * draw.standard_normal(len(tail)) / np.sqrt(0.03 * rate_hz)
        tail[0] = 1.0
        spectrum = np.fft.rfft(sound, 2 * len(sound)) * np.fft.rfft(tail, 2 * len(sound))
        sound = np.fft.irfft(spectrum)[: len(sound)]
    sound += noise * draw.standard_normal(len(sound))
    return Recording(samples=np.clip(sound, -1, 1), rate_hz=rate_hz)


@pytest.mark.parametrize(
    "changes",
    [{}, {"noise": 3e-3}, {"room": 0.5}, {"second": 0.4}, {"strikes_per_s": 33.3},
     {"rate_hz": 22050}],
    ids=lambda changes: "-".join(changes) or "plain",
)  # fmt: skip
def test_a_bell_made_here_alone(changes: Any) -> None:
    """Noise, an echoing room, gongs of unequal loudness: nothing of the simulated bench in it."""
    check = measure_bell(make_own_bell(**changes))
    assert check.strikes_per_s == pytest.approx(changes.get("strikes_per_s", 40.0), rel=0.005)
    assert check.gongs_hz == pytest.approx((1100.0, 1400.0), abs=1.5)
    assert check.decay_s == pytest.approx(2.0, rel=0.05)
    assert [ring.start_s for ring in check.rings] == pytest.approx([1.0, 4.0], abs=0.003)
