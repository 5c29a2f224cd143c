# mypy: disable-error-code="attr-defined"
"""The electrical check on a bench: its ends kept and expiring, files, the page."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from parts_takes import PROGRAMME, make_take, record_pair
from services import need_module
from test_checkout_jobs import call

from voicecheck.bench.calibration.endsteps import compute_ends, find_ends
from voicecheck.bench.calibration.validity import is_standing
from voicecheck.bench.partsfile import load_stimulus
from voicecheck.bench.simulated.parts import compute_part_ohm
from voicecheck.checkout.parts.stimulus import make_recipe, make_stimulus
from voicecheck.errors import InputError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import BenchSetup, Recording, StepResult, from_json, to_json
from voicecheck.workflow.benches.sitting import Sitting
from voicecheck.workflow.benches.store import add_setup, save_result
from voicecheck.workflow.checks.kinds import get_kind, load_files
from voicecheck.workflow.checks.source import Source

SETUP = BenchSetup(name="attic", device="Oak", line_tap_channel=1, ear_channel=2)
NOW = "2031-01-01T00:00:00+00:00"
TYPED = {"resistor_ohm": 5000.0, "known_ohm": 5000.0, "known_percent": 0.25}


def take_ends(*words: str, now_utc: str = NOW) -> StepResult:
    programme = make_stimulus(make_recipe("ends"))
    takes = [record_pair(programme, word) for word in words or ("open", "short", "known")]
    return compute_ends(SETUP, programme, takes, TYPED, done_utc=now_utc)


@pytest.fixture(scope="module")
def ends() -> StepResult:
    return take_ends()


def test_ends_are_kept_as_they_were_taken(ends: StepResult) -> None:
    assert from_json(to_json(ends), StepResult).same_as(ends)
    found = find_ends([ends], 5000.0, lambda _: True)
    assert found is not None
    assert found.known_ohm == 5000.0
    assert np.all(np.abs(found.ratios["open"].ratio) > 0.5)
    assert np.all(np.abs(found.ratios["short"].ratio) < 0.01)


def test_ends_count_for_their_own_resistor_and_a_month(ends: StepResult) -> None:
    assert find_ends([ends], 600.0, lambda _: True) is None
    assert is_standing(ends, "2031-01-30T00:00:00+00:00")
    assert not is_standing(ends, "2031-02-01T00:00:00+00:00")
    assert find_ends([ends], 5000.0, lambda one: is_standing(one, "2031-02-01T00:00:00+00:00")) is (
        None
    )


def test_takes_in_another_order_are_refused() -> None:
    for words in (("short", "open", "known"), ("open", "short", "short")):
        with pytest.raises(RecordingError) as refused:
            take_ends(*words)
        assert refused.value.kind == "wrong-order"
    with pytest.raises(InputError, match="both resistors"):
        compute_ends(SETUP, PROGRAMME, [], {}, done_utc=NOW)


def test_the_step_is_for_who_asks_for_it() -> None:
    sitting = Sitting(SETUP)
    assert "parts-ends" not in {guide.name for guide in sitting.list_open()}
    assert [guide.name for guide in sitting.list_wanted(["parts-ends"])] == ["parts-ends"]


def test_a_bench_of_the_book_brings_its_channels_and_its_ends(
    ends: StepResult, tmp_path: Path
) -> None:
    from voicecheck.records.times import get_now_utc

    kind = get_kind("parts")
    options = kind.options(part="capacitor", resistor_ohm=5000.0)
    with JobBook.open(tmp_path / "book") as book:
        add_setup(book, dataclasses.replace(SETUP, line_drive_channel=3, ear_channel=4))
        save_result(book, dataclasses.replace(ends, done_utc=get_now_utc()))
        filled, source = load_files(kind, options, Source(bench="attic"), book)
    assert (source.bench, source.out_channel) == ("Oak", 3)
    assert (source.channel, source.second_channel) == (1, 4)
    assert set(filled.loaded.ratios) == {"open", "short", "reference"}
    check = kind.measure(make_take("capacitor"), filled)  # type: ignore[misc]
    truth = complex(compute_part_ohm("capacitor", ("healthy",), 1, np.array([100.0]))[0])
    value = check.figures["capacitance_uf"]
    assert abs(value.value + 1e6 / (2e2 * np.pi * truth.imag)) < value.uncertainty
    assert check.corrections == ("open", "short", "reference")


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Stimulus, takes of a condenser and of known ends, as somebody recorded them: late."""
    folder = tmp_path_factory.mktemp("parts")
    call("signal", folder / "OUT.wav", "--kind", "parts")
    programme = load_stimulus(folder / "OUT.wav")
    for word in ("healthy", "open", "short", "known"):
        pair = record_pair(programme, word)
        sound = np.column_stack([one.samples for one in pair])
        late = np.vstack([np.zeros((20011, 2)), sound])
        soundfile.write(folder / f"{word}.wav", late, 48000, subtype="PCM_24")
    soundfile.write(folder / "mono.wav", late[:, 0], 48000, subtype="PCM_24")
    return folder


def measure(files: Path, *more: Any, part: str = "capacitor", **kw: Any) -> Any:
    words = ("--signal", files / "OUT.wav", "--recording", files / "healthy.wav")
    return call("parts", part, *words, "--resistor-ohm", 5000, *more, "--json", **kw)


def test_files_give_the_document_of_the_contract(files: Path) -> None:
    known = ("--reference", files / "known.wav", "--reference-ohm", 5000)
    ends = ("--open", files / "open.wav", "--short", files / "short.wav")
    document = json.loads(measure(files, *known, *ends).stdout)
    keys = ["schema", "part", "frequency_hz", "impedance_ohm", "uncertainty_ohm", "figures"]
    assert list(document)[:6] == keys
    assert document["part"] == "capacitor"
    truth = complex(compute_part_ohm("capacitor", ("healthy",), 1, np.array([100.0]))[0])
    value = document["figures"]["capacitance_uf"]
    assert abs(value["value"] + 1e6 / (2e2 * np.pi * truth.imag)) < value["uncertainty"]


def test_an_input_that_nobody_measured_withholds_what_it_moves(files: Path) -> None:
    document = json.loads(measure(files).stdout)
    assert document["figures"]["loss_tangent"]["value"] is None
    assert "input-unknown" in {one["kind"] for one in document["problems"]}
    assert document["figures"]["capacitance_uf"]["value"] is not None


def test_what_is_missing_is_asked_for(files: Path) -> None:
    recording = ("--recording", files / "healthy.wav")
    call("parts", "capacitor", *recording, error=InputError)
    call("parts", "capacitor", *recording, "--resistor-ohm", 5000, error=InputError)
    call("parts", "lamp", *recording, "--resistor-ohm", 5000, error=InputError)
    measure(files, "--reference", files / "known.wav", error=InputError)
    mono = ("--signal", files / "OUT.wav", "--recording", files / "mono.wav")
    call("parts", "capacitor", *mono, "--resistor-ohm", 5000, error=RecordingError)


def test_a_programme_is_no_stimulus_and_a_stimulus_no_programme(
    files: Path, tmp_path: Path
) -> None:
    call("signal", tmp_path / "sweeps.wav", "--kind", "quick")
    words = ("--recording", files / "healthy.wav", "--resistor-ohm", 5000)
    call("parts", "bell", "--signal", tmp_path / "sweeps.wav", *words, error=RecordingError)
    call("analyze", files / "mono.wav", "--signal", files / "OUT.wav", error=RecordingError)
    call("signal", tmp_path / "x.wav", "--kind", "parts", "--sweeps", 3, error=InputError)


def test_the_page_shows_the_wires_and_takes_a_part(tmp_path: Path) -> None:
    need_module("starlette", "PAGE")
    from pagetest import TAB, fill_book, open_client

    with open_client(fill_book(tmp_path / "book")) as client:
        section = client.get("/jobs/1/checks").text.partition('<section id="parts"')[2]
        section = section.partition("</section>")[0]
        assert section.count('<svg class="wiring narrow"') == 3
        assert "never the public line" in section
        assert 'type="file" name="reference"' in section
        data = {"tab": TAB, "on": "simulated:healthy", "part": "capacitor"}
        client.post("/jobs/1/checks/parts", data=data, files={"none": ("", b"")})
        client.desk.wait(60)
        assert client.desk.status.line.startswith("Done"), client.desk.status.line
        text = client.get("/jobs/1/checks").text
        assert "capacitance 0.4" in text
        assert b"</svg>" in client.get("/jobs/1/checks/parts/0.svg").content


def test_the_feed_of_a_job_stands_on_its_charts(tmp_path: Path) -> None:
    """What the dial's breaks showed is said of runs that nothing else tells it of, and no other."""
    from factories import make_run

    from voicecheck.charts import list_conditions
    from voicecheck.records.parts import PartFigure, PartsCheck
    from voicecheck.words import load_words
    from voicecheck.workflow.checks.run import StoredCheck
    from voicecheck.workflow.papers.reporting import state_feed

    read = PartsCheck(part="feed", figures={"feed_ma": PartFigure(value=38.24, uncertainty=0.8)})
    # The factory's run is a made one.
    kept = StoredCheck(
        kind="parts", stage="before", part="feed", taken_utc=NOW, bench="simulated", check=read
    )
    (run,) = state_feed([make_run()], [kept])
    assert "38.2 mA in the loop" in list_conditions([run], load_words())[0]
    (other,) = state_feed([make_run()], [dataclasses.replace(kept, bench="attic")])
    assert "in the loop" not in list_conditions([other], load_words())[0]


def test_insulation_and_leakage_are_typed_with_the_line(tmp_path: Path) -> None:
    """5 megohm is the least of 47 CFR 68.312 (S55); leakage has no limit, so no verdict."""
    kind = get_kind("line")
    check = kind.rate(kind.options(insulation_mohm=1.2, leakage_ua=40.0))  # type: ignore[misc]
    assert [(one.quantity, one.verdict) for one in check.findings] == [
        ("insulation_mohm", "outside")
    ]
    assert "condenser leakage 40 uA" in kind.describe(check)
    assert kind.beside is not None
    assert kind.beside(check) == {"insulation": "1.2 Mohm"}


def test_a_condenser_is_held_against_its_type(tmp_path: Path) -> None:
    """0.42 uF of the made one: within 0.4 to 0.5, and not 0.9 to 1.1."""
    for normal, verdict in (("0.4..0.5uF", "within"), ("0.9..1.1uF", "outside")):
        place = tmp_path / verdict
        words = ("--transmitter", "carbon", "--normal", f"capacitance={normal}")
        call("type", "add", "Lakeside 4", *words, book=place)
        call("job", "open", "hall", "--type", "Lakeside 4", book=place)
        told = call("parts", "capacitor", 1, "--simulated", "healthy", "--json", book=place)
        (finding,) = json.loads(told.stdout)["findings"]
        assert (finding["quantity"], finding["verdict"]) == ("capacitance_uf", verdict)
        shown = call("parts", "capacitor", 1, "--simulated", "healthy", book=place).stdout
        assert ("0.9 to 1.1 is usual" in shown) == (verdict == "outside")


def test_each_part_of_a_job_stands_by_itself(tmp_path: Path) -> None:
    from voicecheck.records import SetType
    from voicecheck.workflow.checks.run import list_checks

    with JobBook.open(tmp_path / "book") as book:
        book.add_type(SetType(name="Lakeside 4"))
        book.open_job("hall", "Lakeside 4")
    for part in ("feed", "contact"):
        call("parts", part, 1, "--simulated", "healthy", book=tmp_path / "book")
    with JobBook.open(tmp_path / "book") as book:
        kept = list_checks(book, 1)
    assert [one.part for one in kept] == ["feed", "contact"]
    assert kept[1].check.figures["resistance_ohm"].value < 0.2
    assert isinstance(make_take("feed"), Recording)
