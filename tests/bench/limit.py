# mypy: disable-error-code="arg-type,operator,union-attr"
"""
How near the response is to what the physics allows.

    python tests/bench/limit.py [SEEDS]

Random error (standard deviation over seeds, rms over the points) over the Cramer-Rao
bound for a transfer function that is constant over 1/12 octave,

    sd = 8.686 sqrt(2 sigma^2 / (fs tau)) / (A |H|) / sqrt(2 n),  tau = L ln 2 / 12,

sigma^2 the noise's variance, n the number of sweeps, and 1/sqrt(2) because half of a complex error
lies along the value; the same over the bound of the windows that were chosen; and the bias with no
noise.
"""

import dataclasses
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import AMPLITUDE, record, rms
from known_plant import KnownPlant, resonant_receiver

from voicecheck.measure import measure_recording
from voicecheck.programme import compute_sweep_constant_s, make_programme
from voicecheck.records import Recipe
from voicecheck.weighting import make_band_frequencies

RATE_HZ = 48000
POINTS_HZ = make_band_frequencies(12)


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


if __name__ == "__main__":
    main()
