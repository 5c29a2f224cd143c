# mypy: disable-error-code="arg-type,comparison-overlap,return-value,type-arg,union-attr"
"""The live meter: what it says in a pipe, on a terminal, and how it ends."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.meter import Meter
from voicecheck.bench.soundcard import Wiring
from voicecheck.cli import make_app
from voicecheck.cli.watch import draw_meter
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.workflow.benches.sitting import get_now_utc
from voicecheck.workflow.benches.store import BenchFile, add_setup, save_result
from voicecheck.workflow.benches.watching import Seen, ToneWatch, Watch, find_talk_dbfs, find_unit

RATE_HZ = 48000


def name_tones(samples: np.ndarray) -> list[str]:
    """What is said of a sound, twenty times a second."""
    meter, watch, said = Meter(RATE_HZ, np.array([1000.0])), ToneWatch(), []
    for start in range(0, len(samples), RATE_HZ // 20):
        block = samples[start : start + RATE_HZ // 20]
        reading = meter.update(block)
        said.append(watch.update((start + len(block)) / RATE_HZ, reading.tones_hz))
    return said


def make_tones(length_s: float, *tones_hz: float) -> np.ndarray:
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return 0.1 * sum(np.sin(2 * np.pi * hz * time_s) for hz in tones_hz)


@pytest.mark.parametrize("tones_hz", [(425.0,), (350.0, 440.0)])
def test_dial_tone_is_recognised_by_holding(tones_hz: Any) -> None:
    """Continuous 425 Hz, and 350 + 440 Hz (ITU-T E.180 and its supplement)."""
    noise = 1e-4 * np.random.default_rng(1).standard_normal(5 * RATE_HZ)
    said = name_tones(make_tones(5.0, *tones_hz) + noise)
    assert said[-1] == f"dial tone, {' + '.join(f'{hz:.0f}' for hz in tones_hz)} Hz"
    # Ringing holds for two seconds in places; until then only the frequencies are known.
    assert "dial" not in said[2 * 20]


def test_busy_is_no_dial_tone() -> None:
    """480 + 620 Hz, half a second on and off; and 425 Hz likewise, whose frequency is the same."""
    for tones_hz in ((480.0, 620.0), (425.0,)):
        on, off = make_tones(0.75, *tones_hz), np.zeros(round(0.75 * RATE_HZ))
        said = name_tones(np.concatenate([on, off] * 5))
        assert not any("dial" in words for words in said)
        assert any(words.startswith("interrupted tone") for words in said)


def test_a_steady_tone_of_no_exchange_is_called_steady() -> None:
    assert name_tones(make_tones(4.0, 1000.0))[-1] == "steady tone, 1000 Hz"


def test_noise_is_no_tone() -> None:
    noise = 0.1 * np.random.default_rng(2).standard_normal(4 * RATE_HZ)
    assert set(name_tones(noise)) == {""}


def make_file(ear: str = "coupler") -> BenchFile:
    """Line tap: 1.0954 V per unit is 0 dBm for a full-scale sine. Ear: 0 dBFS is 1 Pa RMS."""
    results = [
        StepResult(bench="attic", step=step, done_utc=get_now_utc(), value=value, unit=unit)
        for step, value, unit in (
            ("electrical-in", 0.6**0.5 * 2**0.5, "V"),
            ("microphone", 2**0.5, "Pa"),
            ("reference-transmit", -10.0, "dB V/Pa"),
        )
    ]
    setup = BenchSetup(name="attic", device="handset", ear=ear)
    return BenchFile(setup=setup, results=tuple(results))


def test_levels_are_in_the_unit_of_the_calibration() -> None:
    """1 Pa is 94 dB SPL (IEC 60942 rounds 93.98); a coil never has a sound pressure."""
    assert find_unit(make_file(), "line-tap") == ("dBm", pytest.approx(0.0, abs=1e-9))
    assert find_unit(make_file(), "ear") == ("dB SPL", pytest.approx(93.979, abs=1e-3))
    assert find_unit(make_file("coil"), "ear") == ("dBFS", 0.0)
    bare = BenchFile(setup=BenchSetup(name="attic", device="handset"))
    assert find_unit(bare, "line-tap") == ("dBFS", 0.0)


def test_the_talk_mark_is_that_of_the_reference_handset() -> None:
    """-4.7 dBPa at -10 dB V/Pa is -14.7 dBV, which is -12.48 dBm in 600 ohm."""
    assert find_talk_dbfs(make_file()) == pytest.approx(-14.7 + 2.2185, abs=1e-3)
    assert find_talk_dbfs(BenchFile(setup=BenchSetup(name="attic", device="handset"))) is None


@pytest.mark.parametrize("is_plain", [False, True])
@pytest.mark.parametrize("level_db", [-250.0, -30.0, 30.0])
def test_the_meter_fits_a_terminal(is_plain: bool, level_db: float) -> None:
    """24 lines of 80 columns at any level; letters only where there is nothing else."""
    watch = Watch(title="attic, " * 20, wiring=Wiring(name="attic"), talk_dbfs=-12.5)
    seen = Seen(
        time_s=12345.6, peak_db=level_db, rms_db=level_db, psophometric_db=level_db,
        bands_db=(level_db,) * len(watch.band_hz), is_clipped=True, is_talking=True,
        mains_hz=50.02, tone="interrupted tone, 480 + 620 Hz",
    )  # fmt: skip
    lines = draw_meter(watch, seen, is_plain=is_plain).splitlines()
    assert len(lines) <= 23
    assert max(map(len, lines)) <= 79
    assert any("[TALK]" in line for line in lines)
    assert any("50.0 Hz" in line and "480 + 620" in line for line in lines)
    assert not is_plain or all(line.isascii() for line in lines)


def test_the_columns_stand_for_the_bands() -> None:
    """-20 dB in the band at 1000 Hz alone: three rows of eight are filled from below -20."""
    watch = Watch(title="attic", wiring=Wiring(name="attic"))
    at = int(np.argmin(np.abs(np.array(watch.band_hz) - 1000.0)))
    bands = [-200.0] * len(watch.band_hz)
    bands[at] = -20.0
    seen = Seen(
        time_s=1.0, peak_db=-20.0, rms_db=-20.0, psophometric_db=-20.0, bands_db=tuple(bands),
        is_clipped=False, is_talking=False, mains_hz=None, tone="",
    )  # fmt: skip
    rows = [line for line in draw_meter(watch, seen).splitlines() if "|" in line]
    column = [row.ljust(80)[row.index("|") + 1 + 3 * at] for row in rows]
    # 0 to -80 dB in rows of 8: two empty, one half full, the rest full.
    assert "".join(column) == "  ▄▇▇▇▇▇▇▇".replace("▇", "█")
    assert sum(row.count("█") for row in rows) == 2 * 7


def watch(*arguments: str) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "voicecheck", "watch", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VOICECHECK_BOOK", str(tmp_path / "book"))
    with JobBook.open(tmp_path / "book") as opened:
        add_setup(opened, BenchSetup(name="attic", device="handset", ear_channel=1))
        for result in make_file().results:
            save_result(opened, result)


@pytest.mark.bench
def test_in_a_pipe_it_is_one_line_a_second(
    book: Any, shared_card: VirtualCard, capsys: pytest.CaptureFixture[str]
) -> None:
    """A 60 Hz tone of -20 dBFS is -20 dBm here; the line tap's weighting takes 60 Hz away."""
    shared_card.change(hum_dbfs=-20.0, hum_hz=60.0)
    make_app()(["watch", "--bench", "attic", "--seconds", "3"], standalone_mode=False)
    title, *lines = capsys.readouterr().out.splitlines()
    assert title == "attic, line tap, input 1, dBm"
    assert 1 <= len(lines) <= 3
    words = lines[-1].split()
    assert float(words[words.index("RMS") + 1]) == pytest.approx(-20.0, abs=0.1)
    assert float(words[words.index("psophometric") + 1]) < -60.0
    assert "talk" not in words
    make_app()(["watch", "--bench", "attic", "--seconds", "2", "--talk-dbfs", "-21", "--json"],
        standalone_mode=False)  # fmt: skip
    document = json.loads(capsys.readouterr().out)
    assert document["unit"] == "dBm"
    assert document["readings"][-1]["is_talking"]


@pytest.mark.bench
def test_ctrl_c_ends_it_cleanly(book: Any, shared_card: VirtualCard) -> None:
    """Exit code 0, nothing said on the error output; ten times faster, hence many lines."""
    with watch("--device", "handset") as program:
        assert program.stdout.readline() == "handset, input 1, dBFS\n"
        assert "peak" in program.stdout.readline()
        program.send_signal(signal.SIGINT)
        _, said = program.communicate(timeout=30)
    assert (program.returncode, said) == (0, "")


def test_wrong_use(tmp_path: Path) -> None:
    where = ("--book", str(tmp_path / "book"))
    for arguments, message in (
        (("--bench", "attic", "--device", "handset"), "not both"),
        (("--bench", "attic"), "not in this book"),
        (("--json",), "needs --seconds"),
    ):
        with pytest.raises(InputError, match=message):
            make_app()(["watch", *arguments, *where], standalone_mode=False)
