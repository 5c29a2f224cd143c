# mypy: disable-error-code="operator,union-attr"
"""
Faults of a virtual sound server, provoked one by one.

Each must end in a stated error within seconds and leave no process behind: none of them is ever
reported by the sound library, and most hang whoever met them.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from helpers import find_sound_processes
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.soundcard import SoundCardBench, link, list_devices, takes
from voicecheck.errors import BenchError
from voicecheck.programme import make_programme
from voicecheck.records import Recipe

# What hangs is ended; a machine that others use takes its time.
pytestmark = [pytest.mark.bench, pytest.mark.timeout(90)]

SHORT = Recipe(n_sweeps=1, sweep_s=0.5, silence_s=0.1, tones_s=0.2, step_s=0.05)
STATED_WITHIN_S = 5.0
"""What the program waits for a device that is silent and for what explains it, together."""
STALL_S, DIAGNOSE_S = 1.2, 1.0
"""Shorter than what ships, to keep the tests short."""
SHIPPED_S = takes.STALL_S + takes.DIAGNOSE_S


def test_the_stated_error_waits_for_seconds_only() -> None:
    assert STALL_S + DIAGNOSE_S < SHIPPED_S < STATED_WITHIN_S


@pytest.fixture(autouse=True)
def no_process_left(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Nothing survives a test, and no test waits for what another one killed."""
    monkeypatch.setattr(link, "_killed_at_s", [-1e9])
    monkeypatch.setattr(takes, "STALL_S", STALL_S)
    monkeypatch.setattr(takes, "DIAGNOSE_S", DIAGNOSE_S)
    yield
    assert find_sound_processes(os.getpid()) == []


def once_at(fraction: float, act: Callable[[], object]) -> Callable[[float, float], None]:
    """A progress function that acts once when that much of the take is done."""
    is_due = [True]

    def progress(done: float, _level_dbfs: float) -> None:
        if is_due[0] and done > fraction:
            is_due[0] = False
            act()

    return progress


def fail_a_take(device: str, provoke: Callable[[], object]) -> str:
    """The error of a take in the middle of which something is provoked, as it is told."""
    bench = SoundCardBench(device, progress=once_at(0.06, provoke))
    with pytest.raises(BenchError) as caught:
        bench.play_and_record(make_programme())
    message = str(caught.value)
    assert "\n" not in message
    return message


@pytest.mark.parametrize("kind", ["jack", "pipewire"])
def test_server_killed(virtual_bench: Callable[..., VirtualCard], kind: str) -> None:
    card = virtual_bench(kind)
    message = fail_a_take(card.device, lambda: card.kill("server"))
    said = ["no longer there", "not there"]
    # PipeWire's library itself waits for a server that is gone.
    said += ["does not answer"] if kind == "pipewire" else []
    assert any(words in message for words in said)


@pytest.mark.parametrize("kind", ["jack", "pulse", "pipewire"])
def test_server_hangs(virtual_bench: Callable[..., VirtualCard], kind: str) -> None:
    card = virtual_bench(kind)
    message = fail_a_take(card.device, lambda: card.kill("server", signal.SIGSTOP))
    assert "stopped at" in message
    assert "does not answer" in message
    assert "earlier ones are kept" in message


@pytest.mark.parametrize("kind", ["jack", "pipewire"])
def test_device_stalls(virtual_bench: Callable[..., VirtualCard], kind: str) -> None:
    card = virtual_bench(kind)
    message = fail_a_take(card.device, lambda: card.change(stall=True))
    assert "stopped at" in message
    assert "repeat the take" in message


def test_the_take_after_a_stall_works(virtual_bench: Callable[..., VirtualCard]) -> None:
    card = virtual_bench("pulse")
    message = fail_a_take(card.device, lambda: card.change(stall=True))
    assert "still listed, but delivers nothing" in message
    card.change(stall=False)
    recording = SoundCardBench(card.device).play_and_record(make_programme(SHORT))
    assert recording.problems == ()


def test_desktop_server_killed(virtual_bench: Callable[..., VirtualCard]) -> None:
    card = virtual_bench("pulse")
    message = fail_a_take(card.device, lambda: card.kill("server"))
    assert "handset" in message


def test_handset_dies(virtual_bench: Callable[..., VirtualCard]) -> None:
    card = virtual_bench()
    message = fail_a_take(card.device, lambda: card.kill("handset"))
    assert "stopped at" in message


def test_a_server_that_hangs_before_the_take(
    virtual_bench: Callable[..., VirtualCard], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even opening would hang for ever; the limit is shortened to keep the test short."""
    card = virtual_bench()
    monkeypatch.setattr(link, "START_S", 1.5)
    monkeypatch.setattr(link, "AFTER_KILL_S", 1.5)
    card.kill("server", signal.SIGSTOP)
    with pytest.raises(BenchError, match="does not answer; restart the sound server"):
        list_devices()
    with pytest.raises(BenchError, match="before the programme began"):
        SoundCardBench(card.device).play_and_record(make_programme(SHORT))


@pytest.mark.parametrize("number", [signal.SIGSTOP, signal.SIGKILL])
def test_pipewire_keeps_its_clock_when_a_device_does_not(
    virtual_bench: Callable[..., VirtualCard], number: int
) -> None:
    """Held up for some blocks nothing is lost, since all wait; one that is gone leaves silence."""
    card = virtual_bench("pipewire")

    def hold_up() -> None:
        card.kill("handset", number)
        going_on = threading.Timer(0.6, lambda: card.kill("handset", signal.SIGCONT))
        if number == signal.SIGSTOP:
            going_on.start()

    programme = make_programme(SHORT)
    bench = SoundCardBench(card.device, progress=once_at(0.25, hold_up))
    recording = bench.play_and_record(programme)
    if number == signal.SIGSTOP:
        assert recording.problems == ()
        assert is_exact(recording.samples, programme.samples)
    else:
        (problem,) = recording.problems
        assert problem.kind == "dropout"
        assert "went dead" in problem.message


def test_blocks_that_pipewire_loses_are_named(
    virtual_bench: Callable[..., VirtualCard], monkeypatch: pytest.MonkeyPatch
) -> None:
    """
    Its clock gives 2.7 ms for a block here, which a busy machine does not keep.

    How many are lost hangs on the machine; what must not be is a take that is spoilt and not said
    to be.
    """
    monkeypatch.setenv("PERIOD", "128")
    card = virtual_bench("pipewire")
    programme = make_programme(SHORT)
    recording = SoundCardBench(card.device).play_and_record(programme)
    kinds = {problem.kind for problem in recording.problems}
    assert is_exact(recording.samples, programme.samples) != ("lost-samples" in kinds)


def is_exact(samples: np.ndarray, played: np.ndarray) -> bool:
    """Whether what was played stands in a recording, sample for sample."""
    wanted = played.astype(np.float32)
    start = int(np.flatnonzero(samples)[0]) - int(np.flatnonzero(wanted)[0])
    return start >= 0 and np.array_equal(samples[start : start + len(wanted)], wanted)


def test_muted(shared_card: VirtualCard) -> None:
    card = shared_card
    card.change(mute=True)
    (problem,) = SoundCardBench(card.device).play_and_record(make_programme(SHORT)).problems
    assert problem.kind == "no-signal"
    assert "muted" in problem.message


def test_muted_in_the_middle(shared_card: VirtualCard) -> None:
    """As if unplugged: no error from anywhere, and a recording that ends in zeros."""
    card = shared_card
    bench = SoundCardBench(card.device, progress=once_at(0.3, lambda: card.change(mute=True)))
    (problem,) = bench.play_and_record(make_programme()).problems
    assert problem.kind == "dropout"
    assert 3.0 < problem.at_s < 15.0
    assert "went dead" in problem.message


@pytest.mark.parametrize(
    "fault", [{"drift_ppm": 400.0}, {"dropout_ms": 20.0, "dropout_every_s": 0.25}]
)
def test_lost_samples_repeat_the_take_and_are_named(shared_card: VirtualCard, fault: Any) -> None:
    """No clock is 400 ppm off, and no handset is dead silent in the middle of a sweep."""
    card = shared_card
    card.change(**fault)
    takes: list[float] = [1.0]

    def count(fraction: float, _level_dbfs: float) -> None:
        if fraction < takes[-1]:
            takes.append(fraction)
        takes[-1] = fraction

    bench = SoundCardBench(card.device, progress=count)
    (problem,) = bench.play_and_record(make_programme(SHORT)).problems
    assert problem.kind == "lost-samples"
    assert "in each of 3 takes" in problem.message
    assert len(takes) == 4


def test_no_device_of_that_name(virtual_bench: Callable[..., VirtualCard]) -> None:
    card = virtual_bench()
    with pytest.raises(BenchError, match=r"'parlour': not there; .*: handset; is it plugged in"):
        SoundCardBench("parlour").play_and_record(make_programme(SHORT))
    card.kill("server")
    with pytest.raises(BenchError, match="none at all; is it plugged in"):
        SoundCardBench(card.device).play_and_record(make_programme(SHORT))
    assert list_devices() == ()


@pytest.mark.parametrize("kind", ["jack", "pipewire"])
def test_wrong_rate(virtual_bench: Callable[..., VirtualCard], kind: str) -> None:
    card = virtual_bench(kind, rate_hz=44100)
    with pytest.raises(BenchError, match=r"does not run at 48000 Hz \(its own rate is 44100 Hz\)"):
        SoundCardBench(card.device).play_and_record(make_programme(SHORT))


def test_too_many_channels(shared_card: VirtualCard) -> None:
    card = shared_card
    with pytest.raises(BenchError, match="has 1 inputs, channel 2 asked for"):
        SoundCardBench(card.device, input_channel=2).play_and_record(make_programme(SHORT))
    with pytest.raises(BenchError, match="has 1 outputs, channel 3 asked for"):
        SoundCardBench(card.device, output_channel=3).play_and_record(make_programme(SHORT))


PLAYER = """
import sys
from voicecheck.bench.soundcard import SoundCardBench
from voicecheck.programme import make_programme
from voicecheck.records import Recipe
def show(fraction, level_dbfs):
    sys.stdout.write("playing\\n"); sys.stdout.flush()
try:
    SoundCardBench("handset", progress=show).play_and_record(make_programme(Recipe(n_sweeps=20)))
except KeyboardInterrupt:
    sys.exit(77)
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_sound_ends_with_the_program(shared_card: VirtualCard, number: int) -> None:
    """
    Ctrl-C comes back as such; however the program ends, its sound process follows.

    More than a minute of sound is left by then, so that half a minute is soon enough.
    """
    shared_card.change(speed=1)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    with subprocess.Popen(
        [sys.executable, "-c", PLAYER], env=environment, stdout=subprocess.PIPE
    ) as player:
        assert player.stdout.readline() == b"playing\n"
        (child,) = find_sound_processes(player.pid)
        child_ends = os.pidfd_open(child)
        player.send_signal(number)
        player.stdout.read()
        assert select.select([child_ends], [], [], 30.0)[0], "the sound process plays on"
        os.close(child_ends)
    assert player.returncode == (77 if number == signal.SIGINT else -number)
