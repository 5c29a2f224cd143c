"""
Starting and stopping the virtual sound server from a test.

    def test_something(virtual_bench):
        card = virtual_bench(gain_db=-6, noise_dbfs=-60)      # or virtual_bench("pulse")
        ... SoundCardBench(card.device) ...
        card.change(mute=True)

Where it cannot be had the test is skipped with the reason; with VOICECHECK_REQUIRE_BENCH=1 it
fails instead.
"""

from __future__ import annotations

import ctypes.util
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from services import give_up

HERE = Path(__file__).parent
START_LIMIT_S = 60


@dataclass
class VirtualCard:
    """
    A running virtual sound card.

    `device` is its name as the sound system lists it, `state` the folder of its files.
    """

    state: Path
    kind: str
    settings: dict[str, object]
    device: str = "handset"

    def change(self, **settings: object) -> None:
        """Change settings of the handset while it runs; it sees them with its next block."""
        self.settings.update(settings)
        aside = self.state / "handset.json.new"
        aside.write_text(json.dumps(self.settings))
        aside.replace(self.state / "handset.json")

    def kill(self, who: str, number: int = signal.SIGKILL) -> None:
        """Send a signal to the "server" or the "handset"."""
        os.kill(int((self.state / f"{who}.pid").read_text()), number)

    def stop(self) -> None:
        """End both processes; harmless when they have ended."""
        subprocess.run([HERE / "stop.sh", self.state], check=True, timeout=START_LIMIT_S)


def find_missing(kind: str) -> str:
    """What this machine lacks for a virtual card; empty if nothing."""
    if ctypes.util.find_library("portaudio") is None:
        return "PortAudio (libportaudio2) is not installed"
    program = {"jack": "jackd", "pulse": "pulseaudio", "pipewire": "pipewire"}[kind]
    if shutil.which(program) is None:
        return f"{program} is not installed"
    has_library = any(Path("/usr/lib").glob("*/pipewire-0.3/jack/libjack.so.0"))
    return "pipewire-jack is not installed" if kind == "pipewire" and not has_library else ""


def start_card(kind: str, rate_hz: int, settings: dict[str, object]) -> VirtualCard:
    """Start a virtual card in a new folder, or skip the running test with the reason."""
    if missing := find_missing(kind):
        give_up("BENCH", f"no virtual sound server: {missing}")
    # A unix socket's path is short, a test's own folder often is not.
    state = Path(tempfile.mkdtemp(prefix="vb-"))
    arguments = [f"{key}={json.dumps(value)}" for key, value in settings.items()]
    started = subprocess.run(
        [HERE / "start.sh", state, kind, *arguments],
        env={**os.environ, "PYTHON": sys.executable, "RATE": str(rate_hz)},
        capture_output=True,
        text=True,
        timeout=START_LIMIT_S,
        check=False,
    )
    if started.returncode:
        shutil.rmtree(state)
        give_up("BENCH", f"no virtual sound server: {started.stderr.strip()}")
    return VirtualCard(state, kind, dict(settings))


def read_environment(card: VirtualCard) -> dict[str, str]:
    """Variables that lead a sound library to the card."""
    words = (card.state / "env").read_text().replace("export ", "").split()
    return {name: value.strip("'") for name, _, value in (word.partition("=") for word in words)}


@pytest.fixture
def virtual_bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., VirtualCard]]:
    """Start virtual sound cards: `virtual_bench(kind="jack", rate_hz=48000, **settings)`."""
    cards: list[VirtualCard] = []

    def start(kind: str = "jack", rate_hz: int = 48000, **settings: object) -> VirtualCard:
        speed = {"speed": 10} if kind == "jack" else {}
        card = start_card(kind, rate_hz, {**speed, **settings})
        cards.append(card)
        for name, value in read_environment(card).items():
            monkeypatch.setenv(name, value)
        return card

    yield start
    for card in cards:
        card.stop()
        shutil.rmtree(card.state)


@pytest.fixture(scope="module")
def shared_server() -> Iterator[VirtualCard]:
    """One server for a module; tests use it through `shared_card`."""
    card = start_card("jack", 48000, {"speed": 10})
    yield card
    card.stop()
    shutil.rmtree(card.state)


@pytest.fixture
def shared_card(shared_server: VirtualCard, monkeypatch: pytest.MonkeyPatch) -> VirtualCard:
    """
    A card that a module's tests share to save its start, with default settings each time.

    For tests that kill nothing. After one that makes the clocks drift nothing is bit exact.
    """
    shared_server.settings.clear()
    shared_server.change(speed=10)
    for name, value in read_environment(shared_server).items():
        monkeypatch.setenv(name, value)
    return shared_server
