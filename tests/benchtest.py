"""A bench whose errors are known, and the commands that a user gives it."""

from __future__ import annotations

import math
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from voicecheck.cli import make_app
from voicecheck.records import Recipe

NOW = "2026-03-02T09:00:00+00:00"
TRUTH = {
    "line_out_v": 1.7,
    "line_in_v": 2.9,
    "mouth_pa": 1.3,
    "mouth_low_hz": 180.0,
    "mouth_peak_hz": 1800.0,
    "mouth_peak_db": 6.0,
    "mic_pa": 7.0,
    "transmit_v_per_pa": 0.25,
    "receive_pa_per_v": 12.0,
    "sidetone_pa_per_pa": 0.6,
}
"""Errors of the virtual card."""
SHORT = Recipe(n_sweeps=1, sweep_s=2.0, tones_s=0.3, step_s=0.1)


def error_db(found: float | None, truth: float) -> float:
    assert found is not None
    return abs(20 * math.log10(found / truth))


def open_commands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., str]:
    """What runs a command in this process; it returns what was printed, errors are raised."""
    monkeypatch.setenv("VOICECHECK_BOOK", str(tmp_path / "book"))
    monkeypatch.setattr("voicecheck.workflow.benches.sitting.Recipe", lambda: SHORT)
    monkeypatch.setattr("voicecheck.workflow.benches.driving.Recipe", lambda: SHORT)

    def run(*arguments: object) -> str:
        capsys.readouterr()
        code = make_app()([str(word) for word in arguments], standalone_mode=False)
        assert code in {None, 0}
        return capsys.readouterr().out

    return run


class Terminal:
    """A command with a terminal of its own, spoken to as a user does."""

    def __init__(self, *arguments: str) -> None:
        self.ours, theirs = os.openpty()
        self.program = subprocess.Popen(
            [sys.executable, "-m", "voicecheck", *arguments],
            stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
        )  # fmt: skip
        os.close(theirs)
        self.text, self.read_to = "", 0

    def await_text(self, words: str, limit_s: float = 30.0) -> None:
        end_s = time.monotonic() + limit_s
        while words not in self.text[self.read_to :]:
            left_s = end_s - time.monotonic()
            assert left_s > 0, self.text
            if select.select([self.ours], [], [], left_s)[0]:
                self.text += os.read(self.ours, 4096).decode()
        self.read_to = self.text.index(words, self.read_to) + len(words)

    def press(self, keys: str) -> None:
        os.write(self.ours, keys.encode())

    def end(self) -> int:
        try:
            while chunk := os.read(self.ours, 4096):
                self.text += chunk.decode()
        except OSError:
            pass
        os.close(self.ours)
        return self.program.wait(30)
