# mypy: disable-error-code="arg-type"
"""A bench as it was set up, as far as it can be held to account without playing anything."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from voicecheck.bench.calibration.guides import load_guides
from voicecheck.bench.hardware import HardwareBench, check_setup, list_plugs
from voicecheck.errors import BenchError, InputError
from voicecheck.programme import make_programme
from voicecheck.records import Recipe
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.workflow.benches.sitting import Sitting

NOW = "2026-03-02T09:00:00+00:00"
SETUP = BenchSetup(name="attic", device="Desk Two")
ONE_OUT_ONE_IN = dataclasses.replace(SETUP, line_drive_channel=1, ear_channel=1)
SHORT = Recipe(n_sweeps=1, sweep_s=0.5, silence_s=0.1, tones_s=0.2, step_s=0.05)


def make_result(step: str, **fields: object) -> StepResult:
    return StepResult(**{"bench": "attic", "step": step, "done_utc": NOW, "value": 1.0, **fields})


LINE = make_result("electrical-out", value=1.0954, unit="V")


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"name": " "}, "the bench needs one"),
        ({"device": ""}, "choose one of the list"),
        ({"rate_hz": 8000}, "got 8000"),
        ({"ear_channel": 0}, "count from 1"),
        ({"ear": "horn"}, "need one of coupler, coil, got 'horn'"),
        ({"mouth_cap_dbfs": 0.0}, "need -0.1 dBFS or less"),
        ({"line_drive_cap_dbfs": math.nan}, "need -0.1 dBFS or less"),
        ({"feed_ma": 0.04}, "was it amperes"),
        ({"meter_percent": 0.0}, "meter_percent"),
    ],
)
def test_a_set_up_that_cannot_be_is_refused(change: dict[str, object], text: str) -> None:
    check_setup(SETUP)
    with pytest.raises(InputError, match=text):
        check_setup(dataclasses.replace(SETUP, **change))


@pytest.mark.parametrize(
    ("path", "before", "prompts"),
    [
        ("transmit", None, ["output 1 into the mouth's amplifier", "line tap into input 1"]),
        ("receive", "transmit", ["output 1 into the line drive", "ear (coupler) into input 1"]),
        ("sidetone", "transmit", ["ear (coupler) into input 1"]),
        ("sidetone", "receive", ["output 1 into the mouth's amplifier"]),
        ("transmit", "transmit", []),
    ],
)
def test_a_board_of_one_channel_asks_for_its_plugs(
    path: str, before: str | None, prompts: list[str]
) -> None:
    said = list_plugs(ONE_OUT_ONE_IN, path, before)
    assert len(said) == len(prompts)
    assert all(part in line for part, line in zip(prompts, said, strict=True))
    assert list_plugs(SETUP, path, before) == ()


def test_levels_follow_from_the_calibration() -> None:
    """0 dBm is 0.7746 V RMS, the full-scale sine of 1.0954 V per unit; a pascal is 0 dBPa."""
    mouth = make_result("mouth", value=2.0 * math.sqrt(2.0), unit="Pa", valid_days=90.0)
    bench = HardwareBench(SETUP, [LINE, mouth], now_utc=NOW)
    assert bench.find_level_dbfs("receive", 0.0) == pytest.approx(0.0, abs=1e-3)
    assert bench.find_level_dbfs("loop", -30.0) == pytest.approx(-30.0, abs=1e-3)
    # Full scale makes 2 Pa RMS there, which is 6.02 dBPa.
    assert bench.find_level_dbfs("transmit", -4.7) == pytest.approx(-4.7 - 6.0206, abs=1e-3)
    later = HardwareBench(SETUP, [mouth], now_utc="2026-07-01T00:00:00+00:00")
    assert later.find_level_dbfs("transmit", -4.7) is None
    assert later.find_level_dbfs("receive", -30.0) is None


@pytest.mark.parametrize(
    ("results", "level_dbfs", "said"),
    [
        ([LINE], -29.0, "would be -29.0 dBm, allowed so far is -30.0 dBm"),
        ([], -39.0, "would be up to -29.0 dBm, allowed so far is -30.0 dBm"),
    ],
)
def test_a_receiver_starts_quietly(results: list[StepResult], level_dbfs: float, said: str) -> None:
    """Also where nothing is known of the output: then it is taken for a strong one."""
    bench = HardwareBench(SETUP, results, now_utc=NOW)
    programme = make_programme(dataclasses.replace(SHORT, level_dbfs=level_dbfs))
    with pytest.raises(BenchError, match=said):
        bench.play_and_record(programme, path="receive")
    # A dB less, or with leave to be that loud, it gets as far as the device, which is not there.
    softer = make_programme(dataclasses.replace(SHORT, level_dbfs=level_dbfs - 1.0))
    asked = HardwareBench(SETUP, results, now_utc=NOW, allowed_dbm=-29.0)
    for allowed, sound in ((bench, softer), (asked, programme)):
        allowed._check_receive_level(sound, "receive")
    bench._check_receive_level(make_programme(SHORT), "loop")


def test_one_input_cannot_hear_two_things() -> None:
    bench = HardwareBench(ONE_OUT_ONE_IN, now_utc=NOW)
    with pytest.raises(InputError, match="share one input"):
        bench.play_and_record_both(make_programme(SHORT))


def test_results_of_another_bench_do_not_count() -> None:
    other = dataclasses.replace(LINE, bench="cellar")
    assert HardwareBench(SETUP, [other], now_utc=NOW).results == ()


def test_a_step_left_is_taken_up_another_day() -> None:
    """What is open depends on the results alone, not on the sitting."""
    done = [LINE, make_result("electrical-in"), make_result("microphone")]
    tomorrow = "2026-03-03T10:00:00+00:00"
    names = [guide.name for guide in Sitting(SETUP, done, now_utc=tomorrow).list_open()]
    steps = [
        guide.name
        for guide in load_guides().values()
        if not (guide.replaces or guide.is_on_request)
    ]
    assert names == [step for step in steps if step not in {r.step for r in done}]
    next_year = "2027-03-03T10:00:00+00:00"
    assert len(Sitting(SETUP, done, now_utc=next_year).list_open()) == 9
    coil = dataclasses.replace(SETUP, ear="coil")
    names = [guide.name for guide in Sitting(coil, now_utc=NOW).list_open()]
    assert not {"microphone", "mouth", "mouth-flat", "seal"} & set(names)


def test_an_equalised_programme_still_starts_and_ends_in_silence() -> None:
    hz = np.geomspace(200.0, 4000.0, 40)
    mouth = make_result("mouth", frequency_hz=hz, level_db=6.0 * np.sin(np.log(hz) * 3))
    bench = HardwareBench(SETUP, [mouth], now_utc=NOW)
    programme = make_programme(dataclasses.replace(SHORT, lead_in_s=0.0, tail_s=0.0))
    sound = bench.make_sound(programme, "transmit")
    assert len(sound) == len(programme.samples)
    assert sound[0] == sound[-1] == 0.0
    assert np.max(np.abs(sound - programme.samples)) > 0.01
    assert np.array_equal(bench.make_sound(programme, "loop"), programme.samples)
