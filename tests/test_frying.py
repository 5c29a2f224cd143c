"""Bursts counted on line, against noise whose bursts are known."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from voicecheck.frying import FryingWatch

RATE_HZ = 16000


def make_noise(
    seed: Any, length_s: Any, places_s: Any = (), size: Any = 12.0, duration_s: Any = 0.004
) -> Any:
    rng = np.random.default_rng(seed)
    noise = 0.002 * rng.standard_normal(round(length_s * RATE_HZ))
    for place_s in places_s:
        first = round(place_s * RATE_HZ)
        noise[first : first + round(duration_s * RATE_HZ)] *= size
    return noise


def watch(samples: Any, block: Any) -> Any:
    heard = FryingWatch(RATE_HZ)
    found = []
    for first in range(0, len(samples), block):
        found += heard.update(samples[first : first + block])
    return found + heard.finish(), heard.summarise()


def test_bursts_are_found_where_they_are() -> None:
    """60 bursts 21.6 dB up in a minute: all found within 5 ms, none made up."""
    places_s = np.sort(np.random.default_rng(2).uniform(0.1, 59.9, 60))
    places_s = places_s[np.concatenate([[True], np.diff(places_s) > 0.05])]
    found, summary = watch(make_noise(1, 60.0, places_s), 5000)
    assert len(found) == len(places_s) == summary.n_bursts
    assert np.allclose([burst.at_s for burst in found], places_s, atol=0.005)
    assert summary.bursts_per_s == pytest.approx(len(places_s) / 60.0)
    assert summary.sizes_db[1] == pytest.approx(21.6, abs=2.5)
    assert summary.durations_ms[1] == pytest.approx(4.0, abs=2.5)


def test_hiss_alone_has_none() -> None:
    """Ten minutes of Gaussian noise, its level changing by 6 dB: no burst."""
    noise = make_noise(3, 600.0) * np.linspace(1, 2, 600 * RATE_HZ)
    found, summary = watch(noise, 16000)
    assert found == []
    expected = 20 * np.log10(0.004 * np.sqrt(2)) + 10 * np.log10(3800 / 8000)
    assert summary.level_dbfs == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize("block", [1, 333, 100_000])
def test_the_size_of_the_blocks_does_not_matter(block: int) -> None:
    samples = make_noise(4, 1.5, (0.4, 0.9))
    found, _ = watch(samples, block)
    assert [burst.at_s for burst in found] == [b.at_s for b in watch(samples, 4000)[0]]
    assert len(found) == 2


@pytest.mark.parametrize("rate_hz", [4000, 8000, 8800])
def test_at_the_rate_of_a_telephone_recorder(rate_hz: int) -> None:
    """Ten minutes of hiss have no burst; those put into the next ones are found."""
    rng = np.random.default_rng(rate_hz)
    noise = 0.002 * rng.standard_normal(600 * rate_hz)
    assert FryingWatch(rate_hz).update(noise) == []
    places_s = np.arange(20.0, 580.0, 20.0)
    for first in np.round(places_s * rate_hz).astype(int):
        noise[first : first + round(0.006 * rate_hz)] *= 12.0
    heard = FryingWatch(rate_hz)
    found = heard.update(noise) + heard.finish()
    assert np.allclose([burst.at_s for burst in found], places_s, atol=0.01)
    durations_ms = heard.summarise().durations_ms
    assert durations_ms is not None
    assert durations_ms[1] == pytest.approx(6.0, abs=5.0)


def test_digital_silence_holds_nothing() -> None:
    """No level and no bursts; half a second of hiss after a minute of it is no burst either."""
    samples = np.zeros(60 * RATE_HZ)
    assert watch(samples, RATE_HZ)[1].level_dbfs is None
    found, summary = watch(np.concatenate([samples, make_noise(9, 0.5)]), RATE_HZ)
    assert found == []
    assert summary.level_dbfs is None


def test_a_long_recording_takes_no_more_memory(tmp_path: Path) -> None:
    """Twenty minutes from a file through the command line stay within 40 MiB of one minute's."""
    peaks = []
    for minutes in (1, 20):
        file = tmp_path / f"{minutes}.flac"
        soundfile.write(file, make_noise(5, 60.0 * minutes, (3.0,)), RATE_HZ, subtype="PCM_24")
        code = (
            "import resource, sys; from voicecheck.workflow.analysis import watch_idle; "
            f"s = watch_idle({str(file)!r}); assert s.n_bursts == 1; "
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        peaks.append(int(done.stdout))
    assert peaks[1] - peaks[0] < 40 * 1024


def test_the_command(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", make_noise(6, 5.0, (1.0, 2.0)), RATE_HZ, subtype="FLOAT")
    done = subprocess.run(
        [sys.executable, "-m", "voicecheck", "frying", "a.wav", "--json"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    document = json.loads(done.stdout)
    assert document["schema"] == "voicecheck.frying/1"
    assert document["n_bursts"] == 2
