# mypy: disable-error-code="arg-type,no-any-return,no-untyped-call,type-arg,union-attr"
"""A sound device has one user at a time, whichever process and door it comes in by."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.hardware import HardwareBench
from voicecheck.bench.simulated import SimulatedBench
from voicecheck.bench.soundcard import SoundCardBench, Wiring
from voicecheck.errors import BenchError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Recipe, SetType
from voicecheck.records.benches import BenchSetup
from voicecheck.records.orders import WatchOrder
from voicecheck.workflow.benches.locks import Busy, hold_device, list_busy
from voicecheck.workflow.benches.sitting import open_sitting
from voicecheck.workflow.benches.store import add_setup
from voicecheck.workflow.benches.watching import Watch, open_watch
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.checks.take import take_scene
from voicecheck.workflow.sweeping.both import sweep_both
from voicecheck.workflow.sweeping.run import sweep

SHORT = Recipe(n_sweeps=1, sweep_s=2.0, tones_s=0.3, step_s=0.1)
SETUP = BenchSetup(name="attic", device="Oak two-way", ear_channel=2)
HOLDER = """
import sys
from voicecheck.workflow.benches.locks import hold_device
with hold_device(sys.argv[1], sys.argv[2]):
    print("held", flush=True)
    sys.stdin.read()
"""
LISTER = """
import msgspec, sys
from voicecheck.workflow.benches.locks import list_busy
sys.stdout.buffer.write(msgspec.json.encode(list_busy()))
"""


@contextmanager
def other_process(device: str, what: str) -> Iterator[subprocess.Popen]:
    """A process that holds a device until the block ends; killed then, if it is not ended yet."""
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, device, what],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    with holder:
        assert holder.stdout.readline() == "held\n"
        try:
            yield holder
        finally:
            holder.kill()


def list_elsewhere() -> list[dict]:
    """What another process sees as busy."""
    done = subprocess.run([sys.executable, "-c", LISTER], capture_output=True, check=True)
    return json.loads(done.stdout)


def in_a_thread(function: Any) -> Any:
    """What a function returns or raises in a thread of its own."""
    outcome = []

    def run() -> None:
        try:
            outcome.append(function())
        except BenchError as error:
            outcome.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    return outcome[0]


def is_refused(device: str) -> bool:
    try:
        with hold_device(device, "test"):
            return False
    except BenchError:
        return True


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4"))
        opened.open_job("hall", "Lakeside 4")
        add_setup(opened, SETUP)
        yield opened


def test_another_process_is_seen_and_refused_until_it_ends() -> None:
    with other_process("Oak two-way", "sweep of job 3, transmit") as holder:
        (busy,) = list_busy()
        assert (busy.device, busy.what, busy.pid) == (
            "Oak two-way",
            "sweep of job 3, transmit",
            holder.pid,
        )
        line = (
            r"^oak TWO-way is busy \(sweep of job 3, transmit, since \d\d:\d\d UTC\); "
            r"wait until it is done; nothing was recorded$"
        )
        with pytest.raises(BenchError, match=line), hold_device("oak TWO-way", "meter"):
            pass
        assert not is_refused("Oak small")
        holder.communicate()
        assert list_busy() == ()
        assert not is_refused("Oak two-way")


def test_a_holder_that_is_killed_leaves_nothing_behind(locks: Path) -> None:
    """SIGKILL: the lock goes with the process, and what it noted is swept away or written anew."""
    for look_first in (True, False):
        with other_process("Oak two-way", "sweep of job 3, transmit") as holder:
            holder.kill()
            holder.wait()
            assert len(list(locks.glob("*.json"))) == 1
            if look_first:
                assert list_busy() == ()
                assert list(locks.glob("*.json")) == []
            with hold_device("Oak two-way", "meter"):
                (busy,) = list_busy()
                assert (busy.what, busy.pid) == ("meter", os.getpid())
    assert list_busy() == ()
    assert {file.suffix for file in locks.iterdir()} <= {".lock"}


def test_a_thread_may_hold_it_again_but_no_other_thread() -> None:
    with hold_device("Oak two-way", "sweep of job 3, transmit"):
        with hold_device("Oak two-way", "sweep of job 3, sidetone"):
            assert in_a_thread(lambda: is_refused("Oak two-way"))
        # The inner block gives nothing back, and the outer one's note stands.
        assert in_a_thread(lambda: is_refused("Oak two-way"))
        (busy,) = list_elsewhere()
        assert busy["what"] == "sweep of job 3, transmit"
    assert in_a_thread(lambda: is_refused("Oak two-way")) is False
    assert list_elsewhere() == []


def test_an_error_in_the_block_gives_the_device_back() -> None:
    with pytest.raises(KeyboardInterrupt), hold_device("Oak two-way", "meter"):
        raise KeyboardInterrupt
    assert list_busy() == ()


def test_a_note_that_cannot_be_read_is_an_unknown_holder(locks: Path) -> None:
    with other_process("Oak two-way", "meter"):
        (note,) = locks.glob("*.json")
        for spoilt in (b"", b"{", b'{"device": 3}', b"\xff"):
            note.write_bytes(spoilt)
            assert list_busy() == (Busy(),)
        note.unlink()
        with (
            pytest.raises(BenchError, match=r"busy \(held by another program\); wait"),
            hold_device("Oak two-way", "meter"),
        ):
            pass


def test_the_name_of_a_device_is_no_part_of_a_path(locks: Path) -> None:
    with hold_device("../../oak\0 \udcff", "meter"):
        (file,) = locks.glob("*.lock")
        assert file.stem.isalnum()
        assert [busy.device for busy in list_busy()] == ["../../oak\0 \udcff"]


def test_without_a_lock_folder_the_work_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Other threads of the program are still kept out."""
    (tmp_path / "file").touch()
    for folder in (tmp_path / "file", tmp_path / "file" / "deeper"):
        monkeypatch.setenv("VOICECHECK_LOCKS", str(folder))
        assert list_busy() == ()
        with hold_device("Oak two-way", "meter"):
            assert in_a_thread(lambda: is_refused("Oak two-way"))
            assert [busy.what for busy in list_busy()] == ["meter"]
        assert list_busy() == ()


def test_benches_name_their_devices() -> None:
    assert HardwareBench(SETUP).devices == ("Oak two-way",)
    two = BenchSetup(name="attic", device="Oak", input_device="Elm")
    assert HardwareBench(two).devices == ("Oak", "Elm")
    assert SoundCardBench("Oak", input_device="Oak").devices == ("Oak",)
    assert SoundCardBench(3).devices == ("3",)
    assert SoundCardBench().devices == ("default sound device",)
    wiring = Wiring(name="attic", device="Oak", input_device="Elm")
    assert Watch(title="attic, ear", wiring=wiring).devices == ("Elm",)


class HeldBench(SimulatedBench):
    """A simulated handset that is said to be on a sound device."""

    devices = ("Oak two-way",)


def test_a_sweep_holds_its_device_between_the_seats_too(book: Any) -> None:
    seen = []

    def look(seat: int, _: object) -> None:
        if seat == 2:
            seen.extend(list_elsewhere())

    sweep(
        book, 1, stage="before", path="transmit", bench=HeldBench("carbon", seed=1),
        programme=make_programme(SHORT), n_seats=2, before_seat=look,
    )  # fmt: skip
    assert [(busy["device"], busy["what"]) for busy in seen] == [
        ("Oak two-way", "sweep of job 1, transmit")
    ]
    assert list_busy() == ()


def test_a_simulated_sweep_locks_nothing(book: Any, locks: Path) -> None:
    sweep(
        book, 1, stage="before", path="transmit", bench=SimulatedBench("carbon", seed=1),
        programme=make_programme(SHORT), n_seats=1,
    )  # fmt: skip
    assert list(locks.iterdir()) == []


def test_whatever_drives_or_hears_a_device_is_refused_while_it_is_busy(book: Any) -> None:
    """None of them comes as far as the sound system, which knows no such device."""
    bench, programme = HardwareBench(SETUP), make_programme(SHORT)
    around = {"stage": "before", "bench": bench, "programme": programme}
    sitting = open_sitting(book, "attic")
    tone = Source(bench="Oak two-way", tone_hz=1000.0, seconds=2.0)
    silent = Source(bench="Oak two-way", seconds=2.0)
    works = {
        "sweep": lambda: sweep(book, 1, path="transmit", **around),
        "both": lambda: sweep_both(book, 1, **around),
        "calibration": lambda: sitting.play("electrical-out"),
        "stand-in": lambda: sitting.play("microphone", is_stand_in=True),
        "check with a tone": lambda: take_scene("dial", tone),
        "check that listens": lambda: take_scene("bell", silent),
        "meter on a bench": lambda: next(open_watch(book, WatchOrder(bench="attic")).read()),
        "meter on a device": lambda: next(
            open_watch(book, WatchOrder(device="Oak two-way")).read()
        ),
    }
    with other_process("Oak two-way", "sweep of job 3, transmit"):
        for name, work in works.items():
            with pytest.raises(BenchError, match=r"^Oak two-way is busy") as caught:
                work()
            assert "\n" not in str(caught.value), name
    assert book.list_runs(job=1) == ()


def test_a_meter_holds_its_device_until_it_is_closed(
    book: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when another thread closes it."""
    block = np.zeros((2400, 1))
    monkeypatch.setattr(
        "voicecheck.workflow.benches.watching.listen", lambda *_: iter([block, block])
    )
    readings = open_watch(book, WatchOrder(device="Oak two-way")).read()
    assert list_busy() == ()
    next(readings)
    assert [busy.what for busy in list_busy()] == ["meter, Oak two-way, input 1"]
    in_a_thread(readings.close)
    assert list_elsewhere() == []


def test_the_command_line_says_so_in_one_line_and_ends_with_4(book: Any, tmp_path: Path) -> None:
    with other_process("Oak two-way", "sweep of job 3, transmit"):
        for where in ("Oak two-way", "attic"):
            done = subprocess.run(
                [sys.executable, "-m", "voicecheck", "sweep", "1", "--stage", "before",
                 "--path", "transmit", "--bench", where, "--yes", "--quiet",
                 "--book", str(tmp_path / "book")],
                capture_output=True, text=True, check=False,
            )  # fmt: skip
            assert done.returncode == 4
            assert done.stdout == ""
            (line,) = done.stderr.splitlines()
            assert "Oak two-way is busy (sweep of job 3, transmit, since " in line
            assert "nothing was recorded" in line
