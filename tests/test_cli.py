# mypy: disable-error-code="assignment,no-untyped-call"
"""Every command as a user runs it: output, JSON keys of the contract, exit codes."""

import dataclasses
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from helpers import run_program
from known_plant import KnownPlant

from voicecheck.bench.wavfile import load_programme
from voicecheck.cli.common import write_text
from voicecheck.programme import DEFAULT_RECIPE, make_programme

PLANT = KnownPlant(square=0.5, noise_dbfs=-65.0, latency_s=0.1, drift_ppm=12.0)
MEASUREMENT_KEYS = {
    "schema", "version", "recording", "timing", "response", "bands", "loudness", "distortion",
    "linearity", "intermodulation", "noise", "sinad_db", "problems",
}  # fmt: skip


def run(*arguments: Any, folder: Any, code: Any = 0, book: Any = None) -> Any:
    """Run the program as a shell would; see `test_a_process_of_its_own` for the shell."""
    environment = {k: v for k, v in os.environ.items() if k != "VOICECHECK_BOOK"}
    if book:
        environment["VOICECHECK_BOOK"] = str(book)
    done = run_program(*arguments, folder=folder, environment=environment)
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A folder with a programme file and recordings of it."""
    folder = tmp_path_factory.mktemp("files")
    run("signal", "OUT.wav", folder=folder)
    programme = load_programme(folder / "OUT.wav")
    recorded = PLANT(programme.samples, programme.rate_hz)
    soundfile.write(folder / "A.wav", recorded, programme.rate_hz, subtype="PCM_24")
    soundfile.write(folder / "B.flac", 0.5 * recorded, programme.rate_hz, subtype="PCM_24")
    stereo = np.column_stack([np.zeros(len(recorded)), recorded])
    soundfile.write(folder / "stereo.wav", stereo, programme.rate_hz, subtype="FLOAT")
    return folder


@pytest.mark.parametrize(("name", "code"), [("A.wav", 0), ("none.wav", 3)])
def test_a_process_of_its_own(folder: Any, name: str, code: int) -> None:
    """What a shell gets is what the other tests get without one: output, errors, exit code."""
    arguments = ("analyze", name, "--signal", "OUT.wav", "--json")
    command = [sys.executable, "-m", "voicecheck", *arguments]
    alone = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    here = run(*arguments, folder=folder, code=code)
    assert (alone.returncode, alone.stdout, alone.stderr) == (code, here.stdout, here.stderr)


def test_signal_json_is_the_contract(folder: Any) -> None:
    document = json.loads(run("signal", "S.wav", "--rate", 44100, "--json", folder=folder).stdout)
    assert document["schema"] == "voicecheck.programme/1"
    assert document["rate_hz"] == 44100
    assert {block["kind"] for block in document["blocks"]} == {
        "identity", "mark", "silence", "sweep", "steps", "four-tone",
    }  # fmt: skip
    sweep = next(block for block in document["blocks"] if block["kind"] == "sweep")
    assert set(sweep) == {"kind", "start_s", "end_s", "peak", "from_hz", "to_hz"}
    assert sweep["peak"] == pytest.approx(0.2512, abs=1e-3)


def test_analyze_json_is_the_contract(folder: Any) -> None:
    done = run("analyze", "A.wav", "--signal", "OUT.wav", "--json", folder=folder)
    document = json.loads(done.stdout)
    assert set(document) >= MEASUREMENT_KEYS
    assert document["schema"] == "voicecheck.measurement/1"
    assert document["timing"]["drift_ppm"] == pytest.approx(12.0, abs=0.2)
    response = document["response"]
    assert response["unit"] == "dB relative"
    assert len(response["frequency_hz"]) == len(response["level_db"]) == 52
    error = np.array(response["level_db"]) - PLANT.true_response_db(response["frequency_hz"], 0.25)
    assert np.max(np.abs(error)) < 0.02
    assert len(document["distortion"]["harmonic_db"]) == 4
    assert document["linearity"]["frequency_hz"] == 1000
    assert document["problems"] == []


def test_several_recordings_come_in_order_and_one_bad_file_does_not_stop_the_rest(
    folder: Any,
) -> None:
    (folder / "bad.wav").write_bytes(b"RIFF, perhaps")
    arguments = ("analyze", "A.wav", "bad.wav", "B.flac", "--signal", "OUT.wav", "--json")
    done = run(*arguments, folder=folder, code=3)
    first, bad, last = json.loads(done.stdout)
    gain = np.array(first["response"]["level_db"]) - np.array(last["response"]["level_db"])
    assert np.allclose(gain, 20 * np.log10(2), atol=0.01)
    assert set(bad) == {"recording", "problems"}
    assert len(done.stderr.strip().splitlines()) == 1


def test_channel(folder: Any) -> None:
    one = run(
        "analyze", "stereo.wav", "--channel", 2, "--signal", "OUT.wav", "--json", folder=folder
    )
    assert json.loads(one.stdout)["recording"]["channel"] == 2
    found = run("analyze", "stereo.wav", "--signal", "OUT.wav", "--json", folder=folder)
    document = json.loads(found.stdout)
    assert document["recording"]["channel"] == 2
    assert "other-channel" in {problem["kind"] for problem in document["problems"]}
    # A channel that is named is taken, whatever is on the other.
    run("analyze", "stereo.wav", "--channel", 1, "--signal", "OUT.wav", folder=folder, code=3)
    run("analyze", "stereo.wav", "--channel", 3, "--signal", "OUT.wav", folder=folder, code=2)


def test_plain_output_in_a_pipe_has_no_escapes(folder: Any) -> None:
    done = run("analyze", "A.wav", "--signal", "OUT.wav", folder=folder)
    assert "level at 1 kHz" in done.stdout
    assert "\x1b" not in done.stdout + done.stderr


def write(folder: Any, name: Any, content: Any) -> Any:
    (folder / name).write_bytes(content)
    return name


def make_bad(folder: Any, kind: Any) -> Any:
    """Files that no number can be had from."""
    rate, good = 48000, folder / "A.wav"
    samples = soundfile.read(good)[0]
    if kind == "text":
        return write(folder, "text.wav", b"hello, this is no sound at all")
    if kind == "empty":
        return write(folder, "empty.wav", b"")
    if kind == "truncated":
        return write(folder, "truncated.wav", good.read_bytes()[:400_000])
    if kind == "zero-channels":
        content = bytearray(good.read_bytes())
        content[22:24] = b"\0\0"
        return write(folder, "channels.wav", bytes(content))
    if kind == "huge-header":
        content = bytearray(good.read_bytes()[:1024])
        at = content.index(b"data") + 4
        content[at : at + 4] = (0xFFFFFFF0).to_bytes(4, "little")
        return write(folder, "huge.wav", bytes(content))
    made = {
        "nan": lambda: np.where(np.arange(len(samples)) == 300_000, np.nan, samples),
        "silence": lambda: np.zeros(len(samples)),
        "late": lambda: samples[100_000:],
        "early": lambda: samples[:400_000],
        "noise": lambda: 0.1 * np.random.default_rng(1).standard_normal(len(samples)),
        "wrong-rate": lambda: samples,
    }[kind]()
    rate = 44100 if kind == "wrong-rate" else rate
    soundfile.write(folder / f"{kind}.wav", made, rate, subtype="FLOAT")
    return f"{kind}.wav"


@pytest.mark.parametrize(
    "kind",
    ["text", "empty", "truncated", "zero-channels", "huge-header", "nan", "silence", "late",
     "early", "noise", "wrong-rate"],
)  # fmt: skip
def test_bad_input_gets_one_line_and_exit_code_3(folder: Any, kind: str) -> None:
    """And with --json a document that lists the problem."""
    name = make_bad(folder, kind)
    done = run("analyze", name, "--signal", "OUT.wav", "--json", folder=folder, code=3)
    assert len(done.stderr.strip().splitlines()) == 1
    assert json.loads(done.stdout)["problems"][0]["message"] in done.stderr


def test_another_programme_is_named_and_used_where_it_can_be_had(folder: Any) -> None:
    """The marks say what was played: the figures are those of the right file, and it is told."""
    run("signal", "OTHER.wav", "--sweep-s", 2, folder=folder)
    right = run("analyze", "A.wav", "--signal", "OUT.wav", "--json", folder=folder)
    other = run("analyze", "A.wav", "--signal", "OTHER.wav", "--json", folder=folder)
    documents = [json.loads(done.stdout) for done in (right, other)]
    assert documents[0]["response"] == documents[1]["response"]
    kinds = [{problem["kind"] for problem in one["problems"]} for one in documents]
    assert kinds[1] - kinds[0] == {"other-programme"}


def test_a_programme_that_nobody_knows_is_exit_code_3(folder: Any) -> None:
    """Its recipe is in no file beside it and not on offer: refused, with its name."""
    odd = make_programme(dataclasses.replace(DEFAULT_RECIPE, sweep_s=2.37, step_s=0.21))
    (folder / "odd").mkdir()
    soundfile.write(folder / "odd" / "odd.wav", 0.5 * odd.samples, 48000, subtype="PCM_24")
    done = run("analyze", "odd/odd.wav", "--signal", "OUT.wav", folder=folder, code=3)
    assert "another programme" in done.stderr


def test_a_recording_given_as_programme_is_told(folder: Any) -> None:
    done = run("analyze", "A.wav", "--signal", "A.wav", folder=folder, code=3)
    assert "recipe" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("signal", "X.wav", "--level-dbfs", "0"), 4),
        (("signal", "X.wav", "--rate", "8000"), 2),
        (("signal", "no/such/folder/X.wav"), 2),
        (("nonsense",), 2),
        (("analyze", "A.wav"), 2),
        (("job", "show", "99"), 2),
        (("sweep", "1", "--stage", "before", "--path", "transmit"), 2),
    ],
)
def test_exit_codes(folder: Any, arguments: Any, code: int, tmp_path: Path) -> None:
    done = run(*arguments, folder=folder, code=code, book=tmp_path / "book")
    assert len(done.stderr.strip().splitlines()) == 1


def test_book_that_cannot_be_written_is_exit_code_5(folder: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    done = run("job", "list", "--book", tmp_path / "file" / "book", folder=folder, code=5)
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_job_from_type_to_report(folder: Any, tmp_path: Path) -> None:
    """The whole contract of the job commands, on recordings and on the simulated bench."""
    book = tmp_path / "book"

    def call(*arguments: Any, code: Any = 0) -> Any:
        return run(*arguments, folder=folder, book=book, code=code).stdout

    call("type", "add", "Lakeside 4", "--transmitter", "carbon", "--feed-ma", 40)
    for seed in (1, 2, 3):
        number = json.loads(call("job", "open", f"good {seed}", "--type", "Lakeside 4", "--json"))
        arguments = ("--path", "transmit", "--simulated", "carbon", "--seed", seed, "--seats", 2)
        call("sweep", number["job"], "--stage", "reference", *arguments)
    baseline = json.loads(call("baseline", "build", "Lakeside 4", "--path", "transmit", "--json"))
    assert baseline["n"] == 3
    number = json.loads(call("job", "open", "hall", "--type", "Lakeside 4", "--json"))["job"]
    # Three good sets leave a level 15 dB to either side; the frying stands out at once.
    handset = "carbon+packed+frying"
    arguments = ("--path", "transmit", "--simulated", handset, "--seats", 2, "--json")
    document = json.loads(call("sweep", number, "--stage", "before", *arguments))
    assert document["schema"] == "voicecheck.run/1"
    assert set(document["pooled"]) >= MEASUREMENT_KEYS | {"seat_sd_db"}
    assert [one["schema"] for one in document["recordings"]] == ["voicecheck.measurement/1"] * 2
    comparison = json.loads(call("compare", number, "--stage", "before", "--json"))
    assert comparison["schema"] == "voicecheck.comparison/1"
    assert comparison["against"] == {"kind": "baseline", "name": "Lakeside 4", "n": 3}
    assert comparison["overall"] == "outside"
    assert {"path", "quantity", "value", "unit", "uncertainty", "low", "high", "verdict",
            "worst_hz"} <= set(comparison["findings"][0])  # fmt: skip
    assert {"code", "cause", "confidence", "separate_by"} <= set(comparison["hints"][0])
    files = ("--recording", "A.wav", "A.wav", "--signal", "OUT.wav")
    call("sweep", number, "--stage", "from file", "--path", "transmit", *files)
    call("compare", number, "--stage", "from file", "--against", f"{number}:before")
    call("compare", number, "--stage", "before", "--against", "mask:no-such-mask", code=2)
    written = json.loads(call("report", number, "--out", tmp_path / "out", "--json"))["files"]
    assert {"report.html", "chart.png", "chart.svg", "report.json"} <= {
        Path(file).name for file in written
    }
    assert "hall" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_seat_that_cannot_be_used_does_not_stop_the_others(folder: Any, tmp_path: Path) -> None:
    book = tmp_path / "book"
    run("type", "add", "T", "--transmitter", "electret", folder=folder, book=book)
    run("job", "open", "one", "--type", "T", folder=folder, book=book)
    silent = make_bad(folder, "silence")
    arguments = ("--stage", "before", "--path", "transmit", "--signal", "OUT.wav", "--json")
    done = run("sweep", 1, *arguments, "--recording", "A.wav", silent, folder=folder, book=book)
    assert len(json.loads(done.stdout)["recordings"]) == 1
    assert "silent" in done.stderr
    run("sweep", 1, *arguments, "--recording", silent, folder=folder, book=book, code=3)


def test_a_carbon_run_without_conditioning_is_marked(folder: Any, tmp_path: Path) -> None:
    """ITU-T P.75: what is not said to be conditioned carries a problem; what is does not."""
    book = tmp_path / "book"
    run("type", "add", "T", "--transmitter", "carbon", folder=folder, book=book)
    run("job", "open", "one", "--type", "T", folder=folder, book=book)
    arguments = ("sweep", 1, "--path", "transmit", "--signal", "OUT.wav", "--json")
    files = ("--recording", "A.wav")
    kinds = []
    for stage, said in (("unsaid", ()), ("said", ("--conditioned",))):
        done = run(*arguments, "--stage", stage, *said, *files, folder=folder, book=book)
        document = json.loads(done.stdout)["pooled"]
        kinds.append([problem["kind"] for problem in document["problems"]])
        assert document["conditions"]["conditioned"] is (True if said else None)
    assert kinds == [["conditioning"], []]


def test_a_coil_reading_and_another_current_are_used(tmp_path: Path) -> None:
    """Coil readings become a test of the hints; a stated feed current goes into the run."""
    book = tmp_path / "book"

    def call(*arguments: Any) -> Any:
        return run(*arguments, folder=tmp_path, book=book).stdout

    call("type", "add", "T", "--transmitter", "carbon")
    once = ("--path", "receive", "--seats", 1, "--simulated")
    for seed in (1, 2):
        call("job", "open", f"good {seed}", "--type", "T")
        call("sweep", seed, "--stage", "reference", *once, "carbon", "--seed", seed)
        coil = ("--stage", "reference coil", "--ear", "coil", *once, "carbon", "--seed", seed)
        call("sweep", seed, *coil)
    call("baseline", "build", "T")
    call("job", "open", "weak", "--type", "T")
    call("sweep", 3, "--stage", "before", *once, "carbon+weak-magnet")
    document = json.loads(
        call("sweep", 3, "--stage", "before coil", "--ear", "coil", "--feed-ma", 25, "--json",
             *once, "carbon+weak-magnet")
    )  # fmt: skip
    conditions = document["pooled"]["conditions"]
    assert conditions["ear"] == "coil"
    assert conditions["feed_ma"] == 25
    assert "F13" in [hint["code"] for hint in json.loads(call("compare", 3, "--json"))["hints"]]
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.comparing import _gather_coil

    with open_book(book) as opened:
        found = _gather_coil(opened, opened.load_job(3), "before")
    assert set(found) == {"test.coil_db"}
    assert abs(found["test.coil_db"]) < 10


def test_a_console_without_a_minus_sign_is_told_in_plain_letters(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    console = io.TextIOWrapper(io.BytesIO(), encoding="ascii", newline="")
    monkeypatch.setattr("sys.stdout", console)
    write_text("\u22124.0 \u00b1 0.8 dB, 200\u2013500 Hz")
    console.flush()
    assert console.buffer.getvalue() == b"-4.0 +/- 0.8 dB, 200-500 Hz\n"


def test_what_it_was_is_kept_and_a_slip_is_told(tmp_path: Path) -> None:
    book = tmp_path / "book"

    def call(*arguments: Any, code: int = 0) -> Any:
        return run(*arguments, folder=tmp_path, book=book, code=code)

    call("type", "add", "T", "--transmitter", "carbon")
    call("job", "open", "weak", "--type", "T")
    assert "it was weak magnet" in call("job", "cause", 1, "F13").stderr
    assert "it was a moth" in call("job", "cause", 1, "a moth").stderr
    assert "say it in words" in call("job", "cause", 1, "F99", code=2).stderr
