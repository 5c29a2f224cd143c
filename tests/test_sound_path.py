"""
From the command line through PortAudio and a sound server and back, against the file bench.

The virtual sound server carries a simulated handset of its own: band, curvature, noise, delay,
drift. What `sweep --bench` finds must be what `sweep --recording` finds on the same handset's
sound taken from a file.
"""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers import default_programme, rms
from known_plant import KnownPlant
from virtual_bench.fixture import VirtualCard

from voicecheck.measure import measure_recording
from voicecheck.records import Recording

pytestmark = pytest.mark.bench
SETTINGS = {
    "low_hz": 200.0, "high_hz": 3200.0, "square": 0.2, "gain_db": -3.0, "noise_dbfs": -75.0,
}  # fmt: skip


def handset_response(frequency_hz: Any) -> Any:
    """Closed form of the handset's two first-order sections and its gain (bilinear transform)."""

    def warp(hz: Any) -> Any:
        return np.tan(np.pi * np.asarray(hz) / 48000)

    s = 1j * warp(frequency_hz)
    high_pass = s / (s + warp(SETTINGS["low_hz"]))
    low_pass = warp(SETTINGS["high_hz"]) / (s + warp(SETTINGS["high_hz"]))
    blocking = s / (s + warp(20.0))
    return high_pass * low_pass * blocking * 10 ** (SETTINGS["gain_db"] / 20)


def sweep(book: Any, *arguments: Any, code: Any = 0) -> Any:
    done = subprocess.run(
        [sys.executable, "-m", "voicecheck", "sweep", "1", "--stage", "before", "--path",
         "transmit", "--json", "--yes", "--conditioned", *map(str, arguments)],
        env={**os.environ, "VOICECHECK_BOOK": str(book)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )  # fmt: skip
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return json.loads(done.stdout) if code == 0 else done.stderr


@pytest.fixture
def book(tmp_path: Path) -> Any:
    from voicecheck.jobbook import JobBook
    from voicecheck.records import SetType

    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4"))
        opened.open_job("hall", "Lakeside 4")
    return tmp_path / "book"


def file_bench_level_db() -> Any:
    """The same handset's sound without a sound server: filtered in double precision."""
    programme = default_programme()
    plant = KnownPlant(response=handset_response, latency_s=0.02)
    samples = plant(programme.samples, 48000)
    return measure_recording(programme, Recording(samples=samples, rate_hz=48000)).response


@pytest.mark.parametrize("drift_ppm", [0.0, 60.0])
def test_sweep_through_jack_is_that_of_the_file_bench(
    virtual_bench: Callable[..., VirtualCard],
    book: Any,
    drift_ppm: float,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Response within 0.1 dB, drift within 0.2 ppm, latency within 1 ms of the server's 22 ms."""
    card = virtual_bench(**SETTINGS, delay_ms=7.0, drift_ppm=drift_ppm, speed=10)
    document = sweep(book, "--bench", card.device, "--seats", 2)
    expected = file_bench_level_db()
    assert len(document["recordings"]) == 2
    for measurement in document["recordings"]:
        error = np.array(measurement["response"]["level_db"]) - expected.level_db
        assert np.max(np.abs(error)) < 0.1
        assert rms(error) < 0.01
        assert measurement["timing"]["drift_ppm"] == pytest.approx(drift_ppm, abs=0.2)
        assert measurement["problems"] == []
    latencies = [one["timing"]["latency_s"] for one in document["recordings"]]
    assert 0.02 < latencies[0] < 0.1
    assert document["pooled"]["conditions"]["bench"] == card.device


def test_sweep_through_pulse(virtual_bench: Callable[..., VirtualCard], book: Any) -> None:
    """A few takes on a busier kind of server: the same response."""
    card = virtual_bench("pulse", **SETTINGS)
    document = sweep(book, "--bench", card.device, "--seats", 1)
    expected = file_bench_level_db()
    for measurement in document["recordings"]:
        error = np.array(measurement["response"]["level_db"]) - expected.level_db
        assert np.max(np.abs(error)) < 0.1


def test_a_device_that_is_not_there_is_exit_code_4(
    virtual_bench: Callable[..., VirtualCard], book: Any
) -> None:
    virtual_bench(speed=10)
    message = sweep(book, "--bench", "no such card", code=4)
    assert len(message.strip().splitlines()) == 1
    assert "no such card" in message


def test_a_muted_device_is_exit_code_3_and_keeps_the_recordings(
    virtual_bench: Callable[..., VirtualCard], book: Any
) -> None:
    card = virtual_bench(mute=True, speed=10)
    message = sweep(book, "--bench", card.device, "--seats", 1, code=3)
    assert "silent" in message
    assert list((book / "recordings").rglob("*.flac"))
