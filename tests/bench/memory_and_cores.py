# mypy: disable-error-code="var-annotated"
"""
Memory of one analysis as a multiple of the recording, and what a second core brings.

    OMP_NUM_THREADS=1 python tests/bench/memory_and_cores.py [FILES]

The second core is timed by the clock, and by the processor time of all processes from their start
to their end, which other work on the machine does not spoil.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import soundfile
from joblib.externals.loky import get_reusable_executor

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import default_programme
from known_plant import KnownPlant

from voicecheck.bench.wavfile import save_programme
from voicecheck.workflow.analysis import analyze_files

MEASURE = """
import sys, threading, tracemalloc
from voicecheck.workflow.analysis import analyze
from voicecheck.bench.wavfile import load_programme
programme = load_programme(sys.argv[2])
analyze(sys.argv[1], programme)
tracemalloc.start()
analyze(sys.argv[1], programme)
print(tracemalloc.get_traced_memory()[1])
"""


def sum_processor_s() -> Any:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def find_processor_ratio(files: Any, signal: Any) -> Any:
    """Processor time on one core over half of that on two; workers count when they have ended."""
    spent = []
    for n_jobs in (1, 2):
        get_reusable_executor().shutdown(wait=True)
        started = sum_processor_s()
        analyze_files(files, signal, n_jobs=n_jobs)
        get_reusable_executor().shutdown(wait=True)
        spent.append(sum_processor_s() - started)
    return 2.0 * spent[0] / spent[1]


def main() -> None:
    n_files = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    programme = default_programme()
    samples = KnownPlant(square=0.8, noise_dbfs=-73.0)(programme.samples, programme.rate_hz)
    with tempfile.TemporaryDirectory() as folder:
        signal, file = Path(folder) / "OUT.wav", Path(folder) / "A.wav"
        save_programme(programme, signal)
        soundfile.write(file, samples, programme.rate_hz, subtype="PCM_24")
        peak = subprocess.run(
            [sys.executable, "-c", MEASURE, file, signal],
            capture_output=True,
            text=True,
            check=True,
        )
        ratio = int(peak.stdout) / samples.nbytes
        sys.stdout.write(f"peak memory of an analysis: {ratio:.2f} times the samples as float64\n")
        files = [file] * n_files
        spent = {}
        for n_jobs in (1, 2, 1, 2):
            started = time.perf_counter()
            analyze_files(files, signal, n_jobs=n_jobs)
            spent.setdefault(n_jobs, []).append(time.perf_counter() - started)
        one, two = min(spent[1]), min(spent[2])
        ratio = find_processor_ratio(files, signal)
        sys.stdout.write(
            f"{n_files} recordings: {one:.2f} s on one core, {two:.2f} s on two: {one / two:.2f} "
            f"times as fast ({os.cpu_count()} cores here; the second figure includes starting the "
            "processes where that was not done before)\n"
            f"by processor time, workers started anew: {ratio:.2f}\n"
        )


if __name__ == "__main__":
    main()
