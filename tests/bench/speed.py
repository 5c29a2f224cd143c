"""
Speed of the analysis as ratios in one run, printed.

    OMP_NUM_THREADS=1 python tests/bench/speed.py [ROUNDS]

The floor is one read of the recording plus one real FFT of its length. Each round times the floor
and the job in turn, so that a machine whose speed drifts does not spoil the ratio.
"""

import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import soundfile
from scipy import fft

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import default_programme
from known_plant import KnownPlant

from voicecheck.bench.wavfile import load_recording
from voicecheck.measure import measure_recording


def clock(job: Any) -> Any:
    started = time.perf_counter()
    job()
    return time.perf_counter() - started


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 31
    programme = default_programme()
    plant = KnownPlant(square=0.8, cube=0.3, noise_dbfs=-73.0, latency_s=0.1373, drift_ppm=20.0)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "recording.wav"
        samples = plant(programme.samples, programme.rate_hz)
        soundfile.write(file, samples, programme.rate_hz, subtype="PCM_24")

        def floor() -> None:
            # A length without large prime factors: the fairest, fastest FFT.
            samples = soundfile.read(file)[0]
            fft.rfft(samples, fft.next_fast_len(len(samples), real=True), workers=1)

        def job() -> None:
            measure_recording(programme, load_recording(file))

        floor()
        job()
        pairs = [(clock(floor), clock(job)) for _ in range(rounds)]
    ratios = sorted(job_s / floor_s for floor_s, job_s in pairs)
    floor_ms, job_ms = (1000 * statistics.median(one) for one in zip(*pairs, strict=True))
    sys.stdout.write(
        f"floor {floor_ms:.1f} ms, read and analyse {job_ms:.1f} ms: "
        f"ratio {statistics.median(ratios):.2f} (lowest {ratios[0]:.2f})\n"
    )


if __name__ == "__main__":
    main()
