"""Two evenings on the simulated bench from start to bundle, and the bundle read again."""

from __future__ import annotations

import dataclasses
import json
import shutil
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from documents import check_document
from telling import SHOUT, call

from voicecheck.bench.simulated import proving
from voicecheck.errors import InputError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import Measurement, Recording, SetType
from voicecheck.records.orders import SimulatedSource
from voicecheck.verdicts.protocol import list_parts
from voicecheck.workflow.protocol import figures, taking
from voicecheck.workflow.protocol.kept import load_protocol, start_protocol

TYPE, OWNER = "Hillview 2", "Ottoline Quillfeather"
PLANTS = ["blocked"] * 3 + ["none"] * 5 + ["blocked", "none"]
SOUND, BLOCKED = "electret", "electret+blocked-mouthpiece"


def next_part(book: Path, handset: str = SOUND, *words: str) -> Any:
    given = ("--simulated", handset, "--seed", 5, "--quiet", "--json", *words)
    document = json.loads(call("protocol", "next", 1, *given, book=book))
    check_document(document)
    return document


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A book in which everything was done with two takes a part, and its bundle."""
    folder = tmp_path_factory.mktemp("protocol")
    book, envelope, corpus = (folder / name for name in ("book", "envelope.json", "corpus.zip"))
    with JobBook.open(book) as opened:
        opened.add_type(SetType(name=TYPE, transmitter="electret"))
        job = start_protocol(opened, TYPE, f"two evenings of {OWNER}").job
        opened.edit_job(job, owner=OWNER)
    for part in list_parts():
        if part == "round 1":
            plants = [word for one in PLANTS for word in ("--plant", one)]
            call("protocol", "hide", 1, envelope, *plants, book=book)
        words: tuple[str, ...] = ("--takes", "2") if part.startswith(("seats", "round")) else ()
        if part == "dial 1":
            words = ("--read", "scope_pps=10.0", "--read", "scope_break_percent=60,5")
        is_blocked = part.startswith("round") and PLANTS[int(part.split()[1]) - 1] == "blocked"
        assert next_part(book, BLOCKED if is_blocked else SOUND, *words)["part"] == part
    call("protocol", "open", 1, envelope, book=book)
    call("protocol", "bundle", 1, corpus, book=book)
    return book, corpus


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bundle of the first three parts."""
    folder = tmp_path_factory.mktemp("small")
    with JobBook.open(folder / "book") as opened:
        opened.add_type(SetType(name=TYPE, transmitter="electret"))
        start_protocol(opened, TYPE)
    for _ in range(3):
        next_part(folder / "book")
    call("protocol", "bundle", 1, folder / "corpus.zip", book=folder / "book")
    return folder / "corpus.zip"


class TestWay:
    def test_everything_is_judged_and_right(self, done: tuple[Path, Path]) -> None:
        found = json.loads(call("protocol", "show", 1, "--json", book=done[0]))
        check_document(found)
        assert found["missing"] == []
        assert found["simulated"] is True
        assert {one["step"]: one["verdict"] for one in found["findings"]} == dict.fromkeys(
            ("loop-back", "resistor", "diodes", "seats", "round", "dial"), "within"
        )
        values = {(one["step"], one["quantity"]): one["value"] for one in found["findings"]}
        assert values["round", "hits"] == 1.0
        # Two takes on each side call more than ten against three: one of six may be.
        assert values["round", "false alarms"] <= 1 / 6
        assert abs(values["resistor", "step"]) < 2.0

    def test_it_is_said_to_be_simulated(self, done: tuple[Path, Path]) -> None:
        assert SHOUT in call("protocol", "show", 1, book=done[0]).splitlines()

    def test_takes_are_ordinary_runs_and_checks(self, done: tuple[Path, Path]) -> None:
        with JobBook.open(done[0]) as book:
            stages = {run.stage for run in book.list_runs(job=1)}
            names = {file.name for file in book.load_job(1).attachments}
        assert {"loop-back 1", "seats 2A", "round 10"} <= stages
        assert {"check-dial.json", "protocol-resistor-1.flac", "protocol-part.json"} <= names

    def test_no_two_takes_of_the_handset_are_the_same(self, done: tuple[Path, Path]) -> None:
        with JobBook.open(done[0]) as book:
            sounds = [sound for one in load_protocol(book, 1).parts for sound in one.sounds]
        # The bench alone is the same at each take of one made bench.
        assert len(set(sounds)) == len(sounds) - 5 or len(set(sounds)) == len(sounds)

    def test_once_it_is_open_no_round_counts(self, done: tuple[Path, Path]) -> None:
        with pytest.raises(InputError, match="the envelope is open"):
            call("protocol", "next", 1, "--part", "round 3", "--simulated", SOUND, book=done[0])


class TestBundle:
    def test_nobodys_name_is_in_it(self, done: tuple[Path, Path]) -> None:
        with zipfile.ZipFile(done[1]) as corpus:
            contents = {name: corpus.read(name) for name in corpus.namelist()}
        assert len(contents) > 60
        for name, content in contents.items():
            for word in OWNER.split():
                assert word.encode() not in content, name

    def test_the_same_version_reads_the_same(self, done: tuple[Path, Path]) -> None:
        found = json.loads(call("protocol", "again", done[1], "--json", "--quiet"))
        check_document(found)
        assert (found["changed"], found["verdicts"]) == ([], [])
        assert found["n_recordings"] == 6 + 1 + 1 + 8 + 20 + 1
        assert found["n_figures"] > 150

    def test_another_version_is_told_by_its_figures(
        self, small: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """One that reads the loop 0.3 dB higher from the second take on."""
        right: Any = vars(figures)["measure_recording"]
        calls: list[str] = []

        def read_wrongly(programme: Any, recording: Recording, **other: Any) -> Measurement:
            found: Measurement = right(programme, recording, **other)
            calls.append(recording.conditions.path)
            if recording.conditions.path != "loop" or calls.count("loop") == 1:
                return found
            level_db = found.bands.at_1khz_db
            assert level_db is not None
            return found.replace(bands=dataclasses.replace(found.bands, at_1khz_db=level_db + 0.3))

        monkeypatch.setattr(figures, "measure_recording", read_wrongly)
        found = json.loads(call("protocol", "again", small, "--json", "--quiet"))
        assert {one["figure"] for one in found["changed"]} == {"level_1_db"}
        assert all(one["is_beyond"] for one in found["changed"])
        assert [(one["step"], one["was"], one["now"]) for one in found["verdicts"]] == [
            ("loop-back", "within", "outside")
        ]

    def test_it_is_said_to_be_simulated_there_too(self, small: Path) -> None:
        told = call("protocol", "again", small, "--quiet")
        assert SHOUT in told.splitlines()
        assert "0 figures are others" in told

    def test_a_change_within_its_interval_is_told_as_one(
        self, small: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        right: Any = vars(figures)["measure_jumps"]

        def read_anew(samples: Any, rate_hz: int) -> Any:
            found = right(samples, rate_hz)
            return dataclasses.replace(found, mean_size=1.001 * found.mean_size)

        monkeypatch.setattr(figures, "measure_jumps", read_anew)
        found = json.loads(call("protocol", "again", small, "--json", "--quiet"))
        assert [(one["figure"], one["is_beyond"]) for one in found["changed"]] == [
            ("step_v", False)
        ]
        assert found["verdicts"] == []

    def test_what_is_no_bundle_is_refused_whole(self, tmp_path: Path) -> None:
        book = tmp_path / "book"
        with JobBook.open(book) as opened:
            opened.add_type(SetType(name=TYPE, transmitter="electret"))
            job = opened.open_job("hall set", TYPE).job
            opened.export_job(job, tmp_path / "job.zip")
        with pytest.raises(InputError, match="none that"):
            call("protocol", "again", tmp_path / "job.zip", "--quiet")
        (tmp_path / "text.zip").write_text("no parcel")
        with pytest.raises(InputError):
            call("protocol", "again", tmp_path / "text.zip", "--quiet")
        with pytest.raises(InputError, match="nothing of the protocol was done"):
            call("protocol", "bundle", job, tmp_path / "none.zip", book=book)
        assert not (tmp_path / "none.zip").exists()

    def test_one_changed_byte_refuses_all_of_it(
        self, done: tuple[Path, Path], tmp_path: Path
    ) -> None:
        spoiled = tmp_path / "spoiled.zip"
        n_changed = 0
        with zipfile.ZipFile(done[1]) as corpus, zipfile.ZipFile(spoiled, "w") as target:
            for name in corpus.namelist():
                content = corpus.read(name)
                if name.startswith("attachments/") and b'"resistor 1"' in content:
                    content = content.replace(b'"loop_ma":40.0', b'"loop_ma":41.0')
                    n_changed += 1
                target.writestr(name, content)
        assert n_changed
        with pytest.raises(InputError):
            call("protocol", "again", spoiled, "--quiet")


@pytest.fixture
def book(tmp_path: Path) -> Path:
    folder = tmp_path / "book"
    with JobBook.open(folder) as opened:
        opened.add_type(SetType(name=TYPE, transmitter="electret"))
    call("protocol", "start", "--type", TYPE, book=folder)
    return folder


class TestRefusals:
    def test_a_round_needs_its_envelope_and_its_evening(self, book: Path, tmp_path: Path) -> None:
        words = ("protocol", "next", 1, "--part", "round 1", "--simulated", SOUND)
        with pytest.raises(InputError, match="closes the envelope first"):
            call(*words, book=book)
        plants = [word for one in PLANTS for word in ("--plant", one)]
        call("protocol", "hide", 1, tmp_path / "envelope.json", *plants, book=book)
        with pytest.raises(InputError, match="do seats 2A first"):
            call(*words, book=book)
        with pytest.raises(InputError, match="round 1 is not done yet"):
            call("protocol", "open", 1, tmp_path / "envelope.json", book=book)

    def test_a_swapped_envelope_is_refused(self, done: tuple[Path, Path], tmp_path: Path) -> None:
        """Everything done but the opening: the friend's file is not the one that was closed."""
        copy = tmp_path / "book"
        shutil.copytree(done[0], copy)
        envelope = done[0].parent / "envelope.json"
        swapped = tmp_path / "swapped.json"
        swapped.write_text(envelope.read_text().replace("blocked", "none"))
        with pytest.raises(InputError, match="not the file that was closed"):
            call("protocol", "open", 1, swapped, book=copy)

    def test_readings_are_asked_for_by_name(self, book: Path) -> None:
        words = ("protocol", "next", 1, "--simulated", SOUND, "--part")
        with pytest.raises(InputError, match="scope_pps is missing"):
            call(*words, "dial 1", book=book)
        with pytest.raises(InputError, match="no reading 'ohms'"):
            call(*words, "resistor 1", "--read", "ohms=3", book=book)
        with pytest.raises(InputError, match="need 1 to 120 mA"):
            call(*words, "resistor 1", "--read", "loop_ma=0.04", book=book)
        with pytest.raises(InputError, match="NAME=NUMBER"):
            call(*words, "resistor 1", "--read", "loop_ma", book=book)
        with pytest.raises(InputError, match="need one of loop-back 1"):
            call(*words, "resistor", book=book)
        with JobBook.open(book) as opened:
            assert load_protocol(opened, 1).parts == ()

    def test_a_wrong_resistor_is_outside(self, book: Path) -> None:
        next_part(book, SOUND, "--part", "resistor 1", "--read", "switched_ohm=1.2")
        assert "outside: the step of 1.2 ohm" in call("protocol", "show", 1, book=book)

    def test_a_diode_law_that_is_not_theirs_is_outside(self, book: Path) -> None:
        next_part(book, SOUND, "--part", "diodes 1", "--read", "forward_mv=480")
        assert "outside: thd is" in call("protocol", "show", 1, book=book)

    def test_a_bench_that_moves_is_outside(
        self, book: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        next_part(book)
        right = taking.make_made_bench

        def make_moved(order: Any, step: str, feed_ma: float) -> Any:
            bench = right(order, step, feed_ma)
            assert isinstance(bench, proving.ProvingBench)
            bench.moved_db = 0.2
            return bench

        monkeypatch.setattr(taking, "make_made_bench", make_moved)
        next_part(book, SOUND, "--part", "loop-back 2")
        told = call("protocol", "show", 1, book=book)
        assert "outside: over" in told
        assert "+0.200 dB" in told

    def test_what_cannot_be_read_is_kept(self, book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def record_nothing(**_: Any) -> Recording:
            return Recording(samples=np.zeros(48000 * 3), rate_hz=48000)

        monkeypatch.setattr(proving, "record_switched_ohm", record_nothing)
        with pytest.raises(RecordingError, match="the recording is kept with job 1"):
            next_part(book, SOUND, "--part", "resistor 1")
        with JobBook.open(book) as opened:
            (file,) = opened.load_job(1).attachments
        assert file.name == "protocol-resistor-1.flac"


def test_a_made_bench_is_another_for_each_person_and_day() -> None:
    def find_ratio(part: str) -> float:
        order = taking.PartOrder(job=1, part=part, source=SimulatedSource(handset=SOUND))
        bench = taking.make_made_bench(order, "seats", 40.0)
        assert isinstance(bench, proving.ProvingBench)
        return bench.seat(1).jig.mouth_ratio

    ratios = {find_ratio(f"seats {place}") for place in ("1A", "1B", "2A", "2B")}
    assert len(ratios) == 4
