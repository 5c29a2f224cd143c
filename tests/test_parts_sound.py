"""
The electrical check through PortAudio and the virtual sound server, with a divider behind it.

The divider is the card's own (`tests/virtual_bench/handset.py`): resistor, part and input as one
filter of a bilinear transform, which shares nothing with the program. Asked: within twice what
simulated parts are held to.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner
from virtual_bench.fixture import VirtualCard

from voicecheck.cli import make_app
from voicecheck.jobbook import JobBook
from voicecheck.records import BenchSetup
from voicecheck.workflow.benches.sitting import open_sitting
from voicecheck.workflow.benches.store import add_setup

pytestmark = pytest.mark.bench
RATE_HZ = 48000.0
DIVIDER = {"scene": "divider", "noise_dbfs": -85.0, "second_db": 0.15, "input_ohm": 15000.0}
NONE: dict[str, float] = {"part_ohm": 1e9, "part_uf": 0.0, "part_h": 0.0}
SHORT = {**NONE, "part_ohm": 0.1}
CONDENSER = {**NONE, "part_ohm": 3.0, "part_uf": 0.47}
BELL = {"part_ohm": 2650.0, "part_h": 60.0, "part_uf": 0.47}


def warp(hz: Any) -> Any:
    """The frequency of the analogue part that a bilinear transform shows at another one."""
    return RATE_HZ / math.pi * np.tan(math.pi * np.asarray(hz) / RATE_HZ)


def call(book: Path, *words: Any) -> Any:
    environment = {"VOICECHECK_BOOK": str(book)}
    done = CliRunner().invoke(make_app(), [*map(str, words), "--json"], env=environment)
    assert done.exception is None, done.exception
    return json.loads(done.stdout)


def take_ends(book: JobBook, card: VirtualCard, ohm: float) -> None:
    """The step of the calibration as a user goes through it."""
    sitting = open_sitting(book, "attic")
    takes = []
    for part in (NONE, SHORT, {**NONE, "part_ohm": ohm}):
        card.change(divider_ohm=ohm, **part)
        takes.append(sitting.play_pair("parts-ends"))
    sitting.finish("parts-ends", takes=takes, typed={"resistor_ohm": ohm, "known_ohm": ohm})


def test_parts_of_a_virtual_divider(
    virtual_bench: Callable[..., VirtualCard], tmp_path: Path
) -> None:
    """One server and one calibration for all: 0.47 uF within 2.8 %, a bell within 2.8 %."""
    card = virtual_bench(channels=2, **DIVIDER)
    where = tmp_path / "book"
    with JobBook.open(where) as book:
        add_setup(book, BenchSetup(name="attic", device=card.device))
        take_ends(book, card, 5000.0)
    words = ("--bench", "attic", "--resistor-ohm", 5000)
    card.change(divider_ohm=5000.0, **CONDENSER)
    found = call(where, "parts", "capacitor", *words)
    hz = warp(found["frequency_hz"])
    hold(found, 3.0 + 1.0 / (2j * np.pi * hz * 0.47e-6), 2.8)
    assert found["figures"]["capacitance_uf"]["value"] == pytest.approx(0.47, rel=0.02)
    card.change(**BELL)
    found = call(where, "parts", "bell", *words)
    hz = warp(found["frequency_hz"])
    hold(found, 2650.0 + 2j * np.pi * hz * 60.0 + 1.0 / (2j * np.pi * hz * 0.47e-6), 2.8)
    resonance_hz = 1.0 / (2.0 * math.pi * math.sqrt(60.0 * 0.47e-6))
    assert found["figures"]["resonance_hz"]["value"] == pytest.approx(resonance_hz, rel=0.02)
    assert found["problems"] == []


def hold(found: dict[str, Any], truth: Any, percent: float) -> None:
    size = np.abs([complex(*one) for one in found["impedance_ohm"]])
    assert np.max(100.0 * np.abs(size / np.abs(truth) - 1.0)) < percent
    inside = np.abs(size - np.abs(truth)) <= np.array(found["uncertainty_ohm"])
    assert np.mean(inside) > 0.9
    assert found["corrections"] == ["open", "short", "reference"]


def test_a_device_without_a_bench_needs_nothing_kept(
    virtual_bench: Callable[..., VirtualCard], tmp_path: Path
) -> None:
    """600 ohm through 600 ohm: what nobody measured is in the interval."""
    card = virtual_bench(channels=2, **{**DIVIDER, **NONE, "part_ohm": 600.0})
    words = ("--bench", card.device, "--out-channel", 2, "--resistor-ohm", 600)
    found = call(tmp_path / "book", "parts", "set", *words)
    figure = found["figures"]["impedance_1khz_ohm"]
    assert abs(figure["value"] - 600.0) < figure["uncertainty"] < 60.0
    assert found["corrections"] == []
