"""
The analysis: over one read and one FFT, its memory, a start of the program, a second core.

A part of `all_ratios.py`. The length of the FFT has no large prime factor: the fastest one.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import soundfile
from helpers import default_programme
from joblib.externals.loky import get_reusable_executor
from known_plant import KnownPlant
from scipy import fft
from timing import Ratio, hold

from voicecheck.bench.wavfile import load_recording, save_programme
from voicecheck.measure import measure_recording
from voicecheck.workflow.analysis import analyze_files

MEASURE_MEMORY = """
import sys, threading, tracemalloc
from voicecheck.workflow.analysis import analyze
from voicecheck.bench.wavfile import load_programme
programme = load_programme(sys.argv[2])
analyze(sys.argv[1], programme)
tracemalloc.start()
analyze(sys.argv[1], programme)
print(tracemalloc.get_traced_memory()[1])
"""


@contextmanager
def write_take() -> Iterator[tuple[Path, Path, int]]:
    """The default programme and a recording of it, with the size of its samples as float64."""
    programme = default_programme()
    plant = KnownPlant(square=0.8, cube=0.3, noise_dbfs=-73.0, latency_s=0.1373, drift_ppm=20.0)
    samples = plant(programme.samples, programme.rate_hz)
    with tempfile.TemporaryDirectory() as folder:
        file, signal = Path(folder) / "A.wav", Path(folder) / "OUT.wav"
        soundfile.write(file, samples, programme.rate_hz, subtype="PCM_24")
        save_programme(programme, signal)
        yield file, signal, samples.nbytes


def list_analysis(*, short: bool) -> Iterator[Ratio]:
    """Time and memory of one analysis in a warm process."""
    programme = default_programme()
    with write_take() as (file, signal, n_bytes):

        def read_and_transform() -> None:
            samples = soundfile.read(file)[0]
            fft.rfft(samples, fft.next_fast_len(len(samples), real=True), workers=1)

        yield hold(
            "analysis: read and analyse the default programme",
            lambda: measure_recording(programme, load_recording(file)),
            read_and_transform,
            "one read and one real FFT of a padded length",
            rounds=9 if short else 41,
        )
        done = subprocess.run(
            [sys.executable, "-c", MEASURE_MEMORY, file, signal],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        yield Ratio(
            name="memory: peak of an analysis", value=int(done.stdout) / 1e6, floor=n_bytes / 1e6,
            against="the samples as float64; 115 MB of it are asked for, not touched", unit="MB",
        )  # fmt: skip


def list_starts(*, short: bool) -> Iterator[Ratio]:
    """Processes of their own, from nothing to the answer."""
    program = (sys.executable, "-m", "voicecheck")
    bare = (sys.executable, "-c", "import numpy")
    against = "`import numpy` in a bare process"
    with write_take() as (file, signal, _):
        asked = {
            "start: `voicecheck --help`": (*program, "--help"),
            "start: `voicecheck --version`": (*program, "--version"),
            "start: `voicecheck analyze` of one file":
                (*program, "analyze", str(file), "--signal", str(signal), "--quiet"),
        }  # fmt: skip
        for name, command in asked.items():
            rounds = range(3 if short else 9)
            run_ms(command)
            pairs = [(run_ms(command), run_ms(bare)) for _ in rounds]
            value, floor = (min(one) for one in zip(*pairs, strict=True))
            yield Ratio(name=name, value=value, floor=floor, against=against)


def run_ms(command: tuple[str, ...]) -> float:
    """Processor time of a process and its children."""
    begun_s = _sum_processor_s(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    return 1000.0 * (_sum_processor_s(resource.RUSAGE_CHILDREN) - begun_s)


def _sum_processor_s(*who: int) -> float:
    used = [resource.getrusage(one) for one in who]
    return sum(one.ru_utime + one.ru_stime for one in used)


def list_cores(*, short: bool) -> Iterator[Ratio]:
    """
    Many recordings on two processes, workers started anew, over the same on one.

    By the clock, which other work on the machine spoils, and by the processor time of all
    processes from their start to their end, which it does not: 1 would be a second process that
    costs nothing to start or to feed.
    """
    n_files = 20 if short else 100
    spent = {}
    with write_take() as (file, signal, _):
        for n_jobs in (1, 2):
            get_reusable_executor().shutdown(wait=True)
            began_s, clock_s = _sum_all_s(), time.perf_counter()
            analyze_files([file] * n_files, signal, n_jobs=n_jobs)
            get_reusable_executor().shutdown(wait=True)
            spent[n_jobs] = time.perf_counter() - clock_s, _sum_all_s() - began_s
    for place, how in enumerate(("the clock", "processor time")):
        yield Ratio(
            name=f"two processes: {n_files} recordings, by {how}",
            value=spent[2][place], floor=spent[1][place], against="the same on one", unit="s",
        )  # fmt: skip


def _sum_all_s() -> float:
    return _sum_processor_s(resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
