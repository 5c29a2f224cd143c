"""Two evenings on the simulated bench from start to bundle, and the bundle read again."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from documents import check_document
from telling import SHOUT, call

from voicecheck.bench.hardware import HardwareBench
from voicecheck.bench.simulated import proving
from voicecheck.errors import InputError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.programme.recipes import RECIPES
from voicecheck.records import BenchSetup, Measurement, Recording, SetType, StepResult
from voicecheck.records.orders import DeviceSource, SimulatedSource, SweepOrder
from voicecheck.records.times import get_now_utc
from voicecheck.verdicts.protocol import list_parts, load_steps
from voicecheck.verdicts.protocol.judging import analyse_seats
from voicecheck.workflow.benches.choosing import ChosenBench
from voicecheck.workflow.benches.store import add_setup, change_setup, find_bench
from voicecheck.workflow.protocol import driving, figures, taking
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
        next_part(folder / "book", SOUND, "--takes", "1")
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
        assert len(set(sounds)) == len(sounds) == 42

    def test_what_the_bench_can_tell_is_told(self, done: tuple[Path, Path]) -> None:
        told = call("protocol", "show", 1, book=done[0])
        assert "What this bench can tell:\n  Level: on one day" in told

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
        assert found["n_recordings"] == 11 + 1 + 1 + 8 + 20 + 1
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

    def test_one_point_of_a_curve_is_told(
        self, small: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A version that reads half a decibel more at one frequency, and nothing else otherwise."""
        right: Any = vars(figures)["measure_recording"]

        def read_wrongly(programme: Any, recording: Recording, **other: Any) -> Measurement:
            found: Measurement = right(programme, recording, **other)
            assert found.response is not None
            level_db = found.response.level_db.copy()
            level_db[10] += 0.5
            return found.replace(response=dataclasses.replace(found.response, level_db=level_db))

        monkeypatch.setattr(figures, "measure_recording", read_wrongly)
        found = json.loads(call("protocol", "again", small, "--json", "--quiet"))
        # Twelve to an octave of base ten: 1000 Hz x 10^(0.0125 (2 k + 1)), from k = -28 on.
        assert {one["figure"] for one in found["changed"]} == {"curve_1_at_365_hz_db"}
        assert [one["part"] for one in found["changed"]] == ["loop-back 1", "loop-back 2"]
        assert all(one["now"] - one["was"] == pytest.approx(0.5) for one in found["changed"])
        assert all(one["is_beyond"] for one in found["changed"])

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


def repack(corpus: Path, target: Path, change: Any) -> None:
    """The same parcel with another "resistor 1", every digest right: the work of a stranger."""
    with zipfile.ZipFile(corpus) as source:
        files = {name: source.read(name) for name in source.namelist() if name != "parcel.json"}
        contents = json.loads(source.read("parcel.json"))
    (name,) = [
        one for one, content in files.items()
        if one.startswith("attachments/") and b'"part":"resistor 1"' in content
        and b'"protocol-part/' in content.replace(b"voicecheck.", b"")
        and b'"findings"' not in content
    ]  # fmt: skip
    document = json.loads(files.pop(name))
    change(document)
    content = json.dumps(document).encode()
    digest = hashlib.sha256(content).hexdigest()
    files[f"attachments/{digest}"] = content
    job = "jobs/001/job.json"
    files[job] = files[job].replace(name.rpartition("/")[2].encode(), digest.encode())
    contents["files"] = {one: hashlib.sha256(content).hexdigest() for one, content in files.items()}
    with zipfile.ZipFile(target, "w") as packed:
        for one, content in {**files, "parcel.json": json.dumps(contents).encode()}.items():
            packed.writestr(one, content)


def change_to(**changes: Any) -> Any:
    return lambda document: document.update(changes)


class TestStrangers:
    def test_what_is_sound_is_read(self, small: Path, tmp_path: Path) -> None:
        repack(small, tmp_path / "other.zip", lambda document: document["typed"].update(loop_ma=50))
        told = call("protocol", "again", tmp_path / "other.zip", "--quiet")
        # The step is that of 40 mA, the reading says 50.
        assert "resistor, step: within, now outside" in told

    @pytest.mark.parametrize(
        "change",
        [
            change_to(typed={}),
            change_to(typed={"loop_ma": 0.0}),
            change_to(typed={"loop_ma": 40.0, "__class__": 1.0}),
            lambda document: document["typed"].update(resistor_ohm=-600.0),
            change_to(part="resistor 99"),
            change_to(part="../../etc"),
            change_to(step="diodes"),
            change_to(taken_utc="yesterday"),
            change_to(taken_utc="2031-05-04T18:00:00"),
            change_to(sounds=["0" * 64] * 51),
            change_to(sounds=["../book.db"]),
            change_to(sounds=["0" * 64]),
            change_to(figures={"step_v": 1e300}),
            change_to(uncertainty={"step_v": -1.0}),
            change_to(answer="x" * 10**5),
            change_to(figures=[1, 2]),
            lambda document: document["calibration"].update(input_per_unit=0.0),
        ],
    )
    def test_what_cannot_be_is_refused_whole(
        self, small: Path, tmp_path: Path, change: Any
    ) -> None:
        repack(small, tmp_path / "hostile.zip", change)
        with pytest.raises(InputError):
            call("protocol", "again", tmp_path / "hostile.zip", "--quiet")


@pytest.fixture
def book(tmp_path: Path) -> Path:
    folder = tmp_path / "book"
    with JobBook.open(folder) as opened:
        opened.add_type(SetType(name=TYPE, transmitter="electret"))
    call("protocol", "start", "--type", TYPE, book=folder)
    return folder


def test_what_can_hurt_is_said_though_nobody_is_asked(book: Path) -> None:
    given = ("--simulated", SOUND, "--takes", 1)
    told = call("protocol", "next", 1, *given, book=book, is_all=True)
    assert "! Line and feed must be disconnected" in told


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
        right = driving.make_made_bench

        def make_moved(source: SimulatedSource, part: str, feed_ma: float) -> Any:
            bench = right(source, part, feed_ma)
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
        bench = driving.make_made_bench(SimulatedSource(handset=SOUND), part, 40.0)
        assert isinstance(bench, proving.ProvingBench)
        return bench.seat(1).jig.mouth_ratio

    ratios = {find_ratio(f"seats {place}") for place in ("1A", "1B", "2A", "2B")}
    assert len(ratios) == 4


class Person:
    """Somebody at a real bench who reads meters."""

    def __init__(self, **reads: float) -> None:
        self.is_asked, self.reads = True, reads
        self.requests: list[Any] = []

    def ask(self, request: Any) -> None:
        self.requests.append(request)

    def ask_number(self, reading: Any) -> float | None:
        return self.reads.get(reading.name)

    def report(self, _report: Any) -> bool:
        return False

    def __getattr__(self, _: str) -> Any:
        return lambda *_given: None


class SwitchedBench(proving.ProvingBench):
    """A bench at whose line tap somebody switches an ohm while nothing is played."""

    def play_and_record(
        self, programme: Any, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        if np.any(programme.samples):
            return super().play_and_record(programme, path=path, seat=seat)
        assert path == "transmit"
        return proving.record_switched_ohm(seconds=programme.duration_s)


class TestAtABench:
    @pytest.fixture
    def opened(self, book: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[JobBook]:
        setup = BenchSetup(name="attic", device="Oak two-way", feed_ma=38.0)

        def choose(order: SweepOrder, *_: Any, **__: Any) -> ChosenBench:
            part = order.stage
            bench = SwitchedBench(SOUND, place=list_parts().index(part), day=1 + ("2" in part))
            return ChosenBench(bench=bench, programme=make_programme(RECIPES["quick"]), setup=setup)

        monkeypatch.setattr(taking, "choose_bench", choose)
        with JobBook.open(book) as opened:
            add_setup(opened, setup)
            yield opened

    @staticmethod
    def take(book: JobBook, part: str, person: Person, n_takes: int | None = None) -> Any:
        order = taking.PartOrder(
            job=1, part=part, source=DeviceSource(name="attic"), n_takes=n_takes
        )
        return taking.take_part(book, order, person)

    def test_somebody_is_asked_and_cautioned(self, opened: JobBook) -> None:
        person = Person(loop_ma=40.0, resistor_ohm=600.0, switched_ohm=1.0)
        part = self.take(opened, "resistor 1", person)
        (request,) = person.requests
        assert "never a public line" in request.caution
        assert part.typed == {
            "loop_ma": 40.0, "resistor_ohm": 600.0, "switched_ohm": 1.0, "load_ohm": 600.0,
            "meter_percent": 1.5,
        }  # fmt: skip
        assert part.bench == "attic"
        found = load_protocol(opened, 1)
        assert not found.is_simulated
        assert found.overall == "within"

    def test_seats_of_two_days_go_to_the_bench(
        self, opened: JobBook, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        person = Person()
        for number, part in enumerate(("seats 1A", "seats 1B", "seats 2A", "seats 2B")):
            time = f"2031-05-{4 + number // 2:02}T18:0{number}:00+00:00"
            monkeypatch.setattr(taking, "get_now_utc", lambda time=time: time)
            self.take(opened, part, person, n_takes=3)
        # Each part asks once, and its guide before each seat: the feed is the bench's.
        assert len(person.requests) == 4 * (1 + 3)
        assert any("Person B alone" in line for line in person.requests[4].steps)
        assert any("38 mA" in line for line in person.requests[5].steps)
        file = find_bench(opened, "attic")
        assert file is not None
        (kept,) = file.check_results
        table = analyse_seats(load_protocol(opened, 1).parts)
        assert table is not None
        assert (kept.step, kept.figures) == ("seats-of-days", {"day_dof": 1.0})
        assert kept.value == pytest.approx(table.estimate("day", "person:day").sd)
        # A mouth that was moved since voids it, as it does the reference handset's checks.
        change_setup(opened, dataclasses.replace(file.setup, mouth_mm=30.0))
        moved = find_bench(opened, "attic")
        assert moved is not None
        assert moved.check_results == ()


def test_the_diodes_are_driven_at_minus_9_dbm() -> None:
    """Full scale of 2.45 V: 0.2748 V RMS across 600 ohm is 0.3887 V, 15.99 dB below it."""
    setup = BenchSetup(name="attic", device="Oak two-way")
    programme = make_programme(RECIPES["quick"])
    kind = load_steps()["diodes"]
    out = StepResult(
        bench="attic", step="electrical-out", done_utc=get_now_utc(), value=2.45, unit="V"
    )
    known = driving.set_level(HardwareBench(setup, [out]), programme, kind)
    assert known.recipe.level_dbfs == pytest.approx(-15.99, abs=0.01)
    weak = dataclasses.replace(out, value=0.4)
    most = driving.set_level(HardwareBench(setup, [weak]), programme, kind)
    assert most.recipe.level_dbfs == pytest.approx(programme.recipe.cap_dbfs - 6.1)
    assert driving.set_level(HardwareBench(setup), programme, kind) is programme
