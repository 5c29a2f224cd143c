# mypy: disable-error-code="arg-type,operator,union-attr"
"""
How near the response is to what the physics allows, and to what general methods reach.

    python tests/bench/limit.py [SEEDS]

First table: random error (standard deviation over seeds, rms over the points) over the Cramer-Rao
bound for a transfer function that is constant over 1/12 octave,

    sd = 8.686 sqrt(2 sigma^2 / (fs tau)) / (A |H|) / sqrt(2 n),  tau = L ln 2 / 12,

sigma^2 the noise's variance, n the number of sweeps, and 1/sqrt(2) because half of a complex error
lies along the value; the same over the bound of the windows that were chosen; and the bias with no
noise. Second table: error against general methods at equal sound time (one 3 s stimulus).
"""

import dataclasses
import sys
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from scipy import signal

sys.path.insert(0, str(Path(__file__).parents[1]))
from accuracy import PLANTS
from helpers import AMPLITUDE, record, rms
from known_plant import KnownPlant, resonant_receiver

from voicecheck.measure import measure_recording
from voicecheck.programme import compute_sweep_constant_s, make_programme
from voicecheck.records import Recipe
from voicecheck.weighting import make_band_frequencies

RATE_HZ = 48000
POINTS_HZ = make_band_frequencies(12)
ONE_SWEEP = make_programme(Recipe(n_sweeps=1))


def bound_db(plant: Any, n_sweeps: Any) -> Any:
    """Cramer-Rao bound of the level for H constant over 1/12 octave."""
    tau_s = compute_sweep_constant_s(Recipe()) * np.log(2) / 12
    variance = 10 ** (plant.noise_dbfs / 10) / 2
    relative = np.sqrt(2 * variance / (RATE_HZ * tau_s * n_sweeps))
    return 8.686 * relative / (AMPLITUDE * np.abs(plant.response(POINTS_HZ)))


def random_error(noise_dbfs: Any, response: Any, n_seeds: Any) -> Any:
    plant = KnownPlant(square=0.2, noise_dbfs=noise_dbfs, **response)
    programme = make_programme(Recipe())
    levels, stated = [], []
    for seed in range(n_seeds):
        found = measure_recording(
            programme, record(dataclasses.replace(plant, seed=seed), programme)
        )
        levels.append(found.response.level_db)
        stated.append(found.response.noise_uncertainty_db / 1.96)
    found_db = np.std(levels, axis=0, ddof=1)
    bound = bound_db(plant, 3)
    return rms(found_db / bound), rms(found_db) / rms(np.mean(stated, axis=0))


def bias(response: Any) -> Any:
    plant = KnownPlant(square=0.2, noise_dbfs=-130.0, **response)
    found = measure_recording(make_programme(Recipe()), record(plant, make_programme(Recipe())))
    return rms(found.response.level_db - plant.true_response_db(POINTS_HZ, AMPLITUDE))


def ours(plant: Any) -> Any:
    found = measure_recording(ONE_SWEEP, record(plant, ONE_SWEEP))
    return found.response.level_db


def by_pyfar(plant: Any) -> Any:
    """Sweep over spectrum inversion, one window -30/+60 ms (pyfar, a general library)."""
    import pyfar

    block = ONE_SWEEP.blocks_of("sweep")[0]
    heard = record(plant, ONE_SWEEP).samples
    first, length = round(block.start_s * RATE_HZ), 2**18
    played, recorded = (np.zeros(length) for _ in range(2))
    played[:160000] = ONE_SWEEP.samples[first : first + 160000]
    recorded[:160000] = heard[first : first + 160000]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        inverse = pyfar.dsp.regularized_spectrum_inversion(
            pyfar.Signal(played, RATE_HZ), (110, 7900)
        )
    kernel = np.roll((pyfar.Signal(recorded, RATE_HZ) * inverse).time.ravel(), 1440)[:4320]
    window = np.ones(4320)
    window[:480], window[-960:] = np.linspace(0, 1, 480), np.linspace(1, 0, 960)
    turn = np.exp(-2j * np.pi * POINTS_HZ[:, None] / RATE_HZ * (np.arange(4320) - 1440))
    return 20 * np.log10(np.abs(turn @ (kernel * window)))


def by_scipy(plant: Any) -> Any:
    """White noise, scipy.signal csd over welch, 8192 samples."""
    rng = np.random.default_rng(plant.seed)
    played = np.zeros(4 * RATE_HZ)
    played[:144000] = AMPLITUDE / np.sqrt(2) * rng.standard_normal(144000)
    heard = plant(played, RATE_HZ)[: len(played)]
    frequency_hz, cross = signal.csd(played, heard, RATE_HZ, nperseg=8192)
    _, power = signal.welch(played, RATE_HZ, nperseg=8192)
    level_db = 20 * np.log10(np.abs(cross / power))
    return np.interp(np.log(POINTS_HZ), np.log(frequency_hz[1:]), level_db[1:])


def by_stepped_sine(plant: Any) -> Any:
    """A tone at each point in turn, 57 ms each, least squares on its last 40 ms."""
    count = round(0.0573 * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    tones = [AMPLITUDE * np.sin(2 * np.pi * f * time_s) for f in POINTS_HZ]
    heard = plant(np.concatenate([*tones, np.zeros(4800)]), RATE_HZ)
    levels = []
    for index, frequency_hz in enumerate(POINTS_HZ):
        late = np.arange(index * count + round(0.0173 * RATE_HZ), (index + 1) * count)
        angle = 2 * np.pi * frequency_hz * (late - index * count) / RATE_HZ
        columns = [f(k * angle) for k in (1, 2, 3) for f in (np.cos, np.sin)]
        fit = np.linalg.lstsq(np.array([*columns, np.ones(len(late))]).T, heard[late], rcond=None)
        levels.append(20 * np.log10(np.hypot(fit[0][0], fit[0][1]) / AMPLITUDE))
    return np.array(levels)


def compare_methods(n_seeds: Any) -> None:
    methods = {
        "voicecheck": ours,
        "pyfar": by_pyfar,
        "scipy csd": by_scipy,
        "stepped": by_stepped_sine,
    }
    sys.stdout.write("\n| plant | " + " | ".join(methods) + " |\n|---")
    sys.stdout.write("|---" * len(methods) + "|\n")
    seconds = dict.fromkeys(methods, 0.0)
    for name, plant in PLANTS.items():
        if plant.drift_ppm:
            continue
        cells = []
        for method, measure in methods.items():
            errors = []
            for seed in range(n_seeds):
                seeded = dataclasses.replace(plant, seed=seed)
                started = time.perf_counter()
                level_db = measure(seeded)
                seconds[method] += time.perf_counter() - started
                errors.append(level_db - plant.true_response_db(POINTS_HZ, AMPLITUDE))
            cells.append(f"{np.sqrt(np.nanmean(np.square(errors))):.4f}")
        sys.stdout.write(f"| {name} | {' | '.join(cells)} |\n")
        sys.stdout.flush()


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    plants = {"carbon-like": {}, "resonant receiver": {"response": resonant_receiver}}
    sys.stdout.write(
        "| plant | noise dBFS | over the 1/12-octave bound | over its own windows' |\n"
    )
    sys.stdout.write("|---|---|---|---|\n")
    for name, response in plants.items():
        for noise_dbfs in (-38.0, -53.0, -73.0):
            over, own = random_error(noise_dbfs, response, n_seeds)
            sys.stdout.write(f"| {name} | {noise_dbfs:.0f} | {over:.2f} | {own:.2f} |\n")
            sys.stdout.flush()
        sys.stdout.write(f"| {name} | none: bias {bias(response):.5f} dB rms | - | - |\n")
    compare_methods(max(4, n_seeds // 5))


if __name__ == "__main__":
    main()
