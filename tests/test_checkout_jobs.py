# mypy: disable-error-code="arg-type"
"""The commands of a checkout: documents of the contract, exit codes, the job, the check list."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from voicecheck.bench.simulated.dial import make_dial
from voicecheck.checkout.steps import parse_steps, read_template
from voicecheck.cli import make_app
from voicecheck.errors import BenchError, InputError, RecordingError, VoicecheckError
from voicecheck.jobbook import JobBook
from voicecheck.records import DialCheck, SetType
from voicecheck.workflow.checks.checklist import collect_results, find_list, update_list
from voicecheck.workflow.checks.run import list_checks
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.checks.take import make_tone_programme

SCENES = ("dial", "tones", "flex", "bell", "speak")
KEYS = {
    "dial": {"number", "pulses_per_s", "break_percent", "digits", "problems"},
    "tones": {"events"},
    "flex": {"duration_s", "events", "events_per_min"},
    "bell": {"strikes_per_s", "gongs_hz", "level_dbfs", "decay_s", "rings"},
    "speak": {
        "active_level_dbfs", "activity_percent", "peak_dbfs", "noise_dbfs", "full_transmit_percent",
    },
}  # fmt: skip
PARTS = {
    "dial": ("digits", {"digit", "pulses", "pulses_per_s", "break_percent", "break_ms", "make_ms",
                        "drift_pps", "bounce_ms", "pause_before_s"}),
    "tones": ("events", {"kind", "digit", "start_s", "end_s", "low_error_percent",
                         "high_error_percent", "twist_db", "level_dbfs"}),
    "flex": ("events", {"kind", "at_s", "duration_ms", "depth_db"}),
    "bell": ("rings", {"start_s", "end_s"}),
}  # fmt: skip
FAULTY = {"dial": "healthy:38", "flex": "cord-break"}


@pytest.fixture
def book(tmp_path: Path) -> Any:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4", region="North America"))
        opened.open_job("hall", "Lakeside 4")
    return tmp_path / "book"


def call(*arguments: Any, book: Any = None, error: Any = None) -> Any:
    """Run a command in this process; `error` is what it must raise."""
    environment = {"VOICECHECK_BOOK": str(book) if book else None}
    done = CliRunner().invoke(make_app(), [str(word) for word in arguments], env=environment)
    if error is not None:
        assert isinstance(done.exception, error), done.output
        return done
    assert done.exception is None, done.exception
    return done


def call_json(*arguments: Any, book: Any = None) -> Any:
    return json.loads(call(*arguments, "--json", "--quiet", book=book).stdout)


@pytest.mark.parametrize("kind", SCENES)
def test_json_is_the_contract(kind: Any) -> None:
    document = call_json(kind, "--simulated", FAULTY.get(kind, "healthy"))
    assert document["schema"] == f"voicecheck.{kind}/1"
    assert set(document) >= KEYS[kind]
    if kind in PARTS:
        name, keys = PARTS[kind]
        assert document[name]
        assert set(document[name][0]) >= keys


@pytest.mark.parametrize("kind", SCENES)
def test_plain_output_and_unusable_recordings(kind: Any, tmp_path: Path) -> None:
    """A silent file is exit code 3, and with --json a document that lists the problem."""
    assert call(kind, "--simulated", "healthy").stdout.strip()
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.zeros(96000), 48000)
    done = call(kind, "--recording", silent, "--json", error=RecordingError)
    assert done.exception.exit_code == 3
    document = json.loads(done.stdout)
    assert document["schema"] == f"voicecheck.{kind}/1"
    assert document["problems"][0]["kind"] == "no-signal"
    call(kind, "--recording", tmp_path / "none.wav", error=VoicecheckError)


@pytest.mark.parametrize("kind", SCENES)
def test_wrong_use_is_exit_code_2(kind: Any) -> None:
    for arguments in ((), ("--simulated", "nonsense"), ("--simulated", "a", "--bench", "b")):
        done = call(kind, *arguments, error=InputError)
        assert done.exception.exit_code == 2
    call(kind, "99", "--simulated", "healthy", error=InputError)


def test_a_device_that_is_not_there_is_exit_code_4() -> None:
    done = call("flex", "--bench", "no such device", "--seconds", 2, error=BenchError)
    assert done.exception.exit_code == 4
    done = call("bell", "--bench", "no such device", "--seconds", 2, error=BenchError)
    assert done.exception.exit_code == 4


def test_tones_that_may_reach_an_ear_are_capped() -> None:
    for changes in ({"level_dbfs": -3.0}, {"seconds": 1e5}, {"tone_hz": 9000.0}):
        with pytest.raises(InputError):
            Source(bench="x", **changes)
    programme = make_tone_programme(
        Source(bench="x", tone_hz=1000.0, level_dbfs=-12.0, seconds=2.0)
    )
    assert np.max(np.abs(programme.samples)) <= 10 ** (-12 / 20)
    assert programme.samples[0] == programme.samples[-1] == 0.0


def test_cautions_come_first() -> None:
    assert "ringing voltage" in call("bell", "--simulated", "healthy").stderr.splitlines()[0]
    assert "battery" in call("line", "--loop-ma", 30).stderr.splitlines()[0]
    assert (
        "never at an ear"
        in call("flex", "--bench", "no such device", "--seconds", 2, error=BenchError).stderr
    )


def test_recording_and_document_are_kept_with_the_job(book: Any, tmp_path: Path) -> None:
    scene = make_dial("slow", "37", seed=1)
    file = tmp_path / "as found.wav"
    soundfile.write(file, scene.samples, scene.rate_hz, subtype="PCM_24")
    first = call_json("dial", 1, "--recording", file, book=book)
    call("job", "done", 1, book=book)
    second = call_json("dial", 1, "--simulated", "healthy:37", book=book)
    assert (first["stage"], second["stage"]) == ("before", "after")
    with JobBook.open(book) as opened:
        kept = {one.name: one.sha256 for one in opened.load_job(1).attachments}
        assert kept["as found.wav"] == first["recording_sha256"]
        assert kept["dial-after.flac"] == second["recording_sha256"]
        sound, _ = soundfile.read(opened.locate_attachment(second["recording_sha256"]))
        checks = list_checks(opened, 1)
        assert opened.verify() == ()
    assert np.max(np.abs(sound - make_dial("healthy", "37", seed=1).samples)) < 2.0**-22
    assert [(one.kind, one.stage) for one in checks] == [("dial", "before"), ("dial", "after")]
    assert isinstance(checks[0].check, DialCheck)
    assert checks[0].check.region == "North America"
    assert checks[0].check.pulses_per_s == first["pulses_per_s"]


def test_an_unusable_recording_is_kept_all_the_same(book: Any, tmp_path: Path) -> None:
    file = tmp_path / "silent.wav"
    soundfile.write(file, np.zeros(96000), 48000)
    call("dial", 1, "--recording", file, "--quiet", book=book, error=RecordingError)
    with JobBook.open(book) as opened:
        assert [one.name for one in opened.load_job(1).attachments] == ["silent.wav"]


def test_timing_picture(tmp_path: Path) -> None:
    for name in ("pulses.png", "pulses.svg"):
        call("dial", "--simulated", "bouncing:370", "--picture", tmp_path / name)
    text = (tmp_path / "pulses.svg").read_text(encoding="utf-8")
    assert "Dialled: 370" in text
    assert "10 pulses" in text
    assert (tmp_path / "pulses.png").stat().st_size > 5000
    call("dial", "--simulated", "clicks:3", "--clicks", "--picture", tmp_path / "clicks.png")


def test_listening_file_needs_both_stages(book: Any, tmp_path: Path) -> None:
    out = tmp_path / "listen.wav"
    call("speak", 1, "--simulated", "quiet", "--listen", out, book=book, error=InputError)
    call("job", "done", 1, book=book)
    call("speak", 1, "--simulated", "loud", "--listen", out, book=book)
    samples, rate_hz = soundfile.read(out)
    assert rate_hz == 48000
    assert np.max(np.abs(samples)) == pytest.approx(10 ** (-3 / 20), abs=1e-4)


def test_check_list_fills_itself_in_and_is_ready_only_when_nothing_is_open(book: Any) -> None:
    call("dial", 1, "--simulated", "slow:370", "--quiet", book=book)
    call("job", "done", 1, book=book)
    call("dial", 1, "--simulated", "healthy:370", "--quiet", book=book)
    call("job", "done", 1, "--undo", book=book)
    call("flex", 1, "--simulated", "healthy", "--moved", "hook", "--quiet", book=book)
    call("line", 1, "--loop-ma", 33, "--quiet", book=book)
    call("tones", 1, "--simulated", "dial-tone", "--quiet", book=book)
    document = call_json("check", 1, "--done", "1", "--done", "4=9 Mohm", book=book)
    states = {step["step"]: step["state"] for step in document["steps"]}
    assert document["schema"] == "voicecheck.check/1"
    # Three digits are not ten, the hook alone is not cord, hook and handset, and work is ticked.
    assert {n for n, state in states.items() if state == "measured"} == {5}
    partly = {step["step"]: step["partly"] for step in document["steps"] if step["partly"]}
    assert partly == {
        7: "digits 1 2 4 5 6 8 9",
        8: "cord, handset",
        12: "digit 0: 1 of 10 times",
    }
    assert {n for n, state in states.items() if state == "done"} == {1, 4}
    # The line step shows the tone that was heard, and still wants a tick: a call is made by hand.
    line = next(step for step in document["steps"] if step["step"] == 22)
    assert line["state"] == "open"
    assert "dial tone heard" in line["result"]
    assert document["final"] == "not ready"
    refused = call("check", 1, "--final", "ready", book=book, error=InputError)
    assert "22" in str(refused.exception)
    call("check", 1, "--skip", "2", book=book, error=InputError)
    call("check", 1, "--skip", "99=no", book=book, error=InputError)
    rest = [word for n in document["open"] for word in ("--skip", f"{n}=not asked for")]
    ready = call_json("check", 1, *rest, "--final", "ready", book=book)
    assert (ready["final"], ready["open"]) == ("ready", [])
    again = call_json("check", 1, book=book)
    assert again["final"] == "ready"
    opened_again = call_json("check", 1, "--reopen", 3, book=book)
    assert (opened_again["final"], opened_again["open"]) == ("not ready", [3])


def test_variants_jack_conversion_and_an_edited_list(book: Any, tmp_path: Path) -> None:
    with JobBook.open(book) as opened:
        wall = update_list(opened, 1, variant="wall")
        assert "wall plate" in next(s.task for s in wall.steps if s.step == 10)
    jack = ("--fitted", "modular jack", "--removed", "spade lugs", "--kept", "lugs, in a bag")
    document = call_json("check", 1, *jack, book=book)
    assert document["variant"] == "wall"
    assert document["jack"]["kept"] == "lugs, in a bag"
    assert next(s["state"] for s in document["steps"] if s["step"] == 19) == "measured"
    own = tmp_path / "own.csv"
    call("check", "--template", own)
    lines = own.read_text(encoding="utf-8").splitlines()
    own.write_text("\n".join([*lines, "27,shop,all,Sweep the bench,clean,,own,PROP"]))
    document = call_json("check", 1, "--list", own, book=book)
    assert document["steps"][-1]["task"] == "Sweep the bench"
    assert document["jack"]["kept"] == "lugs, in a bag"
    call("check", "--template", own, error=InputError)
    own.write_text("step,task\n1,nothing")
    call("check", 1, "--list", own, book=book, error=InputError)
    assert len(call_json("check", 1, book=book)["steps"]) == 27


def test_template_has_26_steps_each_with_its_source() -> None:
    for variant in ("desk", "wall"):
        steps = parse_steps(read_template(), variant)
        assert [step.step for step in steps] == list(range(1, 27))
        assert all(step.source and step.provenance for step in steps)


def test_results_and_list_are_told_on_the_report(book: Any) -> None:
    call("dial", 1, "--simulated", "slow:370", "--quiet", book=book)
    with JobBook.open(book) as opened:
        results = collect_results(opened, 1)
        assert set(results) == {"dial"}
        assert "370 dialled" in results["dial"]
        assert results["dial"].endswith("(simulated)")
        assert find_list(opened, 1) is None
        update_list(opened, 1, skipped={2: "owner away"})
        results = collect_results(opened, 1)
    assert results["check list"].startswith("not ready (desk set)")
    told = [words for name, words in results.items() if name.startswith("step 2,")]
    assert told == ["not tested: owner away"]
    assert len([name for name in results if name.startswith("step ")]) == 26


def test_tables_have_source_and_provenance_in_every_row() -> None:
    from voicecheck.checkout.limits import load_rows

    for name in ("dial_limits.csv", "line_limits.csv", "checklist.csv"):
        assert all(row["source"] and row["provenance"] for row in load_rows(name)), name
