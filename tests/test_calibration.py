# mypy: disable-error-code="arg-type,operator"
"""Calibration arithmetic, validity and the daily check, without any sound server."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicecheck.bench.calibration import curves, levels
from voicecheck.bench.calibration.daily import check_bench
from voicecheck.bench.calibration.equaliser import equalise, make_equaliser
from voicecheck.bench.calibration.guides import get_guide, load_guides
from voicecheck.bench.calibration.tones import cut_steady, fit_sine, make_tone
from voicecheck.bench.calibration.validity import judge_path, list_expiries
from voicecheck.errors import InputError, RecordingError
from voicecheck.programme import make_programme
from voicecheck.records import Conditions, Recipe, Recording, from_json, to_document, to_json
from voicecheck.records.benches import BenchSetup, StepResult

NOW = "2026-03-02T09:00:00+00:00"
SETUP = BenchSetup(name="attic", device="Desk Two")
RATE_HZ = 48000
SHORT = Recipe(n_sweeps=1, sweep_s=1.0, silence_s=0.3, tones_s=0.2, step_s=0.05)


def make_results(**changes: dict[str, object]) -> list[StepResult]:
    """One result of each step that an absolute unit rests on; changes by step."""
    plain = {
        "electrical-out": {"value": 1.5, "unit": "V", "uncertainty_db": 0.1},
        "electrical-in": {"value": 2.0, "unit": "V", "uncertainty_db": 0.2},
        "microphone": {"value": 5.0, "unit": "Pa", "uncertainty_db": 0.3},
        "mouth": {"value": 1.2, "unit": "Pa", "uncertainty_db": 0.4, "valid_days": 90.0},
        "seal": {"value": 0.2, "unit": "dB", "valid_days": 1.0},
    }
    return [
        StepResult(
            **{"bench": "attic", "step": step, "done_utc": NOW, **fields, **changes.get(step, {})}
        )
        for step, fields in plain.items()
    ]


def make_recording(samples: np.ndarray, path: str = "transmit") -> Recording:
    return Recording(samples=samples, rate_hz=RATE_HZ, conditions=Conditions(path=path))


@settings(derandomize=True, deadline=None)
@given(
    frequency_hz=st.floats(380.0, 1040.0),
    amplitude=st.floats(0.001, 1.0),
    phase_rad=st.floats(-math.pi, math.pi),
    offset=st.floats(-0.01, 0.01),
)
def test_a_sine_is_found_exactly(
    frequency_hz: float, amplitude: float, phase_rad: float, offset: float
) -> None:
    time_s = np.arange(9600) / RATE_HZ
    tone = amplitude * np.cos(2 * np.pi * frequency_hz * time_s + phase_rad) + offset
    fit = fit_sine(tone, RATE_HZ, frequency_hz * 1.004)
    assert fit.amplitude == pytest.approx(amplitude, rel=1e-7)
    assert fit.frequency_hz == pytest.approx(frequency_hz, rel=1e-8)
    assert fit.offset == pytest.approx(offset, abs=1e-7)
    # Compared on the circle: minus pi and pi are one phase.
    assert math.cos(fit.phase_rad - phase_rad) == pytest.approx(1.0, abs=1e-9)


def test_the_stated_uncertainty_of_a_level_covers_its_error() -> None:
    """95 of 100 within; the bound of the variance is the closed form 2 sigma^2 / n."""
    rng = np.random.default_rng(5)
    time_s = np.arange(4800) / RATE_HZ
    errors, limits = [], []
    for _ in range(400):
        tone = 0.1 * np.sin(2 * np.pi * 1000.3 * time_s + rng.uniform(0, 6))
        fit = fit_sine(tone + 0.02 * rng.standard_normal(4800), RATE_HZ, 1000.0)
        errors.append(abs(20 * math.log10(fit.amplitude / 0.1)))
        limits.append(fit.uncertainty_db)
    covered = np.mean(np.array(errors) < np.array(limits))
    # Binomial, 400 trials of 0.95: three standard deviations are 0.033.
    assert 0.917 < covered < 0.983
    expected_db = 20 * math.log10(1 + 2 * 0.02 * math.sqrt(2 / 4800) / 0.1)
    assert np.mean(limits) == pytest.approx(expected_db, rel=0.02)


def test_no_tone_is_said() -> None:
    with pytest.raises(RecordingError, match="no tone of 1000 Hz came in") as caught:
        fit_sine(np.zeros(48000), RATE_HZ, 1000.0)
    assert caught.value.kind == "no-signal"


def test_the_steady_part_is_found_wherever_it_lies() -> None:
    tone = make_tone(RATE_HZ, 1000.0, -12.0, 2.0)
    for late in (0, 20000, 90000):
        samples = np.concatenate([np.zeros(late), tone.samples, np.zeros(96000 - late)])
        steady = cut_steady(make_recording(samples), 2.0)
        assert len(steady) == RATE_HZ
        assert fit_sine(steady, RATE_HZ, 1000.0).amplitude == pytest.approx(10 ** (-12 / 20))
    with pytest.raises(RecordingError, match=r"1\.0 s long, 2\.0 s are needed"):
        cut_steady(make_recording(tone.samples[:48000]), 2.0)


def test_a_tone_starts_and_ends_in_silence() -> None:
    tone = make_tone(44100, 400.0, -20.0, 1.5)
    assert tone.duration_s == 1.5
    assert abs(tone.samples[0]) == abs(tone.samples[-1]) == 0.0
    assert np.max(np.abs(tone.samples)) == pytest.approx(0.1, rel=1e-3)
    # No step of the envelope: a fade of 50 ms, so the first 1 ms stays under 0.1 %.
    assert np.max(np.abs(tone.samples[:44])) < 1e-4
    with pytest.raises(InputError, match="tone: need 0 to"):
        make_tone(44100, 30000.0, -20.0, 1.0)


@pytest.mark.parametrize(
    ("volts", "value", "kinds"),
    [
        ((0.7746, 0.7746), 1.0954, []),
        ((0.7746, 0.7600), 1.0851, []),  # 0.17 dB apart: the mean of the two counts
        ((0.7746, 0.6500), 1.0954, ["meter"]),  # 1.5 dB down at 1 kHz: a cheap meter
    ],
)
def test_the_line_drive_follows_from_the_meter(
    volts: tuple[float, float], value: float, kinds: list[str]
) -> None:
    """0.775 V across 600 ohm is 0 dBm; a full-scale sine of it has 1.0954 V per unit."""
    readings = [
        levels.MeterReading(frequency_hz=hz, level_dbfs=0.0, volts_rms=v)
        for hz, v in zip((400.0, 1000.0), volts, strict=True)
    ]
    result = levels.compute_electrical_out(SETUP, readings, done_utc=NOW)
    assert result.value == pytest.approx(value, abs=2e-4)
    assert [problem.kind for problem in result.problems] == kinds
    # A meter of 1.5 % alone is 0.129 dB.
    assert result.uncertainty_db >= 20 * math.log10(1.015) - 1e-9
    assert (result.unit, result.valid_days) == ("V", 365)


@pytest.mark.parametrize("volts", [0.0, 775.0, -1.0, math.nan])
def test_an_impossible_meter_reading_is_wrong_use(volts: float) -> None:
    reading = levels.MeterReading(frequency_hz=1000.0, level_dbfs=0.0, volts_rms=volts)
    with pytest.raises(InputError, match="millivolts"):
        levels.compute_electrical_out(SETUP, [reading], done_utc=NOW)


def test_the_line_tap_follows_from_meter_or_line_drive() -> None:
    tone = make_tone(RATE_HZ, 1000.0, -12.0, 2.0)
    recording = make_recording(0.25 * tone.samples)
    options = {"frequency_hz": 1000.0, "length_s": 2.0, "done_utc": NOW}
    metered = levels.compute_electrical_in(SETUP, recording, volts_rms=0.5, **options)
    assert metered.value == pytest.approx(0.5 * math.sqrt(2) / (0.25 * 10 ** (-12 / 20)), rel=1e-6)
    (drive, *_) = make_results()
    derived = levels.compute_electrical_in(
        SETUP, recording, output=drive, level_dbfs=-12.0, **options
    )
    assert derived.value == pytest.approx(1.5 / 0.25, rel=1e-6)
    assert derived.uncertainty_db >= drive.uncertainty_db
    with pytest.raises(InputError, match="do the step electrical-out first"):
        levels.compute_electrical_in(SETUP, recording, **options)


def test_the_microphone_follows_from_its_calibrator() -> None:
    """94 dB re 20 uPa is 1.0024 Pa RMS, so 1.4176 Pa of amplitude."""
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    tone = 0.2 * np.sin(2 * np.pi * 999.0 * time_s)
    result = levels.compute_microphone(SETUP, make_recording(tone), length_s=4.0, done_utc=NOW)
    assert result.value == pytest.approx(1.4176 / 0.2, rel=1e-4)
    assert result.uncertainty_db == pytest.approx(0.3, abs=0.01)
    assert result.problems == ()
    assert not result.is_fallback
    stand_in = levels.compute_microphone(
        SETUP,
        make_recording(tone),
        length_s=4.0,
        is_calibrator=False,
        level_dbspl=88.0,
        done_utc=NOW,
    )
    assert stand_in.is_fallback
    assert stand_in.uncertainty_db >= 2.0
    assert stand_in.value == pytest.approx(result.value * 10 ** (-6 / 20))


def test_a_calibrator_that_slips_or_clips_is_noticed() -> None:
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    tone = 0.2 * np.sin(2 * np.pi * 1000.0 * time_s)
    slipping = make_recording(tone * np.linspace(1.0, 0.95, len(tone)))
    result = levels.compute_microphone(SETUP, slipping, length_s=4.0, done_utc=NOW)
    assert [problem.kind for problem in result.problems] == ["unsteady"]
    assert result.uncertainty_db > 0.3
    clipped = make_recording(np.clip(10 * tone, -1, 1))
    result = levels.compute_microphone(SETUP, clipped, length_s=4.0, done_utc=NOW)
    assert "clipping" in [problem.kind for problem in result.problems]
    coil = dataclasses.replace(SETUP, ear="coil")
    with pytest.raises(InputError, match="pickup coil, which hears no pressure"):
        levels.compute_microphone(coil, clipped, length_s=4.0, done_utc=NOW)


def test_loop_back_reports_the_bench_itself() -> None:
    """A gain of -6 dB, 1 % of second harmonic and -60 dBFS of noise, each found again."""
    programme = make_programme(Recipe(n_sweeps=1, sweep_s=2.0))
    x = programme.samples
    level = 10 ** (-12 / 20)
    curved = 0.5 * (x + 0.02 / level * (x**2 - np.mean(x**2)))  # H2 of x^2 is half its factor
    noise = 10 ** (-60 / 20) / math.sqrt(2) * np.random.default_rng(2).standard_normal(len(x))
    result = curves.compute_loop_back(
        SETUP, programme, make_recording(curved + noise, "loop"), done_utc=NOW
    )
    assert result.value == pytest.approx(20 * math.log10(0.5), abs=0.02)
    assert result.figures["thd_percent"] == pytest.approx(1.0, rel=0.03)
    assert result.figures["flatness_db"] < 0.1
    # White noise of 24 kHz seen in the band of 200-4000 Hz: 10 log10(3800/24000) = -8.0 dB.
    assert result.figures["noise_dbfs"] == pytest.approx(-68.0, abs=0.5)
    assert [problem.kind for problem in result.problems] == ["distortion"]
    quiet = curves.compute_loop_back(SETUP, programme, make_recording(x, "loop"), done_utc=NOW)
    assert quiet.problems == ()


def test_the_reference_handset_is_kept_by_path() -> None:
    programme = make_programme(SHORT)
    for path in ("transmit", "receive"):
        recording = make_recording(0.1 * programme.samples, path)
        result = curves.compute_reference(SETUP, programme, recording, done_utc=NOW)
        assert result.step == f"reference-{path}"
        assert result.value == pytest.approx(-20.0, abs=0.01)
        assert result.unit == "dB relative"
    with pytest.raises(InputError, match="need path transmit or receive, got loop"):
        curves.compute_reference(
            SETUP, programme, make_recording(programme.samples, "loop"), done_utc=NOW
        )


def test_the_equaliser_makes_a_bumpy_mouth_flat() -> None:
    """A mouth with a resonance and a falling low end, held against its own exact curve."""
    hz = 1000.0 * 10 ** (0.3 * (np.arange(-28, 25) + 0.5) / 12)
    hz = hz[(hz >= 200) & (hz <= 4000)]

    def mouth_db(f: np.ndarray) -> np.ndarray:
        low = -10 * np.log10(1 + (250.0 / f) ** 2)
        return low + 7.0 / (1 + (4 * np.log2(f / 1500.0)) ** 2)

    mouth = StepResult(
        bench="attic", step="mouth", done_utc=NOW, frequency_hz=hz, level_db=mouth_db(hz)
    )
    taps = make_equaliser(mouth, RATE_HZ)
    assert len(taps) % 2 == 1
    assert np.allclose(taps, taps[::-1])
    at = np.geomspace(210, 3900, 300)
    steps = np.arange(len(taps)) - len(taps) // 2
    gain = np.abs(np.exp(-2j * np.pi * np.outer(at, steps) / RATE_HZ) @ taps)
    flat_db = 20 * np.log10(gain) + mouth_db(at) - mouth_db(np.array([1000.0]))
    assert np.max(np.abs(flat_db)) < 0.1


def test_equalising_delays_nothing() -> None:
    impulse = np.zeros(4000)
    impulse[1500] = 1.0
    taps = np.hanning(101)
    out = equalise(impulse, taps)
    assert len(out) == 4000
    assert np.allclose(out[1450:1551], taps, atol=1e-12)
    assert np.allclose(np.delete(out, np.arange(1450, 1551)), 0.0, atol=1e-12)


@pytest.mark.parametrize(
    ("path", "unit", "output", "source", "uncertainty_db"),
    [
        ("transmit", "dB V/Pa", 1.2, 2.0, math.hypot(0.4, 0.2)),
        ("receive", "dB Pa/V", 1.5, 5.0, math.hypot(0.1, 0.3)),
        ("sidetone", "dB Pa/Pa", 1.2, 5.0, math.hypot(0.4, 0.3)),
        ("loop", "dB V/V", 1.5, 2.0, math.hypot(0.1, 0.2)),
    ],
)
def test_a_path_has_a_unit_when_its_steps_count(
    path: str, unit: str, output: float, source: float, uncertainty_db: float
) -> None:
    standing = judge_path(SETUP, make_results(), path, NOW)
    assert standing.reasons == ()
    calibration = standing.calibration
    assert calibration is not None
    assert calibration.unit == unit
    assert (calibration.output_per_unit, calibration.input_per_unit) == (output, source)
    assert calibration.uncertainty_db == pytest.approx(uncertainty_db)
    assert calibration.name == "attic, 2026-03-02"


@pytest.mark.parametrize(
    ("step", "change", "path", "reason"),
    [
        ("electrical-in", {"value": None}, "transmit", "do the bench's step electrical-in"),
        ("mouth", {"done_utc": "2025-11-01T00:00:00+00:00"}, "sidetone", "expired"),
        ("seal", {"value": 1.3}, "receive", "leaks by 1.3 dB at 200 Hz"),
        ("seal", {"done_utc": "2026-02-28T00:00:00+00:00"}, "receive", "expired"),
        ("microphone", {"bench": "cellar"}, "receive", "never done"),
    ],
)
def test_without_one_of_its_steps_a_path_is_relative_and_says_why(
    step: str, change: dict[str, object], path: str, reason: str
) -> None:
    standing = judge_path(SETUP, make_results(**{step: change}), path, NOW)
    assert standing.calibration is None
    assert any(reason in line for line in standing.reasons)


def test_the_newest_result_counts() -> None:
    later = "2026-03-02T10:00:00+00:00"
    results = make_results()
    newer = dataclasses.replace(results[1], value=2.5, done_utc=later)
    standing = judge_path(SETUP, [newer, *results], "transmit", later)
    assert standing.calibration is not None
    assert standing.calibration.input_per_unit == 2.5


def test_a_coil_is_never_absolute() -> None:
    coil = dataclasses.replace(SETUP, ear="coil")
    for path in ("receive", "sidetone"):
        standing = judge_path(coil, make_results(), path, NOW)
        assert standing.calibration is None
        assert "pickup coil" in standing.reasons[0]
    assert judge_path(coil, make_results(), "transmit", NOW).calibration is not None


def test_expiry_is_announced_and_stand_ins_are_named() -> None:
    soon = "2026-05-25T09:00:00+00:00"  # the mouth's 90 days end on 31 May
    assert list_expiries(make_results(), NOW) == ()
    (mouth, seal) = list_expiries(make_results(), soon)
    assert mouth == "the mouth, made flat: good for 6 more days"
    assert "the coupler's seal: expired 83 days ago" in seal
    results = make_results(microphone={"is_fallback": True, "method": "sound level meter"})
    assert (
        "a stand-in (sound level meter)" in judge_path(SETUP, results, "receive", NOW).warnings[0]
    )


def make_daily(step: str, level_db: float, bump_db: float = 0.0, **figures: float) -> StepResult:
    hz = np.geomspace(200, 4000, 40)
    curve = level_db + bump_db * np.exp(-((np.log2(hz / 2500.0) * 3) ** 2))
    return StepResult(
        bench="attic",
        step=step,
        done_utc=NOW,
        value=level_db,
        unit="dB",
        frequency_hz=hz,
        level_db=curve,
        figures=figures,
    )


def test_a_bench_that_stayed_passes_its_daily_check() -> None:
    stored = [
        make_daily("loop-back", -6.0, noise_dbfs=-85.0),
        make_daily("reference-transmit", -12.0),
        make_daily("reference-receive", 3.0),
    ]
    fresh = [
        make_daily("loop-back", -6.1, noise_dbfs=-84.0),
        make_daily("reference-transmit", -12.7),
        make_daily("seal", 0.4),
    ]
    check = check_bench(SETUP, stored, fresh, NOW)
    verdicts = {item.quantity: item.verdict for item in check.items}
    assert verdicts == {
        "loop-back": "pass",
        "noise": "pass",
        "hum": "pass",
        "reference-transmit": "pass",
        "reference-receive": "not done",
        "seal": "pass",
    }
    assert check.is_passed


@pytest.mark.parametrize(
    ("quantity", "fresh"),
    [
        ("loop-back", make_daily("loop-back", -6.25)),
        ("loop-back", make_daily("loop-back", -6.0, bump_db=0.3)),
        ("noise", make_daily("loop-back", -6.0, noise_dbfs=-81.0)),
        ("hum", make_daily("loop-back", -6.0, mains_dbfs=-70.0)),
        ("reference-transmit", make_daily("reference-transmit", -13.2)),
        ("seal", make_daily("seal", 1.1)),
    ],
)
def test_what_moved_is_named_with_what_to_do(quantity: str, fresh: StepResult) -> None:
    stored = [
        make_daily("loop-back", -6.0, noise_dbfs=-85.0),
        make_daily("reference-transmit", -12.0),
    ]
    check = check_bench(SETUP, stored, [fresh], NOW)
    moved = [item for item in check.items if item.verdict == "moved"]
    assert [item.quantity for item in moved] == [quantity]
    assert moved[0].message
    assert not check.is_passed


def test_nothing_checked_is_not_passed() -> None:
    assert not check_bench(SETUP, [], [], NOW).is_passed


def test_levels_in_different_units_are_never_compared() -> None:
    stored = [make_daily("reference-transmit", -12.0)]
    fresh = [dataclasses.replace(make_daily("reference-transmit", -12.0), unit="dB V/Pa")]
    items = {item.quantity: item for item in check_bench(SETUP, stored, fresh, NOW).items}
    assert items["reference-transmit"].verdict == "not done"


def test_every_step_has_words_a_caution_and_an_order() -> None:
    guides = load_guides()
    assert tuple(guides) == (
        "electrical-out", "electrical-in", "loop-back", "microphone", "reciprocity",
        "reciprocity-swapped", "parts-ends", "mouth", "mouth-flat", "seal", "reference-transmit",
        "reference-receive",
    )  # fmt: skip
    names = list(guides)
    for number, guide in enumerate(guides.values()):
        assert guide.caution
        assert len(guide.do) >= 2
        assert guide.valid_days > 0
        assert all(names.index(need) < number for need in guide.needs)
    assert guides["electrical-out"].target_error_db == 0.1
    assert guides["microphone"].target_error_db == 0.3
    with pytest.raises(InputError, match="need one of electrical-out"):
        get_guide("tea")


def test_results_and_checks_are_stored_and_read_back() -> None:
    result = make_daily("loop-back", -6.0, bump_db=0.1, noise_dbfs=-85.0)
    assert from_json(to_json(result), StepResult).same_as(result)
    check = check_bench(SETUP, [result], [result], NOW)
    assert from_json(to_json(check), type(check)) == check
    assert from_json(to_json(SETUP), BenchSetup) == SETUP
    schemas = [to_document(record)["schema"] for record in (SETUP, result, check)]
    assert schemas == [
        "voicecheck.bench/1",
        "voicecheck.calibration-step/1",
        "voicecheck.bench-check/1",
    ]
