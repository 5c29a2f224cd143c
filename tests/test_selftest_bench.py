"""The self-test of a bench: a wire with known unrest, the simulated bench, the sound server."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from documents import check_document
from helpers import default_programme
from ordinary_user import run_program_as_nobody
from services import need
from test_cli_words import CODE, ENGINEERS, list_words
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.interface import Bench
from voicecheck.errors import BenchError, InputError
from voicecheck.records import Conditions, Programme, Recording
from voicecheck.records.orders import DeviceSource, SimulatedSource
from voicecheck.records.selftest import SelfTestLine
from voicecheck.workflow.selftest.browsers import CHROMIUM_NAMES, FIREFOX_NAMES, list_page_tasks
from voicecheck.workflow.selftest.onbench import LoopBench, LoopTakes, list_bench_tasks
from voicecheck.workflow.selftest.tasks import carry_out
from voicecheck.workflow.selftest.trying import SelfTestOrder, choose_loop_bench, run_selftest


class WireBench(Bench):
    """A wire whose gain, delay, curve and noise are what they are told to be, take by take."""

    def __init__(
        self,
        gains_db: Sequence[float],
        *,
        square: float = 0.0,
        noise_dbfs: float = -85.0,
        smoothed: bool = False,
        delays: Sequence[int] = (),
        breaks_at: int = 0,
        drops_at: int = 0,
        rate_ppm: float = 0.0,
    ) -> None:
        self.gains_db, self.square, self.noise_dbfs = gains_db, square, noise_dbfs
        self.smoothed, self.delays, self.rate_ppm = smoothed, delays, rate_ppm
        self.breaks_at, self.drops_at = breaks_at, drops_at

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        assert path == "loop"
        if seat == self.breaks_at:
            raise BenchError("the sound device is gone; plug it in again")
        rng = np.random.default_rng(seat)
        played = programme.samples + self.square * programme.samples**2
        if self.smoothed:
            played = 0.5 * (played + np.roll(played, 2))
        delay = self.delays[seat - 1] if self.delays else 480
        sound = np.concatenate([np.zeros(delay), played, np.zeros(24000)])
        sound = sound * 10 ** (self.gains_db[seat - 1] / 20)
        if self.rate_ppm:
            at = np.arange(len(sound)) / (1 + 1e-6 * self.rate_ppm)
            sound = np.interp(at, np.arange(len(sound)), sound)
        if seat == self.drops_at:
            first = int(programme.blocks_of("sweep")[1].start_s * 48000) + 40000
            sound[first : first + 2000] = 0.0
        noise = 10 ** (self.noise_dbfs / 20) / np.sqrt(2) * rng.standard_normal(len(sound))
        return Recording(
            samples=sound + noise, rate_hz=programme.rate_hz, conditions=Conditions(path=path)
        )


def try_bench(bench: Bench, n_takes: int = 6) -> dict[str, SelfTestLine]:
    loop = LoopTakes(
        choose=lambda: LoopBench(bench=bench, programme=default_programme()),
        n_takes=n_takes,
        after_take=lambda: None,
    )
    return {task.name: carry_out(task) for task in list_bench_tasks(loop)}


def list_failed(lines: dict[str, SelfTestLine]) -> set[str]:
    return {name for name, line in lines.items() if line.outcome == "fails"}


STEADY = [-6.0] * 6


def test_a_steady_wire_passes() -> None:
    lines = try_bench(WireBench(STEADY))
    assert {line.outcome for line in lines.values()} == {"passes"}
    assert lines["delay"].figures["latency_ms"] == pytest.approx(10.0, abs=0.01)


@pytest.mark.parametrize(
    ("bench", "failing"),
    [
        (WireBench([-6.0] * 3 + [-5.0] * 3), {"level"}),
        (WireBench(STEADY, square=0.05), {"distortion"}),
        (WireBench(STEADY, noise_dbfs=-45.0), {"noise"}),
        (WireBench(STEADY, smoothed=True), {"flatness"}),
        (WireBench(STEADY, delays=[480, 480, 480, 480, 480, 4800]), {"delay"}),
        (WireBench(STEADY, drops_at=2), {"takes"}),
    ],
    ids=["level", "distortion", "noise", "flatness", "delay", "dropout"],
)
def test_each_fault_of_a_bench_is_named(bench: Bench, failing: set[str]) -> None:
    lines = try_bench(bench)
    assert list_failed(lines) == failing
    assert all(line.advice for line in lines.values() if line.outcome == "fails")
    assert "dropout" not in lines["takes"].told or "1 of 6 takes" in lines["takes"].told


def test_a_bench_that_wanders_within_its_limit_is_named() -> None:
    """0.15 dB from three takes to the next three: under the daily limit, over what chance makes."""
    lines = try_bench(WireBench(list(np.repeat([-6.15, -6.0, -5.85], 3))), 9)
    assert list_failed(lines) == {"unchanged"}
    assert lines["unchanged"].told == "2 of 2 comparisons call a change real"


def test_clocks_that_are_far_apart_are_named() -> None:
    assert "clocks" in list_failed(try_bench(WireBench([-6.0], rate_ppm=400.0), 1))


def test_a_bench_that_breaks_keeps_what_was_done() -> None:
    lines = try_bench(WireBench(STEADY, breaks_at=4))
    assert lines["takes"].outcome == "fails"
    assert "3 takes were done" in lines["takes"].told
    assert lines["unchanged"].outcome == "not tried"
    assert lines["distortion"].outcome == "passes"


def test_a_bench_that_is_not_there_leaves_the_rest_untried() -> None:
    lines = try_bench(WireBench(STEADY, breaks_at=1))
    assert lines["takes"].outcome == "fails"
    assert {line.outcome for name, line in lines.items() if name != "takes"} == {"not tried"}


def test_the_simulated_bench_is_said_to_be_one(tmp_path: Path) -> None:
    source = SimulatedSource(handset="electret")
    order = SelfTestOrder(book=tmp_path, source=source, n_takes=6, only=("bench",))
    test = run_selftest(order)
    assert test.overall == "passes"
    assert test.is_simulated
    assert test.sight is not None
    assert test.sight.n_takes == 6
    assert len(test.told) == 6
    assert not (tmp_path / "book.db").exists()


def test_a_bench_of_the_book_is_found_by_its_name(tmp_path: Path) -> None:
    from voicecheck.bench.hardware import HardwareBench
    from voicecheck.jobbook import JobBook
    from voicecheck.records import BenchSetup
    from voicecheck.workflow.benches.store import add_setup

    with JobBook.open(tmp_path) as book:
        add_setup(book, BenchSetup(name="attic", device="Card", rate_hz=48000))
    found = choose_loop_bench(DeviceSource(name="attic"), tmp_path)
    assert isinstance(found.bench, HardwareBench)
    assert not isinstance(
        choose_loop_bench(DeviceSource(name="Card"), tmp_path).bench, HardwareBench
    )


def call(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "voicecheck", "selftest", *map(str, words)],
        env={**os.environ, "VOICECHECK_BOOK": ""},
        capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip


def test_the_command_tells_it_in_plain_words(tmp_path: Path) -> None:
    done = call("--simulated", "--takes", 6, "--only", "bench", "--only", "standards", "--only",
                "book", "--book", tmp_path / "book", "--out", tmp_path / "out")  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("SIMULATED")
    assert "What this bench can tell:" in done.stdout
    assert list_words(done.stdout, CODE) == list_words(done.stdout, ENGINEERS) == []
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "selftest.html", "selftest.json",
    ]  # fmt: skip


def test_the_document_is_alone_on_the_output(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("here")
    done = call("--json", "--only", "book", "--book", tmp_path / "file" / "book", "--out", tmp_path)
    document = json.loads(done.stdout)
    check_document(document)
    assert document["schema"] == "voicecheck.selftest/1"
    assert document["overall"] == "fails"
    assert "simulated" not in document
    assert done.returncode == 5


def test_two_benches_at_once_are_refused(tmp_path: Path) -> None:
    done = call("--simulated", "--bench", "attic", "--out", tmp_path)
    assert done.returncode == 2
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(InputError):
        SelfTestOrder(only=("bench",))


def test_a_stop_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from voicecheck.cli import main

    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("voicecheck.workflow.selftest.trying.run_selftest", stop)
    monkeypatch.setattr("sys.argv", ["voicecheck", "selftest", "--out", str(tmp_path / "out")])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 130
    assert list(tmp_path.iterdir()) == []
    assert capsys.readouterr().err.splitlines() == [
        "voicecheck: stopped; the self-test has no outcome, nothing was written"
    ]


def test_a_real_bench_is_warned_of_before_it_sounds(tmp_path: Path) -> None:
    done = call("--bench", "no such card", "--takes", 20, "--only", "bench", "--out", tmp_path)
    assert done.returncode == 4
    assert "no receiver at anybody's ear" in " ".join(done.stderr.split())
    assert "about 7 min" in " ".join(done.stderr.split())
    assert "20 takes through the loop: fails" in " ".join(done.stdout.split())


def test_a_key_is_waited_for_where_somebody_sits(monkeypatch: pytest.MonkeyPatch) -> None:
    from voicecheck.cli import keys
    from voicecheck.cli.selftest import _warn

    asked: list[str] = []
    monkeypatch.setattr(keys, "is_terminal", lambda: True)
    monkeypatch.setattr(keys, "wait_for_key", asked.append)
    _warn(3, is_asked=False)
    assert asked == []
    _warn(3, is_asked=True)
    assert len(asked) == 1


def test_progress_moves_within_a_take() -> None:
    from voicecheck.cli.selftest import _Steps

    seen: list[float] = []

    def advance(*, to: float) -> None:
        seen.append(to)

    steps = _Steps(advance)
    steps.finish()
    steps.move(0.5, -20.0)
    steps.finish()
    assert seen == [1, 1.5, 2]


def test_a_book_without_rights_is_named(tmp_path: Path) -> None:
    """To a user who may neither read nor write there."""
    closed, out = tmp_path / "closed", tmp_path / "out"
    # Up to the folder of all temporary ones: how many there are depends on how tests are spread.
    inner = [one for one in tmp_path.parents if Path(tempfile.gettempdir()) in one.parents]
    for folder in (tmp_path, *inner):
        folder.chmod(folder.stat().st_mode | 0o011)
    (closed / "book").mkdir(parents=True, mode=0o700)
    closed.chmod(0o700)
    out.mkdir()
    out.chmod(0o777)
    done = run_program_as_nobody(
        "selftest", "--only", "book", "--out", out, "--book", closed / "book"
    )
    assert done.returncode == 5, done.stderr
    assert "The folder of the job book: fails" in done.stdout
    assert "Permission denied" in " ".join(done.stdout.split())
    assert "broke off" not in done.stdout


@pytest.mark.page
@pytest.mark.parametrize("names", [CHROMIUM_NAMES, FIREFOX_NAMES], ids=["chromium", "firefox"])
def test_the_browsers_of_this_machine_show_the_page(names: tuple[str, ...]) -> None:
    import shutil

    tasks = list_page_tasks(lambda name: shutil.which(name) if name in names else None)
    lines = [carry_out(task) for task in tasks]
    need("BROWSERS", f"no {names[0]}" if lines[0].outcome == "not tried" else None)
    assert [line.outcome for line in lines] == ["passes"], lines[0].told


@pytest.mark.bench
def test_a_flat_card_of_the_sound_server_passes(
    virtual_bench: Callable[..., VirtualCard], tmp_path: Path
) -> None:
    """Its own noise, delay and clock are found through PortAudio and the server."""
    card = virtual_bench(low_hz=5.0, high_hz=23000.0, square=0.0, gain_db=-3.0, noise_dbfs=-80.0,
                         delay_ms=7.0, drift_ppm=0.0, speed=10)  # fmt: skip
    order = SelfTestOrder(
        book=tmp_path, source=DeviceSource(name=card.device), n_takes=6, only=("bench", "sound")
    )
    test = run_selftest(order)
    assert {line.name: line.told for line in test.lines if line.outcome == "fails"} == {}
    assert test.sight is not None
    assert test.sight.n_takes == 6
    assert test.sight.gain_db == pytest.approx(-3.0, abs=0.1)
    assert not test.is_simulated


@pytest.mark.bench
def test_a_card_that_distorts_is_named(
    virtual_bench: Callable[..., VirtualCard], tmp_path: Path
) -> None:
    card = virtual_bench(low_hz=5.0, high_hz=23000.0, square=0.2, gain_db=-3.0, speed=10)
    source = DeviceSource(name=card.device)
    order = SelfTestOrder(book=tmp_path, source=source, n_takes=1, only=("bench",))
    test = run_selftest(order)
    assert "distortion" in {line.name for line in test.lines if line.outcome == "fails"}
