# mypy: disable-error-code="arg-type,union-attr"
"""
Calibrating a bench whose errors are known recovers them.

The virtual card with two outputs and two inputs carries the errors; the formulas for what they
should read stand here or in the card, never in the program.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from benchtest import NOW, TRUTH, error_db
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.calibration import curves
from voicecheck.bench.calibration.microphone import parse_curve
from voicecheck.bench.hardware import HardwareBench
from voicecheck.errors import InputError
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Recipe
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.units import TALK_LEVEL_DBPA
from voicecheck.workflow.benches.driving import choose_programme
from voicecheck.workflow.benches.sitting import Sitting

pytestmark = pytest.mark.bench

TONE_S = 3.0
MOUTH_SQUARE = 0.1
"""Of the drive for talk level, 0.4 in amplitude or so: half of 0.1 times 0.4, 2 % of H2."""
RECIPE = Recipe(n_sweeps=1, sweep_s=2.0, level_dbfs=-20.0, tones_s=0.3, step_s=0.1)


def compute_mouth_gain_db(frequency_hz: np.ndarray, rate_hz: float = 48000.0) -> np.ndarray:
    """The card's mouth from its transfer functions on the unit circle, in dB re 1 Pa per unit."""
    z = np.exp(-2j * np.pi * frequency_hz / rate_hz)
    # A first-order high-pass by the bilinear transform, its corner prewarped.
    k = math.tan(math.pi * TRUTH["mouth_low_hz"] / rate_hz)
    high_pass = (1 - z) / ((1 + k) - (1 - k) * z)
    w = 2 * math.pi * TRUTH["mouth_peak_hz"] / rate_hz
    a, alpha = 10 ** (TRUTH["mouth_peak_db"] / 40), math.sin(w) / 4
    top = (1 + alpha * a) - 2 * math.cos(w) * z + (1 - alpha * a) * z**2
    bottom = (1 + alpha / a) - 2 * math.cos(w) * z + (1 - alpha / a) * z**2
    return 20 * np.log10(TRUTH["mouth_pa"] * np.abs(high_pass * top / bottom))


def compute_peak_db(hz: np.ndarray, peak_hz: float, gain_db: float) -> np.ndarray:
    """The card's resonance of quality 2 on the unit circle."""
    z = np.exp(-2j * np.pi * hz / 48000.0)
    w = 2 * math.pi * peak_hz / 48000.0
    a, alpha = 10 ** (gain_db / 40), math.sin(w) / 4
    top = (1 + alpha * a) - 2 * math.cos(w) * z + (1 - alpha * a) * z**2
    bottom = (1 + alpha / a) - 2 * math.cos(w) * z + (1 - alpha / a) * z**2
    return 20 * np.log10(np.abs(top / bottom))


@pytest.fixture
def card(virtual_bench: Callable[..., VirtualCard]) -> Any:
    return virtual_bench(channels=2, scene="loop", noise_dbfs=-95.0, **TRUTH)


@pytest.fixture
def setup(card: Any) -> BenchSetup:
    return BenchSetup(name="attic", device=card.device, feed_ma=40.0)


def calibrate(card: Any, setup: BenchSetup) -> tuple[StepResult, ...]:
    """The steps as a user goes through them; the card's scene is what the user plugs."""
    session = Sitting(setup, now_utc=NOW, temperature_c=21.0, recipe=RECIPE)
    volts = 10 ** (-12 / 20) * TRUTH["line_out_v"] / math.sqrt(2)
    session.finish("electrical-out", values=(volts, volts))
    recording = session.play("electrical-in", length_s=TONE_S)
    session.finish("electrical-in", recording, values=(volts,))
    for scene, step in (
        ("loop", "loop-back"),
        ("calibrator", "microphone"),
        ("mouth", "mouth"),
        ("mouth", "mouth-flat"),
        ("blank", "seal"),
        ("handset", "reference-transmit"),
        ("handset", "reference-receive"),
    ):
        assert step in [guide.name for guide in session.list_open()]
        card.change(scene=scene)
        session.finish(step, session.play(step, length_s=TONE_S))
    assert session.list_open() == ()
    return session.fresh


def test_calibration_recovers_the_errors_of_the_bench(card: Any, setup: BenchSetup) -> None:
    """Within 0.1 dB electrical and 0.3 dB acoustic; then a handset's own figures are right."""
    results = calibrate(card, setup)
    by_step = {result.step: result for result in results}
    assert error_db(by_step["electrical-out"].value, TRUTH["line_out_v"]) < 0.1
    assert error_db(by_step["electrical-in"].value, TRUTH["line_in_v"]) < 0.1
    assert error_db(by_step["microphone"].value, TRUTH["mic_pa"]) < 0.3
    mouth = by_step["mouth"]
    assert np.max(np.abs(mouth.level_db - compute_mouth_gain_db(mouth.frequency_hz))) < 0.3
    at_1khz_db = float(compute_mouth_gain_db(np.array([1000.0]))[0])
    drive_dbfs = mouth.figures["drive_for_talk_level_dbfs"]
    talk_dbpa = drive_dbfs - 10 * math.log10(2) + at_1khz_db
    assert talk_dbpa == pytest.approx(TALK_LEVEL_DBPA, abs=0.3)
    # The mouth is far from flat, or its equaliser would have nothing to do.
    assert np.ptp(mouth.level_db) > 7.0
    assert by_step["seal"].value == pytest.approx(0.0, abs=0.1)
    gain_db = 20 * math.log10(TRUTH["line_out_v"] / TRUTH["line_in_v"])
    assert by_step["loop-back"].value == pytest.approx(gain_db, abs=0.05)
    assert by_step["loop-back"].figures["flatness_db"] < 0.05
    assert by_step["loop-back"].figures["thd_percent"] < 0.05
    check_reference(by_step["reference-transmit"], "dB V/Pa", TRUTH["transmit_v_per_pa"])
    check_reference(by_step["reference-receive"], "dB Pa/V", TRUTH["receive_pa_per_v"])
    assert {result.temperature_c for result in results} == {21.0}

    card.change(scene="handset")
    bench = HardwareBench(setup, results, now_utc=NOW)
    level_dbfs = bench.find_level_dbfs("transmit", TALK_LEVEL_DBPA)
    assert level_dbfs == pytest.approx(drive_dbfs, abs=1e-6)
    programme = make_programme(Recipe(n_sweeps=1, sweep_s=2.0, level_dbfs=-20.0))
    transmit, sidetone = bench.play_and_record_both(programme)
    check_flat(programme, transmit, "dB V/Pa", TRUTH["transmit_v_per_pa"])
    check_flat(programme, sidetone, "dB Pa/Pa", TRUTH["sidetone_pa_per_pa"])
    assert (transmit.channel, sidetone.channel) == (1, 2)
    assert transmit.conditions.feed_ma == 40.0
    assert transmit.conditions.calibration == "attic, 2026-03-02, mouth checked 2026-03-02"
    soft = make_programme(
        Recipe(n_sweeps=1, sweep_s=2.0, level_dbfs=bench.find_level_dbfs("receive", -30.0))
    )
    receive = bench.play_and_record(soft, path="receive")
    check_flat(soft, receive, "dB Pa/V", TRUTH["receive_pa_per_v"])


def test_microphone_and_mouth_are_taken_off_a_handset(card: Any, setup: BenchSetup) -> None:
    """
    A capsule 3 dB up at 4 kHz and a mouth of 2 % H2: a flat, linear handset is flat and linear.

    Without the capsule's curve the same readings are more than 1 dB wrong, inside the interval.
    """
    card.change(mic_peak_hz=4000.0, mic_peak_db=3.0, mouth_square=MOUTH_SQUARE)
    hz = np.geomspace(100.0, 10000.0, 161)
    read_db = compute_peak_db(hz, 4000.0, 3.0)
    lines = [f"{at:.3f}, {db:.4f}, 0.1" for at, db in zip(hz, read_db, strict=True)]
    corrected = dataclasses.replace(
        setup, microphone_curve=parse_curve("\n".join(lines), "capsule")
    )
    errors_db, found = {}, {}
    for name, one in (("stated", corrected), ("not", setup)):
        session = Sitting(one, now_utc=NOW, recipe=RECIPE)
        volts = 10 ** (-12 / 20) * TRUTH["line_out_v"] / math.sqrt(2)
        session.finish("electrical-out", values=(volts, volts))
        card.change(scene="loop")
        tone = session.play("electrical-in", length_s=TONE_S)
        session.finish("electrical-in", tone, values=(volts,))
        for scene, step in (
            ("calibrator", "microphone"),
            ("mouth", "mouth"),
            ("mouth", "mouth-flat"),
        ):
            card.change(scene=scene)
            session.finish(step, session.play(step, length_s=TONE_S))
        card.change(scene="handset")
        bench = HardwareBench(one, session.results, now_utc=NOW)
        programme, _ = choose_programme(bench, "transmit", -30.0, RECIPE)
        found[name] = measure_recording(programme, bench.play_and_record(programme))
        truth_db = 20 * math.log10(TRUTH["transmit_v_per_pa"])
        errors_db[name] = np.abs(found[name].response.level_db - truth_db)
    assert np.max(errors_db["stated"]) < 0.3
    assert np.max(errors_db["not"]) > 1.0
    for name, taken in found.items():
        assert np.all(errors_db[name] < taken.response.uncertainty_db)
        band = taken.distortion.frequency_hz <= 3400.0
        assert np.all(np.isnan(taken.distortion.thd_percent[band]))
        assert np.max(taken.distortion.thd_below_percent[band]) < 1.0


def check_reference(result: StepResult, unit: str, truth: float) -> None:
    assert result.unit == unit
    assert result.value == pytest.approx(20 * math.log10(truth), abs=0.3)


def check_flat(programme: Any, recording: Any, unit: str, truth: float) -> None:
    """The card's handset has no frequency response of its own."""
    response = measure_recording(programme, recording).response
    assert response.unit == unit
    gap_db = np.abs(response.level_db - 20 * math.log10(truth))
    assert np.max(gap_db) < 0.3


def test_a_leak_is_found_before_a_receiver_is_blamed(card: Any, setup: BenchSetup) -> None:
    """A first-order leak at f loses 10 log10((1 + (f/200)^2) / (1 + (f/1000)^2)) dB."""
    card.change(scene="blank")
    bench = HardwareBench(setup, allowed_dbm=0.0)
    programme = make_programme(RECIPE)
    sealed = curves.compute_seal(
        setup, programme, bench.play_and_record(programme, path="receive"), done_utc=NOW
    )
    assert sealed.problems == ()
    card.change(leak_hz=150.0)
    leaking = curves.compute_seal(
        setup,
        programme,
        bench.play_and_record(programme, path="receive"),
        sealed,
        done_utc=NOW,
    )
    lost_db = 10 * math.log10((1 + (150 / 200) ** 2) / (1 + (150 / 1000) ** 2))
    assert leaking.value == pytest.approx(lost_db, abs=0.1)
    assert [problem.kind for problem in leaking.problems] == ["leak"]


def test_two_channels_stay_apart_and_in_step(card: Any, setup: BenchSetup) -> None:
    """Line tap and ear of one take carry their own signals at the same instants."""
    card.change(scene="handset")
    programme = make_programme(RECIPE)
    bench = HardwareBench(setup, is_equalised=False)
    transmit, sidetone = bench.play_and_record_both(programme)
    ratio = TRUTH["sidetone_pa_per_pa"] / TRUTH["mic_pa"]
    ratio /= TRUTH["transmit_v_per_pa"] / TRUTH["line_in_v"]
    # Sample for sample the same but for the card's noise, at -95 dBFS in each.
    rest = sidetone.samples - ratio * transmit.samples
    assert np.std(rest) < 2 * 10 ** (-95 / 20)
    assert np.max(np.abs(sidetone.samples)) > 100 * np.max(np.abs(rest))


def test_the_daily_check_names_what_moved(card: Any, setup: BenchSetup) -> None:
    """A day later the pad has changed by 0.5 dB and hum has come; the seal is as it was."""
    first = Sitting(setup, now_utc=NOW, recipe=RECIPE)
    first.finish("loop-back", first.play("loop-back"))
    card.change(scene="blank")
    first.finish("seal", first.play("seal"))
    tomorrow = "2026-03-03T09:00:00+00:00"
    second = Sitting(setup, first.fresh, now_utc=tomorrow, recipe=RECIPE)
    second.finish("seal", second.play("seal"))
    card.change(scene="loop", pad_db=-0.5, hum_dbfs=-60.0)
    second.finish("loop-back", second.play("loop-back"))
    verdicts = {item.quantity: item.verdict for item in second.check().items}
    assert verdicts["loop-back"] == "moved"
    assert verdicts["hum"] == "moved"
    assert verdicts["seal"] == "pass"
    assert verdicts["reference-transmit"] == "not done"
    moved = next(item for item in second.check().items if item.quantity == "loop-back")
    assert moved.value == pytest.approx(0.5, abs=0.05)


def test_steps_come_in_their_order(setup: BenchSetup) -> None:
    session = Sitting(setup, now_utc=NOW, recipe=RECIPE)
    with pytest.raises(InputError, match="mouth: do the step microphone first"):
        session.play("mouth")
    with pytest.raises(InputError, match="loop-back: play and record it first"):
        session.finish("loop-back")
