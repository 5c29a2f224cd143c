# mypy: disable-error-code="arg-type"
"""Setting benches up and keeping their steps from the command line, without sound."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchtest import NOW, open_commands

from voicecheck.cli.main import STOPPED, make_app
from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook
from voicecheck.records import BenchCheck, CheckItem
from voicecheck.records.benches import BenchSetup, Device, StepResult
from voicecheck.workflow.benches.sitting import get_now_utc
from voicecheck.workflow.benches.store import (
    BenchFile,
    add_setup,
    change_setup,
    describe_check_of_now,
    find_bench,
    find_check_of_day,
    load_bench,
    remove_setup,
    save_result,
)

DEVICES = (
    Device(name="Oak two-way", host_api="ALSA", n_inputs=2, n_outputs=2, default_rate_hz=48000.0),
    Device(name="Oak small", host_api="ALSA", n_inputs=1, n_outputs=1, default_rate_hz=48000.0),
)


@pytest.fixture
def call(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Any:
    return open_commands(tmp_path, capsys, monkeypatch)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as opened:
        yield opened


@pytest.fixture
def devices(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("voicecheck.workflow.benches.choosing.list_sound_devices", lambda: DEVICES)


def make_result(step: str, value: float = 1.0, **more: object) -> StepResult:
    return StepResult(bench="attic", step=step, done_utc=NOW, value=value, unit="V", **more)


def test_a_bench_is_set_up_changed_and_removed(call: Any, devices: Any) -> None:
    """A part of the device's name is enough; every option comes back as it was given."""
    document = json.loads(
        call("bench", "add", "attic", "--device", "two", "--rate", 44100, "--mouth", 2,
             "--line-drive", 1, "--line-tap", 2, "--ear-channel", 1, "--ear", "coil", "--feed-ma",
             35, "--feed-reading", "meter in series", "--load-ohm", 900, "--mouth-mm", 25,
             "--angle-deg", 10, "--mouth-cap-dbfs", -6, "--line-drive-cap-dbfs", -9,
             "--meter-percent", 1, "--notes", "by the window", "--json")
    )  # fmt: skip
    assert document == {
        "schema": "voicecheck.bench/1", "name": "attic", "device": "Oak two-way", "host_api": "",
        "input_device": None, "rate_hz": 44100, "mouth_channel": 2, "line_drive_channel": 1,
        "line_tap_channel": 2, "ear_channel": 1, "feed_ma": 35.0,
        "feed_reading": "meter in series", "load_ohm": 900.0, "ear": "coil", "mouth_mm": 25.0,
        "angle_deg": 10.0, "mouth_cap_dbfs": -6.0, "line_drive_cap_dbfs": -9.0,
        "meter_percent": 1.0, "notes": "by the window", "microphone_curve": None,
    }  # fmt: skip
    with pytest.raises(InputError, match="in this book already"):
        call("bench", "add", "attic", "--device", "two")
    changed = json.loads(call("bench", "edit", "attic", "--feed-ma", 40, "--json"))
    assert changed == {**document, "feed_ma": 40.0}
    assert "Oak two-way" in call("bench", "list")
    call("bench", "remove", "attic")
    assert json.loads(call("bench", "list", "--json")) == []
    with pytest.raises(InputError, match=r"'attic': not in this book \(there: none yet\)"):
        call("bench", "show", "attic")


@pytest.mark.parametrize("option", ["--mouth-cap-dbfs", "--line-drive-cap-dbfs"])
def test_raising_a_cap_is_asked_about(
    call: Any, devices: Any, option: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not y: nothing is changed. Lowering it asks nothing; where nobody is, it is said."""
    asked: list[str] = []

    def answer(prompt: str, letters: str = "") -> str:
        asked.append(prompt)
        if len(asked) == 1:
            raise KeyboardInterrupt
        return "y" if len(asked) > 2 else " "

    call("bench", "add", "attic", "--device", "two", option, -9)
    monkeypatch.setattr("voicecheck.cli.keys.is_terminal", lambda: True)
    monkeypatch.setattr("voicecheck.cli.keys.wait_for_key", answer)
    name = option[2:].replace("-", "_")

    def read() -> float:
        return float(json.loads(call("bench", "show", "attic", "--json"))[name])

    words = ["bench", "edit", "attic", option, "-0.1"]
    assert make_app()(words, standalone_mode=False) == STOPPED
    assert read() == -9.0
    call("bench", "edit", "attic", option, -0.1)
    assert read() == -0.1
    assert len(asked) == 3
    assert "8.9 dB more than before" in asked[0]
    call("bench", "edit", "attic", option, -12)
    assert (read(), len(asked)) == (-12.0, 3)


def test_a_small_board_uses_its_one_channel_for_both_ends(call: Any, devices: Any) -> None:
    setup = json.loads(call("bench", "add", "shed", "--device", "Oak small", "--json"))
    assert (setup["mouth_channel"], setup["line_drive_channel"]) == (1, 1)
    assert (setup["line_tap_channel"], setup["ear_channel"]) == (1, 1)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ((), "add --device NAME"),
        (("--device", "Oak"), "fits several"),
        (("--device", "two", "--ear", "cup"), "coupler, coil"),
        (("--device", "two", "--feed-ma", "0.04"), "was it amperes"),
        (("--device", "two", "--rate", "8000"), "rate_hz"),
        (("--device", "two", "--mouth-cap-dbfs", "0"), "caps"),
        (("--device", "two", "--mouth", "0"), "channels count from 1"),
    ],
)
def test_a_set_up_that_cannot_be_is_refused(
    call: Any, devices: Any, options: Any, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        call("bench", "add", "attic", *options)
    assert json.loads(call("bench", "list", "--json")) == []


def test_a_device_that_is_not_plugged_in_is_kept_as_named(
    call: Any, devices: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    setup = json.loads(call("bench", "add", "attic", "--device", "Elm", "--json"))
    assert setup["device"] == "Elm"


def test_what_other_wires_make_void_no_longer_counts(book: Any) -> None:
    """The mouth moved: its step goes, the line's stay; a bench of the same name starts anew."""
    setup = BenchSetup(name="attic", device="Oak")
    add_setup(book, setup)
    for step in ("electrical-out", "mouth", "seal"):
        save_result(book, make_result(step))
    assert change_setup(book, dataclasses.replace(setup, mouth_mm=30.0)) == ("mouth",)
    file = load_bench(book, "attic")
    assert [result.step for result in file.results] == ["electrical-out", "seal"]
    assert len(file.history) == 3
    assert change_setup(book, dataclasses.replace(setup, mouth_mm=30.0, notes="new")) == ()
    voided = change_setup(book, dataclasses.replace(setup, mouth_mm=30.0, device="Elm"))
    assert voided == ("electrical-out", "seal")
    remove_setup(book, "attic")
    assert find_bench(book, "attic") is None
    add_setup(book, setup)
    assert load_bench(book, "attic").results == ()


def test_results_come_back_as_they_were_kept(book: Any) -> None:
    add_setup(book, BenchSetup(name="attic", device="Oak"))
    result = make_result(
        "mouth",
        frequency_hz=np.array([200.0, 1000.0]),
        level_db=np.array([-3.0, np.nan]),
        figures={"lowest_db": -3.0},
        temperature_c=21.5,
    )
    save_result(book, result)
    (loaded,) = load_bench(book, "attic").results
    assert loaded.same_as(result)


def test_a_damaged_document_is_an_error_of_the_book(book: Any) -> None:
    add_setup(book, BenchSetup(name="attic", device="Oak"))
    book.save_bench_record("calibration-step", "attic", '{"bench": "attic"}')
    with pytest.raises(JobBookError, match="cannot be read"):
        load_bench(book, "attic")


@pytest.mark.parametrize(
    ("measured", "expected"),
    [
        ("2026-03-02T15:00:00+00:00", "2026-03-02T14:00:00+00:00"),
        ("2026-03-02T08:00:00+00:00", "2026-03-02T09:00:00+00:00"),
        ("2026-03-03T01:00:00+00:00", "2026-03-02T14:00:00+00:00"),
        ("2026-03-03T09:00:00+00:00", None),
        ("2026-03-01T23:00:00+00:00", None),
    ],
)
def test_the_check_of_the_day(measured: str, expected: str | None) -> None:
    """The last one before, of that day or that sitting; else the first one after, on that day."""
    times = ("2026-03-02T14:00:00+00:00", "2026-03-02T09:00:00+00:00")
    checks = [BenchCheck(bench="attic", time_utc=time, items=()) for time in times]
    found = find_check_of_day(checks, measured)
    assert (found.time_utc if found else None) == expected


def test_a_sweep_begins_with_what_the_check_of_today_found() -> None:
    setup = BenchSetup(name="attic", device="Oak")
    item = CheckItem(
        quantity="hum", value=-60.0, stored=-90.0, limit=6.0, unit="dBFS", verdict="moved"
    )
    moved = BenchCheck(bench="attic", time_utc=get_now_utc(), items=(item,))
    passed = BenchCheck(
        bench="attic",
        time_utc=get_now_utc(),
        items=(dataclasses.replace(item, verdict="pass"),),
    )
    (note,) = describe_check_of_now(BenchFile(setup=setup, checks=(passed, moved)))
    assert "something moved: hum" in note
    assert describe_check_of_now(BenchFile(setup=setup, checks=(moved, passed))) == ()
    (note,) = describe_check_of_now(BenchFile(setup=setup))
    assert "not checked today" in note


def test_nobody_to_ask_needs_yes(call: Any, devices: Any) -> None:
    call("bench", "add", "attic", "--device", "two")
    with pytest.raises(InputError, match="add --yes"):
        call("bench", "calibrate", "attic")
    with pytest.raises(InputError, match="add --meter-v"):
        call("bench", "calibrate", "attic", "--step", "electrical-out", "--yes")
    with pytest.raises(InputError, match="a daily check has only"):
        call("bench", "check", "attic", "--step", "mouth", "--yes")


def test_what_moved_comes_with_what_to_look_at() -> None:
    from voicecheck.cli.benchshow import render_check

    item = CheckItem(quantity="hum", value=-60.0, stored=-90.0, limit=6.0, unit="dBFS",
                     verdict="moved", message="look for a ground loop")  # fmt: skip
    text = render_check(BenchCheck(bench="attic", time_utc=NOW, items=(item,)))
    assert "not passed" in text
    assert "hum: look for a ground loop" in text


def test_a_microphones_curve_is_kept_and_voids_what_rests_on_it(
    call: Any, book: JobBook, tmp_path: Path, devices: None
) -> None:
    """Adding it voids the check of the mouth and the stored handset, not the mouth itself."""
    file = tmp_path / "capsule.txt"
    file.write_text("Hz dB\n200 1\n1000 0\n4000 3\n", encoding="utf-8")
    call("bench", "add", "attic", "--device", "Oak two")
    steps = ("microphone", "mouth", "mouth-flat", "reference-transmit", "reference-receive")
    for step in steps:
        save_result(book, make_result(step))
    setup = json.loads(
        call("bench", "edit", "attic", "--microphone-curve", file, "--json", "--quiet")
    )
    assert setup["microphone_curve"]["level_db"] == [1.0, 0.0, 3.0]
    assert [result.step for result in load_bench(book, "attic").results] == ["microphone", "mouth"]
    assert "capsule.txt" in call("bench", "show", "attic")
    call("bench", "edit", "attic", "--microphone-curve", "")
    assert load_bench(book, "attic").setup.microphone_curve is None
    with pytest.raises(InputError, match="cannot be read"):
        call("bench", "edit", "attic", "--microphone-curve", tmp_path / "none.txt")
    file.write_text("200 1 -90\n4000 3 20\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 1: the third column is the tolerance"):
        call("bench", "edit", "attic", "--microphone-curve", file)


def test_what_a_bench_is_worth_is_said_for_1_khz_and_for_the_band(
    call: Any, book: JobBook, devices: None
) -> None:
    call("bench", "add", "attic", "--device", "Oak two")
    now = get_now_utc()
    for step, unit in (("electrical-out", "V"), ("microphone", "Pa"), ("seal", "dB")):
        value = 0.1 if step == "seal" else 1.0
        one = make_result(step, value, uncertainty_db=0.3)
        save_result(book, dataclasses.replace(one, unit=unit, done_utc=now))
    path = json.loads(call("bench", "show", "attic", "--json"))["paths"]["receive"]
    assert path["uncertainty_db"] == pytest.approx(0.3 * 2**0.5)
    # What small microphones do at 4 kHz, 3 dB from memory, is told as such.
    assert path["band_uncertainty_db"] == pytest.approx(3.0, abs=0.1)
    assert any("from memory" in warning for warning in path["warnings"])
    shown = call("bench", "show", "attic")
    assert "+-0.42 dB at 1 kHz" in shown
    assert "from memory" in shown
