# mypy: disable-error-code="call-overload,union-attr"
"""
Takes of the default programme through a virtual sound server while every core is busy.

    python tests/bench/soundcard_takes.py [TAKES] [jack|pulse|pipewire] [SPEED]

Each take is held against the file bench: the same handset, computed here in double precision and
read from a WAV. Good is a response within 0.05 dB at every point of 200-4000 Hz and no problem
found. `jack` runs at ten times real time unless SPEED is given, the others at real time.
"""

import multiprocessing
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy import signal as sps

sys.path.insert(0, str(Path(__file__).parents[1]))
from virtual_bench.fixture import read_environment, start_card

from voicecheck.bench.soundcard import SoundCardBench
from voicecheck.bench.wavfile import WavFileBench
from voicecheck.errors import VoicecheckError
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme

SETTINGS = {
    "low_hz": 250.0,
    "high_hz": 3400.0,
    "square": 0.1,
    "gain_db": -6.0,
    "delay_ms": 5.0,
    "noise_dbfs": -80.0,
}
LIMIT_DB = 0.05


def burn() -> None:
    while True:
        pass


def record_to_file(programme: Any, path: Any) -> None:
    """What the handset makes of the programme, without any sound server."""
    rate_hz, samples = programme.rate_hz, programme.samples
    for kind, hz in (("highpass", SETTINGS["low_hz"]), ("lowpass", SETTINGS["high_hz"])):
        samples = sps.sosfilt(sps.butter(1, hz, kind, fs=rate_hz, output="sos"), samples)
    curved = samples + SETTINGS["square"] * samples**2
    curved = sps.sosfilt(sps.butter(1, 20.0, "highpass", fs=rate_hz, output="sos"), curved)
    late = np.pad(curved * 10 ** (SETTINGS["gain_db"] / 20), (500, rate_hz))
    noise_rms = 10 ** (SETTINGS["noise_dbfs"] / 20) / np.sqrt(2)
    late += noise_rms * np.random.default_rng(7).standard_normal(len(late))
    soundfile.write(path, late, rate_hz, "FLOAT")


def try_take(bench: Any, programme: Any, expected_db: Any) -> Any:
    """One line about one take, and whether it was good."""
    begun = time.monotonic()
    try:
        measurement = measure_recording(programme, bench.play_and_record(programme))
    except VoicecheckError as error:
        return False, f"{error}"
    worst_db = float(np.max(np.abs(measurement.response.level_db - expected_db)))
    kinds = sorted({problem.kind for problem in measurement.problems})
    timing = measurement.timing
    line = (
        f"worst {worst_db:.4f} dB, delay {1000 * timing.latency_s:7.2f} ms, "
        f"drift {timing.drift_ppm:+.2f} ppm, {time.monotonic() - begun:5.1f} s {kinds or ''}"
    )
    return worst_db < LIMIT_DB and not kinds, line


def main() -> Any:
    n_takes = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    kind = sys.argv[2] if len(sys.argv) > 2 else "jack"
    speed = float(sys.argv[3]) if len(sys.argv) > 3 else {"jack": 10}.get(kind, 1)
    programme = make_programme()
    with tempfile.TemporaryDirectory() as folder:
        record_to_file(programme, Path(folder) / "handset.wav")
        recording = WavFileBench([Path(folder) / "handset.wav"]).play_and_record(programme)
    expected_db = measure_recording(programme, recording).response.level_db
    card = start_card(kind, programme.rate_hz, {**SETTINGS, "speed": speed})
    os.environ |= read_environment(card)
    burners = [multiprocessing.Process(target=burn) for _ in range(os.cpu_count() or 1)]
    n_good = 0
    try:
        for burner in burners:
            burner.start()
        for number in range(1, n_takes + 1):
            is_good, line = try_take(SoundCardBench(card.device), programme, expected_db)
            n_good += is_good
            sys.stdout.write(f"{number:3d} {'good' if is_good else 'BAD '} {line}\n")
            sys.stdout.flush()
    finally:
        for burner in burners:
            burner.kill()
        card.stop()
        shutil.rmtree(card.state)
    sys.stdout.write(f"{n_good} of {n_takes} good through {kind}, {len(burners)} cores busy\n")
    return 0 if n_good == n_takes else 1


if __name__ == "__main__":
    sys.exit(main())
