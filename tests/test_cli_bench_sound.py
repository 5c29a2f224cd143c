# mypy: disable-error-code="no-any-return,var-annotated"
"""
Calibrating, checking and sweeping with a bench from the command line.

The virtual card with two outputs and two inputs carries known errors; its scene is what the user
plugs.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchtest import TRUTH, Terminal, error_db, open_commands
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.hardware import HardwareBench
from voicecheck.bench.soundcard import link, takes
from voicecheck.errors import BenchError, InputError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import SetType


@pytest.fixture
def call(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Any:
    return open_commands(tmp_path, capsys, monkeypatch)


@pytest.fixture
def card(virtual_bench: Callable[..., VirtualCard]) -> Any:
    return virtual_bench(channels=2, scene="loop", noise_dbfs=-95.0, **TRUTH)


@pytest.fixture
def job(tmp_path: Path, call: Any, card: Any) -> int:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4"))
        return opened.open_job("hall", "Lakeside 4").job


def calibrate(call: Any, card: Any) -> None:
    """All steps as a script does them, the meter read while the tone plays."""
    call("bench", "add", "attic", "--device", card.device, "--feed-ma", 40)
    call("bench", "tone", "attic", "--hz", 400, "--seconds", 1.5)
    volts = 10 ** (-12 / 20) * TRUTH["line_out_v"] / 2**0.5
    for scene, step, options in (
        ("loop", "electrical-out", ("--meter-v", volts, "--meter-v", volts)),
        ("loop", "electrical-in", ()),
        ("loop", "loop-back", ()),
        ("calibrator", "microphone", ()),
        ("mouth", "mouth", ("--temperature-c", 21)),
        ("mouth", "mouth-flat", ()),
        ("blank", "seal", ()),
        ("handset", "reference-transmit", ()),
        ("handset", "reference-receive", ()),
    ):
        card.change(scene=scene)
        call("bench", "calibrate", "attic", "--step", step, "--yes", *options)


@pytest.mark.bench
def test_from_set_up_to_the_report_of_the_day(
    call: Any, card: Any, job: int, tmp_path: Path
) -> None:
    """
    Calibrating recovers the card's errors, 0.1 dB electrical and 0.3 dB acoustic.

    Then sweeps are absolute, the check says what moved, and the report carries it.
    """
    calibrate(call, card)
    shown = json.loads(call("bench", "show", "attic", "--json"))
    values = {step["step"]: step["value"] for step in shown["calibration"]}
    assert error_db(values["electrical-out"], TRUTH["line_out_v"]) < 0.1
    assert error_db(values["electrical-in"], TRUTH["line_in_v"]) < 0.1
    assert error_db(values["microphone"], TRUTH["mic_pa"]) < 0.3
    assert values["reference-transmit"] == pytest.approx(
        20 * np.log10(TRUTH["transmit_v_per_pa"]), abs=0.3
    )
    assert {path: one["unit"] for path, one in shown["paths"].items()} == {
        "transmit": "dB V/Pa", "receive": "dB Pa/V", "sidetone": "dB Pa/Pa", "loop": "dB V/V",
    }  # fmt: skip
    assert shown["last_check"] is None
    text = call("bench", "show", "attic")
    assert max(map(len, text.splitlines())) <= 80
    assert "good until" in call("bench", "show", "attic")
    assert "loop-back, from" in call("bench", "show", "attic", "--trend", "loop-back")
    assert json.loads(call("bench", "calibrate", "attic", "--yes", "--json")) == []

    runs = json.loads(call("sweep", job, "--stage", "before", "--path", "both", "--bench", "attic",
                           "--seats", 2, "--yes", "--json"))  # fmt: skip
    assert [run["path"] for run in runs] == ["transmit", "sidetone"]
    for run, unit, truth in zip(runs, ("dB V/Pa", "dB Pa/Pa"), (0.25, 0.6), strict=True):
        assert run["pooled"]["response"]["unit"] == unit
        assert run["pooled"]["bands"]["at_1khz_db"] == pytest.approx(20 * np.log10(truth), abs=0.3)
        assert len(run["recordings"]) == 2
        assert run["pooled"]["conditions"]["feed_ma"] == 40.0

    card.change(scene="loop", pad_db=-0.5)
    outcome = json.loads(call("bench", "check", "attic", "--step", "loop-back", "--yes", "--json"))
    assert not outcome["passed"]
    card.change(scene="blank")
    outcome = json.loads(call("bench", "check", "attic", "--step", "seal", "--yes", "--json"))
    verdicts = {item["quantity"]: item["verdict"] for item in outcome["items"]}
    # The loop-back of the same sitting still counts.
    assert verdicts["loop-back"] == "moved"
    assert verdicts["seal"] == "pass"
    assert verdicts["reference-transmit"] == "not done"
    call("report", job, "--out", tmp_path / "out")
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert report["bench_check"]["bench"] == "attic"
    assert len(report["bench_check"]["items"]) == len(outcome["items"])


@pytest.mark.bench
def test_a_receiver_is_driven_softly_until_more_is_asked_for(
    call: Any, card: Any, job: int
) -> None:
    """-30 dBm to begin with; more needs somebody to say so."""
    call("bench", "add", "attic", "--device", card.device)
    volts = 10 ** (-12 / 20) * TRUTH["line_out_v"] / 2**0.5
    call("bench", "calibrate", "attic", "--step", "electrical-out", "--yes", "--meter-v", volts)
    card.change(scene="handset")
    sweep = ("sweep", job, "--stage", "before", "--path", "receive", "--bench", "attic",
             "--seats", 1, "--json")  # fmt: skip

    def find_dbm(document: str) -> float:
        level_dbfs = json.loads(document)["pooled"]["conditions"]["level_dbfs"]
        volts = 10 ** (level_dbfs / 20) * TRUTH["line_out_v"] / 2**0.5
        return 20 * np.log10(volts / 0.6**0.5)

    assert find_dbm(call(*sweep, "--yes")) == pytest.approx(-30.0, abs=0.05)
    with pytest.raises(InputError, match="needs --yes"):
        call(*sweep, "--level-dbm", -20)
    assert find_dbm(call(*sweep, "--level-dbm", -20, "--yes")) == pytest.approx(-20.0, abs=0.05)
    with pytest.raises(InputError, match="is for path receive"):
        call(*sweep, "--path", "transmit", "--level-dbm", -20, "--yes")
    terminal = Terminal(*map(str, sweep), "--level-dbm", "-25")
    terminal.await_text("nobody's ear? y to go on, q to stop.")
    terminal.press("y")
    terminal.await_text("never to an ear")
    terminal.await_text("q to stop.")
    terminal.press("q")
    assert terminal.end() == 130
    assert "stopped before a seat was done" in terminal.text


def kill_server(card: Any) -> None:
    card.kill("server")


def unplug(card: Any) -> None:
    card.kill("handset")


@pytest.mark.bench
@pytest.mark.parametrize(
    "fault",
    [
        (kill_server, "no longer there|not there"),
        (unplug, "stopped at .* earlier ones are kept"),
    ],
)
def test_a_fault_in_the_second_seat_keeps_the_first(
    call: Any, card: Any, job: int, monkeypatch: pytest.MonkeyPatch, fault: Any
) -> None:
    """The stated error and exit code 4; the first seat is in the book as a run."""
    provoke, message = fault
    monkeypatch.setattr(link, "_killed_at_s", [-1e9])
    call("bench", "add", "attic", "--device", card.device)
    card.change(scene="handset")
    record, is_provoked = HardwareBench.play_and_record, []

    def record_with_fault(bench: Any, programme: Any, *, path: Any, seat: Any) -> Any:
        def act(fraction: float, _level: float) -> None:
            if fraction > 0.1 and not is_provoked:
                provoke(card)
                is_provoked.append(True)

        bench.progress = act if seat == 2 else None
        return record(bench, programme, path=path, seat=seat)

    monkeypatch.setattr(HardwareBench, "play_and_record", record_with_fault)
    with pytest.raises(BenchError, match=message) as caught:
        call("sweep", job, "--stage", "before", "--path", "transmit", "--bench", "attic",
             "--seats", 3, "--yes")  # fmt: skip
    assert takes.STALL_S + takes.DIAGNOSE_S < 5.0
    assert "\n" not in str(caught.value)
    with JobBook.open(os.environ["VOICECHECK_BOOK"]) as opened:
        (run,) = opened.list_runs(job=job)
    assert len(run.recordings) == 1


@pytest.mark.bench
def test_faults_that_the_sound_system_hides_are_told(
    call: Any, card: Any, job: int, tmp_path: Path
) -> None:
    """Clipped, clocks apart, muted: named with the seat, and the recordings are kept."""
    call("bench", "add", "attic", "--device", card.device)
    sweep = ("sweep", job, "--path", "transmit", "--bench", "attic", "--seats", 1, "--yes",
             "--json", "--stage")  # fmt: skip
    card.change(scene="handset", clip=0.02)
    (clipped,) = json.loads(call(*sweep, "clipped"))["recordings"]
    assert "clipping" in {problem["kind"] for problem in clipped["problems"]}
    card.change(clip=0.0, drift_ppm=290.0)
    (apart,) = json.loads(call(*sweep, "apart"))["recordings"]
    assert "drift" in {problem["kind"] for problem in apart["problems"]}
    assert apart["timing"]["drift_ppm"] == pytest.approx(290.0, abs=1.0)
    card.change(drift_ppm=0.0, mute=True)
    with pytest.raises(RecordingError, match="silent"):
        call(*sweep, "muted")
    assert len(list((tmp_path / "book" / "recordings").rglob("*.flac"))) == 3


@pytest.mark.bench
def test_a_bench_of_another_rate_says_so(
    call: Any, virtual_bench: Callable[..., VirtualCard], job: int
) -> None:
    card = virtual_bench(channels=2, rate_hz=44100, scene="handset", **TRUTH)
    call("bench", "add", "attic", "--device", card.device)
    with pytest.raises(BenchError, match="own rate is 44100 Hz"):
        call("sweep", job, "--stage", "before", "--path", "transmit", "--bench", "attic",
             "--seats", 1, "--yes")  # fmt: skip


@pytest.mark.bench
def test_somebody_is_taken_through_a_step(call: Any, card: Any) -> None:
    """Questions of a set-up; words, picture, a key and two readings of a step, which is kept."""
    terminal = Terminal("bench", "add", "attic")
    for question, answer in (
        ("Which one", "1"),
        ("Output of the mouth", ""),
        ("Output of the line drive", "3"),
        ("Output of the line drive", "2"),
        ("Input of the line tap", ""),
        ("Input of the ear", ""),
        ("coupler or coil", ""),
        ("Feed current", "35"),
        ("Mouth to mouthpiece", "25"),
    ):
        terminal.await_text(question)
        terminal.press(f"{answer}\n")
    assert terminal.end() == 0
    setup = json.loads(call("bench", "show", "attic", "--json"))
    assert (setup["device"], setup["feed_ma"], setup["mouth_mm"]) == ("handset", 35.0, 25.0)
    assert (setup["mouth_channel"], setup["line_drive_channel"]) == (1, 2)
    terminal = Terminal("bench", "calibrate", "attic")
    terminal.await_text("q: stop.")
    assert "line drive o---" in terminal.text
    terminal.press(" ")
    terminal.await_text("At 400 Hz the meter reads")
    terminal.press("0.30195\n")
    terminal.await_text("At 1000 Hz the meter reads")
    terminal.press("0,30195\n")
    terminal.await_text("q: stop.")
    terminal.press("q")
    assert terminal.end() == 130
    assert "the steps that are done are kept" in terminal.text
    (step,) = json.loads(call("bench", "show", "attic", "--json"))["calibration"]
    assert error_db(step["value"], TRUTH["line_out_v"]) < 0.1
