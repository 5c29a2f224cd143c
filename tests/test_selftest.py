"""The self-test: everything passes where all is well, and each fault put in is named."""

from __future__ import annotations

import base64
import contextlib
import dataclasses
import hashlib
import shutil
from collections.abc import Callable, Iterable
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from documents import check_document, make_digests
from services import need_module

from voicecheck.errors import BenchError, InputError, RecordingError
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Measurement, Problem, Programme, Recording, to_document
from voicecheck.records.benches import Device
from voicecheck.records.selftest import CORE, SelfTestLine
from voicecheck.workflow.selftest import browsers, machine, plants
from voicecheck.workflow.selftest.knownplant import KnownPlant
from voicecheck.workflow.selftest.papers import save_selftest, say_count, say_selftest
from voicecheck.workflow.selftest.plants import list_plant_tasks
from voicecheck.workflow.selftest.spoiled import SPOILED, find_kinds, judge, list_spoiled_tasks
from voicecheck.workflow.selftest.standards import (
    DIGESTS,
    list_standard_tasks,
    load_rows,
    read_data,
)
from voicecheck.workflow.selftest.tasks import Task, Tried, carry_out, hold
from voicecheck.workflow.selftest.trying import (
    SelfTestOrder,
    count_steps,
    find_exit_code,
    list_tasks,
    run_selftest,
)

O41 = "standards/itu_t_o41_psophometric.csv"


def carry_all(tasks: Iterable[Task]) -> dict[str, SelfTestLine]:
    return {one.name: carry_out(one) for one in tasks}


def list_failed(lines: dict[str, SelfTestLine]) -> set[str]:
    return {name for name, line in lines.items() if line.outcome == "fails"}


class TestPlants:
    def test_all_pass(self) -> None:
        lines = carry_all(list_plant_tasks())
        assert list_failed(lines) == set()
        assert len(lines) == 8
        error_db = lines["curve"].figures["worst_error_db"]
        assert error_db is not None
        assert abs(error_db) < 0.002

    def test_a_gain_off_by_a_tenth_of_a_decibel_is_named(self) -> None:
        play = dataclasses.replace(KnownPlant(), gain_db=KnownPlant().gain_db + 0.1).record
        lines = carry_all(list_plant_tasks(play)[:4])
        assert list_failed(lines) == {"curve", "steps"}
        assert "wrong by 0.10 dB" in lines["curve"].told
        assert lines["curve"].advice

    def test_a_resonance_a_tenth_narrower_is_named(self) -> None:
        programme = make_programme()
        narrow = dataclasses.replace(plants.RESONANT, peak_q=1.1 * plants.RESONANT.peak_q)
        measured = measure_recording(programme, narrow.record(programme))
        assert plants.try_curve(narrow, programme, measured).outcome == "passes"
        assert plants.try_curve(plants.RESONANT, programme, measured).outcome == "fails"

    def test_a_curve_that_bends_by_a_twentieth_more_is_named(self) -> None:
        plant = KnownPlant()
        play = dataclasses.replace(plant, square=1.05 * plant.square).record
        assert list_failed(carry_all(list_plant_tasks(play)[:4])) == {"distortion"}

    def test_wrong_clocks_and_digits_are_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(plants, "DRIFT_PPM", 41.0)
        monkeypatch.setattr(plants, "WHITE_DBFS", -60.0)
        monkeypatch.setattr(plants, "VOICE_HZ", (200.0, 5000.0))
        monkeypatch.setattr(plants, "DIALLED", "375")
        lines = carry_all(list_plant_tasks()[4:])
        assert "clocks" in list_failed(lines)
        assert "noise" in list_failed(lines)
        assert "dial" not in list_failed(lines)
        monkeypatch.setattr(plants, "BREAK_PERCENT", 60.0)
        monkeypatch.setattr(plants, "KEYS", {"6": (770.0, 1336.0)})
        assert carry_out(list_plant_tasks()[7]).told == "keys 6 were sent, 5 heard"

    def test_what_breaks_off_is_a_line_that_fails(self) -> None:
        def play(programme: Programme) -> Recording:
            raise ZeroDivisionError("no such\nluck")

        line = carry_out(list_plant_tasks(play)[0])
        assert line.outcome == "fails"
        assert line.told == "it broke off: ZeroDivisionError: no such luck"

    @pytest.mark.parametrize("peak_hz", [0.0, 900.0])
    def test_the_plants_answer_is_that_of_its_impulse(self, peak_hz: float) -> None:
        """Its formula against its own filter, by a Fourier sum over the impulse response."""
        plant = KnownPlant(square=0.0, cube=0.0, noise_dbfs=-300.0, peak_hz=peak_hz)
        impulse = np.zeros(4096)
        impulse[0] = 1.0
        heard = plant.play(impulse)[1200 : 1200 + 20000]
        hz = np.array([200.0, 777.0, 3500.0])
        turns = np.exp(-2j * np.pi * hz[:, None] * np.arange(20000) / 48000)
        assert np.abs(turns @ heard) == pytest.approx(np.abs(plant.answer(hz)), rel=1e-9)


class TestSpoiled:
    def test_every_one_is_named(self) -> None:
        lines = carry_all(list_spoiled_tasks())
        assert list_failed(lines) == set()
        assert len(lines) == len(SPOILED) == 17

    def test_what_a_blind_program_passes_over_is_named(self) -> None:
        def overlook(programme: Programme, recording: Recording) -> Measurement:
            del recording
            return dataclasses.replace(sound, problems=())

        sound = measure_recording(make_programme(), KnownPlant().record(make_programme()))
        lines = carry_all(list_spoiled_tasks(overlook))
        assert list_failed(lines) == {expected for expected, _, _ in SPOILED if expected}
        assert lines["dropout"].told == "named: nothing; dropout was expected"

    def test_a_program_that_sees_ghosts_is_named(self) -> None:
        def imagine(programme: Programme, recording: Recording) -> Measurement:
            measured = measure_recording(programme, recording)
            return dataclasses.replace(measured, problems=(Problem(kind="echo"),))

        line = carry_out(list_spoiled_tasks(imagine)[0])
        assert line.outcome == "fails"
        assert line.told == "named: echo; nothing was expected"

    def test_a_refusal_names_its_kind(self) -> None:
        def refuse(programme: Programme, recording: Recording) -> Measurement:
            raise RecordingError("nothing", kind="no-signal")

        silence = Recording(samples=np.zeros(9), rate_hz=48000)
        assert find_kinds(refuse, make_programme(), silence) == ["no-signal"]
        assert judge(["no-signal"], "dropout").outcome == "fails"


def spoil_data(name: str, change: Callable[[bytes], bytes]) -> Callable[[str], bytes]:
    return lambda one: change(read_data(one)) if one == name else read_data(one)


class TestStandards:
    def test_all_pass(self) -> None:
        lines = carry_all(list_standard_tasks())
        assert list_failed(lines) == set()
        assert len(lines) == 6

    def test_the_digests_are_those_of_the_tables(self) -> None:
        """`python tests/documents.py` makes them anew."""
        assert read_data(DIGESTS).decode() == make_digests()
        listed = {row["file"] for row in load_rows(read_data, DIGESTS)}
        folder = Path(machine.__file__).parents[2] / "data" / "standards"
        assert {f"standards/{path.name}" for path in folder.glob("*.csv")} <= listed

    def test_line_ends_of_another_system_are_no_change(self) -> None:
        read = spoil_data(O41, lambda content: content.replace(b"\n", b"\r\n"))
        assert list_failed(carry_all(list_standard_tasks(read))) == set()

    @pytest.mark.parametrize(
        ("name", "change", "failing"),
        [
            (O41, (b"1000,1.0,", b"1000,2.5,"), {"whole", "points", "psophometric"}),
            ("standards/itu_t_p48_irs.csv", (b"\n800,-4.9,", b"\n800,-5.9,"),
             {"whole", "reference-system", "loudness"}),
            ("standards/itu_t_p79_weights.csv", (b",50.1,68.7,", b",20.1,68.7,"),
             {"whole", "loudness"}),
            ("standards/itu_t_q23_q24_dtmf.csv", (b"697/770", b"697/771"), {"whole", "points"}),
            ("masks/narrowband-handset-receive.csv", (b"100,", b"101,"), {"whole"}),
        ],
    )  # fmt: skip
    def test_a_broken_table_is_named(
        self, name: str, change: tuple[bytes, bytes], failing: set[str]
    ) -> None:
        assert change[0] in read_data(name)
        lines = carry_all(list_standard_tasks(spoil_data(name, lambda one: one.replace(*change))))
        assert list_failed(lines) == failing
        assert name in lines["whole"].told

    def test_a_table_that_is_gone_is_named(self) -> None:
        def read(name: str) -> bytes:
            if name == O41:
                raise FileNotFoundError(name)
            return read_data(name)

        lines = carry_all(list_standard_tasks(read))
        assert {"whole", "points", "psophometric"} <= list_failed(lines)
        assert O41 in lines["whole"].told

    def test_bands_of_base_two_are_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        from voicecheck import weighting

        monkeypatch.setattr(weighting, "OCTAVE_RATIO", 2.0)
        assert list_failed(carry_all(list_standard_tasks())) == {"bands"}


CARD = Device(name="Card", host_api="ALSA", n_inputs=2, n_outputs=2, default_rate_hz=48000.0)


class TestMachine:
    def test_a_sound_library_that_is_not_there_is_named(self, tmp_path: Path) -> None:
        def fail() -> tuple[Device, ...]:
            raise BenchError("PortAudio is not installed")

        lines = carry_all(machine.list_machine_tasks(tmp_path / "book", fail))
        assert list_failed(lines) == {"devices"}
        assert "PortAudio is not installed" in lines["devices"].told
        assert "libportaudio2" in lines["devices"].advice
        assert find_exit_code(list(lines.values())) == 4

    def test_a_sound_system_that_does_not_answer_is_named(self) -> None:
        def fail() -> tuple[Device, ...]:
            raise BenchError("the sound system does not answer")

        assert "restart the sound server" in machine.try_devices(fail).advice

    def test_no_device_is_said_and_no_failure(self) -> None:
        none, one = machine.try_devices(lambda: ()), machine.try_devices(lambda: (CARD,))
        assert (none.outcome, one.outcome) == ("not tried", "passes")
        assert "Card (ALSA: 2 in, 2 out)" in one.told

    def test_a_book_that_cannot_be_made_is_named(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("here")
        lines = carry_all(machine.list_machine_tasks(tmp_path / "file" / "book", lambda: ()))
        assert "folder" in list_failed(lines)
        assert find_exit_code(list(lines.values())) == 5

    def test_a_folder_without_rights_is_named(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refuse(**_: object) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr("tempfile.TemporaryFile", refuse)
        told = machine.try_folder(tmp_path)
        assert told.outcome == "fails"
        assert "Permission denied" in told.told
        assert machine.try_temporary().outcome == "fails"

    def test_nothing_is_left_in_the_book(self, tmp_path: Path) -> None:
        assert machine.try_folder(tmp_path).outcome == "passes"
        assert machine.try_folder(tmp_path / "new").outcome == "passes"
        assert list(tmp_path.iterdir()) == []

    def test_a_book_open_to_others_is_named(self, tmp_path: Path) -> None:
        book = tmp_path / "book"
        book.mkdir(mode=0o700)
        assert machine.try_rights(book).outcome == "passes"
        book.chmod(0o755)
        assert machine.try_rights(book).outcome == "fails"
        assert machine.try_rights(tmp_path / "none").outcome == "not tried"
        assert machine.try_rights(None).outcome == "not tried"

    def test_a_full_disk_is_named(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        usage = shutil.disk_usage(tmp_path)
        assert machine.try_space(tmp_path).outcome == "passes"
        full = usage._replace(free=machine.LEAST_FREE_BYTES - 1)
        monkeypatch.setattr("shutil.disk_usage", lambda _: full)
        assert machine.try_space(tmp_path).outcome == "fails"

    def test_libraries_that_are_missing_or_old_are_named(self) -> None:
        assert machine.try_libraries([("numpy", "2.0", "2.0.0")]).outcome == "passes"
        told = machine.try_libraries([("numpy", "", "2.0"), ("scipy", "1.9.3", "1.13")])
        assert told.outcome == "fails"
        assert told.told == "numpy is not there; too old: scipy 1.9.3 (1.13 needed)"
        assert machine.try_libraries([]).outcome == "not tried"

    def test_a_changed_file_of_the_installation_is_named(self, tmp_path: Path) -> None:
        module = tmp_path / "voicecheck" / "units.py"
        module.parent.mkdir()
        module.write_bytes(b"DB = 20\n")
        digest = base64.urlsafe_b64encode(hashlib.sha256(b"DB = 20\n").digest()).decode()
        info = tmp_path / "voicecheck-0.1.0.dist-info"
        info.mkdir()
        (info / "RECORD").write_text(
            f"voicecheck/units.py,sha256={digest.rstrip('=')},8\n{info.name}/RECORD,,\n"
        )
        installed = metadata.Distribution.at(info)
        assert machine.try_files(installed).told == "1 files"
        module.write_bytes(b"DB = 10\n")
        told = machine.try_files(installed)
        assert (told.outcome, told.told) == ("fails", "changed or gone: voicecheck/units.py")
        module.unlink()
        assert machine.try_files(installed).outcome == "fails"


class TestBrowsers:
    def test_no_browser_is_never_a_pass(self) -> None:
        (task,) = browsers.list_page_tasks(lambda _: None)
        assert carry_out(task).outcome == "not tried"

    def test_each_kind_that_is_there_has_a_line(self) -> None:
        tasks = browsers.list_page_tasks(lambda name: f"/bin/{name}")
        assert [task.name for task in tasks] == ["chromium", "firefox"]

    @pytest.mark.parametrize("kind", ["Chromium", "Firefox"])
    def test_a_browser_that_shows_nothing_is_named(self, kind: str, tmp_path: Path) -> None:
        browser = tmp_path / "browser"
        browser.write_text("#!/bin/sh\necho '<html></html>'\n")
        browser.chmod(0o700)
        told = browsers.LOADERS[kind](str(browser), "http://127.0.0.1:9/enter?token=x", tmp_path)
        assert "first screen" in told
        assert browsers.LOADERS[kind](str(tmp_path / "none"), "", tmp_path).startswith("it cannot")

    def test_complaints_of_the_page_are_told(self, tmp_path: Path) -> None:
        browser = tmp_path / "browser"
        parts = "".join(browsers.SHOWN)
        complaint = '[1:1:INFO:CONSOLE(3)] "no such thing", source: page.js'
        browser.write_text(f"#!/bin/sh\necho '{parts}'\necho '{complaint}' >&2\n")
        browser.chmod(0o700)
        told = browsers.load_in_chromium(str(browser), "", tmp_path)
        assert told.startswith("the page complains: ")
        assert "no such thing" in told

    def test_a_page_that_is_not_served_is_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("sys.executable", "/bin/true")
        told = browsers.try_page(lambda *_: "", "browser")
        assert told.outcome == "fails"
        assert "not served" in told.told

    def test_the_part_for_the_page_may_not_be_installed(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(browsers, "NEEDED", ("no_such_library",))
        assert browsers.try_page(lambda *_: "", "browser").outcome == "not tried"

    def test_a_stop_leaves_no_server_behind(self, tmp_path: Path) -> None:
        import urllib.error
        import urllib.request

        need_module("starlette", "PAGE")
        told = []
        with contextlib.suppress(KeyboardInterrupt), browsers.serve(tmp_path) as address:
            told.append(address)
            raise KeyboardInterrupt
        with pytest.raises(urllib.error.URLError, match="refused"):
            urllib.request.urlopen(told[0], timeout=10)

    def test_an_address_is_used_up_by_who_opens_it(self, tmp_path: Path) -> None:
        need_module("starlette", "PAGE")
        with browsers.serve(tmp_path) as address:
            assert not browsers.is_used_up(address)
            assert browsers.is_used_up(address)
        assert not browsers.is_used_up(address)


def make_task(group: str, outcome: str) -> Task:
    told = Tried(outcome=outcome, told="found", advice="mend it")  # type: ignore[arg-type]
    return Task(group=group, name="one", title="One thing", run=lambda: told)  # type: ignore[arg-type]


class TestWhole:
    @pytest.mark.parametrize(
        ("groups", "code"),
        [((), 0), (("measuring",), 3), (("spoiled",), 3), (("standards",), 3), (("book",), 5),
         (("sound",), 4), (("bench",), 4), (("page",), 1), (("program",), 1),
         (("page", "book"), 5), (("measuring", "book"), 3)],
    )  # fmt: skip
    def test_the_exit_code_says_what_failed(self, groups: tuple[str, ...], code: int) -> None:
        lines = [carry_out(make_task(group, "fails")) for group in groups]
        lines.append(carry_out(make_task("page", "not tried")))
        assert find_exit_code(lines) == code

    def test_page_and_document_name_what_fails(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        tasks = (make_task("book", "fails"), make_task("page", "not tried"),
                 make_task("standards", "passes"))  # fmt: skip
        monkeypatch.setattr("voicecheck.workflow.selftest.trying.list_tasks", lambda *_: tasks)
        test = run_selftest(SelfTestOrder(book=tmp_path))
        assert test.overall == "fails"
        check_document(to_document(test))
        html, document = save_selftest(test, tmp_path / "out")
        page = html.read_text(encoding="utf-8")
        assert "1 of 2 fails; 1 not tried." in page
        assert "<strong>One thing</strong>" in page
        assert "What to do: <bdi>mend it</bdi>" in page
        assert "<script" not in page
        assert "http" not in page.replace("http-equiv", "")
        assert '"voicecheck.selftest/1"' in document.read_text(encoding="utf-8")
        told = say_selftest(test)
        assert told[-1] == "1 of 2 fails; 1 not tried."
        assert "  One thing: fails: found. What to do: mend it" in told
        assert not any("passes" in line for line in told)
        assert any("passes" in line for line in say_selftest(test, with_all=True))

    def test_it_is_said_to_measure_only_where_that_was_tried(self, tmp_path: Path) -> None:
        part = run_selftest(SelfTestOrder(book=tmp_path, only=("standards",)))
        assert part.only == ("standards",)
        assert not part.is_measuring_right
        html, _ = save_selftest(part, tmp_path / "out")
        page = html.read_text(encoding="utf-8")
        assert "Only this was tried: standards." in page
        assert "measures as it should" not in page
        core = run_selftest(SelfTestOrder(book=tmp_path, only=CORE))
        assert core.is_measuring_right
        html, _ = save_selftest(core, tmp_path / "out")
        assert "measures as it should" in html.read_text(encoding="utf-8")

    @pytest.mark.parametrize(
        ("outcomes", "told"),
        [
            (("passes", "fails"), "1 of 2 pass"),
            (("passes", "not tried"), "1 of 1 pass, 1 not tried"),
            (("not tried",), "not tried"),
        ],
    )
    def test_what_was_not_tried_is_counted_apart(
        self, outcomes: tuple[Any, ...], told: str
    ) -> None:
        lines = [
            SelfTestLine(group="sound", name="a", title="A", outcome=one, told="")
            for one in outcomes
        ]
        assert say_count(lines) == told

    def test_words_of_others_are_shown_and_do_nothing(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        hostile = "<script>alert(1)</script>"
        tried = Tried(outcome="fails", told=hostile, advice=hostile)
        task = Task(group="sound", name="devices", title=hostile, run=lambda: tried)
        monkeypatch.setattr("voicecheck.workflow.selftest.trying.list_tasks", lambda *_: (task,))
        test = run_selftest(SelfTestOrder(book=tmp_path))
        html, _ = save_selftest(test, tmp_path / "out")
        assert "<script" not in html.read_text(encoding="utf-8")

    def test_every_step_is_counted(self, tmp_path: Path) -> None:
        order = SelfTestOrder(book=tmp_path, only=("standards", "book"))
        steps: list[int] = []
        run_selftest(order, advance=lambda: steps.append(1))
        assert len(steps) == count_steps(order) == len(list_tasks(order))

    def test_lines_have_names_of_their_own(self, tmp_path: Path) -> None:
        keys = [(one.group, one.name) for one in list_tasks(SelfTestOrder(book=tmp_path))]
        assert len(keys) == len(set(keys)) >= 40

    @pytest.mark.parametrize(
        "words", [{"only": ("weather",)}, {"only": ("bench",)}, {"n_takes": 0}, {"n_takes": 900}]
    )
    def test_what_there_is_not_is_refused(self, words: dict[str, object]) -> None:
        with pytest.raises(InputError):
            SelfTestOrder(**words)  # type: ignore[arg-type]

    def test_sizes_are_said_without_powers_of_ten(self) -> None:
        assert "within 0.000097 dB" in hold("it", 9.7e-5, most=0.02, unit="dB", name="x").told
        assert "within 0.0001 dB" in hold("it", 1e-15, most=0.1, unit="dB", name="x").told
        assert "wrong by 12 dB" in hold("it", -12.3, most=0.1, unit="dB", name="x").told
